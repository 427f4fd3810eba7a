//! The rotorwright workbench as a library: pages, report and figures that the binary serves and writes.

pub mod figures;
pub mod report;
pub mod web;
