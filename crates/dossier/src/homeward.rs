//! The way home of a build: charge and voltage at which it must turn, how far out in each direction, the link, stopping,
//! parachute against more rotors, what an impact carries.
//!
//! Computed when it is asked for, from what `check` found. Arithmetic for planning: rules of the place decide.

mod shown;

use std::f64::consts::PI;

use physics::aircraft::Aircraft;
use physics::homeward::energy::{Leg, Way, Wind};
use physics::homeward::impact::{
    Throw, critical_area, fall_speed, kinetic, safety_distance, terminal_speed, throw,
};
use physics::homeward::link::{Budget, CLEAR, horizon};
use physics::homeward::parachute::Descent;
use physics::homeward::reach::Homing;
use physics::homeward::spare::{Choice, choices};
use physics::homeward::{Failsafe, spare};
use physics::interference::ground_effect;
use physics::mass::mass_properties;
use physics::powertrain::thermal::cell_resistance_factor;
use rayon::prelude::*;
use serde::Serialize;

use crate::predict::brakes;
use crate::result::CheckResult;

/// What stands under every answer.
pub const RULES: &str = "Arithmetic for planning, from a model. Local rules and licensed practice decide whether, where and how far it may be flown; a test close by, with a pilot who can take over, proves a way home.";

/// Directions asked about, of the way home from where the wind comes from.
const DIRECTIONS: usize = 12;
/// Directions of the outline.
pub const OUTLINE: usize = 72;
/// Fade margin that a link is planned with, dB (common practice, no source).
pub const FADE_MARGIN: f64 = 10.0;
/// Bank that a link must bear, rad: 30 deg (common practice, no source).
const BANK: f64 = 30.0 * PI / 180.0;
/// Height of the discs in the hover before touch-down, m: the middle of the last metre, legs below (our assumption).
const LANDING_HEIGHT: f64 = 0.7;
/// Time for a person to notice and cut the power, s (common practice, no source).
const PERSON: f64 = 2.0;
/// Error of a satellite position, m, and time until a fence is noticed, s (common practice, no source).
const POSITION: (f64, f64) = (5.0, 1.0);
/// Drag coefficient of a tumbling multirotor on its outline, measured 0.93 to 1.12 (Arterburn et al. 2017).
const TUMBLING: f64 = 1.0;

/// What the question may set in place of the file.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Ask {
    /// Mean wind at 10 m, m/s.
    pub wind: Option<f64>,
    /// Farthest from home, m.
    pub distance: Option<f64>,
    /// Height where the way home begins, m; that of the way home for `None`.
    pub height: Option<f64>,
}

/// One direction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Direction {
    /// Way home from where the wind comes from, rad: 0 into the wind.
    pub from_wind: f64,
    /// Farthest out at the come-home charge, m.
    pub reach: Option<f64>,
    /// Radius of action from a full battery, m.
    pub radius: Option<f64>,
    /// Charge needed from the farthest point, where there is a way home.
    pub need: Option<f64>,
    /// Time left to decide there at the come-home charge, s.
    pub decide: Option<f64>,
    /// Ground speed of least energy per distance, m/s.
    pub best_speed: Option<f64>,
}

/// How far out in one direction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reach {
    /// Way home from where the wind comes from, rad: 0 into the wind.
    pub from_wind: f64,
    /// Farthest out at the come-home charge, m.
    pub reach: Option<f64>,
    /// Radius of action from a full battery, m.
    pub radius: Option<f64>,
}

/// The way home in one set of conditions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Condition {
    /// Which.
    pub name: String,
    /// Charge needed from the farthest point into the wind.
    pub need: Option<f64>,
    /// Voltage under the load of a hover at that charge, V.
    pub voltage: Option<f64>,
    /// Farthest out into the wind at the come-home charge, m.
    pub reach: Option<f64>,
    /// Why there is no way home, where there is none.
    pub why: Option<String>,
}

/// The link at some distances, and where it ends.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LinkAnswer {
    /// Budgets at distances up to twice the farthest.
    pub budgets: Vec<Budget>,
    /// Budget farthest out.
    pub farthest: Budget,
    /// Distance at which the planned margin is first missed, m; none up to the horizon.
    pub reach: Option<f64>,
    /// The same level.
    pub reach_level: Option<f64>,
    /// Horizon, m.
    pub horizon: f64,
}

