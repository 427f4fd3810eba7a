//! Integration tests.

mod aircraft_file;
mod fuzz;
mod import;
mod programme;
mod record_store;
mod schema;
mod units;
