//! Predictions over airspeed, and where the energy goes.

use physics::atmosphere::Air;
use physics::powertrain::airspeed::{self, Trimmed};
use physics::powertrain::thermal::Winding;
use physics::powertrain::{self, MotorModel, ledger};

use super::nominal::{Case, Nominal};

/// Charge that flight over airspeed is predicted at.
pub const AIRSPEED_CHARGE: f64 = 0.5;
/// Steps of airspeed in the predictions, m/s; a parabola finds the best speeds between them.
const STEP: f64 = 2.0;

/// Airspeeds, climb and energy with payload.
pub(super) fn outputs(out: &mut Nominal, loaded: &Case<'_>, air: &Air) {
    let density = air.density;
    if let Some(hover) = energy(out, loaded, density) {
        winding(out, loaded, &hover, air);
    }
    let a = loaded.aircraft;
    let head = "Over airspeed, half charge, with payload";
    let e = match airspeed::envelope(a, STEP, AIRSPEED_CHARGE, density) {
        Ok(e) => e,
        Err(e) => {
            out.wait(head, &e);
            return;
        }
    };
    out.put("climb.most", head, "highest vertical climb inside the limits", "m/s", e.climb);
    if a.drag_area <= 0.0 {
        out.wait(head, &"waits for `aircraft.drag_area` in the aircraft file");
        return;
    }
    out.put("airspeed.endurance_speed", head, "airspeed of least power", "m/s", e.endurance_speed);
    out.put("airspeed.range_speed", head, "airspeed of least energy per distance", "m/s", e.range_speed);
    if let Some(held) = e.held {
        out.put("airspeed.held", head, "highest wind held with 30 % of thrust to spare", "m/s", held);
    }
    match e.top {
        Some((top, limit)) => {
            out.put("airspeed.top", head, "highest level airspeed inside the limits", "m/s", top);
            out.facts.push(("Limit that binds at the highest airspeed".to_owned(), limit.words().to_owned()));
        }
        None => out.facts.push((
            "Highest airspeed".to_owned(),
            "beyond the model: the rotors' in-plane speed passes 0.35 of tip speed before a limit binds"
                .to_owned(),
        )),
    }
    let time = |speed: f64| -> Option<f64> {
        let t = airspeed::trim(a, speed, 0.0, AIRSPEED_CHARGE, density).ok()??;
        powertrain::endurance_at_power(a, t.bus_power, density, 1.0).ok().map(|e| e.time)
    };
    if let Some(t) = time(e.endurance_speed) {
        out.put("airspeed.endurance", head, "endurance at the airspeed of least power", "s", t);
    }
    if let Some(t) = time(e.range_speed) {
        out.put(
            "airspeed.range",
            head,
            "still-air range at the airspeed of least energy per distance",
            "m",
            t * e.range_speed,
        );
    }
}

/// The account of a hover.
fn energy(out: &mut Nominal, loaded: &Case<'_>, density: f64) -> Option<Trimmed> {
    let head = "Energy in hover, half charge, with payload";
    let a = loaded.aircraft;
    let hover: Trimmed = match airspeed::trim(a, 0.0, 0.0, AIRSPEED_CHARGE, density) {
        Ok(Some(t)) => t,
        Ok(None) => {
            out.wait(head, &"the battery cannot give the power of a hover");
            return None;
        }
        Err(e) => {
            out.wait(head, &e);
            return None;
        }
    };
    match ledger::energy(a, &hover) {
        Ok(lines) => {
            for line in lines.iter().filter(|l| l.id != "parasite") {
                out.put(format!("energy.hover.{}", line.id), head, line.name, "W", line.power);
            }
            out.put("energy.hover.total", head, "given by the cells", "W", ledger::cell_power(&hover));
        }
        Err(e) => out.wait(head, &e),
    }
    Some(hover)
}

/// Winding temperature settled in hover, and after a pull of full thrust out of it.
fn winding(out: &mut Nominal, loaded: &Case<'_>, hover: &Trimmed, air: &Air) {
    let head = "Winding temperature, with payload";
    let a = loaded.aircraft;
    // What is not known about a part that is optional is not waited for.
    let Some((motor, heat)) = a.motor.as_ref().and_then(|m| Some((m, m.thermal?))) else { return };
    let Some(node) = Winding::of(motor).map(|w| w.in_density(air.density)) else { return };
    let Ok(model) = MotorModel::new(a) else { return };
    let load = |p: &powertrain::OperatingPoint| {
        let hottest = p.rotors.iter().max_by(|a, b| a.motor_current.total_cmp(&b.motor_current));
        hottest.map_or((0.0, 0.0), |r| (r.motor_current, model.no_load(r.speed) * model.kt * r.speed))
    };
    let (current, iron) = load(&hover.point);
    let Some(settled) = node.settled(motor, current, iron, air.temperature) else {
        out.wait(head, &"the heat of a hover outgrows the stated cooling");
        return;
    };
    out.put("winding.hover", head, "settled in hover, half charge", "K", settled);
    let Ok(full) = powertrain::full_thrust(a, 1.0, air.density) else { return };
    let (current, iron) = load(&full.point);
    let after = node.after(motor, current, iron, air.temperature, settled, heat.burst);
    let name = format!("after {:.0} s of full thrust out of the hover, full charge", heat.burst);
    out.put("winding.full", head, &name, "K", after);
    if let Some(limit) = heat.limit {
        match node.time_to(motor, current, iron, air.temperature, settled, limit) {
            Some(time) => {
                out.put("winding.full_time", head, "full thrust until the winding's limit", "s", time);
            }
            None => out.facts.push((
                "Winding at full thrust".to_owned(),
                "stays below its stated limit for good".to_owned(),
            )),
        }
    }
}
