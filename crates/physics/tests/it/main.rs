//! Integration tests.

mod atmosphere;
mod control;
mod filters;
mod flight;
mod loops;
mod mass;
mod powertrain;
mod rotor;
mod search;
mod table;