/// What a fall or throw carries.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Impact {
    /// Mass, kg.
    pub mass: f64,
    /// Terminal speed, m/s.
    pub terminal: f64,
    /// Energy of a fall from the height of the way home, J.
    pub fall: f64,
    /// End of a throw from there at the speed home, with the wind.
    pub throw: Throw,
    /// Its energy, J.
    pub energy: f64,
    /// Distance to keep people away, m.
    pub distance: f64,
    /// Critical area of the throw (JARUS SORA annex F), m^2.
    pub area: f64,
    /// Largest side of the aircraft, tips included, m.
    pub size: f64,
}

/// All of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Homeward {
    /// Fail-safe as stated.
    pub failsafe: Failsafe,
    /// Mean wind at 10 m, m/s, and whether anybody stated one.
    pub wind: f64,
    /// Whether the wind was stated.
    pub wind_stated: bool,
    /// Farthest from home, m.
    pub distance: f64,
    /// Density of the air, kg/m^3.
    pub density: f64,
    /// Highest airspeed with thrust to spare at reserve charge, m/s.
    pub held: f64,
    /// Legs from the farthest point into the wind.
    pub legs: Vec<Leg>,
    /// Thrust of a rotor near the ground over that far from it, in the hover before touch-down: not counted.
    pub ground_gain: Option<f64>,
    /// Charge needed for them.
    pub need: Option<f64>,
    /// The same, staying at the height where it is.
    pub need_level: Option<f64>,
    /// Voltage under the load of a hover at that charge, and at the come-home charge, V.
    pub voltage: [Option<f64>; 2],
    /// Voltage at rest at the come-home charge, V.
    pub rest: f64,
    /// Directions.
    pub directions: Vec<Direction>,
    /// How far out all round, every [`OUTLINE`]th of a turn.
    pub outline: Vec<Reach>,
    /// Cold, aged.
    pub conditions: Vec<Condition>,
    /// Link, where the file states one.
    pub link: Option<LinkAnswer>,
    /// Way to stop in calm air and with the wind behind, m, and how far inside its line a fence must act, m.
    pub stop: Option<[f64; 3]>,
    /// Parachute, where the file states one.
    pub parachute: Option<Descent>,
    /// As it is, with a parachute, with more rotors.
    pub choices: Vec<Choice>,
    /// What an impact carries.
    pub impact: Impact,
    /// The answer in words.
    pub verdict: String,
    /// Whether the stated come-home charge is enough from the farthest point in every direction.
    pub enough: bool,
}

/// The way home for what `check` found.
///
/// # Errors
/// What it waits for, or why there is none, in words.
pub fn of_check(check: &CheckResult, ask: Ask) -> Result<Homeward, String> {
    let figure = |id: &str| check.figures.iter().find(|f| f.id == id).map(|f| f.estimate.value);
    let density = figure("homeward.density").unwrap_or(1.225);
    let wind = ask.wind.or_else(|| figure("homeward.wind"));
    let input = |key: &str| check.inputs.iter().find(|i| i.key == key).map(|i| i.value);
    let battery = BatteryState {
        temperature: input("battery.temperature").unwrap_or(298.15),
        capacity_left: input("battery.capacity_left").unwrap_or(1.0),
    };
    of(&check.aircraft, density, wind, battery, ask)
}

/// State that the battery of the file is in.
#[derive(Debug, Clone, Copy)]
struct BatteryState {
    temperature: f64,
    capacity_left: f64,
}

