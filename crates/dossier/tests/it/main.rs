//! Integration tests.

mod aircraft_file;
mod findings;
mod import;
mod programme;
mod record_store;
mod schema;
mod synthetic;
mod triage;
mod units;
