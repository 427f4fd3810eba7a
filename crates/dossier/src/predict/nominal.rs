//! The predictions of one aircraft at one site, as plain numbers without uncertainty.
//!
//! Outputs come in groups that can be asked for one by one, because sensitivities and the
//! effects of changes call this function many times.

use physics::aircraft::Aircraft;
use physics::atmosphere::{self, Air};
use physics::control;
use physics::interference::{TIP_MACH_LIMIT, TIP_MACH_WARNING};
use physics::loops::damping::{RotorAir, rotor_air};
use physics::loops::{filter, ledger};
use physics::magnetic::LocalField;
use physics::mass::{MassProperties, mass_properties};
use physics::powertrain::{self, OperatingPoint, PowertrainError};
use physics::{STANDARD_GRAVITY, Vec3};

use super::gyro_noise::GyroNoise;
use super::rate_loop::{
    AxisFigures, FIGURES, GAIN_DOWN, GAIN_UP, HALF_CYCLES, LoopBase, OVERSHOOT, PHASE_MARGIN, SENSITIVITY,
    axis_figures,
};
use super::{airspeed, homeward, payload};
use super::{bearing, compass, outer_loops};
use crate::programme::Site;

/// Names of the axes.
pub(super) const AXES: [char; 3] = ['x', 'y', 'z'];

/// A group of outputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Group {
    /// Mass, centre of gravity, inertia.
    Mass,
    /// Hover operating points.
    Hover,
    /// Full thrust, and the ratios that gate sizing asks for.
    Full,
    /// Hover endurance.
    Endurance,
    /// Angular acceleration available.
    Authority,
    /// Rate loop: latency and margins.
    Loop,
    /// Rate loop: the same with the step response.
    Step,
    /// Rate loop: yaw as well.
    Yaw,
    /// Attitude and velocity loops.
    Outer,
    /// Delay of the own filters.
    Filters,
    /// Vibration and noise.
    Vibration,
    /// Flight over airspeed, climb, and where the energy goes.
    Airspeed,
    /// Natural frequencies and their separation from the rotors' orders.
    Structure,
    /// Magnetic field of the leads, heading error.
    Sensing,
    /// The way home: charge, voltage, distance, time to decide.
    Homeward,
    /// What payload and low charge do to thrust, trim and loop gain.
    Payload,
}

impl Group {
    /// All groups.
    pub const ALL: [Self; 16] = [
        Self::Mass,
        Self::Hover,
        Self::Full,
        Self::Endurance,
        Self::Authority,
        Self::Loop,
        Self::Step,
        Self::Yaw,
        Self::Outer,
        Self::Filters,
        Self::Vibration,
        Self::Airspeed,
        Self::Structure,
        Self::Sensing,
        Self::Homeward,
        Self::Payload,
    ];
}

/// One predicted number.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// Identity.
    pub id: String,
    /// Heading it stands under.
    pub heading: String,
    /// Name.
    pub name: String,
    /// SI unit.
    pub unit: &'static str,
    /// Value.
    pub value: f64,
}

/// Predictions as numbers, facts in words, and what could not be predicted.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Nominal {
    /// Numbers, in reading order.
    pub outputs: Vec<Output>,
    /// Facts in words: which limit binds, yaw signs.
    pub facts: Vec<(String, String)>,
    /// What could not be predicted, and why.
    pub waits: Vec<String>,
}

impl Nominal {
    /// Value by id.
    pub fn get(&self, id: &str) -> Option<f64> {
        self.outputs.iter().find(|o| o.id == id).map(|o| o.value)
    }
    pub(super) fn put(
        &mut self,
        id: impl Into<String>,
        heading: &str,
        name: &str,
        unit: &'static str,
        value: f64,
    ) {
        if value.is_finite() {
            self.outputs.push(Output {
                id: id.into(),
                heading: heading.to_owned(),
                name: name.to_owned(),
                unit,
                value,
            });
        }
    }
    pub(super) fn wait(&mut self, what: &str, why: &dyn std::fmt::Display) {
        let text = format!("{what}: {why}");
        if !self.waits.contains(&text) {
            self.waits.push(text);
        }
    }
}

