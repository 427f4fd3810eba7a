//! What payload and low charge do to thrust, trim and the rate loop's gain.
//!
//! The controller reckons with the inertia without payload. With payload at reserve charge the same output makes another thrust
//! ([`physics::loops::effect`]) on another inertia. The motor's lag shortens as the rotor turns faster; that is not a gain and
//! left out.

use physics::loops::effect::Effect;
use physics::powertrain::{self, OperatingPoint};

use super::nominal::{AXES, Case, Nominal, SiteAir};

/// Heading of the figures.
const HEAD: &str = "Payload and low charge";

/// Figures of gate payload.
pub(super) fn outputs(out: &mut Nominal, loaded: &Case<'_>, bare: &Case<'_>, air: &SiteAir) {
    let a = loaded.aircraft;
    let reserve = a.battery.as_ref().map_or(0.2, |b| b.reserve);
    match powertrain::full_thrust(&a.in_air(air.worst.temperature), reserve, air.worst.density) {
        Ok(f) => {
            let name = "hover over full thrust at reserve charge, with payload, highest and hottest";
            out.put("payload.hover_share", HEAD, name, "1", loaded.weight / f.total);
        }
        Err(e) => out.wait(HEAD, &e),
    }
    match &loaded.trim {
        Ok(trim) => {
            let mean = trim.thrusts.iter().sum::<f64>() / trim.thrusts.len().max(1) as f64;
            let worst = trim.thrusts.iter().map(|t| (t / mean - 1.0).abs()).fold(0.0, f64::max);
            let name = "worst rotor's thrust off the mean, with payload";
            out.put("payload.rotor_share", HEAD, name, "1", worst);
        }
        Err(e) => out.wait(HEAD, e),
    }
    let density = air.usual.density;
    let (full, low) = match (bare.point(1.0, density), loaded.point(reserve, density)) {
        (Ok(full), Ok(low)) => (full, low),
        (Err(e), _) | (_, Err(e)) => {
            out.wait(HEAD, &e);
            return;
        }
    };
    let mean =
        |p: &OperatingPoint| p.rotors.iter().map(|r| r.thrust).sum::<f64>() / p.rotors.len().max(1) as f64;
    let set_up = Effect::new(bare.aircraft, (bare.share(), full.bus_voltage), density);
    let Some(thrust) = set_up.and_then(|e| e.over_full(mean(&low), low.bus_voltage)) else { return };
    let mut worst: f64 = 0.0;
    for (k, axis) in ["roll", "pitch", "yaw"].iter().enumerate() {
        let inertia = bare.mass.inertia[(k, k)] / loaded.mass.inertia[(k, k)];
        let change = 20.0 * (thrust * inertia).abs().log10();
        let name =
            format!("change of the {axis} loop's gain, full charge without payload to reserve with it");
        out.put(format!("payload.gain.{}", AXES[k]), HEAD, &name, "dB", change);
        worst = worst.max(change.abs());
    }
    out.put("payload.gain", HEAD, "largest change of loop gain, either way", "dB", worst);
}
