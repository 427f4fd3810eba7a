//! Integration tests.

mod cli;
