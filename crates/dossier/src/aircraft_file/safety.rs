//! Fail-safe, radio link and parachute.

use physics::homeward::link::Link;
use physics::homeward::parachute::Parachute;
use physics::homeward::{Failsafe, OnLostLink, Plan};

use super::fields::Fields;

pub(super) fn failsafe(f: &Fields, v: &[f64]) -> Option<Failsafe> {
    let (lost_link_time, low_battery_time) =
        (f.number("lost_link_time", v)?, f.number("low_battery_time", v)?);
    Some(Failsafe {
        on_lost_link: match f.word("on_lost_link")? {
            "land" => OnLostLink::Land,
            _ => OnLostLink::ComeHome,
        },
        come_home_at: f.number("come_home_at", v)?,
        land_now_at: f.number("land_now_at", v)?,
        lost_link_time,
        low_battery_time,
        farthest: f.number("farthest", v)?,
        plan: Plan {
            speed: f.number("home_speed", v)?,
            height: f.number("home_height", v)?,
            climb: f.number("climb", v)?,
            descent: f.number("descent", v)?,
            landing: f.number("landing", v)?,
            react: lost_link_time.max(low_battery_time),
        },
    })
}

pub(super) fn link(f: &Fields, v: &[f64]) -> Option<Link> {
    Some(Link {
        frequency: f.number("frequency", v)?,
        power: f.number("power", v)?,
        ground_gain: f.number("ground_gain", v)?,
        air_gain: f.number("air_gain", v)?,
        sensitivity: f.number("sensitivity", v)?,
        ground_height: f.number("ground_height", v)?,
        exponent: f.number("exponent", v)?,
        fading: f.number("fading", v)?,
    })
}

pub(super) fn parachute(f: &Fields, v: &[f64]) -> Option<Parachute> {
    Some(Parachute {
        drag_area: f.number("drag_area", v)?,
        mass: f.number("mass", v)?,
        opens: f.number("opens", v)?,
    })
}
