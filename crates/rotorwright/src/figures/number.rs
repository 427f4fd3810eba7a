//! Figures as people read them: a unit that suits the size, as many digits as the uncertainty allows.

use dossier::estimate::Estimate;

/// How a quantity is shown: `shown = factor * value + offset`, with a unit.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Scale {
    factor: f64,
    offset: f64,
    unit: String,
}

const DEG: f64 = 180.0 / std::f64::consts::PI;
const RPM: f64 = 30.0 / std::f64::consts::PI;

impl Scale {
    /// The scale for values of about `size` in the SI unit `unit`. `name` tells the speed of a
    /// rotor (shown in rpm) and a crossover (kept in rad/s) from the rate of the aircraft (deg/s).
    pub(crate) fn of(unit: &str, size: f64, name: &str) -> Self {
        let size = size.abs();
        let has = |words: &[&str]| words.iter().any(|w| name.contains(w));
        let (factor, offset, text) = match unit {
            "rad/s" if has(&["speed"]) => (RPM, 0.0, "rpm"),
            "rad/s" if has(&["crossover", "bandwidth", "neutral", "frequency"]) => (1.0, 0.0, "rad/s"),
            "rad/s" => (DEG, 0.0, "deg/s"),
            "rad" => (DEG, 0.0, "deg"),
            "s" if size < 1.0 => (1e3, 0.0, "ms"),
            "s" if size >= 120.0 => (1.0 / 60.0, 0.0, "min"),
            "m" if size < 1.0 => (1e3, 0.0, "mm"),
            "kg" if size < 0.1 => (1e3, 0.0, "g"),
            "kg m^2" if size < 1e-2 => (1e3, 0.0, "g m²"),
            "kg m" if size < 1e-2 => (1e6, 0.0, "g mm"),
            "K" if size > 200.0 => (1.0, -273.15, "°C"),
            "ohm" if size < 1.0 => (1e3, 0.0, "mΩ"),
            "A s" if size > 360.0 => (1.0 / 3600.0, 0.0, "Ah"),
            "J" if size > 3600.0 => (1.0 / 3600.0, 0.0, "Wh"),
            "N m" if size < 0.1 => (1e3, 0.0, "mN m"),
            other => (1.0, 0.0, other),
        };
        Self { factor, offset, unit: tidy_unit(text) }
    }

    /// The scale that suits an estimate by itself.
    pub(crate) fn for_estimate(e: &Estimate, name: &str) -> Self {
        Self::of(&e.unit, e.value.abs().max(e.uncertainty), name)
    }

    /// Value on this scale.
    pub(crate) fn apply(&self, value: f64) -> f64 {
        value * self.factor + self.offset
    }

    /// Number without uncertainty, with its unit.
    pub(crate) fn show(&self, value: f64) -> String {
        self.with_unit(plain(self.apply(value)))
    }

    /// Number with its standard uncertainty and unit: `6 120 ± 90 rpm`.
    pub(crate) fn show_with(&self, value: f64, uncertainty: f64) -> String {
        let (v, u) = (self.apply(value), (uncertainty * self.factor).abs());
        if u > 0.0 && u.is_finite() && v.is_finite() {
            let (v, u) = rounded(v, u);
            self.with_unit(format!("{v} ± {u}"))
        } else {
            self.show(value)
        }
    }

    /// An estimate on this scale.
    pub(crate) fn estimate(&self, e: &Estimate) -> String {
        self.show_with(e.value, e.uncertainty)
    }

    /// A difference on this scale, with its sign always written.
    pub(crate) fn difference(&self, e: &Estimate) -> String {
        let without_offset = Self { offset: 0.0, ..self.clone() };
        let text = without_offset.estimate(e);
        if e.value > 0.0 { format!("+{text}") } else { text }
    }

    fn with_unit(&self, number: String) -> String {
        if self.unit.is_empty() { number } else { format!("{number} {}", self.unit) }
    }
}

/// An estimate on a scale of its own.
pub(crate) fn estimate(e: &Estimate, name: &str) -> String {
    Scale::for_estimate(e, name).estimate(e)
}

/// A fraction as a whole percentage with its sign.
pub(crate) fn signed_percent(fraction: f64) -> String {
    let p = (fraction * 100.0).round();
    if p > 0.0 {
        format!("+{p} %")
    } else if p < 0.0 {
        format!("−{} %", -p)
    } else {
        "0 %".to_owned()
    }
}

