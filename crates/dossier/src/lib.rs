//! An aircraft programme on disk and what follows from it.
//!
//! Data flows one way: file -> record -> estimate -> criterion -> gate -> page.
//! This crate never prints and never reads the environment; the command line and the
//! workbench call the same functions and show the same result types.

pub mod aircraft_file;
pub mod atomic;
pub mod cards;
pub mod chart;
pub mod check;
pub mod compare;
pub mod demo;
pub mod diagnostic;
pub mod estimate;
pub mod findings;
pub mod gates;
pub mod homeward;
pub mod import;
pub mod next;
pub mod predict;
pub mod programme;
pub mod reconcile;
pub mod record;
pub mod record_store;
pub mod rehearse;
pub mod result;
pub mod schema;
pub mod siting;
pub mod triage;
pub mod tuning;
pub mod units;
