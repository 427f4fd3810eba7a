//! Quantities with units and tolerances, as people write them: `"15 in"`, `"1.32 kg +- 10 g"`.
//!
//! A stated tolerance is the half-width of a rectangular distribution: the true value lies
//! somewhere between value - tolerance and value + tolerance, anywhere with the same probability.
//! Its standard uncertainty is the half-width divided by sqrt(3) (JCGM 100:2008, 4.3.7). The same
//! holds for the tolerances that are assumed where none is stated.
//!
//! A tolerance in percent is relative to the value; a tolerance of a temperature is a difference
//! (kelvin or degrees Celsius mean the same there). A percentage of a percentage can be read two
//! ways and is refused.
//!
//! Units combine as `kg m^2`, `deg/s/sqrt(Hz)`, `kg/(m s)`. A product after a division without
//! brackets is refused, since it can be read two ways (SI Brochure, 5.4.6).

use std::fmt;

use serde::Serialize;

mod expression;
mod table;

use expression::{ReadUnit, near_unit, read_unit};
use table::{Exponents, LEVEL, powers};
pub use table::{UNITS, UnitEntry};

/// What kind of quantity is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
#[expect(missing_docs, reason = "the names say it; `name` and `si` give words and unit")]
pub enum Dimension {
    Ratio,
    Length,
    Area,
    Mass,
    Time,
    Frequency,
    Rate,
    RateSquared,
    Angle,
    AngularSpeed,
    AngularAcceleration,
    Speed,
    Acceleration,
    Force,
    Torque,
    Pressure,
    Density,
    Temperature,
    TemperatureDifference,
    Current,
    Voltage,
    Resistance,
    Charge,
    Power,
    Energy,
    Inertia,
    Unbalance,
    VelocityConstant,
    GyroNoise,
    AccelNoise,
    MagneticFluxDensity,
    TurningStiffness,
    Level,
}

/// Facts about a dimension: name with article, SI unit, exponents, an example, units to offer.
struct Facts(&'static str, &'static str, Exponents, &'static str, &'static str);

