//! Integration tests.

mod atmosphere;
mod bem;
mod control;
mod edgewise;
mod filter_search;
mod filters;
mod flight;
mod loops;
mod magnetic;
mod mass;
mod powertrain;
mod rotor;
mod search;
mod structure;
mod table;
