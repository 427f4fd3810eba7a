//! Simulated sweep and step records of every drive: the motor's differential equation on a bench battery,
//! with small differences from station to station, noise and quantisation.

use std::collections::BTreeMap;

use physics::aircraft::Aircraft;
use physics::powertrain::{BatteryModel, MotorModel};

use super::bench_field::{Noise, normal};
use super::{SEED, hand, meta};
use crate::record::{ChannelMeta, Kind, Record, RecordMeta, Stamp, Tap};

const DATE: &str = "2026-03-02";
/// Thrust, torque, velocity constant and inertia of each station over the file's, and its own dead time over the
/// file's: invented, within what one batch of parts spreads.
const STATIONS: [(f64, f64, f64, f64, f64); 8] = [
    (1.004, 1.003, 0.999, 1.01, 1.02),
    (0.995, 1.001, 1.001, 0.99, 0.97),
    (1.001, 0.996, 0.998, 1.02, 1.05),
    (0.998, 1.002, 1.002, 0.98, 1.00),
    (1.002, 1.000, 1.000, 1.00, 0.98),
    (0.997, 0.998, 1.001, 1.01, 1.03),
    (1.000, 1.002, 0.999, 0.99, 1.01),
    (1.003, 0.999, 1.000, 1.00, 0.99),
];

/// One drive on the bench.
struct Drive<'a> {
    aircraft: &'a Aircraft,
    motor: MotorModel,
    battery: BatteryModel,
    density: f64,
    thrust: f64,
    torque: f64,
    dead: f64,
}

/// State of bus and motor at one instant.
struct Instant {
    voltage: f64,
    current: f64,
    torque: f64,
    acceleration: f64,
}

impl<'a> Drive<'a> {
    fn new(aircraft: &'a Aircraft, station: usize, density: f64) -> Option<Self> {
        let (thrust, torque, kv, inertia, dead) = *STATIONS.get(station % STATIONS.len())?;
        let mut changed = aircraft.clone();
        let m = changed.motor.as_mut()?;
        m.kv *= kv;
        m.inertia *= inertia;
        let motor = MotorModel::new(&changed).ok()?;
        let battery = BatteryModel::new(aircraft).ok()?;
        let esc = aircraft.esc.as_ref()?;
        Some(Self { aircraft, motor, battery, density, thrust, torque, dead: esc.dead_time * dead })
    }

    fn at(&self, command: f64, speed: f64, charge: f64) -> Instant {
        let m = &self.motor;
        let open = self.battery.open_circuit(charge);
        let source = self.battery.ohmic_resistance();
        // i = (c V - Kt w)/R with V = open - Rs c i.
        let linear = (command * open - m.kt * speed) / (m.path_resistance() + source * command * command);
        let amps = if m.braking { linear } else { linear.max(0.0) };
        let current = if command > 0.0 { command * amps } else { 0.0 };
        let voltage = open - source * current;
        let torque = self.torque * self.aircraft.rotor.torque(speed, 0.0, self.density);
        let applied = if command > 0.0 { command * voltage } else { 0.0 };
        // At rest the no-load torque only holds.
        let acceleration =
            if command <= 0.0 && speed <= 0.5 { -speed } else { m.acceleration(applied, speed, torque) };
        Instant { voltage, current, torque, acceleration }
    }
}

fn channel(name: &str, unit: &str) -> ChannelMeta {
    ChannelMeta {
        name: name.to_owned(),
        unit: unit.to_owned(),
        column: "simulated".to_owned(),
        tap: Some(if name.ends_with("command") { Tap::AfterMixing } else { Tap::Raw }),
        stamp: Some(Stamp::Sampled),
    }
}

fn record(mut meta: RecordMeta, rate: f64, time: Vec<f64>, columns: Vec<(String, &str, Vec<f64>)>) -> Record {
    meta.rate = rate;
    meta.report.rows = time.len() as u64;
    meta.channels = columns.iter().map(|(name, unit, _)| channel(name, unit)).collect();
    let channels = columns.into_iter().map(|(name, _, values)| (name, values)).collect();
    Record { meta, time, channels }
}

