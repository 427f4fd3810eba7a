//! Integration tests.

mod atmosphere;
mod flight;
mod mass;
mod powertrain;
mod rotor;
mod table;
