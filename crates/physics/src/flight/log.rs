//! The record of a simulated flight.
//!
//! Each row shows what controller and model hold at its instant: `rate` and `rate_raw` the last sample that
//! has arrived (so late by the IMU's delay), `rotor.N.command` what the loop has just computed (it leaves the
//! controller the computation delay later; 0 where the motor is off), `rotor.N.current` the motor's own current
//! (command x motor current is what it draws from the bus), `attitude`, `velocity`, `position`, `height`,
//! rotor speeds and the battery the true state. Gaps are NaN; a demand that was never made has no channel. With sensing it
//! holds what the other sensors showed last, and the estimates.

use std::collections::BTreeMap;

use serde::Serialize;

use super::controller::Decision;
use super::guard::Seen;
use super::imu::Sample;
use super::plant::{ATTITUDE, CHARGE, Outputs, POSITION, Plant, SPEED, VELOCITY};
use super::senses::Senses;
use crate::Vec3;

/// Where on its way a channel was tapped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tap {
    /// Sensor output before any filter of the controller.
    Raw,
    /// After the controller's filters.
    Filtered,
    /// Demand before mixing.
    BeforeMixing,
    /// Command after mixing, as computed; it leaves the controller the computation delay later.
    AfterMixing,
    /// The model's own state, without sensor.
    True,
    /// The controller's own idea of it.
    Estimated,
}

/// Where the energy went, J since the start.
///
/// source = battery loss + avionics + copper + friction + shaft at every instant, and the
/// mechanical energy changes by shaft + external.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Energy {
    /// Open-circuit voltage times current.
    pub source: f64,
    /// Lost in the battery's resistance and held by its RC pair.
    pub battery_loss: f64,
    /// Drawn by the avionics.
    pub avionics: f64,
    /// Lost in windings and ESCs.
    pub copper: f64,
    /// Lost in friction and iron.
    pub friction: f64,
    /// Given to the rotors' shafts.
    pub shaft: f64,
    /// Work of the air on rotors and airframe and of the unbalance forces.
    pub external: f64,
    /// Change of kinetic and potential energy of airframe and rotors.
    pub mechanical: f64,
}

/// The trim in hover at the start.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Hover {
    /// Rotor speeds, rad/s.
    pub speeds: Vec<f64>,
    /// Commands.
    pub commands: Vec<f64>,
    /// Bus voltage, V.
    pub voltage: f64,
    /// Battery current, A.
    pub current: f64,
    /// Thrust demand that carries the weight.
    pub demand: f64,
}

/// What the model knows and a real flight would not show.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// Mass, kg.
    pub mass: f64,
    /// Centre of mass from the reference point, m.
    pub centre: Vec3,
    /// The hover trim; `None` for a script that closes no loop and does not start in hover.
    pub hover: Option<Hover>,
    /// Energy over the whole flight.
    pub energy: Energy,
    /// Winding temperature of each motor at the end, K.
    pub windings: Vec<f64>,
    /// Rise of the battery's temperature over the flight, K.
    pub battery_rise: f64,
    /// Angular momentum about the centre of mass at start and end, earth axes, kg m^2/s.
    pub angular_momentum: [Vec3; 2],
}

/// A segment of the script as flown.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mark {
    /// Beginning, s.
    pub time: f64,
    /// Its label.
    pub label: String,
}

/// A simulated flight: channels by canonical name in SI units, at a uniform rate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FlightLog {
    /// Time of each row, s.
    pub time: Vec<f64>,
    /// Channels.
    pub channels: BTreeMap<String, Vec<f64>>,
    /// Tap point of each channel.
    pub taps: BTreeMap<String, Tap>,
    /// Segments flown.
    pub marks: Vec<Mark>,
    /// Truth.
    pub truth: Truth,
}

/// Channels of a scenario with a fail-safe: what flies it ([`super::Mode::number`]), whether the link is there, whether the
/// pilot's switch is thrown, and the charge as it counts it itself.
const GUARDED: [&str; 4] = ["mode", "link.on", "pilot.override", "battery.counted"];

/// Channels of a flight with sensing; the sensors' own only where there is the sensor.
const SENSED: [(&str, &[&str], Tap); 7] = [
    ("attitude_estimate.", &["w", "i", "j", "k"], Tap::Estimated),
    ("velocity_estimate.", &["x", "y", "z"], Tap::Estimated),
    ("position_estimate.", &["x", "y", "z"], Tap::Estimated),
    ("mag.", &["x", "y", "z"], Tap::Raw),
    ("pressure", &[""], Tap::Raw),
    ("satellite.position.", &["x", "y"], Tap::Raw),
    ("satellite.velocity.", &["x", "y"], Tap::Raw),
];

/// The values of [`SENSED`].
fn sensed(row: &mut Vec<f64>, s: &Senses) {
    let q = s.estimator.attitude;
    row.extend([q.w, q.i, q.j, q.k]);
    row.extend(s.estimator.velocity.iter().chain(s.estimator.position.iter()).chain(s.shown.field.iter()));
    row.push(s.shown.pressure);
    row.extend(s.shown.fix.position.iter().chain(s.shown.fix.velocity.iter()));
}

