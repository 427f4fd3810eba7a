//! What a rehearsal flies for a card.

use physics::Vec3;
use physics::aircraft::Aircraft;
use physics::flight::{Action, Guard, Scenario, Segment, rate_steps};

use super::figures::{self, Kind};

/// Cards that can be rehearsed, with what is flown.
pub const CARDS: [(&str, &str); 5] = [
    ("hover", "hover by attitude command for 20 s"),
    ("rate-steps", "rate steps of ±100 deg/s about roll and pitch with releases, 20 s"),
    ("velocity-steps", "velocity steps of 3 m/s forward and to the right, 24 s"),
    ("hold", "place and height held for 30 s"),
    ("fail-safe", "a lost link at the farthest point, or what else fails: home and landing"),
];

/// Figures of a card.
pub(super) fn kinds(card: &str) -> Option<&'static [Kind]> {
    Some(match card {
        "hover" => figures::HOVER,
        "rate-steps" => figures::RATE,
        "velocity-steps" => figures::VELOCITY,
        "hold" => figures::HOLD,
        "fail-safe" => figures::HOME,
        _ => return None,
    })
}

/// Height of a rehearsal, m: room to fall.
const HEIGHT: f64 = 30.0;

/// The flight of a card.
pub(super) fn scenario(card: &str, aircraft: &Aircraft) -> Result<Scenario, String> {
    let needs = |there: bool, key: &str| {
        if there { Ok(()) } else { Err(format!("the card {card} waits for `{key}` in the aircraft file")) }
    };
    needs(aircraft.attitude_loop.is_some(), "loop.attitude")?;
    let go = |label: &str, time: f64, x: f64, y: f64| {
        Segment::new(label, time, Action::Velocity { demand: Vec3::new(x, y, 0.0) })
    };
    let mut charge = 0.9;
    let mut guard = None;
    let mut height = HEIGHT;
    let script = match card {
        "rate-steps" => {
            let rate = 100_f64.to_radians();
            let mut all = vec![Segment::new("hover", 2.0, Action::Hover)];
            for axis in [0, 1] {
                let bank = -0.5 * rate * 0.35;
                let (roll, pitch) = if axis == 0 { (bank, 0.0) } else { (0.0, bank) };
                all.push(Segment::new("bank", 0.8, Action::AttitudeHold { roll, pitch, yaw: None }));
                all.extend(rate_steps(axis, &[rate, -rate, rate], 0.35, 2.0));
                all.push(Segment::new("stop", 1.2, Action::Hover));
            }
            all
        }
        "velocity-steps" => {
            needs(aircraft.velocity_loop.is_some(), "loop.velocity")?;
            vec![
                go("stand", 4.0, 0.0, 0.0),
                go("forward", 5.0, 3.0, 0.0),
                go("stop", 5.0, 0.0, 0.0),
                go("right", 5.0, 0.0, 3.0),
                go("stop", 5.0, 0.0, 0.0),
            ]
        }
        "hold" => {
            needs(aircraft.velocity_loop.is_some(), "loop.velocity")?;
            needs(aircraft.position_loop.is_some(), "loop.position")?;
            vec![go("stand", 8.0, 0.0, 0.0), Segment::new("hold", 22.0, Action::PositionHold)]
        }
        "fail-safe" => {
            needs(aircraft.velocity_loop.is_some(), "loop.velocity")?;
            needs(aircraft.safety.failsafe.is_some(), "failsafe")?;
            let failsafe = aircraft.safety.failsafe.ok_or("no failsafe")?;
            // Out with the wind, and there the charge that the low battery turns home at.
            let out = (failsafe.farthest / 8.0).max(1.0);
            let capacity = aircraft.battery.as_ref().map_or(1.0, |b| b.capacity);
            let hover = physics::powertrain::airspeed::trim(aircraft, 0.0, 0.0, 0.5, 1.225)
                .ok()
                .flatten()
                .map_or(0.0, |t| t.point.battery_current);
            charge = (failsafe.come_home_at + hover * (out + 4.0) / capacity).min(1.0);
            guard = Some(Guard { failsafe, count_error: 0.0, pilot: Vec::new(), take_over_delay: 0.0 });
            height = failsafe.plan.height.max(5.0);
            vec![go("out", out, -8.0, 0.0), go("wait", 400.0, 0.0, 0.0)]
        }
        _ => vec![Segment::new("hover", 20.0, Action::Hover)],
    };
    let mut s = Scenario { height, guard, ..Scenario::new(script, 0, charge) };
    if card == "fail-safe" {
        s.log_rate = 10.0;
    }
    Ok(s)
}
