//! Integration tests.

#![allow(clippy::panic, clippy::unwrap_used, clippy::expect_used, reason = "a test reports by panicking")]

mod atmosphere;
mod bem;
mod control;
mod craft;
mod edgewise;
mod effect;
mod filter_search;
mod filters;
mod flight;
mod homeward;
mod loops;
mod magnetic;
mod mass;
mod powertrain;
mod rehearsal;
mod rotor;
mod search;
mod sensing;
mod structure;
mod table;