impl Dimension {
    /// Every dimension.
    pub const ALL: &'static [Self] = &[
        Self::Ratio,
        Self::Length,
        Self::Area,
        Self::Mass,
        Self::Time,
        Self::Frequency,
        Self::Rate,
        Self::RateSquared,
        Self::Angle,
        Self::AngularSpeed,
        Self::AngularAcceleration,
        Self::Speed,
        Self::Acceleration,
        Self::Force,
        Self::Torque,
        Self::Pressure,
        Self::Density,
        Self::Temperature,
        Self::TemperatureDifference,
        Self::Current,
        Self::Voltage,
        Self::Resistance,
        Self::Charge,
        Self::Power,
        Self::Energy,
        Self::Inertia,
        Self::Unbalance,
        Self::VelocityConstant,
        Self::GyroNoise,
        Self::AccelNoise,
        Self::MagneticFluxDensity,
        Self::TurningStiffness,
        Self::Level,
    ];

    fn facts(self) -> Facts {
        let noise = |mut e: Exponents| {
            e[2] += 1;
            e
        };
        match self {
            Self::Ratio => Facts("a plain number", "1", powers(0, 0, 0, 0, 0, 0), "0.105", "none, or %"),
            Self::Length => Facts("a length", "m", powers(0, 1, 0, 0, 0, 0), "15 in", "mm, cm, m, in, ft"),
            Self::Area => Facts("an area", "m^2", powers(0, 2, 0, 0, 0, 0), "0.02 m^2", "m^2, cm^2, in^2"),
            Self::Mass => Facts("a mass", "kg", powers(1, 0, 0, 0, 0, 0), "1.2 kg", "g, kg, oz, lb"),
            Self::Time => Facts("a time", "s", powers(0, 0, 1, 0, 0, 0), "12 ms", "us, ms, s, min, h"),
            Self::Frequency => {
                Facts("a frequency", "Hz", powers(0, 0, -1, 0, 0, 0), "400 Hz", "Hz, kHz, 1/s")
            }
            Self::Rate => Facts("a gain per time", "1/s", powers(0, 0, -1, 0, 0, 0), "22 1/s", "1/s"),
            Self::RateSquared => {
                Facts("a gain per time squared", "1/s^2", powers(0, 0, -2, 0, 0, 0), "60 1/s^2", "1/s^2")
            }
            Self::Angle => Facts("an angle", "rad", powers(0, 0, 0, 0, 0, 1), "4 deg", "deg, rad"),
            Self::AngularSpeed => Facts(
                "an angular speed",
                "rad/s",
                powers(0, 0, -1, 0, 0, 1),
                "220 deg/s",
                "deg/s, rad/s, rpm, rev/s",
            ),
            Self::AngularAcceleration => Facts(
                "an angular acceleration",
                "rad/s^2",
                powers(0, 0, -2, 0, 0, 1),
                "40 rad/s^2",
                "rad/s^2, deg/s^2",
            ),
            Self::Speed => Facts("a speed", "m/s", powers(0, 1, -1, 0, 0, 0), "8 m/s", "m/s, km/h, kn, mph"),
            Self::Acceleration => {
                Facts("an acceleration", "m/s^2", powers(0, 1, -2, 0, 0, 0), "16 g", "m/s^2, g")
            }
            Self::Force => Facts("a force", "N", powers(1, 1, -2, 0, 0, 0), "12 N", "N, mN, kgf, gf, lbf"),
            Self::Torque => {
                Facts("a torque", "N m", powers(1, 2, -2, 0, 0, 0), "0.2 N m", "N m, mNm, lbf in")
            }
            Self::Pressure => {
                Facts("a pressure", "Pa", powers(1, -1, -2, 0, 0, 0), "938 hPa", "Pa, hPa, kPa, mbar")
            }
            Self::Density => {
                Facts("a density", "kg/m^3", powers(1, -3, 0, 0, 0, 0), "1.225 kg/m^3", "kg/m^3, g/cm^3")
            }
            Self::Temperature => {
                Facts("a temperature", "K", powers(0, 0, 0, 0, 1, 0), "25 degC", "degC, K, degF")
            }
            Self::TemperatureDifference => {
                Facts("a temperature difference", "K", powers(0, 0, 0, 0, 1, 0), "5 K", "K, degC")
            }
            Self::Current => Facts("a current", "A", powers(0, 0, 0, 1, 0, 0), "0.9 A", "A, mA"),
            Self::Voltage => Facts("a voltage", "V", powers(1, 2, -3, -1, 0, 0), "22.2 V", "V, mV"),
            Self::Resistance => {
                Facts("a resistance", "ohm", powers(1, 2, -3, -2, 0, 0), "62 mohm", "ohm, mohm")
            }
            Self::Charge => {
                Facts("an electric charge", "A s", powers(0, 0, 1, 1, 0, 0), "8 Ah", "Ah, mAh, A s, C")
            }
            Self::Power => Facts("a power", "W", powers(1, 2, -3, 0, 0, 0), "9 W", "W, mW, kW"),
            Self::Energy => Facts("an energy", "J", powers(1, 2, -2, 0, 0, 0), "170 Wh", "J, kJ, Wh"),
            Self::Inertia => Facts(
                "a moment of inertia",
                "kg m^2",
                powers(1, 2, 0, 0, 0, 0),
                "9.5e-5 kg m^2",
                "kg m^2, g cm^2, lb in^2",
            ),
            Self::Unbalance => {
                Facts("an unbalance", "kg m", powers(1, 1, 0, 0, 0, 0), "40 g mm", "g mm, kg m")
            }
            Self::VelocityConstant => Facts(
                "a velocity constant",
                "rad/s/V",
                powers(-1, -2, 2, 1, 0, 1),
                "400 rpm/V",
                "rpm/V, rad/s/V",
            ),
            Self::GyroNoise => Facts(
                "a noise density of angular speed",
                "rad/s/sqrt(Hz)",
                noise(powers(0, 0, -1, 0, 0, 1)),
                "0.005 deg/s/sqrt(Hz)",
                "deg/s/sqrt(Hz), rad/s/sqrt(Hz)",
            ),
            Self::AccelNoise => Facts(
                "a noise density of acceleration",
                "m/s^2/sqrt(Hz)",
                noise(powers(0, 1, -2, 0, 0, 0)),
                "80 ug/sqrt(Hz)",
                "ug/sqrt(Hz), m/s^2/sqrt(Hz)",
            ),
            Self::MagneticFluxDensity => {
                Facts("a magnetic flux density", "T", powers(1, 0, -2, -1, 0, 0), "48 uT", "T, mT, uT, nT, G")
            }
            Self::TurningStiffness => Facts(
                "a rotational stiffness",
                "N m/rad",
                powers(1, 2, -2, 0, 0, -1),
                "8 kN m/rad",
                "N m/rad, kN m/rad, N m/deg",
            ),
            Self::Level => Facts("a level", "dB", LEVEL, "6 dB", "dB, dBi, dBm"),
        }
    }

    /// Name with article: "a length".
    pub fn name(self) -> &'static str {
        self.facts().0
    }
    /// SI unit as written: "m", "rad/s/V", "1" for a plain number.
    pub fn si(self) -> &'static str {
        self.facts().1
    }
    /// A correct example: "15 in".
    pub fn example(self) -> &'static str {
        self.facts().3
    }
    /// Units to offer in a hint: "mm, cm, m, in, ft".
    pub fn offers(self) -> &'static str {
        self.facts().4
    }
    fn exponents(self) -> Exponents {
        self.facts().2
    }
}

