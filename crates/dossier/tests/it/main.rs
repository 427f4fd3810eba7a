//! Integration tests.

mod aircraft_file;
mod import;
mod record_store;
