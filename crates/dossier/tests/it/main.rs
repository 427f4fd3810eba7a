//! Integration tests.

mod aircraft_file;
mod import;
mod programme;
mod record_store;
mod schema;
mod units;
