//! The command line, the workbench and the report: three faces of the same result types.
//!
//! Standard output carries data, standard error talk. Nothing here computes physics; it calls
//! [`dossier`] and shows what comes back.

pub mod commands;
pub mod format;
pub mod text;
//! The rotorwright workbench as a library: pages, report and figures that the binary serves and writes.

pub mod figures;
pub mod report;
pub mod web;