/// Air of the site and of its worst corner.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteAir {
    /// Where and when the aircraft usually flies.
    pub usual: Air,
    /// Highest and hottest.
    pub worst: Air,
    /// Earth's magnetic field, where the site's place is stated.
    pub earth: Option<LocalField>,
    /// Mean wind in which place is to be held, m/s, where it is stated.
    pub wind: Option<f64>,
}

/// How much hotter than stated the worst corner of the site is, K (common practice, no source).
const HOTTER: f64 = 20.0;
/// How much higher, m (common practice, no source).
const HIGHER: f64 = 200.0;

impl SiteAir {
    /// Of a site. The worst corner is as stated, else hotter and higher than the site by a fixed step.
    ///
    /// A site outside the atmosphere model falls back on the standard's sea level; the programme
    /// file has been checked before, so that only a perturbed value can come here.
    pub fn of(site: &Site) -> Self {
        let air = |elevation: f64, temperature: f64| {
            atmosphere::air_at_temperature(elevation, temperature, site.humidity)
                .or_else(|_| atmosphere::air(0.0, 0.0, 0.0))
                .unwrap_or(SEA_LEVEL)
        };
        Self {
            usual: air(site.elevation, site.temperature),
            worst: air(
                site.highest.map_or(site.elevation + HIGHER, |h| h.max(site.elevation)),
                site.hottest.map_or(site.temperature + HOTTER, |h| h.max(site.temperature)),
            ),
            earth: site.earth,
            wind: site.wind,
        }
    }
}

/// ISO 2533 at sea level.
const SEA_LEVEL: Air = Air {
    density: 1.225,
    pressure: 101_325.0,
    temperature: 288.15,
    sound_speed: 340.294,
    viscosity: 1.789_38e-5,
};

/// States of charge that the predictions are made at, with their names.
fn charges(aircraft: &Aircraft) -> Vec<(&'static str, &'static str, f64)> {
    let reserve = aircraft.battery.as_ref().map_or(0.2, |b| b.reserve);
    vec![("full", "full charge", 1.0), ("half", "half charge", 0.5), ("reserve", "reserve charge", reserve)]
}

/// Rotor torque per thrust at the hover speed, m.
fn reaction(aircraft: &Aircraft, thrust: f64, density: f64) -> f64 {
    let speed = aircraft.rotor.speed_for_thrust(thrust, 0.0, density).unwrap_or(0.0);
    aircraft.rotor.torque_per_thrust(speed, density)
}

/// Everything about one loading case that the groups share.
pub(super) struct Case<'a> {
    pub(super) aircraft: &'a Aircraft,
    pub(super) mass: MassProperties,
    pub(super) weight: f64,
    reaction: f64,
    pub(super) trim: Result<control::Trim, control::ControlError>,
}

impl<'a> Case<'a> {
    pub(super) fn new(aircraft: &'a Aircraft, density: f64) -> Self {
        let mass = mass_properties(&aircraft.bodies);
        let weight = mass.mass * STANDARD_GRAVITY;
        let share = weight / aircraft.stations.len().max(1) as f64;
        let reaction = reaction(aircraft, share, density);
        let trim = control::hover_trim(aircraft, &mass.centre, reaction, weight);
        Self { aircraft, mass, weight, reaction, trim }
    }
    /// Thrust of a rotor that carries its share of the weight, N.
    pub(super) fn share(&self) -> f64 {
        self.weight / self.aircraft.stations.len().max(1) as f64
    }
    pub(super) fn point(&self, charge: f64, density: f64) -> Result<OperatingPoint, String> {
        let trim = self.trim.as_ref().map_err(ToString::to_string)?;
        powertrain::operating_point(self.aircraft, &trim.thrusts, charge, density).map_err(|e| e.to_string())
    }
}

/// Horizontal centre of the rotor hubs, body axes, m.
pub fn rotor_centre(aircraft: &Aircraft) -> Vec3 {
    let n = aircraft.stations.len().max(1) as f64;
    aircraft.stations.iter().map(|s| s.at).sum::<Vec3>() / n
}

/// Mean horizontal distance of the hubs from their centre, m.
pub fn mean_arm(aircraft: &Aircraft) -> f64 {
    let c = rotor_centre(aircraft);
    let n = aircraft.stations.len().max(1) as f64;
    aircraft.stations.iter().map(|s| (s.at - c).xy().norm()).sum::<f64>() / n
}