/// Collects rows.
#[derive(Debug)]
pub(super) struct Recorder {
    names: Vec<(String, Tap)>,
    columns: Vec<Vec<f64>>,
    time: Vec<f64>,
    row: Vec<f64>,
}

impl Recorder {
    pub(super) fn new(rotors: usize, rows: usize, sensing: bool) -> Self {
        let mut names = Vec::new();
        let mut group = |base: &str, parts: &[&str], tap: Tap| {
            for part in parts {
                names.push((format!("{base}.{part}"), tap));
            }
        };
        let axes = ["x", "y", "z"];
        let quaternion = ["w", "i", "j", "k"];
        group("rate", &axes, Tap::Filtered);
        group("rate_raw", &axes, Tap::Raw);
        group("rate_demand", &axes, Tap::BeforeMixing);
        group("attitude", &quaternion, Tap::True);
        group("attitude_demand", &quaternion, Tap::BeforeMixing);
        group("accel", &axes, Tap::Raw);
        group("velocity", &axes, Tap::True);
        group("position", &axes, Tap::True);
        group("velocity_demand", &axes, Tap::BeforeMixing);
        group("position_demand", &axes, Tap::BeforeMixing);
        group("battery", &["voltage", "current", "charge"], Tap::True);
        for k in 1..=rotors {
            let base = format!("rotor.{k}");
            group(&base, &["command"], Tap::AfterMixing);
            group(&base, &["speed", "current"], Tap::True);
        }
        names.push(("thrust_demand".to_owned(), Tap::BeforeMixing));
        names.push(("height".to_owned(), Tap::True));
        for (name, tap) in GUARDED.into_iter().zip([Tap::BeforeMixing, Tap::Raw, Tap::Raw, Tap::Raw]) {
            names.push((name.to_owned(), tap));
        }
        if sensing {
            for (base, parts, tap) in SENSED {
                names.extend(parts.iter().map(|part| (format!("{base}{part}"), tap)));
            }
        }
        let columns = names.iter().map(|_| Vec::with_capacity(rows)).collect();
        Self { columns, time: Vec::with_capacity(rows), row: Vec::with_capacity(names.len()), names }
    }

    /// Adds a row at a time, s.
    pub(super) fn record(
        &mut self,
        time: f64,
        (plant, x, out): (&Plant<'_>, &[f64], &Outputs),
        (sample, filtered): (&Sample, &Vec3),
        decision: &Decision,
        seen: Option<Seen>,
        senses: Option<&Senses>,
    ) {
        let row = &mut self.row;
        row.clear();
        row.extend(filtered.iter());
        row.extend(sample.rate.iter());
        row.extend(decision.rate_demand.iter());
        row.extend(&x[ATTITUDE..ATTITUDE + 4]);
        match &decision.attitude_demand {
            Some(q) => row.extend([q.w, q.i, q.j, q.k]),
            None => row.extend([f64::NAN; 4]),
        }
        row.extend(sample.accel.iter());
        row.extend(&x[VELOCITY..VELOCITY + 3]);
        row.extend(&x[POSITION..POSITION + 3]);
        for demand in [decision.velocity_demand, decision.position_demand] {
            row.extend(demand.unwrap_or(Vec3::repeat(f64::NAN)).iter());
        }
        row.extend([out.bus_voltage, out.battery_current, x[CHARGE]]);
        for k in 0..plant.rotors() {
            row.extend([decision.commands[k].unwrap_or(0.0), x[SPEED + k], out.currents[k]]);
        }
        row.push(decision.thrust_demand);
        row.push(-x[POSITION + 2]);
        row.extend(seen.map_or([f64::NAN; 4], |s| [s.mode, s.link, s.pilot, s.charge]));
        if let Some(senses) = senses {
            sensed(row, senses);
        }
        self.time.push(time);
        for (column, &value) in self.columns.iter_mut().zip(row.iter()) {
            column.push(value);
        }
    }

    pub(super) fn finish(self, marks: Vec<Mark>, truth: Truth) -> FlightLog {
        let made = |name: &str, column: &[f64]| {
            let outer = name.starts_with("velocity_demand")
                || name.starts_with("position_demand")
                || GUARDED.contains(&name)
                || name.starts_with("mag.")
                || name.starts_with("pressure")
                || name.starts_with("satellite.");
            !outer || column.iter().any(|v| v.is_finite())
        };
        let (mut taps, mut channels) = (BTreeMap::new(), BTreeMap::new());
        for ((name, tap), column) in self.names.into_iter().zip(self.columns) {
            if made(&name, &column) {
                taps.insert(name.clone(), tap);
                channels.insert(name, column);
            }
        }
        FlightLog { time: self.time, channels, taps, marks, truth }
    }
}
