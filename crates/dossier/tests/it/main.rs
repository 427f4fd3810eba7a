//! Integration tests.

mod aircraft_file;
mod causes;
mod estimates;
mod gates;
mod import;
mod programme;
mod real;
mod record_store;
mod schema;
mod tarn;
mod units;