/// A value with its standard uncertainty, both SI.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Quantity {
    /// Value, SI.
    pub value: f64,
    /// Standard uncertainty, SI: the stated half-width over sqrt(3). `None` when no tolerance is
    /// stated.
    pub uncertainty: Option<f64>,
}

/// Why a text is not the quantity that was expected.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum UnitError {
    /// Nothing written.
    #[error("nothing is written here; expected {}", .expected.name())]
    Empty {
        /// What was expected.
        expected: Dimension,
    },
    /// Does not begin with a number.
    #[error("`{found}` does not begin with a number; expected {}", .expected.name())]
    NotANumber {
        /// The text.
        found: String,
        /// What was expected.
        expected: Dimension,
    },
    /// NaN, infinite, or too large for a number.
    #[error("`{found}` is not a finite number")]
    NotFinite {
        /// The text.
        found: String,
        /// What was expected.
        expected: Dimension,
    },
    /// A comma, or another mark, inside a number.
    #[error("`{found}` has a {mark} inside the number")]
    Separator {
        /// The number as written.
        found: String,
        /// The mark in words: "comma", "space".
        mark: &'static str,
        /// Ways to write it.
        instead: String,
    },
    /// No unit where one is needed.
    #[error("`{found}` has no unit; expected {}", .expected.name())]
    MissingUnit {
        /// The number.
        found: String,
        /// What was expected.
        expected: Dimension,
    },
    /// A unit that is not in the table.
    #[error("the unit `{unit}` is not known; expected {}", .expected.name())]
    UnknownUnit {
        /// The unit.
        unit: String,
        /// What was expected.
        expected: Dimension,
        /// A unit close to it that would fit.
        near: Option<String>,
    },
    /// A product after a division.
    #[error("the unit `{unit}` can be read two ways")]
    AmbiguousUnit {
        /// The unit.
        unit: String,
        /// What was expected.
        expected: Dimension,
    },
    /// A known unit of something else.
    #[error("`{unit}` is a unit of {found}; expected {}", .expected.name())]
    WrongDimension {
        /// The unit.
        unit: String,
        /// What it measures: "a mass", or "another quantity".
        found: &'static str,
        /// What was expected.
        expected: Dimension,
    },
    /// The part after +- is not right.
    #[error("the tolerance `{found}` {why}")]
    Tolerance {
        /// The tolerance as written.
        found: String,
        /// What is wrong.
        why: String,
        /// What would be right.
        instead: String,
    },
}

