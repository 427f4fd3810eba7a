//! Integration tests.
mod aircraft_file;
mod programme;
mod schema;
mod units;
