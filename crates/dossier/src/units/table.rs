//! Units: symbol, size in SI, dimension, source. Everything that a file may use is listed here.
//!
//! Sources: "SI" is the SI Brochure, 9th edition (BIPM 2019), tables 2, 4, 7 and 8; "SP 811" is
//! NIST Special Publication 811 (2008), appendix B.8. A size is a pair numerator/denominator so
//! that "310 mm" becomes the `f64` nearest to 0.31 and not a neighbour of it.

use std::f64::consts::PI;

/// Exponents of kg, m, s, A, K, rad, each times two (a noise density has a half power).
pub(super) type Exponents = [i8; 6];

/// Exponents from whole powers.
pub(super) const fn powers(kg: i8, m: i8, s: i8, a: i8, k: i8, rad: i8) -> Exponents {
    [2 * kg, 2 * m, 2 * s, 2 * a, 2 * k, 2 * rad]
}

/// Of levels in decibels: no other quantity has half a power of everything, so that a level is never taken for a plain number.
pub(super) const LEVEL: Exponents = [1, 1, 1, 1, 1, 1];

/// One named unit.
#[derive(Debug, Clone, Copy)]
pub struct UnitEntry {
    /// Symbol without prefix.
    pub symbol: &'static str,
    /// Numerator of its size in SI units.
    pub numerator: f64,
    /// Denominator of its size in SI units.
    pub denominator: f64,
    /// Added after scaling (temperature scales only), K.
    pub offset: f64,
    /// Prefixes that may stand before it.
    pub prefixes: &'static str,
    /// Where its size is from.
    pub source: &'static str,
    pub(super) exponents: Exponents,
}

impl UnitEntry {
    /// Size in SI units.
    pub fn factor(&self) -> f64 {
        self.numerator / self.denominator
    }
}

const fn unit(
    symbol: &'static str,
    size: (f64, f64),
    prefixes: &'static str,
    exponents: Exponents,
    source: &'static str,
) -> UnitEntry {
    UnitEntry { symbol, numerator: size.0, denominator: size.1, offset: 0.0, prefixes, source, exponents }
}

const fn scale(symbol: &'static str, size: (f64, f64), offset: f64, source: &'static str) -> UnitEntry {
    let exponents = powers(0, 0, 0, 0, 1, 0);
    UnitEntry { symbol, numerator: size.0, denominator: size.1, offset, prefixes: "", source, exponents }
}

const ONE: (f64, f64) = (1.0, 1.0);
const BASE: &str = "SI, table 2";
const NAMED: &str = "SI, table 4";
const ACCEPTED: &str = "SI, table 8";
const SP: &str = "SP 811, B.8";

/// Prefix letters with their size (SI, table 7). Both code points of micro and the letter u are read.
pub(super) const PREFIXES: &[(char, (f64, f64))] = &[
    ('n', (1.0, 1e9)),
    ('u', (1.0, 1e6)),
    ('\u{b5}', (1.0, 1e6)),
    ('\u{3bc}', (1.0, 1e6)),
    ('m', (1.0, 1e3)),
    ('c', (1.0, 1e2)),
    ('h', (1e2, 1.0)),
    ('k', (1e3, 1.0)),
    ('M', (1e6, 1.0)),
    ('G', (1e9, 1.0)),
];

const SMALL: &str = "nu\u{b5}\u{3bc}m";
const WIDE: &str = "nu\u{b5}\u{3bc}mkMG";

