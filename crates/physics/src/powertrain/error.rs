//! What can stand against an operating point.

use std::fmt;

use serde::Serialize;

use crate::aircraft::Missing;

/// A limit of the powertrain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LimitKind {
    /// The ESC gives the whole bus voltage.
    FullCommand,
    /// Largest continuous current of the motor.
    MotorCurrent,
    /// Highest temperature of the winding: settled in steady flight, after the stated time in a burst.
    WindingTemperature,
    /// Largest continuous current of the ESC.
    EscCurrent,
    /// Largest continuous current of the battery.
    BatteryCurrent,
    /// Least voltage of a cell under load.
    CellVoltage,
}

impl LimitKind {
    /// The limit in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::FullCommand => "full command",
            Self::MotorCurrent => "motor current",
            Self::WindingTemperature => "winding temperature",
            Self::EscCurrent => "ESC current",
            Self::BatteryCurrent => "battery current",
            Self::CellVoltage => "cell voltage",
        }
    }
}

impl fmt::Display for LimitKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

/// No operating point.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PowertrainError {
    /// The aircraft file lacks a part.
    #[error(transparent)]
    Missing(#[from] Missing),
    /// The thrusts asked for are beyond a limit.
    #[error("the {limit} limit allows only {:.1} % of the thrust asked for", 100.0 * share)]
    Infeasible {
        /// The limit met first as all thrusts rise together from zero.
        limit: LimitKind,
        /// Share of the thrusts at which it is met, 0 to 1.
        share: f64,
    },
    /// A number the models cannot use.
    #[error("{what} is {value}, which the powertrain model cannot use")]
    Input {
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// The solver stopped without an answer.
    #[error("no operating point found in {iterations} steps (voltages still {residual} V apart)")]
    NoConvergence {
        /// Steps taken.
        iterations: usize,
        /// Largest voltage left over, V.
        residual: f64,
    },
}

/// An error unless a number is finite and at least `low`.
pub(super) fn at_least(low: f64, what: &'static str, value: f64) -> Result<f64, PowertrainError> {
    if value.is_finite() && value >= low { Ok(value) } else { Err(PowertrainError::Input { what, value }) }
}

/// An error unless a number is finite and above zero.
pub(super) fn above_zero(what: &'static str, value: f64) -> Result<f64, PowertrainError> {
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err(PowertrainError::Input { what, value }) }
}