fn of(
    a: &Aircraft,
    density: f64,
    wind: Option<f64>,
    battery: BatteryState,
    ask: Ask,
) -> Result<Homeward, String> {
    let waits = "waits for `failsafe` in the aircraft file: come_home_at, land_now_at, lost_link_time, farthest, home_speed, home_height";
    let f = a.safety.failsafe.ok_or(waits)?;
    let distance = ask.distance.unwrap_or(f.farthest);
    let blows = Wind { speed: wind.unwrap_or(0.0) };
    let homing = Homing::new(a, f.plan, density).map_err(|e| e.to_string())?;
    let height = ask.height.unwrap_or(f.plan.height);
    let way = |from_wind| Way { distance, height, from_wind };
    let legs = homing.legs(&way(0.0), &blows, true).map_err(|e| e.to_string())?;
    let need = homing.needed(&legs).ok();
    let need_level = (height < f.plan.height).then(|| homing.need(&way(0.0), &blows, false).ok()).flatten();
    let hover = homing.power(blows.at(height));
    let volts = |charge: f64| homing.store.bus(charge, hover?).map(|(v, _)| v);
    let outline = outline(&homing, f.come_home_at, height, &blows);
    let directions: Vec<Direction> = (0..DIRECTIONS)
        .map(|k| {
            let from_wind = 2.0 * PI * k as f64 / DIRECTIONS as f64;
            let all_round = outline.get(k * (OUTLINE / DIRECTIONS));
            Direction {
                from_wind,
                reach: all_round.and_then(|r| r.reach),
                radius: all_round.and_then(|r| r.radius),
                need: homing.need(&way(from_wind), &blows, true).ok(),
                decide: homing.time_to_decide(f.come_home_at, &way(from_wind), &blows),
                best_speed: homing.best_speed(blows.at(f.plan.height), from_wind).map(|b| b.0),
            }
        })
        .collect();
    let enough = directions.iter().all(|d| d.need.is_some_and(|n| n <= f.come_home_at));
    let link = a.safety.link.as_ref().map(|l| {
        let far = distance.max(10.0);
        let budgets =
            (0..=60).map(|k| l.budget(0.05 * far * 40f64.powf(f64::from(k) / 60.0), height, BANK)).collect();
        LinkAnswer {
            budgets,
            farthest: l.budget(far, height, BANK),
            reach: l.reach(FADE_MARGIN, height, BANK),
            reach_level: l.reach(FADE_MARGIN, height, 0.0),
            horizon: horizon(l.ground_height, height),
        }
    });
    let mass = mass_properties(&a.bodies).mass;
    let stop = brakes(a, 0.0, density).zip(brakes(a, blows.at(height), density)).map(|(calm, behind)| {
        let fence = behind.fence_margin(f.plan.speed, POSITION.1, POSITION.0);
        [calm.distance(f.plan.speed), behind.distance(f.plan.speed), fence]
    });
    let parachute = a.safety.parachute.and_then(|p| {
        p.descent(mass + p.mass, a.drag_area, f.plan.height, blows.at(0.5 * f.plan.height), density)
    });
    let mut answer = Homeward {
        failsafe: f,
        wind: blows.speed,
        wind_stated: wind.is_some(),
        distance,
        density,
        held: homing.held(),
        voltage: [need.and_then(volts), volts(f.come_home_at)],
        rest: homing.store.model.open_circuit(f.come_home_at),
        legs,
        ground_gain: ground_effect(0.5 * a.rotor.diameter, LANDING_HEIGHT),
        need,
        need_level,
        directions,
        outline,
        conditions: conditions(a, &f, density, &blows, &way(0.0), battery),
        link,
        stop,
        parachute,
        choices: choices(a, a.safety.parachute.map(|p| p.mass), density),
        impact: impact(a, &f, mass, density, &blows),
        verdict: String::new(),
        enough,
    };
    answer.verdict = verdict(&answer);
    Ok(answer)
}

/// Reach all round: left and right of the wind are alike.
fn outline(homing: &Homing<'_>, charge: f64, height: f64, wind: &Wind) -> Vec<Reach> {
    let half: Vec<Reach> = (0..=OUTLINE / 2)
        .into_par_iter()
        .map(|k| {
            let from_wind = 2.0 * PI * k as f64 / OUTLINE as f64;
            Reach {
                from_wind,
                reach: homing.farthest(charge, height, from_wind, wind),
                radius: homing.radius(from_wind, wind),
            }
        })
        .collect();
    let back = half.iter().rev().skip(1).take(OUTLINE / 2 - 1);
    let mirrored = back.map(|r| Reach { from_wind: 2.0 * PI - r.from_wind, ..*r });
    half.iter().copied().chain(mirrored).collect()
}

