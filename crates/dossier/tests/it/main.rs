//! Integration tests.

#![allow(
    clippy::panic,
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a test helper reports by panicking"
)]

mod aircraft_file;
mod bearing;
mod bench_body;
mod blade;
mod cards;
mod causes;
mod compare;
mod drive;
mod estimates;
mod failsafe;
mod findings;
mod flown;
mod fuzz;
mod gates;
mod hop;
mod import;
mod loops;
mod oscillations;
mod outer;
mod programme;
mod real;
mod real_bench;
mod real_replay;
mod real_thrust_step;
mod realdata;
mod record_store;
mod schema;
mod set_up;
mod synthetic;
mod tarn;
mod triage;
mod units;
mod vibration;
