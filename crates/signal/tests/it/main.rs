//! Integration tests.

#![allow(clippy::panic, clippy::unwrap_used, clippy::expect_used, reason = "a test reports by panicking")]

mod discharge;
mod drive_step;
mod drive_sweep;
mod fits;
mod identify;
mod modes;
mod open_data;
mod series;
mod sound;
mod spectra;
mod step_fits;
mod steps;
mod timebase;
mod vibration;
