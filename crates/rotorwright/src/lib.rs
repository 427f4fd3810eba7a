//! The command line, the workbench and the report: three faces of the same result types.
//!
//! Standard output carries data, standard error talk. Nothing here computes physics; it calls
//! [`dossier`] and shows what comes back.

pub mod card;
pub mod commands;
pub mod figures;
pub mod format;
pub mod report;
pub mod source;
pub mod text;
pub mod web;
