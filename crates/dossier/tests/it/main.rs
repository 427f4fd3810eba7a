//! Integration tests.
mod aircraft_file;
