//! Integration tests.

mod atmosphere;
mod mass;
mod powertrain;
mod rotor;
mod table;
