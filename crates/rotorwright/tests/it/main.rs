//! Integration tests.

mod browser;
mod fixture;
mod pages;