/// Cold and aged batteries (common practice, no source: 80 % of the capacity and half as much resistance again is old).
fn conditions(
    a: &Aircraft,
    f: &Failsafe,
    density: f64,
    wind: &Wind,
    way: &Way,
    state: BatteryState,
) -> Vec<Condition> {
    let changed = |name: &str, temperature: f64, left: f64, resistance: f64| {
        let mut other = a.clone();
        if let Some(b) = &mut other.battery {
            let cold =
                cell_resistance_factor(temperature) / cell_resistance_factor(state.temperature) * resistance;
            b.cell_resistance *= cold;
            b.polarisation_resistance *= cold;
            b.capacity *= left / state.capacity_left;
        }
        let homing = Homing::new(&other, f.plan, density);
        let answer = homing.as_ref().map_err(ToString::to_string).and_then(|h| {
            let held = h.held() > 0.0;
            if !held {
                return Err("at reserve charge it does not hover with 30 % of thrust to spare".to_owned());
            }
            h.need(way, wind, true).map_err(|e| e.to_string())
        });
        let (homing, need, why) = match answer {
            Ok(need) => (homing.ok(), Some(need), None),
            Err(why) => (None, None, Some(why)),
        };
        Condition {
            name: name.to_owned(),
            need,
            voltage: homing
                .as_ref()
                .zip(need)
                .and_then(|(h, n)| h.store.bus(n, h.power(wind.at(way.height))?).map(|(v, _)| v)),
            reach: homing.as_ref().and_then(|h| h.farthest(f.come_home_at, way.height, 0.0, wind)),
            why,
        }
    };
    let (t, left) = (state.temperature, state.capacity_left);
    vec![
        changed("battery as stated", t, left, 1.0),
        changed("cells at 0 degC", 273.15, left, 1.0),
        changed("aged: 80 % capacity, 1.5 x resistance", t, 0.8, 1.5),
        changed("aged, and cells at 0 degC", 273.15, 0.8, 1.5),
    ]
}

/// Largest extent over the discs, m.
fn size(a: &Aircraft) -> f64 {
    a.hub_to_hub() + a.rotor.diameter
}

fn impact(a: &Aircraft, f: &Failsafe, mass: f64, density: f64, wind: &Wind) -> Impact {
    // It tumbles: frame and stopped rotors as a plate of a tenth of the outline, and no less than the airframe's drag.
    let size = size(a);
    let drag_area = a.drag_area.max(0.1 * TUMBLING * size * size);
    let terminal = terminal_speed(mass, drag_area, density);
    let height = f.plan.height;
    let speed = f.plan.speed;
    let thrown = throw(height, speed, wind.at(0.5 * height), mass, drag_area, density);
    Impact {
        mass,
        terminal,
        fall: kinetic(mass, fall_speed(height, terminal)),
        energy: kinetic(mass, thrown.speed),
        distance: safety_distance(&thrown, speed, PERSON) + 0.5 * size,
        area: critical_area(size, thrown.speed, thrown.angle.clamp(0.17, 1.55), mass, 290.0),
        throw: thrown,
        size,
    }
}

fn verdict(h: &Homeward) -> String {
    let f = &h.failsafe;
    let wind = if h.wind_stated {
        format!("into a wind of {:.0} m/s", h.wind)
    } else {
        "in calm air (the requirement states no wind)".to_owned()
    };
    let Some(need) = h.need.filter(|n| *n <= 1.0) else {
        return format!(
            "From {:.0} m {wind} it does not come home, not even with a full battery.",
            h.distance
        );
    };
    let volts = h.voltage[0].map_or(String::new(), |v| format!(" ({v:.1} V under the load of a hover)"));
    let into = h.directions.first().and_then(|d| d.decide).unwrap_or(f64::NAN);
    let state = if h.enough {
        format!("the stated {:.0} % leaves {into:.0} s to decide", 100.0 * f.come_home_at)
    } else {
        format!("the stated {:.0} % is too late", 100.0 * f.come_home_at)
    };
    let link = match &h.link {
        Some(l) if l.farthest.margin < FADE_MARGIN => format!(
            " The link is the shorter: {:.0} dB over its threshold that far out, {FADE_MARGIN:.0} dB are planned with.",
            l.farthest.margin
        ),
        _ => String::new(),
    };
    format!(
        "From {:.0} m {wind} it must turn home at {:.0} % of the charge{volts}; {state}.{link}",
        h.distance,
        100.0 * need
    )
}

impl Homeward {
    /// Whether climbing first costs more than staying at the height, where it begins lower.
    pub fn climb_costs(&self) -> Option<f64> {
        Some(self.need? - self.need_level?)
    }

    /// Whether the first Fresnel zone is clear enough farthest out.
    pub fn clear(&self) -> Option<bool> {
        self.link.as_ref().map(|l| l.farthest.fresnel >= CLEAR)
    }

    /// Layouts that keep control after the loss of any rotor, yaw given up or not.
    pub fn survivors(&self) -> impl Iterator<Item = &Choice> {
        self.choices.iter().filter(|c| c.turning == c.rotors)
    }

    /// Share of the authority that counts as controlled.
    pub fn controlled() -> f64 {
        spare::CONTROLLED
    }
}
