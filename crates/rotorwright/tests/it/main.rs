//! Integration tests.

mod browser;
mod cli;
mod fixture;
mod pages;