impl UnitError {
    /// What would be right, with an example.
    pub fn help(&self) -> String {
        let usual = |d: &Dimension| {
            if *d == Dimension::Ratio {
                format!("write a plain number or a percentage, such as `{}` or `5 %`", d.example())
            } else {
                format!("write a number and its unit, such as `{}` (units: {})", d.example(), d.offers())
            }
        };
        match self {
            Self::Empty { expected }
            | Self::NotANumber { expected, .. }
            | Self::NotFinite { expected, .. }
            | Self::WrongDimension { expected, .. }
            | Self::UnknownUnit { expected, near: None, .. }
            | Self::MissingUnit { expected, .. } => usual(expected),
            Self::UnknownUnit { near: Some(near), expected, .. } => {
                format!("did you mean `{near}`? {}", usual(expected))
            }
            Self::AmbiguousUnit { expected, .. } => {
                format!("put brackets around what is divided by, as in `kg/(m s)`; {}", usual(expected))
            }
            Self::Separator { instead, .. } | Self::Tolerance { instead, .. } => instead.clone(),
        }
    }
}

/// A unit resolved for one dimension.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    numerator: f64,
    denominator: f64,
    offset: f64,
    exponents: Exponents,
}

impl Unit {
    /// Without a whole factor common to numerator and denominator, so that kilograms are 1/1 and
    /// a number in an SI unit stays as it is to the last bit.
    fn reduced(mut self) -> Self {
        let (over, under) = (self.numerator / self.denominator, self.denominator / self.numerator);
        if over.fract() == 0.0 {
            (self.numerator, self.denominator) = (over, 1.0);
        } else if under.fract() == 0.0 {
            (self.numerator, self.denominator) = (1.0, under);
        }
        self
    }
    /// SI value of a number in this unit.
    pub fn to_si(&self, number: f64) -> f64 {
        number * self.numerator / self.denominator + self.offset
    }
    /// SI value of a difference in this unit (no offset).
    pub fn difference_to_si(&self, number: f64) -> f64 {
        number * self.numerator / self.denominator
    }
    /// Number in this unit of an SI value.
    pub fn from_si(&self, value: f64) -> f64 {
        (value - self.offset) * self.denominator / self.numerator
    }
}

/// Reads a unit for the dimension.
///
/// # Errors
/// An unknown unit, or one of another dimension.
pub fn parse_unit(text: &str, expected: Dimension) -> Result<Unit, UnitError> {
    let text = text.trim();
    let unknown =
        || UnitError::UnknownUnit { unit: shortened(text), expected, near: near_unit(text, expected) };
    if text.is_empty() {
        return if expected == Dimension::Ratio {
            Ok(Unit { numerator: 1.0, denominator: 1.0, offset: 0.0, exponents: powers(0, 0, 0, 0, 0, 0) })
        } else {
            Err(UnitError::MissingUnit { found: String::new(), expected })
        };
    }
    let candidates = match read_unit(text) {
        Ok(c) => c,
        Err(ReadUnit::Unknown) => return Err(unknown()),
        Err(ReadUnit::Ambiguous) => {
            return Err(UnitError::AmbiguousUnit { unit: shortened(text), expected });
        }
    };
    let wanted = expected.exponents();
    if let Some(unit) = candidates.iter().find(|u| u.exponents == wanted) {
        let mut unit = unit.reduced();
        if expected != Dimension::Temperature {
            unit.offset = 0.0;
        }
        return Ok(unit);
    }
    let found = candidates
        .iter()
        .find_map(|u| Dimension::ALL.iter().find(|d| d.exponents() == u.exponents))
        .map_or("another quantity", |d| d.name());
    Err(UnitError::WrongDimension { unit: shortened(text), found, expected })
}

/// Reads a quantity of the dimension, with its tolerance if it has one.
///
/// # Errors
/// Whatever is wrong with the text, with what would be right.
pub fn parse_quantity(text: &str, expected: Dimension) -> Result<Quantity, UnitError> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return Err(UnitError::Empty { expected });
    }
    let (value_text, tolerance_text) = split_tolerance(trimmed);
    let (number, number_text, unit_text) = read_number(value_text, expected)?;
    let unit = parse_unit(unit_text, expected).map_err(|e| match e {
        UnitError::MissingUnit { expected, .. } => {
            UnitError::MissingUnit { found: number_text.to_owned(), expected }
        }
        other => other,
    })?;
    let value = finite(unit.to_si(number), value_text, expected)?;
    let uncertainty = match tolerance_text {
        None => None,
        Some(t) => Some(read_tolerance(t, value, unit_text, expected)? / 3.0_f64.sqrt()),
    };
    Ok(Quantity { value, uncertainty })
}

