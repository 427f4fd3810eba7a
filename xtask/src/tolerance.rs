//! Tolerances as the tests print them: `1e-9 relative`, `0.5 %`, `0.02 K`, `exact`.

/// How far a computed value may be from the expected one.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Tolerance {
    /// The texts are the same.
    Exact,
    /// A fraction of the expected value.
    Relative(f64),
    /// In the unit of the value.
    Absolute(f64),
    /// The value lies on the right side of the expected one: at most, at least.
    AtMost,
    /// See `AtMost`.
    AtLeast,
    /// Inside an expected band `a to b`, or beyond its ends by so much.
    Band(Box<Tolerance>),
    /// One of several is enough.
    Any(Vec<Tolerance>),
}

impl Tolerance {
    /// Reads a tolerance; `None` when it is not one.
    pub(crate) fn parse(text: &str) -> Option<Self> {
        let text = text.trim().to_lowercase();
        let parts: Vec<&str> = text.split(" or ").collect();
        if parts.len() > 1 {
            return parts.into_iter().map(Self::parse).collect::<Option<Vec<_>>>().map(Self::Any);
        }
        match text.as_str() {
            "exact" | "same" | "equal" => return Some(Self::Exact),
            "at most" => return Some(Self::AtMost),
            "at least" => return Some(Self::AtLeast),
            _ => {}
        }
        if let Some(beyond) = text.strip_suffix("beyond the band") {
            return Self::parse(beyond).map(|t| Self::Band(Box::new(t)));
        }
        let value = number(&text).filter(|v| v.is_finite() && *v >= 0.0)?;
        if text.contains('%') {
            Some(Self::Relative(value / 100.0))
        } else if text.contains("rel") {
            Some(Self::Relative(value))
        } else {
            Some(Self::Absolute(value))
        }
    }

    /// Whether `computed` agrees with `expected`, as printed.
    pub(crate) fn holds(&self, expected: &str, computed: &str) -> bool {
        if let Self::Any(list) = self {
            return list.iter().any(|t| t.holds(expected, computed));
        }
        if let Self::Band(beyond) = self {
            let Some((low, high)) = expected.split_once(" to ") else { return false };
            let (Some(l), Some(h), Some(c)) = (number(low), number(high), number(computed)) else {
                return false;
            };
            return (l..=h).contains(&c) || beyond.holds(low, computed) || beyond.holds(high, computed);
        }
        let (Some(e), Some(c)) = (number(expected), number(computed)) else {
            return expected.trim() == computed.trim();
        };
        // A value on the edge is inside; its print may have rounded it outwards.
        let slack = 1e-12 * e.abs().max(c.abs());
        match self {
            Self::Exact => e == c,
            Self::Relative(r) => e == c || (c - e).abs() <= r * e.abs() + slack,
            Self::Absolute(a) => e == c || (c - e).abs() <= a + slack,
            Self::AtMost => c <= e,
            Self::AtLeast => c >= e,
            Self::Any(_) | Self::Band(_) => false,
        }
    }
}

/// The first number in a text.
pub(crate) fn number(text: &str) -> Option<f64> {
    text.split(|c: char| {
        c.is_whitespace() || matches!(c, '±' | '%' | '<' | '=' | '≤' | ',' | ';' | '(' | ')')
    })
    .filter(|w| !w.is_empty())
    .find_map(|w| w.trim_start_matches('+').trim_start_matches("+-").parse().ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_and_verdicts() {
        for (tolerance, expected, computed, holds) in [
            ("2 % beyond the band", "1.52e-6 to 1.56e-6", "1.50e-6", true),
            ("2 % beyond the band", "1.52e-6 to 1.56e-6", "1.48e-6", false),
            ("2 absolute beyond the band", "30 to 35", "36.5", true),
            ("1e-9 relative", "2.0", "2.000000001", true),
            ("relative 1e-9", "2.0", "2.00000001", false),
            ("0.5 %", "200 N", "201 N", true),
            ("0.5%", "200 N", "201.1 N", false),
            ("±0.02 K", "288.15", "288.17", true),
            ("<= 0.02", "288.15", "288.18", false),
            ("1e-3 relative or 1e-6 absolute", "0", "1e-7", true),
            ("exact", "3", "3", true),
            ("exact", "ccw", "ccw", true),
            ("exact", "ccw", "cw", false),
            ("1 %", "1.0", "NaN", false),
            ("1 %", "inf", "inf", true),
            ("at most", "0.05", "0.03", true),
            ("at least", "0.05", "0.03", false),
        ] {
            let t = Tolerance::parse(tolerance);
            assert_eq!(
                t.map(|t| t.holds(expected, computed)),
                Some(holds),
                "{tolerance}: {expected} {computed}"
            );
        }
        for wrong in ["", "close enough", "-1 %", "NaN"] {
            assert_eq!(Tolerance::parse(wrong), None, "{wrong}");
        }
    }
}