/// A sweep and a step record of every rotor; none where the file has no powertrain.
pub(super) fn records(
    aircraft: &Aircraft,
    density: f64,
    fingerprint: &BTreeMap<String, String>,
) -> Vec<Record> {
    let mut all = Vec::new();
    for station in 0..aircraft.stations.len() {
        let Some(drive) = Drive::new(aircraft, station, density) else { continue };
        let mut random = Noise(SEED + 100 + station as u64);
        all.push(sweep(&drive, station + 1, fingerprint, &mut random));
        all.extend(steps(&drive, station + 1, fingerprint, &mut random));
    }
    all.extend(trials(aircraft, density, fingerprint));
    all
}

/// The first rotor's steps with other settings of the ESC: to be compared, no gate rests on them.
fn trials(aircraft: &Aircraft, density: f64, fingerprint: &BTreeMap<String, String>) -> Vec<Record> {
    type Set = fn(&mut physics::aircraft::Esc);
    let settings: [(&str, &str, Set); 2] = [
        ("slow-frames", "frames of 2.5 ms", |e| e.protocol_period = 2.5e-3),
        ("coasting", "no braking", |e| e.braking = false),
    ];
    settings
        .iter()
        .enumerate()
        .filter_map(|(k, (id, setting, set))| {
            let mut changed = aircraft.clone();
            set(changed.esc.as_mut()?);
            let drive = Drive::new(&changed, 0, density)?;
            let mut record = steps(&drive, 1, fingerprint, &mut Noise(SEED + 200 + k as u64))?;
            record.meta.id = format!("{DATE}-step-1-{id}");
            (*setting).clone_into(&mut record.meta.setting);
            Some(record)
        })
        .collect()
}

fn rounded(value: f64, quantum: f64) -> f64 {
    (value / quantum).round() * quantum
}

/// Up in small levels and down again, 1.2 s each, 50 rows a second.
fn sweep(drive: &Drive<'_>, n: usize, fingerprint: &BTreeMap<String, String>, random: &mut Noise) -> Record {
    const RATE: f64 = 50.0;
    const HOLD: f64 = 1.2;
    let minimum = drive.motor.usable_minimum;
    let mut levels: Vec<f64> = vec![0.0, 0.5 * minimum, minimum];
    levels.extend((1..=18).map(|k| minimum + (1.0 - minimum) * f64::from(k) / 18.0));
    levels.extend(levels.clone().into_iter().rev().skip(1));
    let mut columns: [Vec<f64>; 6] = Default::default();
    let mut time = Vec::new();
    let mut speed = 0.0_f64;
    let h = 5e-4;
    let each = (1.0 / RATE / h).round() as usize;
    let steps = (levels.len() as f64 * HOLD / h) as usize;
    let end = steps as f64 * h;
    for k in 0..steps {
        let t = k as f64 * h;
        let asked = levels.get((t / HOLD) as usize).copied().unwrap_or(0.0);
        let command = if asked < minimum { 0.0 } else { asked };
        let now = drive.at(command, speed, 0.75 - 0.2 * t / end);
        if k % each == 0 {
            // Nothing stands in the wake on the stand.
            let rotor = &drive.aircraft.rotor;
            let thrust = drive.thrust * rotor.thrust(speed, 0.0, drive.density) / (1.0 - rotor.download);
            let mut noise = |size: f64| -> f64 { size * normal(random) };
            let row = [
                asked,
                rounded(now.voltage + noise(0.015), 0.01),
                rounded(now.current + noise(0.08), 0.05),
                rounded((speed + noise(1.0)).max(0.0), 1.0),
                rounded(thrust + 0.02 + noise(0.03), 0.01),
                rounded(now.torque + noise(1e-3), 2e-4),
            ];
            time.push(t);
            for (list, v) in columns.iter_mut().zip(row) {
                list.push(v);
            }
        }
        speed = (speed + h * now.acceleration).max(0.0);
    }
    let mut meta = meta(
        &format!("{DATE}-sweep-{n}"),
        Kind::Sweep,
        DATE,
        "One rotor on a thrust stand, up in levels and down again. Made by the motor and rotor models.",
        fingerprint,
    );
    meta.values.insert("station".to_owned(), hand(n as f64, 0.0, "1"));
    let names = [
        (format!("rotor.{n}.command"), "1"),
        ("battery.voltage".to_owned(), "V"),
        (format!("rotor.{n}.current"), "A"),
        (format!("rotor.{n}.speed"), "rad/s"),
        (format!("rotor.{n}.thrust"), "N"),
        (format!("rotor.{n}.torque"), "N m"),
    ];
    let columns = names.into_iter().zip(columns).map(|((name, unit), v)| (name, unit, v)).collect();
    record(meta, RATE, time, columns)
}

