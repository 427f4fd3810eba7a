//! What is left of a signal when the rotors' orders are taken out.
//!
//! The amplitudes of overlapping windows (see [`crate::orders`]) are laid over each other with the windows' own weights,
//! which add up to one, and the lines they describe are subtracted. Within about two over the window's length of a
//! line other parts of the signal go with it.

use rustfft::num_complex::Complex;

use crate::SignalError;
use crate::orders::Tracker;

/// The channels of one stretch without these orders. `speeds` by rotor, rad/s; `window` in s.
///
/// # Errors
/// As [`Tracker::new`] and [`Tracker::push`]; a stretch shorter than a window.
pub fn remove(
    channels: &[&[f64]],
    speeds: &[&[f64]],
    rate: f64,
    window: f64,
    orders: &[u32],
) -> Result<Vec<Vec<f64>>, SignalError> {
    let mut left: Vec<Vec<f64>> = channels.iter().map(|c| c.to_vec()).collect();
    let mut tracker = Tracker::new(rate, window, speeds.len(), orders, channels.len())?;
    let mut windows = Vec::new();
    tracker.push(channels, speeds, |w| windows.push(w))?;
    let n = channels.first().map_or(0, |c| c.len());
    let half = (0.5 * window * rate).round() as usize;
    if windows.is_empty() {
        return Err(SignalError::TooShort { need: 2 * half, got: n });
    }
    let rotors = speeds.len();
    // By window, channel, order, rotor.
    let amplitudes: Vec<Vec<Vec<Vec<Complex<f64>>>>> = windows
        .iter()
        .map(|w| (0..channels.len()).map(|c| (0..orders.len()).map(|o| w.shared(c, o)).collect()).collect())
        .collect();
    let mut angles = vec![0.0; rotors];
    let last = windows.len() - 1;
    for k in 0..n {
        if k > 0 {
            for (a, s) in angles.iter_mut().zip(speeds) {
                *a += 0.5 * (s[k - 1] + s[k]) / rate;
            }
        }
        // Window j has its middle at sample (j + 1) half; before the first and behind the last middle one window counts.
        let place = (k as f64 + 0.5) / half as f64 - 1.0;
        let low = (place.floor().max(0.0) as usize).min(last);
        let high = (low + 1).min(last);
        let rise = if place <= 0.0 || low == high {
            0.0
        } else {
            0.5 - 0.5 * (std::f64::consts::PI * (place - low as f64)).cos()
        };
        for (rotor, angle) in angles.iter().enumerate() {
            let base = Complex::from_polar(1.0, *angle);
            for (o, order) in orders.iter().enumerate() {
                let turn = base.powu(*order);
                for (c, out) in left.iter_mut().enumerate() {
                    let a =
                        amplitudes[low][c][o][rotor] * (1.0 - rise) + amplitudes[high][c][o][rotor] * rise;
                    out[k] -= a.re * turn.re - a.im * turn.im;
                }
            }
        }
    }
    Ok(left)
}
