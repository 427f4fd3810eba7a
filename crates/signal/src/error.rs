//! What can be wrong with a series.

/// Why a computation was not done.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SignalError {
    /// Fewer samples than the method needs.
    #[error("needs at least {need} samples, there are {got}")]
    TooShort {
        /// Least number of samples.
        need: usize,
        /// Number present.
        got: usize,
    },
    /// Two series that belong together differ in length.
    #[error("two series that belong together have {left} and {right} samples")]
    Length {
        /// Length of the first.
        left: usize,
        /// Length of the second.
        right: usize,
    },
    /// All time stamps are the same, or none is finite.
    #[error("the time stamps do not advance")]
    NoTime,
    /// A number outside the range that the method allows.
    #[error("{what} is {value}, allowed is {low} to {high}")]
    Range {
        /// What the number is.
        what: &'static str,
        /// The number.
        value: f64,
        /// Least allowed.
        low: f64,
        /// Largest allowed.
        high: f64,
    },
    /// The columns of a least-squares problem are not independent.
    #[error("the data carry {rank} independent directions, the fit asks for {columns}")]
    Singular {
        /// Numerical rank.
        rank: usize,
        /// Unknowns.
        columns: usize,
    },
    /// A value is not finite.
    #[error("sample {index} is not finite")]
    NotFinite {
        /// Index of the first such sample.
        index: usize,
    },
    /// An iteration did not settle.
    #[error("the fit did not settle in {iterations} iterations")]
    NoConvergence {
        /// Iterations done.
        iterations: usize,
    },
}
