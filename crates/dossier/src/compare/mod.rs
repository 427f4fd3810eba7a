//! Two records or builds beside each other.

pub mod builds;
pub mod drives;
pub mod parts;
pub mod records;
pub mod vibration;

pub use self::builds::{BuildComparison, builds, builds_on};
pub use self::records::{RecordComparison, records, records_on};