/// Writes a quantity in SI units so that [`parse_quantity`] reads the same value back.
pub fn format(value: f64, uncertainty: Option<f64>, dimension: Dimension) -> String {
    let unit = if dimension == Dimension::Ratio { "" } else { dimension.si() };
    let number = |x: f64| {
        let size = x.abs();
        let digits =
            if size != 0.0 && !(1e-4..1e7).contains(&size) { format!("{x:e}") } else { format!("{x}") };
        if unit.is_empty() { digits } else { format!("{digits} {unit}") }
    };
    match uncertainty {
        None => number(value),
        Some(u) => format!("{} +- {}", number(value), number(u * 3.0_f64.sqrt())),
    }
}

fn finite(x: f64, found: &str, expected: Dimension) -> Result<f64, UnitError> {
    if x.is_finite() { Ok(x) } else { Err(UnitError::NotFinite { found: shortened(found), expected }) }
}

/// Text cut to a length that fits a message.
pub(crate) fn shortened(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut out: String = text.chars().take(LONGEST).collect();
    if text.chars().count() > LONGEST {
        out.push_str(" ...");
    }
    out
}

/// Splits at the first `+-`, `+/-` or plus-minus sign.
fn split_tolerance(text: &str) -> (&str, Option<&str>) {
    for mark in ["+-", "+/-", "\u{b1}"] {
        if let Some((value, tolerance)) = text.split_once(mark) {
            return (value.trim(), Some(tolerance.trim()));
        }
    }
    (text, None)
}

/// Reads the number at the start: value, its text, the rest.
fn read_number(text: &str, expected: Dimension) -> Result<(f64, &str, &str), UnitError> {
    let bytes = text.as_bytes();
    let digit = |i: usize| bytes.get(i).is_some_and(u8::is_ascii_digit);
    let mut end = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let start = end;
    while digit(end) {
        end += 1;
    }
    let mut digits = end - start;
    if bytes.get(end) == Some(&b'.') {
        let point = end;
        end += 1;
        while digit(end) {
            end += 1;
        }
        digits += end - point - 1;
    }
    if digits == 0 {
        let lower = text.to_ascii_lowercase();
        let word = lower.trim_start_matches(['+', '-']);
        if word.starts_with("nan") || word.starts_with("inf") {
            return Err(UnitError::NotFinite { found: shortened(text), expected });
        }
        if text.starts_with('\u{2212}') {
            return Err(UnitError::Separator {
                found: shortened(text),
                mark: "typographic minus sign",
                instead: format!(
                    "write the minus on the keyboard: `-{}`",
                    text.trim_start_matches('\u{2212}')
                ),
            });
        }
        return Err(UnitError::NotANumber { found: shortened(text), expected });
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        if digit(end + 1 + sign) {
            end += 1 + sign;
            while digit(end) {
                end += 1;
            }
        }
    }
    let (number_text, rest) = text.split_at(end);
    check_separator(number_text, rest)?;
    let number: f64 =
        number_text.parse().map_err(|_| UnitError::NotANumber { found: shortened(text), expected })?;
    Ok((finite(number, number_text, expected)?, number_text, rest.trim()))
}