/// Rate crossover that an aircraft of this size should reach, rad/s: 12/sqrt(d), d the largest
/// hub-to-hub distance in metres (derived: Froude scaling of frequency by 1/sqrt(length)).
pub fn required_crossover(aircraft: &Aircraft) -> f64 {
    12.0 / aircraft.hub_to_hub().max(1e-6).sqrt()
}

/// Delay that a loop with that crossover can spend at 45 deg phase margin, s: 0.64/wc
/// (90 - 45 - 8.5 deg for the integrator, in radians).
pub fn delay_budget(aircraft: &Aircraft) -> f64 {
    0.64 / required_crossover(aircraft)
}

/// Predicts the asked groups.
pub fn nominal(aircraft: &Aircraft, air: &SiteAir, groups: &[Group]) -> Nominal {
    nominal_near(aircraft, air, groups, &Near::default())
}

/// What is known of a central aircraft and holds where little differs from it.
#[derive(Default)]
pub(super) struct Near {
    /// The rate loop's figures, where only the motor lag differs.
    pub(super) rate_loop: Option<LoopBase>,
    /// Noise of the gyro, where IMU, filters and gains are the same.
    pub(super) gyro_noise: Option<GyroNoise>,
}

/// The same, near a central aircraft.
pub(super) fn nominal_near(aircraft: &Aircraft, air: &SiteAir, groups: &[Group], near: &Near) -> Nominal {
    let mut out = Nominal::default();
    let aircraft = &*aircraft.in_air(air.usual.temperature);
    let bare_aircraft = aircraft.without_payload();
    let density = air.usual.density;
    let loaded = Case::new(aircraft, density);
    let bare = Case::new(&bare_aircraft, density);
    let sized = aircraft.hub_to_hub() > 0.0;
    let scaled = [Group::Loop, Group::Step, Group::Yaw, Group::Outer, Group::Filters, Group::Vibration];
    let wants = |g: Group| groups.contains(&g) && (sized || !scaled.contains(&g));
    if !sized && scaled.iter().any(|g| groups.contains(g)) {
        out.wait("Loops", &"one rotor has no distance to another, which the crossover scales with");
    }
    if wants(Group::Mass) {
        mass_outputs(&mut out, &loaded, &bare);
    }
    if wants(Group::Hover) {
        hover_outputs(&mut out, &loaded, "payload", "with payload", density);
        hover_outputs(&mut out, &bare, "bare", "without payload", density);
        trim_outputs(&mut out, &bare);
    }
    let full = if wants(Group::Full) {
        full_outputs(&mut out, &loaded, &bare, air)
    } else if wants(Group::Structure) || wants(Group::Sensing) {
        powertrain::full_thrust(aircraft, 1.0, density).ok()
    } else {
        None
    };
    if wants(Group::Endurance) {
        endurance_outputs(&mut out, &loaded, &bare, density);
    }
    if wants(Group::Airspeed) {
        airspeed::outputs(&mut out, &loaded, &air.usual);
    }
    if wants(Group::Authority) {
        authority_outputs(&mut out, &loaded, density);
    }
    if wants(Group::Loop) || wants(Group::Step) {
        let axes: &[usize] = if wants(Group::Yaw) { &[0, 1, 2] } else { &[0, 1] };
        loop_outputs(&mut out, &bare, density, axes, wants(Group::Step), near.rate_loop.as_ref());
    }
    if wants(Group::Outer) {
        let rotors = rotor_air(&bare_aircraft, bare.share(), density);
        let base = near.rate_loop.as_ref().and_then(LoopBase::outer);
        outer_loops::outputs(&mut out, &bare, &loaded, air, &rotors, base);
    }
    if wants(Group::Filters) {
        filter_outputs(&mut out, aircraft);
    }
    if wants(Group::Vibration) {
        vibration_outputs(&mut out, &bare, density, near.gyro_noise.as_ref());
    }
    if wants(Group::Structure) {
        bearing::outputs(&mut out, &bare, &loaded, density, full.as_ref());
    }
    if wants(Group::Sensing) {
        compass::outputs(&mut out, &loaded, air, full.as_ref());
    }
    if wants(Group::Homeward) {
        homeward::outputs(&mut out, aircraft, air);
    }
    if wants(Group::Payload) {
        payload::outputs(&mut out, &loaded, &bare, air);
    }
    out
}

