//! Integration tests.

mod fits;
mod series;
mod spectra;
mod steps;
mod timebase;
mod vibration;