/// A mark between digits: decimal comma, thousands separator.
fn check_separator(number: &str, rest: &str) -> Result<(), UnitError> {
    let mut chars = rest.chars();
    let Some(mark) = chars.next() else { return Ok(()) };
    let after: String = chars.clone().take_while(|c| c.is_ascii_digit() || *c == mark || *c == '.').collect();
    let starts_with_digit = after.starts_with(|c: char| c.is_ascii_digit());
    let name = match mark {
        ',' if starts_with_digit => "comma",
        ',' => "comma after it",
        '\'' | '\u{2019}' if starts_with_digit => "apostrophe",
        '_' if starts_with_digit => "underscore",
        '.' => "second point",
        ' ' | '\u{a0}' | '\u{2009}' | '\u{202f}' => {
            // A unit may begin with 1, as in `22 1/s`; anything else is a group of digits.
            let group: String = rest.trim_start().chars().take_while(|c| c.is_ascii_digit()).collect();
            if group.is_empty() || group == "1" {
                return Ok(());
            }
            "space"
        }
        _ => return Ok(()),
    };
    let found = format!("{number}{mark}{after}");
    let joined: String =
        found.chars().filter(|c| c.is_ascii_digit() || matches!(c, '.' | '-' | '+')).collect();
    let group = after.chars().take_while(|c| c.is_ascii_digit()).count();
    let instead = if mark == ',' && starts_with_digit {
        let pointed = format!("{number}.{}", after.trim_end_matches(mark));
        if group == 3 {
            format!(
                "the decimal mark is a point and thousands have none: write `{joined}`, or `{pointed}` if you mean a decimal"
            )
        } else {
            format!("the decimal mark is a point: write `{pointed}`")
        }
    } else if mark == '.' {
        "a number has one decimal point and no thousands separator: write `1320` or `1.32`".to_owned()
    } else if mark == ',' {
        format!("write `{number}` without the comma")
    } else {
        format!("thousands have no separator: write `{joined}`")
    };
    Err(UnitError::Separator { found: shortened(&found), mark: name, instead })
}

/// Half-width of the tolerance, SI.
fn read_tolerance(text: &str, value: f64, unit_text: &str, expected: Dimension) -> Result<f64, UnitError> {
    let wrong = |why: &str, instead: String| UnitError::Tolerance {
        found: shortened(text),
        why: why.to_owned(),
        instead,
    };
    let good = || match expected {
        Dimension::Ratio => {
            "write it as a plain number or in percent: `0.105 +- 0.003` or `0.105 +- 3 %`".to_owned()
        }
        Dimension::Temperature => "write it as a difference: `25 degC +- 2 K`".to_owned(),
        _ => format!(
            "write it in percent or with a unit: `{0} +- 3 %`, or `{0} +- ` and a number with its unit",
            expected.example()
        ),
    };
    let (number, _, unit) = read_number(text, expected).map_err(|e| match e {
        UnitError::Separator { .. } => e,
        _ => wrong("is not a number", good()),
    })?;
    if number < 0.0 {
        return Err(wrong("is negative", "write the half-width, which is zero or more".to_owned()));
    }
    let percent = unit == "%";
    let half = if percent {
        if expected == Dimension::Ratio && unit_text == "%" {
            return Err(wrong(
                "is a percentage of a percentage, which can be read two ways",
                "write the value as a plain number: `0.05 +- 0.01` for a hundredth more or less, \
                 `0.05 +- 20 %` for a fifth of it"
                    .to_owned(),
            ));
        }
        if expected == Dimension::Temperature && !matches!(unit_text, "K" | "mK") {
            return Err(wrong("is a percentage of a scale with an arbitrary zero", good()));
        }
        if value == 0.0 && number > 0.0 {
            return Err(wrong(
                "is a percentage of zero",
                match expected.si() {
                    "1" => "write the tolerance as a plain number, such as `0 +- 0.02`".to_owned(),
                    unit => format!("write the tolerance in a unit, such as `0 {unit} +- 2 {unit}`"),
                },
            ));
        }
        value.abs() * number / 100.0
    } else {
        let dimension =
            if expected == Dimension::Temperature { Dimension::TemperatureDifference } else { expected };
        let unit = parse_unit(unit, dimension).map_err(|e| match e {
            UnitError::MissingUnit { .. } => wrong("has no unit", good()),
            UnitError::WrongDimension { found, .. } => {
                wrong(&format!("is {found}; expected {}", dimension.name()), good())
            }
            other => wrong(&format!("has a unit that is not right: {other}"), good()),
        })?;
        unit.difference_to_si(number)
    };
    finite(half, text, expected)
}

impl fmt::Display for Dimension {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