fn mass_outputs(out: &mut Nominal, loaded: &Case<'_>, bare: &Case<'_>) {
    let head = "Mass";
    let m = &loaded.mass;
    out.put("mass.total", head, "mass with payload", "kg", m.mass);
    out.put("mass.bare", head, "mass without payload", "kg", bare.mass.mass);
    for (k, axis) in AXES.iter().enumerate() {
        out.put(
            format!("mass.centre.{axis}"),
            head,
            &format!("centre of gravity {axis}, with payload"),
            "m",
            m.centre[k],
        );
    }
    for (k, axis) in AXES.iter().enumerate() {
        out.put(
            format!("mass.bare.centre.{axis}"),
            head,
            &format!("centre of gravity {axis}, without payload"),
            "m",
            bare.mass.centre[k],
        );
    }
    for (i, j) in [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)] {
        let (a, b) = (AXES[i], AXES[j]);
        out.put(
            format!("mass.inertia.{a}{b}"),
            head,
            &format!("inertia I_{a}{b}, with payload"),
            "kg m^2",
            m.inertia[(i, j)],
        );
    }
    let offset = (m.centre - rotor_centre(loaded.aircraft)).xy().norm();
    let arm = mean_arm(loaded.aircraft);
    if arm > 0.0 {
        out.put(
            "sizing.centre_offset",
            head,
            "centre of gravity off the rotor centre, per arm",
            "1",
            offset / arm,
        );
    }
}

fn hover_outputs(out: &mut Nominal, case: &Case<'_>, id: &str, words: &str, density: f64) {
    for (cid, cwords, charge) in charges(case.aircraft) {
        let head = format!("Hover, {cwords}, {words}");
        let p = match case.point(charge, density) {
            Ok(p) => p,
            Err(e) => {
                out.wait(&head, &e);
                continue;
            }
        };
        let n = p.rotors.len().max(1) as f64;
        let mean = |f: &dyn Fn(&powertrain::RotorPoint) -> f64| p.rotors.iter().map(f).sum::<f64>() / n;
        let base = format!("hover.{cid}.{id}");
        out.put(format!("{base}.thrust"), &head, "thrust per rotor", "N", mean(&|r| r.thrust));
        out.put(format!("{base}.speed"), &head, "rotor speed", "rad/s", mean(&|r| r.speed));
        out.put(format!("{base}.torque"), &head, "torque per rotor", "N m", mean(&|r| r.torque));
        out.put(format!("{base}.motor_current"), &head, "motor current", "A", mean(&|r| r.motor_current));
        out.put(format!("{base}.command"), &head, "command", "1", mean(&|r| r.command));
        out.put(format!("{base}.bus_voltage"), &head, "bus voltage", "V", p.bus_voltage);
        out.put(format!("{base}.battery_current"), &head, "battery current", "A", p.battery_current);
        out.put(format!("{base}.power"), &head, "battery power", "W", p.battery_power);
        out.put(format!("{base}.efficiency"), &head, "shaft power per battery power", "1", p.efficiency);
    }
}

/// How uneven the trim is: what an off-centre mass costs.
fn trim_outputs(out: &mut Nominal, bare: &Case<'_>) {
    let Ok(trim) = &bare.trim else {
        if let Err(e) = &bare.trim {
            out.wait("trim", e);
        }
        return;
    };
    let head = "Trim, without payload";
    let (roll, pitch) = shares(bare.aircraft, &trim.thrusts);
    out.put("trim.roll_share", head, "lift right against left, per mean", "1", roll.abs());
    out.put("trim.pitch_share", head, "lift front against rear, per mean", "1", pitch.abs());
}

/// Lift of the right side over the mean side less one, and of the front over the mean less one,
/// for any set of rotor lifts.
pub fn shares(aircraft: &Aircraft, lifts: &[f64]) -> (f64, f64) {
    let c = rotor_centre(aircraft);
    let side = |axis: usize| {
        let (mut plus, mut minus) = (0.0, 0.0);
        for (s, t) in aircraft.stations.iter().zip(lifts) {
            let d = s.at[axis] - c[axis];
            if d > 1e-6 {
                plus += t;
            } else if d < -1e-6 {
                minus += t;
            }
        }
        if plus + minus > 0.0 { (plus - minus) / (plus + minus) } else { 0.0 }
    };
    (side(1), side(0))
}

