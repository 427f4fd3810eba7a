//! Figures as the pages write them: units and digits as on the command line ([`crate::format`]),
//! set with a true minus sign and raised powers of ten.

use dossier::estimate::Estimate;

use crate::format::{self, Display};

/// How the figures of one row are shown.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Scale(Display);

impl Scale {
    /// The scale for values of about `size` (SI) in the SI unit `unit`; the identity `id` tells the
    /// speed of a rotor from the rate of the aircraft, and a share from a plain ratio.
    pub(crate) fn of(unit: &str, size: f64, id: &str) -> Self {
        Self(Display::choose(unit, id, size))
    }

    /// The scale that suits an estimate by itself.
    pub(crate) fn for_estimate(e: &Estimate, id: &str) -> Self {
        Self(Display::choose_for(&e.unit, id, &[e.value, e.uncertainty]))
    }

    /// Number without uncertainty, with its unit.
    pub(crate) fn show(&self, value: f64) -> String {
        typeset(&self.0.number(value))
    }

    /// Number with its standard uncertainty and unit: `6120 ± 90 rpm`.
    pub(crate) fn show_with(&self, value: f64, uncertainty: f64) -> String {
        let number = format::digits(self.0.value(value), (uncertainty * self.0.factor).abs());
        typeset(&if self.0.unit.is_empty() { number } else { format!("{number} {}", self.0.unit) })
    }

    /// An estimate on this scale.
    pub(crate) fn estimate(&self, e: &Estimate) -> String {
        typeset(&self.0.figure(e))
    }

    /// A difference on this scale, with its sign always written.
    pub(crate) fn difference(&self, e: &Estimate) -> String {
        typeset(&self.0.change(e))
    }
}

/// An estimate on a scale of its own.
pub(crate) fn estimate(e: &Estimate, id: &str) -> String {
    Scale::for_estimate(e, id).estimate(e)
}

/// A number without uncertainty or unit.
pub(crate) fn plain(value: f64) -> String {
    typeset(&format::short(value))
}

/// A fraction as a whole percentage with its sign.
pub(crate) fn signed_percent(fraction: f64) -> String {
    let p = (fraction * 100.0).round();
    if p == 0.0 { "0 %".to_owned() } else { typeset(&format!("{p:+.0} %")) }
}

/// A unit with raised exponents and signs of its own.
pub(crate) fn tidy_unit(unit: &str) -> String {
    if unit == "1" {
        return String::new();
    }
    unit.replace("^2", "²").replace("^3", "³").replace("sqrt(Hz)", "√Hz").replace("ohm", "Ω")
}

/// `-2.5e-9` as `−2.5 × 10⁻⁹`, `1e-5` as `10⁻⁵`.
pub(crate) fn typeset(text: &str) -> String {
    let chars: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len() + 8);
    let mut i = 0;
    while let Some(&ch) = chars.get(i) {
        let next = |k: usize| chars.get(i + k).copied().unwrap_or(' ');
        let after_number =
            i.checked_sub(1).and_then(|p| chars.get(p)).is_some_and(|p| p.is_ascii_digit() || *p == ')');
        if ch == 'e'
            && after_number
            && (next(1).is_ascii_digit() || (next(1) == '-' && next(2).is_ascii_digit()))
        {
            for bare in ["1.00", "1"] {
                if out == bare || out.ends_with(&format!("−{bare}")) {
                    out.truncate(out.len() - bare.len());
                    break;
                }
            }
            out.push_str(if out.is_empty() || out.ends_with('−') { "10" } else { " × 10" });
            i += 1;
            while let Some(&d) = chars.get(i).filter(|d| **d == '-' || d.is_ascii_digit()) {
                out.push(raised(d));
                i += 1;
            }
            continue;
        }
        out.push(if ch == '-' && next(1).is_ascii_digit() { '−' } else { ch });
        i += 1;
    }
    out
}

fn raised(digit: char) -> char {
    match digit {
        '-' => '⁻',
        '0' => '⁰',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        '4' => '⁴',
        '5' => '⁵',
        '6' => '⁶',
        '7' => '⁷',
        '8' => '⁸',
        _ => '⁹',
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_and_minus_signs_are_set() {
        assert_eq!(typeset("(2.50 ± 0.10)e-9 N"), "(2.50 ± 0.10) × 10⁻⁹ N");
        assert_eq!(typeset("-9.50e-5"), "−9.50 × 10⁻⁵");
        assert_eq!(typeset("1.00e-5"), "10⁻⁵");
        assert_eq!(typeset("12 deg"), "12 deg");
        assert_eq!(signed_percent(-0.267), "−27 %");
        assert_eq!(signed_percent(0.5), "+50 %");
    }
}
