//! Figures as people read them: digits by uncertainty, units of the trade.
//!
//! Inside, everything is SI. Here a rotor's speed becomes rev/min, a turn rate deg/s, a short time
//! ms, a small mass g. The unit alone cannot say which: `rad/s` is a rotor speed, a turn rate or a
//! crossover. The identity of a figure (`hover.full.speed`, `rate.overshoot`) decides.

use std::f64::consts::{PI, TAU};

use dossier::estimate::Estimate;
use dossier::result::{Limit, Sense};

/// A space that a line is never broken at; printed as a plain space.
pub const HARD_SPACE: char = '\u{a0}';

/// How figures of one row are shown: one factor and one unit, so that they compare at sight.
#[derive(Debug, Clone, PartialEq)]
pub struct Display {
    /// Shown value = SI value x `factor` - `offset`.
    pub factor: f64,
    /// See `factor`; only temperatures have one.
    pub offset: f64,
    /// Unit as shown; empty for a plain number.
    pub unit: String,
}

impl Display {
    /// The display for figures in `unit` with identity `id`, of the size `typical` (SI).
    pub fn choose(unit: &str, id: &str, typical: f64) -> Self {
        let size = typical.abs();
        let words: Vec<&str> = id.split(|c: char| !c.is_alphanumeric()).collect();
        let has = |list: &[&str]| list.iter().any(|w| words.contains(w));
        let (factor, shown) = match unit {
            "rad/s" if has(&["crossover", "bandwidth", "frequency", "neutral"]) => (1.0, "rad/s"),
            "rad/s" if has(&["speed", "rpm"]) => (60.0 / TAU, "rpm"),
            "rad/s" if has(&["rate", "rates", "step", "gyro", "size"]) => (180.0 / PI, "deg/s"),
            "rad" => (180.0 / PI, "deg"),
            "1" if has(PERCENT) && !has(&["sigma"]) => (100.0, "%"),
            "1" => (1.0, ""),
            "s" if size >= 120.0 => (1.0 / 60.0, "min"),
            "s" if size > 0.0 && size < 1e-3 => (1e6, "µs"),
            "s" if size < 1.0 => (1e3, "ms"),
            "kg" if size < 1.0 => (1e3, "g"),
            "m" if size < 1.0 => (1e3, "mm"),
            "kg m^2" if size > 0.0 && size < 1e-4 => (1e6, "kg mm²"),
            "kg m^2" if size > 0.0 && size < 1.0 => (1e3, "g m²"),
            "kg m" => (1e6, "g mm"),
            "ohm" if size > 0.0 && size < 1.0 => (1e3, "mohm"),
            "N m" if size > 0.0 && size < 0.1 => (1e3, "mN m"),
            "T" if size > 0.0 && size < 1e-3 => (1e6, "µT"),
            "T/A" if size < 1e-3 => (1e9, "nT/A"),
            "J" if size >= 3600.0 => (1.0 / 3600.0, "Wh"),
            "A s" | "C" if size >= 360.0 => (1.0 / 3600.0, "Ah"),
            "A s" | "C" => (1.0 / 3.6, "mAh"),
            "K" if has(&["temperature"]) => return Self { factor: 1.0, offset: 273.15, unit: "degC".into() },
            other => return Self { factor: 1.0, offset: 0.0, unit: raised(other) },
        };
        Self { factor, offset: 0.0, unit: shown.to_owned() }
    }

    /// The display that suits all of `values`: by the largest of them.
    pub fn choose_for(unit: &str, id: &str, values: &[f64]) -> Self {
        let typical = values.iter().filter(|v| v.is_finite()).fold(0.0_f64, |a, v| a.max(v.abs()));
        Self::choose(unit, id, typical)
    }

    /// An SI value in the unit shown.
    pub fn value(&self, si: f64) -> f64 {
        si * self.factor - self.offset
    }

    /// `5.93 ± 0.12 N`.
    pub fn figure(&self, e: &Estimate) -> String {
        if e.value == f64::INFINITY {
            return "no limit".to_owned();
        }
        self.unit_after(digits(self.value(e.value), e.uncertainty * self.factor))
    }

