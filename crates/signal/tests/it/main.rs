//! Integration tests.

mod fits;
mod identify;
mod series;
mod spectra;
mod steps;
mod timebase;
