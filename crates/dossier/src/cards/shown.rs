//! Numbers in the words of a card: two or three significant digits, unit of the trade.

use std::f64::consts::TAU;

/// `value` with `digits` significant digits, at most three decimals.
fn figure(value: f64, digits: i32) -> String {
    if !value.is_finite() {
        return "unknown".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let place = digits - 1 - value.abs().log10().floor() as i32;
    let decimals = usize::try_from(place.clamp(0, 3)).unwrap_or(0);
    let scale = 10_f64.powi(place.min(3));
    format!("{:.decimals$}", (value * scale).round() / scale)
}

pub(super) fn with(value: f64, factor: f64, unit: &str) -> String {
    format!("{}\u{a0}{unit}", figure(value * factor, if value * factor >= 100.0 { 3 } else { 2 }))
}

pub(super) fn metres(v: f64) -> String {
    if v < 0.95 { with(v, 1e3, "mm") } else { with(v, 1.0, "m") }
}
pub(super) fn seconds(v: f64) -> String {
    if v < 0.95 {
        with(v, 1e3, "ms")
    } else if v < 180.0 {
        with(v, 1.0, "s")
    } else {
        with(v, 1.0 / 60.0, "min")
    }
}
pub(super) fn mass(v: f64) -> String {
    if v < 0.95 { with(v, 1e3, "g") } else { with(v, 1.0, "kg") }
}
pub(super) fn newtons(v: f64) -> String {
    with(v, 1.0, "N")
}
pub(super) fn joules(v: f64) -> String {
    if v >= 3600.0 { with(v, 1.0 / 3600.0, "Wh") } else { with(v, 1.0, "J") }
}
pub(super) fn hertz(v: f64) -> String {
    if v >= 1000.0 { with(v, 1e-3, "kHz") } else { with(v, 1.0, "Hz") }
}
pub(super) fn speed(v: f64) -> String {
    with(v, 1.0, "m/s")
}
pub(super) fn rpm(v: f64) -> String {
    let r = v * 60.0 / TAU;
    format!("{}\u{a0}rpm", figure(r, 3))
}
pub(super) fn amperes(v: f64) -> String {
    with(v, 1.0, "A")
}
pub(super) fn volts(v: f64) -> String {
    format!("{v:.2}\u{a0}V")
}
pub(super) fn degrees(v: f64) -> String {
    with(v.to_degrees(), 1.0, "deg")
}
pub(super) fn degrees_per_second(v: f64) -> String {
    with(v.to_degrees(), 1.0, "deg/s")
}
pub(super) fn percent(v: f64) -> String {
    with(v, 100.0, "%")
}
pub(super) fn gram_millimetres(v: f64) -> String {
    with(v, 1e6, "g mm")
}
pub(super) fn square_metre_inertia(v: f64) -> String {
    if v < 1e-3 {
        with(v, 1e6, "kg mm²")
    } else if v < 1.0 {
        with(v, 1e3, "g m²")
    } else {
        with(v, 1.0, "kg m²")
    }
}

/// An SI value with its unit, for limits whose unit is only known from data.
pub(super) fn si(value: f64, unit: &str) -> String {
    match unit {
        "rad" => degrees(value),
        "m" => metres(value),
        "s" => seconds(value),
        "kg" => mass(value),
        "K" => format!("{:.0}\u{a0}degC", value - 273.15),
        "1" => figure(value, 3),
        other => with(value, 1.0, &other.replace("^2", "²").replace("^3", "³")),
    }
}

/// Rates that loggers are likely to offer, Hz.
const RATES: [f64; 19] = [
    10.0, 20.0, 50.0, 100.0, 200.0, 250.0, 400.0, 500.0, 800.0, 1e3, 1.6e3, 2e3, 3.2e3, 4e3, 5e3, 8e3, 10e3,
    16e3, 20e3,
];

/// The next rate of the list upward; a still higher one is rounded up to a thousand.
pub(super) fn next_rate(hz: f64) -> f64 {
    RATES.into_iter().find(|r| *r >= hz).unwrap_or_else(|| (hz / 1e3).ceil() * 1e3)
}

/// Up to half a metre below ten, to a metre above.
pub(super) fn round_up_distance(m: f64) -> f64 {
    if m < 10.0 { (2.0 * m).ceil() / 2.0 } else { m.ceil() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_well() {
        let plain = |s: String| s.replace('\u{a0}', " ");
        assert_eq!(plain(metres(0.26)), "260 mm");
        assert_eq!(plain(metres(12.0)), "12 m");
        assert_eq!(plain(seconds(0.0234)), "23 ms");
        assert_eq!(plain(hertz(666.0)), "666 Hz");
        assert_eq!(plain(hertz(1600.0)), "1.6 kHz");
        assert_eq!(plain(rpm(680.0)), "6490 rpm");
        assert_eq!(plain(mass(0.0023)), "2.3 g");
        assert_eq!(next_rate(501.0), 800.0);
        assert_eq!(next_rate(23_400.0), 24_000.0);
        assert_eq!(round_up_distance(2.1), 2.5);
        assert_eq!(round_up_distance(12.1), 13.0);
    }
}
