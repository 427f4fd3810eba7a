//! Integration tests.

mod fits;
mod modes;
mod series;
mod spectra;
mod steps;
mod timebase;
