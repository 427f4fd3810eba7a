//! What payload and low charge do to thrust, trim and the rate loop's gain.
//!
//! The controller is set up without payload on a full battery. With payload at reserve charge the same output makes another
//! thrust (the bus is lower, the command higher) on another inertia. Its gain changes by
//! (dT/dc there / dT/dc that it reckons with) x (inertia that it reckons with / inertia). dT/dc is taken in steady
//! state: c V = K w + R I(w). The motor's lag shortens as the rotor turns faster; that is not a gain and left out.

use physics::aircraft::Aircraft;
use physics::powertrain::{self, MotorModel, OperatingPoint};

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
    let Some(thrust) = thrust_gain(a, &full, &low, density) else { return };
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

/// dT/dc at a point over the one that the controller reckons with.
fn thrust_gain(a: &Aircraft, full: &OperatingPoint, low: &OperatingPoint, density: f64) -> Option<f64> {
    let motor = MotorModel::new(a).ok()?;
    let slope = |speed: f64, volts: f64| -> f64 {
        let load = a.rotor.load(speed, density);
        load.thrust_slope * volts / (motor.kt + motor.path_resistance() * load.torque_slope / motor.kt)
    };
    let mean =
        |p: &OperatingPoint| p.rotors.iter().map(|r| r.speed).sum::<f64>() / p.rotors.len().max(1) as f64;
    let now = slope(mean(low), low.bus_voltage);
    let reckoned = if a.rate_loop.as_ref().is_some_and(|l| l.linearised) {
        // It looks the same command up on the curve of the full bus.
        let command = low.rotors.iter().map(|r| r.command).sum::<f64>() / low.rotors.len().max(1) as f64;
        slope(speed_at(a, &motor, command * full.bus_voltage, density)?, full.bus_voltage)
    } else {
        slope(mean(full), full.bus_voltage)
    };
    let ratio = now / reckoned;
    ratio.is_finite().then_some(ratio)
}

/// Rotor speed at a voltage of the ESC's output.
fn speed_at(a: &Aircraft, motor: &MotorModel, volts: f64, density: f64) -> Option<f64> {
    let over = |w: f64| motor.voltage_for_torque(a.rotor.load(w, density).torque, w) - volts;
    let most = volts / motor.kt;
    physics::root::root(over, (1.0, over(1.0)), (most, over(most)), 1e-6 * most)
}
