//! Integration tests.

mod fits;
mod identify;
mod open_data;
mod series;
mod spectra;
mod steps;
mod timebase;
