//! Integration tests.

#![allow(clippy::panic, reason = "a test helper reports by panicking")]

mod aircraft_file;
mod cards;
mod causes;
mod estimates;
mod findings;
mod flown;
mod fuzz;
mod gates;
mod hop;
mod import;
mod programme;
mod real;
mod record_store;
mod schema;
mod set_up;
mod synthetic;
mod tarn;
mod triage;
mod units;
