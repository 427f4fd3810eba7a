//! What the terminal shows: plain tables within 80 columns that read without colour.

pub mod card;
pub mod check;
pub mod compare;
pub mod findings;
pub mod homeward;
pub mod loops;
pub mod proposal;
pub mod reconcile;
pub mod rehearse;
pub mod siting;
pub mod table;
pub mod triage;

/// Columns that a page of text may take.
pub const WIDTH: usize = 80;
