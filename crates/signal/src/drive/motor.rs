//! Motor constants from steady states.
//!
//! First-order machine (Drela 2007): d V = w/kv + R i with d the share of the bus voltage that the ESC
//! applies, motor current i = I/d from the supply current I (the ESC passes power on), and
//! Q = (i - i0)/kv. Divided by w the first is straight in i/w; the second is straight in Q.
//! R is that of winding and ESC together, as warm as it was.

use super::combine::{Figure, spread};
use super::levels::Point;

/// Motor constants. What the columns cannot give is absent.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Motor {
    /// Velocity constant, rad/s per V.
    pub kv: Option<Figure>,
    /// Resistance of winding and ESC, ohm.
    pub resistance: Option<Figure>,
    /// No-load current, A.
    pub no_load: Option<Figure>,
    /// Velocity constant by torque over current alone, rad/s per V: another way to the same figure.
    pub kv_by_torque: Option<Figure>,
}

/// States with less than this share of the bus applied are left out: the ESC's own losses rule there.
const LEAST_SHARE: f64 = 0.12;

struct State {
    share: f64,
    volts: (f64, f64),
    speed: (f64, f64),
    current: Option<(f64, f64)>,
    torque: Option<(f64, f64)>,
}

/// Fits the constants. `share` turns the command into the share of the bus voltage that is applied;
/// `zero` is the torque cell's, N m, as [`super::sweep::coefficient`] finds it (its sign is of torque taken positive).
pub fn motor(points: &[Point], share: &dyn Fn(f64) -> f64, zero: Figure) -> Motor {
    let pair = |m: Option<super::levels::Mean>| m.map(|m| (m.value, m.error));
    let turned = points.iter().filter_map(|p| p.torque).map(|q| q.value).sum::<f64>() < 0.0;
    let sign = if turned { -1.0 } else { 1.0 };
    let top = points.iter().filter_map(|p| p.speed).map(|s| s.value).fold(0.0, f64::max);
    let states: Vec<State> = points
        .iter()
        .filter_map(|p| {
            let d = share(p.command?).clamp(0.0, 1.0);
            let speed = pair(p.speed)?;
            let volts = pair(p.voltage)?;
            (p.steady && d >= LEAST_SHARE && speed.0 > 0.1 * top && volts.0 > 0.0).then(|| State {
                share: d,
                volts,
                speed,
                current: pair(p.current).map(|(i, e)| (i / d, e / d)),
                torque: pair(p.torque).map(|(q, e)| (sign * q - zero.value, e)),
            })
        })
        .collect();
    let mut out = Motor::default();
    let with_current: Vec<&State> = states.iter().filter(|s| s.current.is_some_and(|i| i.0 > 0.0)).collect();
    let with_torque: Vec<&State> = states.iter().filter(|s| s.torque.is_some()).collect();
    if with_current.len() >= 4 {
        let y: Vec<f64> = with_current.iter().map(|s| s.share * s.volts.0 / s.speed.0).collect();
        let x: Vec<f64> =
            with_current.iter().map(|s| s.current.map_or(f64::NAN, |i| i.0 / s.speed.0)).collect();
        // The current's own error acts through R: a first fit tells how much.
        let flat = vec![1e-3 * y.iter().fold(0.0_f64, |a, b| a.max(*b)); y.len()];
        let r0 = spread(&y, &flat, std::slice::from_ref(&x), &[None])
            .and_then(|s| s.coefficients.get(1).map(|c| c.value.max(0.0)))
            .unwrap_or(0.0);
        let errors: Vec<f64> = with_current
            .iter()
            .zip(&y)
            .map(|(s, y)| {
                let volt = s.share * s.volts.1 / s.speed.0;
                let turn = y * s.speed.1 / s.speed.0;
                let amp = r0 * s.current.map_or(0.0, |i| i.1) / s.speed.0;
                (volt * volt + turn * turn + amp * amp).sqrt().max(1e-5 * y.abs())
            })
            .collect();
        if let Some(s) = spread(&y, &errors, &[x], &[None]) {
            out.kv = s.constant().filter(|c| c.value > 0.0).map(inverse);
            out.resistance = s.coefficients.get(1).copied().filter(|r| r.uncertainty.is_finite());
        }
        let both: Vec<(&State, (f64, f64), (f64, f64))> =
            with_current.iter().filter_map(|s| Some((*s, s.current?, s.torque?))).collect();
        if both.len() >= 4 {
            let i: Vec<f64> = both.iter().map(|b| b.1.0).collect();
            let q: Vec<f64> = both.iter().map(|b| b.2.0).collect();
            let kv = out.kv;
            let slope = kv.map_or(0.0, |k| k.value);
            let errors: Vec<f64> =
                both.iter().map(|(_, i, q)| i.1.hypot(slope * q.1).max(1e-4 * i.0.abs()).max(1e-6)).collect();
            if let Some(s) = spread(&i, &errors, std::slice::from_ref(&q), &[None]) {
                out.kv_by_torque = s.coefficients.get(1).copied().filter(|k| k.value > 0.0);
            }
            // Of the voltage equation's kv the no-load current takes the uncertainty.
            if let Some(k) = kv {
                let rest: Vec<f64> = i.iter().zip(&q).map(|(i, q)| i - k.value * q).collect();
                // A wrong zero of the torque cell acts on every state alike.
                out.no_load = spread(&rest, &errors, &[q], &[Some(k.uncertainty)])
                    .and_then(|s| s.constant())
                    .map(|f| f.with_shared(k.value * zero.uncertainty));
            }
        }
    } else if with_torque.len() >= 6 {
        // No current: d V = w/kv + (R kv) Q + R i0, all three from the shape.
        let y: Vec<f64> = with_torque.iter().map(|s| s.share * s.volts.0 / s.speed.0).collect();
        let q: Vec<f64> =
            with_torque.iter().map(|s| s.torque.map_or(f64::NAN, |q| q.0 / s.speed.0)).collect();
        let one: Vec<f64> = with_torque.iter().map(|s| 1.0 / s.speed.0).collect();
        let errors: Vec<f64> = with_torque
            .iter()
            .zip(&y)
            .map(|(s, y)| {
                (s.share * s.volts.1 / s.speed.0).hypot(y * s.speed.1 / s.speed.0).max(1e-5 * y.abs())
            })
            .collect();
        if let Some(s) = spread(&y, &errors, &[q, one], &[None, None]) {
            out.kv = s.constant().filter(|c| c.value > 0.0).map(inverse);
            if let (Some(kv), Some(rk)) =
                (out.kv, s.coefficients.get(1).filter(|r| r.uncertainty.is_finite()))
            {
                let value = rk.value / kv.value;
                let relative = (rk.uncertainty / rk.value).hypot(kv.uncertainty / kv.value);
                out.resistance =
                    Some(Figure { value, uncertainty: (value * relative).abs(), degrees: rk.degrees });
            }
        }
    }
    out
}

fn inverse(c: Figure) -> Figure {
    Figure { value: 1.0 / c.value, uncertainty: c.uncertainty / (c.value * c.value), degrees: c.degrees }
}