    /// A value without uncertainty, with its unit, to three significant digits or as many as it has.
    pub fn number(&self, si: f64) -> String {
        self.unit_after(short(self.value(si)))
    }

    /// A signed change: `+0.12 N`. No offset: a difference of temperatures is a difference.
    pub fn change(&self, e: &Estimate) -> String {
        let v = e.value * self.factor;
        let text = digits(v, e.uncertainty * self.factor);
        self.unit_after(if v > 0.0 { format!("+{text}") } else { text })
    }

    fn unit_after(&self, number: String) -> String {
        if self.unit.is_empty() { number } else { format!("{number} {}", self.unit) }
    }
}

/// Words of an identity that say "a fraction, read as per cent".
const PERCENT: &[&str] = &[
    "overshoot",
    "share",
    "shares",
    "spread",
    "saturation",
    "saturated",
    "clipping",
    "efficiency",
    "command",
    "asymmetry",
    "fraction",
    "trim",
    "centre",
    "charge",
    "humidity",
    "order",
    "separation",
];

/// A figure by its unit alone: `5.93 ± 0.12 N`.
pub fn figure(e: &Estimate) -> String {
    figure_for("", e)
}

/// A figure by its unit and identity: a rotor speed in rpm, an overshoot in per cent.
pub fn figure_for(id: &str, e: &Estimate) -> String {
    Display::choose(&e.unit, id, e.value).figure(e)
}

/// A limit with its side: `≤ 0.5`, `≥ 45 deg`.
pub fn limit_for(display: &Display, limit: &Limit) -> String {
    let sign = match limit.sense {
        Sense::AtMost => '≤',
        Sense::AtLeast => '≥',
    };
    format!("{sign}{HARD_SPACE}{}", display.number(limit.value))
}

/// A fraction as per cent: `62 %`.
pub fn percent(fraction: f64) -> String {
    if !fraction.is_finite() {
        return number_word(fraction);
    }
    let p = fraction * 100.0;
    if p.abs() >= 9.95 || p == 0.0 { format!("{p:.0}{HARD_SPACE}%") } else { format!("{p:.1}{HARD_SPACE}%") }
}

/// Value and standard uncertainty, the uncertainty to two significant digits (JCGM 100:2008,
/// 7.2.6) and the value to the same place, but to five significant digits at most: then the
/// uncertainty is rounded up. The parts are joined by [`HARD_SPACE`].
pub fn digits(value: f64, uncertainty: f64) -> String {
    if !value.is_finite() {
        return number_word(value);
    }
    // A sum that should be zero and is not, for want of digits.
    if value.abs() < NOTHING && uncertainty < NOTHING {
        return "0".to_owned();
    }
    let known = uncertainty.is_finite() && uncertainty > value.abs() * 1e-6;
    if !known {
        return short(value);
    }
    let two = 1 - exponent(round_to(uncertainty, exponent(uncertainty) - 1));
    let five = 4 - exponent(value);
    let place = if value == 0.0 || uncertainty >= value.abs() { two } else { two.min(five) };
    let rounded_up = |u: f64, place: i32| {
        let p = 10_f64.powi(place);
        if place < two { (u * p).ceil() / p } else { round_to(u, -place) }
    };
    let size = value.abs().max(uncertainty);
    if !(1e-4..1e7).contains(&size) {
        let e = exponent(size);
        let scale = 10_f64.powi(e);
        let d = usize::try_from((place + e).max(0)).unwrap_or(0);
        let u = rounded_up(uncertainty / scale, place + e);
        return format!("({:.d$}{HARD_SPACE}±{HARD_SPACE}{u:.d$})e{e}", value / scale);
    }
    let d = usize::try_from(place.max(0)).unwrap_or(0);
    let (v, u) = (round_to(value, -place), rounded_up(uncertainty, place));
    // Avoid a "-0.00".
    let v = if v == 0.0 { 0.0 } else { v };
    format!("{v:.d$}{HARD_SPACE}±{HARD_SPACE}{u:.d$}")
}

/// In the unit shown, less than this is nothing.
const NOTHING: f64 = 1e-9;

