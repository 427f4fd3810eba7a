//! Integration tests.

mod drive_step;
mod drive_sweep;
mod discharge;
mod fits;
mod modes;
mod identify;
mod series;
mod sound;
mod spectra;
mod steps;
mod timebase;