fn full_outputs(
    out: &mut Nominal,
    loaded: &Case<'_>,
    bare: &Case<'_>,
    air: &SiteAir,
) -> Option<powertrain::FullThrust> {
    let density = air.usual.density;
    let mut at_full = None;
    for (cid, cwords, charge) in charges(loaded.aircraft) {
        let head = format!("Full thrust, {cwords}");
        match powertrain::full_thrust(loaded.aircraft, charge, density) {
            Ok(f) => {
                let n = f.point.rotors.len().max(1) as f64;
                let speed = f.point.rotors.iter().map(|r| r.speed).sum::<f64>() / n;
                let current = f.point.rotors.iter().map(|r| r.motor_current).sum::<f64>() / n;
                out.put(format!("full.{cid}.thrust"), &head, "thrust of all rotors", "N", f.total);
                out.put(format!("full.{cid}.speed"), &head, "rotor speed", "rad/s", speed);
                out.put(format!("full.{cid}.motor_current"), &head, "motor current", "A", current);
                out.put(format!("full.{cid}.bus_voltage"), &head, "bus voltage", "V", f.point.bus_voltage);
                out.put(
                    format!("full.{cid}.battery_current"),
                    &head,
                    "battery current",
                    "A",
                    f.point.battery_current,
                );
                out.facts.push((format!("Limit that binds, {cwords}"), f.binding.words().to_owned()));
                if cid == "full" {
                    let mach = loaded.aircraft.rotor.tip_mach(speed, air.usual.sound_speed);
                    if mach > TIP_MACH_WARNING {
                        out.facts.push((
                            "Tip Mach number at full thrust".to_owned(),
                            format!(
                                "{mach:.2}; above {TIP_MACH_WARNING} noise and drag rise (common practice, no source), above {TIP_MACH_LIMIT} the rotor models do not hold"
                            ),
                        ));
                    }
                    at_full = Some(f);
                }
            }
            Err(e) => out.wait(&head, &e),
        }
    }
    let head = "Thrust margin";
    if let Some(full) = at_full.as_ref().map(|f| f.total) {
        out.put(
            "sizing.hover_share",
            head,
            "hover thrust over full thrust, full charge, without payload",
            "1",
            bare.weight / full,
        );
        out.put(
            "sizing.thrust_to_weight",
            head,
            "full thrust over weight, full charge, without payload",
            "1",
            full / bare.weight,
        );
    }
    let reserve = charges(loaded.aircraft).last().map_or(0.2, |c| c.2);
    match powertrain::full_thrust(&loaded.aircraft.in_air(air.worst.temperature), reserve, air.worst.density)
    {
        Ok(f) => out.put(
            "sizing.worst_corner",
            head,
            "full thrust over weight, reserve charge, with payload, highest and hottest",
            "1",
            f.total / loaded.weight,
        ),
        Err(e) => out.wait(head, &e),
    }
    at_full
}

fn endurance_outputs(out: &mut Nominal, loaded: &Case<'_>, bare: &Case<'_>, density: f64) {
    for (case, id, words) in [(loaded, "payload", "with payload"), (bare, "bare", "without payload")] {
        let head = "Hover endurance";
        let trim = match &case.trim {
            Ok(t) => t,
            Err(e) => {
                out.wait(head, e);
                continue;
            }
        };
        match powertrain::endurance(case.aircraft, &trim.thrusts, density, 1.0) {
            Ok(e) => {
                out.put(format!("endurance.{id}"), head, &format!("hover endurance, {words}"), "s", e.time);
                out.facts.push((format!("Hover {words} ends at"), e.end.words().to_owned()));
            }
            Err(e) => out.wait(head, &e),
        }
    }
}

