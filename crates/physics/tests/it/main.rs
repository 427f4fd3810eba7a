//! Integration tests.

mod atmosphere;
mod bem;
mod control;
mod edgewise;
mod filters;
mod flight;
mod loops;
mod mass;
mod powertrain;
mod rotor;
mod table;
