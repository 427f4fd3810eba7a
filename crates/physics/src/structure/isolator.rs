//! A sensor on a spring with viscous damping: transmissibility of its base's motion.
//!
//! T = sqrt((1 + (2 zeta r)^2)/((1 - r^2)^2 + (2 zeta r)^2)), r = f/f_n (Den Hartog, *Mechanical
//! Vibrations*, 4th ed. 1956, section 2.12; from memory). Below sqrt 2 f_n it amplifies. The phase it
//! costs the rate loop grows with frequency over f_n, hence the limit from below.

/// Transmissibility at the frequency ratio r = f/f_n.
pub fn transmissibility(ratio: f64, damping: f64) -> f64 {
    let d = 2.0 * damping * ratio;
    (1.0_f64.hypot(d)) / (1.0 - ratio * ratio).hypot(d)
}

/// Natural frequency of a mass on a spring that sags by this much under its weight, Hz.
pub fn frequency_from_sag(sag: f64) -> f64 {
    (crate::STANDARD_GRAVITY / sag).sqrt() / std::f64::consts::TAU
}
