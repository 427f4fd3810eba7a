//! Integration tests.

mod findings;
mod synthetic;
mod triage;