/// All units. The same symbol may stand twice (`g` is gram and standard gravity); the expected
/// dimension decides.
pub const UNITS: &[UnitEntry] = &[
    unit("1", ONE, "", powers(0, 0, 0, 0, 0, 0), BASE),
    unit("%", (1.0, 100.0), "", powers(0, 0, 0, 0, 0, 0), "SI, 5.4.7"),
    unit("m", ONE, "nu\u{b5}\u{3bc}mck", powers(0, 1, 0, 0, 0, 0), BASE),
    unit("in", (254.0, 1e4), "", powers(0, 1, 0, 0, 0, 0), SP),
    unit("ft", (3048.0, 1e4), "", powers(0, 1, 0, 0, 0, 0), SP),
    unit("g", (1.0, 1e3), "u\u{b5}\u{3bc}mk", powers(1, 0, 0, 0, 0, 0), BASE),
    unit("t", (1e3, 1.0), "", powers(1, 0, 0, 0, 0, 0), ACCEPTED),
    unit("lb", (0.453_592_37, 1.0), "", powers(1, 0, 0, 0, 0, 0), SP),
    unit("oz", (0.453_592_37, 16.0), "", powers(1, 0, 0, 0, 0, 0), SP),
    unit("s", ONE, SMALL, powers(0, 0, 1, 0, 0, 0), BASE),
    unit("min", (60.0, 1.0), "", powers(0, 0, 1, 0, 0, 0), ACCEPTED),
    unit("h", (3600.0, 1.0), "", powers(0, 0, 1, 0, 0, 0), ACCEPTED),
    unit("A", ONE, SMALL, powers(0, 0, 0, 1, 0, 0), BASE),
    unit("K", ONE, "m", powers(0, 0, 0, 0, 1, 0), BASE),
    scale("degC", ONE, 273.15, NAMED),
    scale("\u{b0}C", ONE, 273.15, NAMED),
    scale("degF", (5.0, 9.0), 459.67 * 5.0 / 9.0, SP),
    scale("\u{b0}F", (5.0, 9.0), 459.67 * 5.0 / 9.0, SP),
    unit("rad", ONE, "mu\u{b5}\u{3bc}", powers(0, 0, 0, 0, 0, 1), NAMED),
    unit("deg", (PI, 180.0), "m", powers(0, 0, 0, 0, 0, 1), ACCEPTED),
    unit("\u{b0}", (PI, 180.0), "", powers(0, 0, 0, 0, 0, 1), ACCEPTED),
    unit("rev", (2.0 * PI, 1.0), "", powers(0, 0, 0, 0, 0, 1), SP),
    unit("rpm", (2.0 * PI, 60.0), "k", powers(0, 0, -1, 0, 0, 1), SP),
    unit("Hz", ONE, "mkMG", powers(0, 0, -1, 0, 0, 0), NAMED),
    unit("N", ONE, "mk", powers(1, 1, -2, 0, 0, 0), NAMED),
    unit("kgf", (9.806_65, 1.0), "", powers(1, 1, -2, 0, 0, 0), SP),
    unit("gf", (9.806_65, 1e3), "", powers(1, 1, -2, 0, 0, 0), SP),
    unit("lbf", (0.453_592_37 * 9.806_65, 1.0), "", powers(1, 1, -2, 0, 0, 0), SP),
    unit("Nm", ONE, "mu\u{b5}\u{3bc}", powers(1, 2, -2, 0, 0, 0), NAMED),
    unit("g", (9.806_65, 1.0), "mu\u{b5}\u{3bc}", powers(0, 1, -2, 0, 0, 0), SP),
    unit("kn", (1852.0, 3600.0), "", powers(0, 1, -1, 0, 0, 0), SP),
    unit("mph", (0.447_04, 1.0), "", powers(0, 1, -1, 0, 0, 0), SP),
    unit("Pa", ONE, "hkMG", powers(1, -1, -2, 0, 0, 0), NAMED),
    unit("bar", (1e5, 1.0), "m", powers(1, -1, -2, 0, 0, 0), SP),
    unit("J", ONE, "mkM", powers(1, 2, -2, 0, 0, 0), NAMED),
    unit("Wh", (3600.0, 1.0), "mk", powers(1, 2, -2, 0, 0, 0), SP),
    unit("W", ONE, "mk", powers(1, 2, -3, 0, 0, 0), NAMED),
    unit("V", ONE, "u\u{b5}\u{3bc}mk", powers(1, 2, -3, -1, 0, 0), NAMED),
    unit("ohm", ONE, "u\u{b5}\u{3bc}mkM", powers(1, 2, -3, -2, 0, 0), NAMED),
    unit("\u{3a9}", ONE, "u\u{b5}\u{3bc}mkM", powers(1, 2, -3, -2, 0, 0), NAMED),
    unit("\u{2126}", ONE, "u\u{b5}\u{3bc}mkM", powers(1, 2, -3, -2, 0, 0), NAMED),
    unit("C", ONE, "mk", powers(0, 0, 1, 1, 0, 0), NAMED),
    unit("Ah", (3600.0, 1.0), "m", powers(0, 0, 1, 1, 0, 0), SP),
    unit("dB", ONE, "", LEVEL, ACCEPTED),
    unit("dBi", ONE, "", LEVEL, "over an isotropic antenna"),
    unit("dBm", ONE, "", LEVEL, "over one milliwatt"),
    unit("T", ONE, WIDE, powers(1, 0, -2, -1, 0, 0), NAMED),
    unit("G", (1.0, 1e4), "m", powers(1, 0, -2, -1, 0, 0), SP),
];

/// Words people write for a symbol, for the hint only.
pub(super) const WORDS: &[(&str, &str)] = &[
    ("inch", "in"),
    ("inches", "in"),
    ("\"", "in"),
    ("foot", "ft"),
    ("feet", "ft"),
    ("metre", "m"),
    ("metres", "m"),
    ("meter", "m"),
    ("meters", "m"),
    ("millimetre", "mm"),
    ("millimetres", "mm"),
    ("millimeters", "mm"),
    ("gram", "g"),
    ("grams", "g"),
    ("gr", "g"),
    ("kilo", "kg"),
    ("kilos", "kg"),
    ("kgs", "kg"),
    ("lbs", "lb"),
    ("pound", "lb"),
    ("pounds", "lb"),
    ("sec", "s"),
    ("secs", "s"),
    ("second", "s"),
    ("seconds", "s"),
    ("msec", "ms"),
    ("usec", "us"),
    ("mins", "min"),
    ("minute", "min"),
    ("minutes", "min"),
    ("hr", "h"),
    ("hour", "h"),
    ("hours", "h"),
    ("amp", "A"),
    ("amps", "A"),
    ("ampere", "A"),
    ("volt", "V"),
    ("volts", "V"),
    ("watt", "W"),
    ("watts", "W"),
    ("ohms", "ohm"),
    ("milliohm", "mohm"),
    ("milliohms", "mohm"),
    ("mohms", "mohm"),
    ("degree", "deg"),
    ("degrees", "deg"),
    ("degs", "deg"),
    ("celsius", "degC"),
    ("c", "degC"),
    ("fahrenheit", "degF"),
    ("hertz", "Hz"),
    ("percent", "%"),
    ("pct", "%"),
    ("kv", "rpm/V"),
    ("kph", "km/h"),
    ("kmh", "km/h"),
    ("knots", "kn"),
    ("dps", "deg/s"),
    ("rps", "rev/s"),
    ("gee", "g"),
];
