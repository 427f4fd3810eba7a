//! Predictions of the way home: what charge it takes from the farthest point into the wind, and how long it may wait.

use physics::aircraft::Aircraft;
use physics::homeward::energy::{Leg, Way, Wind};
use physics::homeward::reach::Homing;
use physics::homeward::stop::Brakes;
use physics::mass::mass_properties;

use super::nominal::{Nominal, SiteAir};

/// Heading of the figures.
const HEAD: &str = "Way home, with payload, straight into the wind";

/// Figures of the way home.
pub(super) fn outputs(out: &mut Nominal, aircraft: &Aircraft, air: &SiteAir) {
    let Some(f) = &aircraft.safety.failsafe else {
        out.wait(HEAD, &"waits for `failsafe` in the aircraft file");
        return;
    };
    let name = "time without link until it must act, as stated";
    out.put("homeward.lost_link_time", HEAD, name, "s", f.lost_link_time);
    out.put(
        "homeward.low_battery_time",
        HEAD,
        "time at low battery until it must act, as stated",
        "s",
        f.low_battery_time,
    );
    let density = air.usual.density;
    out.put("homeward.density", HEAD, "density of the air", "kg/m^3", density);
    if let Some(w) = air.wind {
        out.put("homeward.wind", HEAD, "mean wind of the requirement, at 10 m", "m/s", w);
    }
    let wind = Wind { speed: air.wind.unwrap_or(0.0) };
    let way = Way { distance: f.farthest, height: f.plan.height, from_wind: 0.0 };
    // The quick form cannot fly slower than stated: where the wind asks for that, the curve tells.
    let legs = Homing::quick(aircraft, f.plan, density).and_then(|h| Ok((h.legs(&way, &wind, true)?, h)));
    let legs = legs.or_else(|_| {
        Homing::new(aircraft, f.plan, density).and_then(|h| Ok((h.legs(&way, &wind, true)?, h)))
    });
    let (legs, homing) = match legs {
        Ok(l) => l,
        Err(e) => {
            out.wait(HEAD, &e);
            return;
        }
    };
    match homing.needed(&legs) {
        Ok(need) => {
            out.put("homeward.need", HEAD, "charge at which it must turn home, farthest out", "1", need);
            let left = homing.store.reserve + f.come_home_at - need;
            out.put(
                "homeward.left",
                HEAD,
                "charge left at the landing, come home at the stated charge",
                "1",
                left,
            );
            let hover = homing.power(wind.at(f.plan.height));
            if let Some((volts, _)) = hover.and_then(|p| homing.store.bus(need, p)) {
                out.put("homeward.voltage", HEAD, "voltage under load of a hover at that charge", "V", volts);
            }
        }
        Err(e) => out.wait(HEAD, &e),
    }
    let energy: f64 = legs.iter().map(Leg::energy).sum();
    let time: f64 = legs.iter().map(|l| l.time).sum();
    out.put("homeward.energy", HEAD, "energy to come home from farthest out", "J", energy);
    out.put("homeward.time", HEAD, "time to come home from farthest out", "s", time);
    if energy > 0.0
        && let Some(kept) = homing.store.energy_between(f.come_home_at, homing.store.reserve, energy / time)
    {
        out.put(
            "homeward.energy_ratio",
            HEAD,
            "energy above the reserve at the come-home charge over that",
            "1",
            kept / energy,
        );
        let power = homing.power(wind.at(f.plan.height)).unwrap_or(energy / time);
        let name = "time left to decide, farthest out at the come-home charge";
        out.put("homeward.decide", HEAD, name, "s", (kept - energy) / power);
    }
    if let Some(brakes) = brakes(aircraft, 0.0, density) {
        let name = "way to stop from the speed home, in calm air";
        out.put("homeward.stop", HEAD, name, "m", brakes.distance(f.plan.speed));
    }
}

/// How it stops in velocity command, with a tail wind, m/s; `None` without velocity loop.
pub fn brakes(aircraft: &Aircraft, tail_wind: f64, density: f64) -> Option<Brakes> {
    let v = aircraft.velocity_loop.as_ref()?;
    let attitude = aircraft.attitude_loop.as_ref().map_or(0.0, |a| a.gain[0].min(a.gain[1]));
    let mass = mass_properties(&aircraft.bodies).mass;
    Some(Brakes::new(
        v.tilt_limit,
        (v.gain, attitude, v.delay),
        (tail_wind, aircraft.drag_area, mass, density),
    ))
}
