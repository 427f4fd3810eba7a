//! The rotor-speed diagram: orders of the rotor against natural frequencies (Campbell 1924).
//!
//! A mode answers an excitation of frequency f_e with 1/|1 - (f_e/f_n)^2| times its static answer,
//! damping left out. The separation here is |f_e/f_n - 1|, least over the band of speeds in which the
//! aircraft dwells; 20 % amplifies by at most 1/(1 - 0.8^2) = 2.8. A mode inside the band has none.

/// Rotor speeds at which the aircraft dwells, rev/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dwell {
    /// Least.
    pub low: f64,
    /// Greatest.
    pub high: f64,
}

/// Orders that excite, with their names: once and twice per revolution, blade passage and its double.
pub fn orders(blades: u32) -> Vec<(f64, &'static str)> {
    let b = f64::from(blades.max(1));
    let mut all =
        vec![(1.0, "1/rev"), (2.0, "2/rev"), (b, "blade passage"), (2.0 * b, "twice blade passage")];
    // A two-bladed rotor passes twice per revolution; the name of the blade passage stays.
    all.retain(|(o, name)| !(*name == "2/rev" && (*o - b).abs() < 0.5));
    all.retain(|(o, name)| !(*name == "blade passage" && *o < 1.5));
    all
}

/// Orders that the separation is asked from: unbalance and blade passage.
pub fn strong_orders(blades: u32) -> Vec<(f64, &'static str)> {
    orders(blades).into_iter().filter(|(_, n)| matches!(*n, "1/rev" | "blade passage")).collect()
}

/// Separation of a mode (Hz) from an order within the band, as a fraction of the mode's frequency.
pub fn separation(frequency: f64, order: f64, dwell: Dwell) -> f64 {
    let (low, high) = (order * dwell.low / frequency, order * dwell.high / frequency);
    if low > 1.0 {
        low - 1.0
    } else if high < 1.0 {
        1.0 - high
    } else {
        0.0
    }
}

/// Least separation of a mode from the strong orders, with the order that is nearest.
pub fn least_separation(frequency: f64, blades: u32, dwell: Dwell) -> (f64, &'static str) {
    strong_orders(blades)
        .into_iter()
        .map(|(o, name)| (separation(frequency, o, dwell), name))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or((f64::INFINITY, ""))
}

/// Answer of a mode to a frequency ratio r = f_e/f_n over its static answer: with damping ratio zeta
/// 1/sqrt((1 - r^2)^2 + (2 zeta r)^2).
pub fn amplification(ratio: f64, damping: f64) -> f64 {
    1.0 / (1.0 - ratio * ratio).hypot(2.0 * damping * ratio)
}
