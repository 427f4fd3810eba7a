//! Integration tests.

mod flight;