/// A unit with raised exponents and signs of its own.
pub(crate) fn tidy_unit(unit: &str) -> String {
    if unit == "1" {
        return String::new();
    }
    unit.replace("^2", "²")
        .replace("^3", "³")
        .replace("sqrt(Hz)", "√Hz")
        .replace("ohm", "Ω")
        .replace('*', " ")
}

/// Value and uncertainty rounded to the digits that the uncertainty carries: two when its first
/// digit is 1 or 2, else one (JCGM 100:2008, 7.2.6 leaves the choice; common practice).
fn rounded(value: f64, uncertainty: f64) -> (String, String) {
    let order = uncertainty.log10().floor();
    let lead = uncertainty / 10f64.powf(order);
    let places = if lead < 2.95 { 1.0 - order } else { -order };
    if value.abs() >= 1e6 || (value != 0.0 && value.abs() < 1e-4) {
        return (plain(value), plain(uncertainty));
    }
    if places <= 0.0 {
        let step = 10f64.powf(-places);
        (
            group(&format!("{:.0}", (value / step).round() * step)),
            group(&format!("{:.0}", (uncertainty / step).round() * step)),
        )
    } else {
        let places = places.min(9.0) as usize;
        (group(&format!("{value:.places$}")), format!("{uncertainty:.places$}"))
    }
}

/// A number without uncertainty: four figures, without trailing zeros.
pub(crate) fn plain(value: f64) -> String {
    if value.is_nan() {
        return "not a number".to_owned();
    }
    if value.is_infinite() {
        return if value > 0.0 { "no bound" } else { "−no bound" }.to_owned();
    }
    let size = value.abs();
    if size == 0.0 {
        return "0".to_owned();
    }
    let order = size.log10().floor() as i32;
    if !(-4..7).contains(&order) {
        let mantissa = value / 10f64.powi(order);
        return format!("{} × 10{}", trim(&format!("{mantissa:.2}")), raised(order)).replace('-', "−");
    }
    let places = (3 - order).max(0) as usize;
    group(&trim(&format!("{value:.places$}")))
}

fn trim(text: &str) -> String {
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text.to_owned()
    }
}

/// Thin spaces between groups of three from five digits on, and a true minus sign.
fn group(text: &str) -> String {
    let (sign, rest) = text.strip_prefix('-').map_or(("", text), |r| ("−", r));
    let (whole, part) = rest.split_once('.').map_or((rest, None), |(a, b)| (a, Some(b)));
    let mut out = sign.to_owned();
    for (i, digit) in whole.chars().enumerate() {
        if i > 0 && whole.len() > 4 && (whole.len() - i).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(digit);
    }
    if let Some(part) = part {
        out.push('.');
        out.push_str(part);
    }
    out
}

fn raised(n: i32) -> String {
    n.to_string()
        .chars()
        .map(|ch| match ch {
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
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use dossier::estimate::Origin;

    #[test]
    fn digits_follow_the_uncertainty() {
        let e = Estimate::single(0.011_634, 0.000_42, "s", Origin::Computed, "esc.dead_time");
        assert_eq!(estimate(&e, "dead time"), "11.6 ± 0.4 ms");
        let e = Estimate::single(640.9, 14.6, "rad/s", Origin::Computed, "rotor.ct");
        assert_eq!(estimate(&e, "rotor speed"), "6120 ± 140 rpm");
        let e = Estimate::single(0.42, 0.013, "1", Origin::Measured, "record a: hover command");
        assert_eq!(estimate(&e, "hover thrust"), "0.420 ± 0.013");
    }

    #[test]
    fn numbers_without_uncertainty_keep_four_figures() {
        assert_eq!(plain(0.5), "0.5");
        assert_eq!(plain(-12_345.6), "−12\u{202f}346");
        assert_eq!(plain(9.5e-5), "9.5 × 10⁻⁵");
        assert_eq!(plain(f64::INFINITY), "no bound");
        assert_eq!(Scale::of("kg m^2", 9.5e-5, "inertia").show(9.5e-5), "0.095 g m²");
        assert_eq!(Scale::of("K", 285.15, "temperature").show(285.15), "12 °C");
    }
}
