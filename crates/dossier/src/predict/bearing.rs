//! Predictions of the structure: natural frequencies, separation, twist.

use std::f64::consts::TAU;

use physics::aircraft::Aircraft;
use physics::interference::lower_speed_for_thrust;
use physics::powertrain::FullThrust;
use physics::structure::diagram::{Dwell, least_separation};
use physics::structure::{Mount, frame};

use super::nominal::{Case, Nominal};

/// Rotor speeds dwelt in when nothing has flown yet: the trimmed hover speeds of every rotor, without
/// payload and with it, rev/s. Thrust sets the speed, so that the charge does not matter.
pub(super) fn predicted_dwell(bare: &Case<'_>, loaded: &Case<'_>, density: f64) -> Option<Dwell> {
    let mut dwell = Dwell { low: f64::INFINITY, high: 0.0 };
    for case in [bare, loaded] {
        let a = case.aircraft;
        for (thrust, station) in case.trim.as_ref().ok()?.thrusts.iter().zip(&a.stations) {
            let speed = match station.below {
                Some(_) => lower_speed_for_thrust(&a.rotor, *thrust, density)?,
                None => a.rotor.speed_for_thrust(*thrust, 0.0, density)?,
            } / TAU;
            dwell.low = dwell.low.min(speed);
            dwell.high = dwell.high.max(speed);
        }
    }
    (dwell.low > 0.0 && dwell.high.is_finite()).then_some(dwell)
}

/// Rotor speeds dwelt in, as predicted for an aircraft, rev/s.
pub fn dwell(aircraft: &Aircraft, density: f64) -> Option<Dwell> {
    let bare = aircraft.without_payload();
    predicted_dwell(&Case::new(&bare, density), &Case::new(aircraft, density), density)
}

/// Least separation of some frequencies (Hz) from 1/rev and blade passage.
pub fn separation(frequencies: &[f64], blades: u32, dwell: Dwell) -> Option<f64> {
    frequencies.iter().map(|f| least_separation(*f, blades, dwell).0).min_by(f64::total_cmp)
}

/// All outputs of the structure.
pub(super) fn outputs(
    out: &mut Nominal,
    bare: &Case<'_>,
    loaded: &Case<'_>,
    density: f64,
    full: Option<&FullThrust>,
) {
    let head = "Structure";
    let a = bare.aircraft;
    let dwell = predicted_dwell(bare, loaded, density);
    if let Some(d) = dwell {
        let name = "least rotor speed dwelt in: hover without payload";
        out.put("structure.dwell_speed.low", head, name, "rad/s", d.low * TAU);
        let name = "greatest rotor speed dwelt in: hover with payload";
        out.put("structure.dwell_speed.high", head, name, "rad/s", d.high * TAU);
    }
    let mut modes: Vec<f64> = Vec::new();
    match frame::arms(a) {
        Ok(arms) => {
            let patterns = arms.patterns();
            for p in &patterns {
                out.put(
                    format!("structure.arm.{}", p.id),
                    head,
                    &format!("arm: {}", p.name),
                    "Hz",
                    p.frequency,
                );
            }
            let frequencies: Vec<f64> = patterns.iter().map(|p| p.frequency).collect();
            if let Some(s) = dwell.and_then(|d| separation(&frequencies, a.rotor.blades, d)) {
                let name = "least separation of an arm mode from 1/rev and blade passage";
                out.put("structure.arm_separation", head, name, "1", s);
            }
            modes.extend(frequencies);
        }
        Err(e) => out.wait(head, &e),
    }
    if let Some(f) = a.structure.mast.as_ref().and_then(physics::structure::Mast::frequency) {
        out.put("structure.mast.frequency", head, "mast", "Hz", f);
        if let Some(s) = dwell.and_then(|d| separation(&[f], a.rotor.blades, d)) {
            let name = "separation of the mast from 1/rev and blade passage";
            out.put("structure.mast_separation", head, name, "1", s);
        }
        modes.push(f);
    }
    if let Some(f) = a.structure.plate.as_ref().and_then(physics::structure::Plate::frequency) {
        out.put("structure.plate.frequency", head, "plate of the electronics", "Hz", f);
        modes.push(f);
    }
    if let Some(lowest) = modes.iter().copied().min_by(f64::total_cmp) {
        out.put("structure.lowest_frequency", head, "lowest natural frequency", "rad/s", lowest * TAU);
    }
    if let Some(Mount::Soft { frequency, .. }) = a.structure.mount {
        let name = "natural frequency of the sensor's mount";
        out.put("structure.mount_frequency", head, name, "rad/s", frequency * TAU);
        if let Some(d) = dwell {
            let name = "mount's frequency over the lowest 1/rev";
            out.put("structure.mount_ratio", head, name, "1", frequency / d.low);
        }
    }
    if let Some(full) = full {
        let most = full.point.rotors.iter().map(|r| r.thrust).fold(0.0, f64::max);
        if let Ok(twist) = frame::axis_twist(a, most) {
            out.put("structure.twist", head, "turn of the thrust axis at full thrust", "rad", twist);
        }
    }
}