/// Steps about the hover command, three sizes, 1,000 rows a second.
fn steps(
    drive: &Drive<'_>,
    n: usize,
    fingerprint: &BTreeMap<String, String>,
    random: &mut Noise,
) -> Option<Record> {
    const RATE: f64 = 1000.0;
    let esc = drive.aircraft.esc.as_ref()?;
    let mass = physics::mass::mass_properties(&drive.aircraft.without_payload().bodies).mass;
    let hover = mass * physics::STANDARD_GRAVITY / drive.aircraft.stations.len().max(1) as f64;
    let speed0 = drive.aircraft.rotor.speed_for_thrust(hover, 0.0, drive.density)?;
    let motor = &drive.motor;
    let needed = motor.voltage_for_torque(drive.aircraft.rotor.torque(speed0, 0.0, drive.density), speed0);
    let base = (needed / drive.battery.open_circuit(0.7)).clamp(0.1, 0.8);
    let mut events = vec![(0.0, base)];
    let mut t = 0.6;
    for k in 0..18 {
        let size = [0.05, 0.1, 0.15][k % 3] * if (k / 3) % 2 == 0 { 1.0 } else { -0.6 };
        events.push((t, base + size));
        events.push((t + 0.45, base));
        t += 0.9;
    }
    // One frame on the wire, then the wait for the ESC to look, then its own dead time.
    let effects: Vec<(f64, f64)> = events
        .iter()
        .map(|(at, c)| {
            let wait = esc.update_period * random.uniform();
            (at + esc.protocol_period + wait + drive.dead, *c)
        })
        .collect();
    let h = 1e-4;
    let count = ((t + 0.2) / h) as usize;
    let (mut time, mut command, mut speeds, mut volts) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut speed = speed0;
    let (mut sent, mut taken) = (0, 0);
    for k in 0..count {
        let now = k as f64 * h;
        while events.get(sent + 1).is_some_and(|e| e.0 <= now + 1e-9) {
            sent += 1;
        }
        while effects.get(taken + 1).is_some_and(|e| e.0 <= now) {
            taken += 1;
        }
        let asked = events.get(sent).map_or(base, |e| e.1);
        let applied = effects.get(taken).map_or(base, |e| e.1);
        let state = drive.at(applied, speed, 0.7);
        if k % 10 == 0 {
            let mut noise = |size: f64| -> f64 { size * normal(random) };
            time.push(now);
            command.push(asked);
            speeds.push(rounded(speed + noise(0.8), 0.5));
            volts.push(rounded(state.voltage + noise(0.01), 0.01));
        }
        speed = (speed + h * state.acceleration).max(0.0);
    }
    let mut meta = meta(
        &format!("{DATE}-step-{n}"),
        Kind::Step,
        DATE,
        "One rotor on a thrust stand, steps of three sizes about hover. Made by the motor and rotor models.",
        fingerprint,
    );
    meta.values.insert("station".to_owned(), hand(n as f64, 0.0, "1"));
    let columns = vec![
        (format!("rotor.{n}.command"), "1", command),
        (format!("rotor.{n}.speed"), "rad/s", speeds),
        ("battery.voltage".to_owned(), "V", volts),
    ];
    Some(record(meta, RATE, time, columns))
}
