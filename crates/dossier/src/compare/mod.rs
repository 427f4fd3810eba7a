//! Two records or builds beside each other.

pub mod vibration;