fn authority_outputs(out: &mut Nominal, loaded: &Case<'_>, density: f64) {
    let head = "Angular acceleration available, thrust held, reserve charge, with payload";
    let a = loaded.aircraft;
    let yaw = control::yaw_sign(a, &loaded.mass.centre, loaded.reaction);
    let turned: Vec<_> =
        yaw.reversed.iter().filter_map(|&i| a.stations.get(i).map(|s| s.place.clone())).collect();
    out.facts.push((
        "Yaw sign".to_owned(),
        if turned.is_empty() {
            "every rotor turns the aircraft the way its reaction torque does".to_owned()
        } else {
            format!("cant outweighs the reaction torque at: {}", turned.join(", "))
        },
    ));
    let trim = match &loaded.trim {
        Ok(t) => t,
        Err(e) => {
            out.wait(head, e);
            return;
        }
    };
    let reserve = charges(a).last().map_or(0.2, |c| c.2);
    let full = match powertrain::full_thrust(a, reserve, density) {
        Ok(f) => f,
        Err(e) => {
            out.wait(head, &e);
            return;
        }
    };
    let n = a.stations.len();
    let max: Vec<f64> = full.point.rotors.iter().map(|r| r.thrust).collect();
    let min = vec![0.0; n];
    let eff = control::effectiveness(a, &loaded.mass.centre, loaded.reaction);
    match control::authority(&eff, &trim.thrusts, &max, &min, &loaded.mass.inertia) {
        Ok(au) => {
            // Yaw authority in the form that a hover shows trim in: lift of the rotors that turn one way
            // less that of the others, per total lift.
            let per_newton = eff.row(3).iter().map(|m| m.abs()).sum::<f64>() / n.max(1) as f64;
            let lift: f64 = trim.thrusts.iter().sum();
            let room = au.moment[2].1.min(-au.moment[2].0);
            if per_newton > 0.0 && lift > 0.0 {
                let name = "yaw authority, lift shifted between the spins per total lift";
                out.put("authority.yaw_share", head, name, "1", room / (per_newton * lift));
            }
            for (k, axis) in ["roll", "pitch", "yaw"].iter().enumerate() {
                out.put(
                    format!("authority.{}", AXES[k]),
                    head,
                    &format!("{axis} acceleration"),
                    "rad/s^2",
                    au.acceleration[k],
                );
            }
        }
        Err(e) => out.wait(head, &e),
    }
}

/// Time constants of rotor speed at hover, s, rising and falling: stated or measured ones where there are,
/// else computed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lags {
    /// With the command rising.
    pub up: f64,
    /// With the command falling.
    pub down: f64,
    /// What they rest on.
    pub words: &'static str,
}

/// Time constants of rotor speed at hover.
///
/// # Errors
/// What the computed ones wait for, where they are needed.
pub fn lags(aircraft: &Aircraft, thrust: f64, density: f64) -> Result<Lags, PowertrainError> {
    let esc = aircraft.esc.as_ref();
    let (up, down) = (esc.and_then(|e| e.response_up), esc.and_then(|e| e.response_down));
    if let (Some(up), Some(down)) = (up, down) {
        return Ok(Lags { up, down, words: "as stated or measured, mean of up and down" });
    }
    let speed = aircraft.rotor.speed_for_thrust(thrust, 0.0, density).unwrap_or(0.0);
    let lag = powertrain::motor_lag(aircraft, speed, density)?;
    let braking = esc.is_none_or(|e| e.braking);
    let words = match (up.is_some() || down.is_some(), braking) {
        (true, _) => "one direction as stated or measured, the other computed",
        (false, true) => "braked up and down",
        (false, false) => "mean of driven up and freewheeling down",
    };
    let computed = if braking { lag.braked } else { lag.freewheeling };
    Ok(Lags { up: up.unwrap_or(lag.braked), down: down.unwrap_or(computed), words })
}

/// Motor time constant that the loop sees at hover, s, with the words that say which it is. A loop about hover
/// drives as many rotors up as down: the mean.
pub fn loop_lag(
    aircraft: &Aircraft,
    thrust: f64,
    density: f64,
) -> Result<(f64, &'static str), PowertrainError> {
    lags(aircraft, thrust, density).map(|l| (0.5 * (l.up + l.down), l.words))
}

/// Delay of a command until thrust follows, as a loop at crossover `wc` sees it: dead time plus the lag's phase.
pub fn drive_delay(dead: f64, lag: f64, wc: f64) -> f64 {
    dead + (wc * lag).atan() / wc
}

