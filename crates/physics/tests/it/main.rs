//! Integration tests.

mod control;
mod filters;
mod loops;
