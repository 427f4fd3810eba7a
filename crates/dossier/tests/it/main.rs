//! Integration tests.
mod aircraft_file;
mod fuzz;