/// Dead time of an aircraft's drive from the controller's output on: frame, wait, the ESC's own, s.
pub fn dead_time(aircraft: &Aircraft) -> Option<f64> {
    aircraft.esc.as_ref().map(|e| e.dead_time + e.protocol_period + 0.5 * e.update_period)
}

/// Motor response at hover, in words and numbers; the time constant that the loop sees.
fn lag_outputs(out: &mut Nominal, bare: &Case<'_>, density: f64) -> Option<f64> {
    let a = bare.aircraft;
    let thrust = bare.weight / a.stations.len().max(1) as f64;
    let head = "Motor response at hover";
    let speed = a.rotor.speed_for_thrust(thrust, 0.0, density).unwrap_or(0.0);
    if let Ok(l) = powertrain::motor_lag(a, speed, density) {
        out.put("lag.braked", head, "motor time constant, computed, braked", "s", l.braked);
        let name = "motor time constant, computed, freewheeling down";
        out.put("lag.freewheeling", head, name, "s", l.freewheeling);
    }
    let lags = match lags(a, thrust, density) {
        Ok(l) => l,
        Err(e) => {
            out.wait(head, &e);
            return None;
        }
    };
    let lag = 0.5 * (lags.up + lags.down);
    out.put("lag.ratio", head, "time constant falling over rising", "1", lags.down / lags.up);
    if let Some(dead) = dead_time(a) {
        let wc = required_crossover(a);
        out.put("drive.dead_time", head, "dead time: frame, wait and ESC", "s", dead);
        let name = "delay of the drive at the required crossover";
        out.put("drive.delay", head, name, "s", drive_delay(dead, lag, wc));
    }
    out.facts.push(("Motor time constant in the loop".to_owned(), lags.words.to_owned()));
    Some(lag)
}

/// Motor lag and what the rotors' air does of the central aircraft in its loading case without payload, for [`LoopBase`].
pub(super) fn central_lag(aircraft: &Aircraft, density: f64) -> Option<(f64, RotorAir)> {
    let bare = aircraft.without_payload();
    let case = Case::new(&bare, density);
    let thrust = case.weight / bare.stations.len().max(1) as f64;
    loop_lag(&bare, thrust, density).ok().map(|l| (l.0, rotor_air(&bare, thrust, density)))
}

fn loop_outputs(
    out: &mut Nominal,
    bare: &Case<'_>,
    density: f64,
    axes: &[usize],
    with_step: bool,
    base: Option<&LoopBase>,
) {
    let a = bare.aircraft;
    let Some(lag) = lag_outputs(out, bare, density) else { return };
    let mut worst = [f64::NAN; FIGURES.len()];
    let mut known: Vec<([f64; 4], bool, AxisFigures)> = Vec::new();
    let rotors = rotor_air(a, bare.weight / a.stations.len().max(1) as f64, density);
    let damping = rotors.rate;
    for &k in axes {
        let axis = ["roll", "pitch", "yaw"][k];
        let head = format!("Rate loop, {axis}");
        // Axes with the same gains and damping have the same loop, but for thrust's lead that yaw lacks.
        let gains = a.rate_loop.as_ref().map(|l| [l.p[k], l.i[k], l.d[k], damping[k]]);
        let same = gains
            .and_then(|g| known.iter().find(|(seen, yaw, _)| *seen == g && *yaw == (k == 2)))
            .map(|k| k.2.clone());
        let figures = match same.map_or_else(|| axis_figures(a, k, (lag, &rotors), with_step, base), Ok) {
            Ok(f) => f,
            Err(e) => {
                out.wait(&head, &e);
                return;
            }
        };
        if let Some(g) = gains {
            known.push((g, k == 2, figures.clone()));
        }
        for ((id, name, unit), value) in FIGURES.iter().zip(figures.values) {
            out.put(format!("loop.{}.{id}", AXES[k]), &head, name, unit, value);
        }
        if !figures.stable {
            out.facts.push((format!("Rate loop, {axis}"), "unstable with the stated gains".to_owned()));
        } else if figures.values[GAIN_DOWN].is_nan() {
            out.facts.push((
                format!("Rate loop, {axis}"),
                "no lower limit of gain: less gain never makes it unstable".to_owned(),
            ));
        }
        if k < 2 {
            for (i, (w, v)) in worst.iter_mut().zip(figures.values).enumerate() {
                let larger_is_worse = matches!(i, SENSITIVITY | OVERSHOOT | HALF_CYCLES);
                // `min` and `max` pass over NaN.
                *w = if larger_is_worse { w.max(v) } else { w.min(v) };
            }
        }
        if damping[k] > 0.0 {
            let name = "decay of the rate by the rotors' inflow";
            out.put(format!("loop.{}.damping", AXES[k]), &head, name, "1/s", damping[k]);
        }
        if k == 0 {
            let head = "Latency at the roll crossover";
            for line in &figures.ledger {
                out.put(format!("latency.{}", line.id), head, &line.name, "s", line.delay);
            }
            out.put("latency.total", head, "total", "s", ledger::total_delay(&figures.ledger));
        }
    }
    let head = "Rate loop, the worse of roll and pitch";
    for i in [PHASE_MARGIN, GAIN_UP, GAIN_DOWN, SENSITIVITY, OVERSHOOT, HALF_CYCLES] {
        let (id, name, unit) = FIGURES[i];
        out.put(format!("loop.worst.{id}"), head, name, unit, worst[i]);
    }
}

