//! Integration tests.

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
mod steps;
mod timebase;
mod vibration;
