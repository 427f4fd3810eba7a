//! Integration tests.

mod discharge;
mod fits;
mod modes;
mod series;
mod sound;
mod spectra;
mod steps;
mod timebase;
