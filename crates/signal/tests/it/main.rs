//! Integration tests.

mod drive_step;
mod drive_sweep;
mod fits;
mod series;
mod spectra;
mod steps;
mod timebase;