/// A value without uncertainty: up to four significant digits, no trailing zeros.
pub fn short(value: f64) -> String {
    if !value.is_finite() {
        return number_word(value);
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let e = exponent(value);
    if !(-4..7).contains(&e) {
        return format!("{value:.2e}");
    }
    let d = usize::try_from((3 - e).max(0)).unwrap_or(0);
    let text = format!("{value:.d$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn number_word(value: f64) -> String {
    if value.is_nan() {
        "none".to_owned()
    } else if value > 0.0 {
        "no limit".replace(' ', "\u{a0}")
    } else {
        "none".to_owned()
    }
}

/// Decimal exponent of the leading digit; 0 for zero.
#[expect(clippy::cast_possible_truncation, reason = "the exponent of a finite f64 fits an i32")]
fn exponent(value: f64) -> i32 {
    if value == 0.0 || !value.is_finite() { 0 } else { value.abs().log10().floor() as i32 }
}

/// Rounds to a power of ten.
fn round_to(value: f64, power: i32) -> f64 {
    if power >= 0 {
        let p = 10_f64.powi(power);
        (value / p).round() * p
    } else {
        let p = 10_f64.powi(-power);
        (value * p).round() / p
    }
}

/// `m/s^2` as `m/s²`.
fn raised(unit: &str) -> String {
    if unit == "1" {
        return String::new();
    }
    unit.replace("^-1", "⁻¹").replace("^2", "²").replace("^3", "³")
}

#[cfg(test)]
mod tests {
    use dossier::estimate::Origin;

    use super::*;

    fn est(value: f64, u: f64, unit: &str) -> Estimate {
        Estimate::single(value, u, unit, Origin::Computed, "x")
    }
    fn shown(id: &str, value: f64, u: f64, unit: &str) -> String {
        figure_for(id, &est(value, u, unit)).replace(HARD_SPACE, " ")
    }

    #[test]
    fn uncertainty_sets_the_digits() {
        let cases = [
            (5.9312, 0.1234, "5.93 ± 0.12 N"),
            (1234.6, 151.0, "1230 ± 150 N"),
            (0.4567, 0.0996, "0.46 ± 0.10 N"),
            (-0.0012, 0.25, "0.00 ± 0.25 N"),
            (5.0, 0.0, "5 N"),
            (5.931_234, 1e-9, "5.931 N"),
            (123_456.0, 0.0, "123456 N"),
            (2.5e-7, 1e-8, "(2.50 ± 0.10)e-7 N"),
            (1e-14, 3e-14, "0 N"),
            (9.398_311, 0.000_083, "9.3983 ± 0.0001 N"),
            (-2.670_094, 0.000_052, "-2.6701 ± 0.0001 N"),
            (123_456.0, 0.4, "123460 ± 10 N"),
            (f64::INFINITY, 0.0, "no limit"),
        ];
        for (v, u, want) in cases {
            assert_eq!(shown("", v, u, "N"), want);
        }
    }

    #[test]
    fn identity_and_size_choose_the_unit() {
        assert_eq!(shown("hover.full.speed", 523.6, 5.0, "rad/s"), "5000 ± 48 rpm");
        assert_eq!(shown("rate.crossover", 31.4, 1.0, "rad/s"), "31.4 ± 1.0 rad/s");
        assert_eq!(shown("rate.step-size", 1.7453, 0.01, "rad/s"), "100.00 ± 0.57 deg/s");
        assert_eq!(shown("rate.overshoot", 0.081, 0.01, "1"), "8.1 ± 1.0 %");
        assert_eq!(shown("sizing.thrust-weight", 1.92, 0.05, "1"), "1.920 ± 0.050");
        assert_eq!(shown("esc.dead_time", 0.0015, 0.0001, "s"), "1.50 ± 0.10 ms");
        assert_eq!(shown("endurance", 1200.0, 30.0, "s"), "20.00 ± 0.50 min");
        assert_eq!(shown("mass", 0.42, 0.002, "kg"), "420.0 ± 2.0 g");
        assert_eq!(shown("a", 12.0, 0.5, "rad/s^2"), "12.00 ± 0.50 rad/s²");
        assert_eq!(shown("case_temperature", 293.15, 1.0, "K"), "20.0 ± 1.0 degC");
    }
}
