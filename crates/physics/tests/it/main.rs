//! Integration tests.

mod atmosphere;
mod control;
mod filter_search;
mod filters;
mod flight;
mod loops;
mod mass;
mod powertrain;
mod rotor;
mod table;
