//! Integration tests.

mod aircraft_file;
mod flown;
mod import;
mod programme;
mod real;
mod record_store;
mod schema;
mod units;
