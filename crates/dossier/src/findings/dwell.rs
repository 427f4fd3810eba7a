//! Rotor speeds that the flight dwells in: what resonances are held against.

use super::context::{Context, Out};
use super::vibration::turns;

const RESTS: &[&str] = &["rotor", "mass", "station"];

/// 5 % and 95 % quantile of all rotors together while in the air.
pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let airborne = context.airborne();
    if Context::length(&airborne) < 2.0 {
        return;
    }
    let Some((low, high)) = turns(context, &airborne) else { return };
    for (key, label, value) in [
        ("dwell.speed.low", "least rotor speed dwelt in", low),
        ("dwell.speed.high", "greatest rotor speed dwelt in", high),
    ] {
        // Quantiles of many samples; a rotor's speed is counted to about 0.2 %.
        let e = context.estimate(
            label,
            value * std::f64::consts::TAU,
            0.002 * value * std::f64::consts::TAU,
            "rad/s",
        );
        out.value(key, label, e, "5 % and 95 % quantile of all rotors while in the air.", RESTS);
    }
}