/// Equivalent delay of all own filters at the crossover that this size asks for.
fn filter_outputs(out: &mut Nominal, a: &Aircraft) {
    let Some(imu) = &a.imu else {
        out.wait("Filters", &"waits for `imu` in the aircraft file");
        return;
    };
    let required = required_crossover(a);
    let rate = 1.0 / imu.sample_period;
    let mut phase = 0.0;
    for f in &a.filters {
        if let Ok(c) = filter::cascade(f, rate) {
            phase -= filter::phase(&c, required, rate);
        }
    }
    let name = "delay of all filters at the required crossover";
    out.put("filters.delay", "Filters", name, "s", phase / required);
}

fn vibration_outputs(out: &mut Nominal, bare: &Case<'_>, density: f64, near: Option<&GyroNoise>) {
    let head = "Vibration at hover, without payload";
    let a = bare.aircraft;
    let n = a.stations.len().max(1) as f64;
    let speed = a.rotor.speed_for_thrust(bare.weight / n, 0.0, density).unwrap_or(0.0);
    if a.rotor.unbalance > 0.0 {
        // Each rotor's 1/rev force U w^2 turns in the hub plane; rotors of slightly different speed
        // add in power; the frame is taken as rigid: r.m.s. over the two axes of each is U w^2 / M.
        let rms = a.rotor.unbalance * speed * speed / bare.mass.mass * n.sqrt();
        out.put("vibration.accel_rms", head, "accelerometer r.m.s. from the stated unbalance", "m/s^2", rms);
    } else {
        out.wait(head, &"waits for `rotor.unbalance` in the aircraft file");
    }
    let Some(imu) = &a.imu else {
        out.wait(head, &"waits for `imu` in the aircraft file");
        return;
    };
    // The sensor's own noise through filters and gains, roll, pitch and yaw to one rotor's thrust, as a
    // share of full thrust: what the command carries when it is proportional to thrust.
    let reserve = powertrain::full_thrust(a, 0.5, density).map(|f| f.total / n);
    let full = match reserve {
        Ok(f) if f > 0.0 => f,
        Ok(_) => return,
        Err(e) => {
            out.wait(head, &e);
            return;
        }
    };
    let eff = control::effectiveness(a, &bare.mass.centre, bare.reaction);
    let Ok(mixer) = control::mixer(&eff) else { return };
    let asked = match GyroNoise::rms(a, imu, near) {
        Ok(rms) => rms,
        Err(e) => {
            out.wait(head, &e);
            return;
        }
    };
    let mut variance: f64 = 0.0;
    for (axis, alpha) in asked.into_iter().enumerate() {
        let moment = alpha * bare.mass.inertia[(axis, axis)];
        let most = (0..mixer.nrows()).map(|r| mixer[(r, axis + 1)].abs()).fold(0.0, f64::max);
        variance += (moment * most / full).powi(2);
    }
    let name = "command noise from the gyro's own noise, above three crossovers";
    out.put("vibration.command_noise", head, name, "1", variance.sqrt());
}
