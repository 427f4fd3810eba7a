//! Simulated records of the body and the battery: taps of an arm, swings, a falling weight, a discharge.
//!
//! Made from the aircraft file by closed forms with small errors of reading, by a generator with a
//! fixed seed, so that the demo is the same everywhere.

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};

use physics::STANDARD_GRAVITY;
use physics::aircraft::{Aircraft, Battery};
use physics::mass::mass_properties;
use physics::powertrain::open_circuit_voltage;
use physics::structure::beam::Root;
use physics::structure::frame;

use super::{hand, meta};
use crate::record::{ChannelMeta, Kind, Record, Stamp, Tap};

const DATE: &str = "2026-03-01";

/// Uniform numbers from a linear congruential generator (Knuth's constants), summed to a bell.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum += (self.0 >> 11) as f64 / (1_u64 << 53) as f64;
        }
        sum
    }
}

fn channel(name: &str, unit: &str) -> ChannelMeta {
    ChannelMeta {
        name: name.to_owned(),
        unit: unit.to_owned(),
        column: "simulated".to_owned(),
        tap: Some(Tap::Raw),
        stamp: Some(Stamp::Sampled),
    }
}

/// All of them that the aircraft file allows.
pub(super) fn records(aircraft: &Aircraft, fingerprint: &BTreeMap<String, String>) -> Vec<Record> {
    let bare = aircraft.without_payload();
    let mut all = vec![tap(&bare, fingerprint), swing(&bare, fingerprint), fall(&bare, fingerprint)];
    all.extend(aircraft.battery.as_ref().map(|b| discharge(b, fingerprint)));
    all
}

/// The tapped arm's lowest mode over the computed one: a root a little softer than stated.
const SOFTER: f64 = 0.985;

/// Two modes of the arm: frequency, Hz, damping ratio, size. The second, higher one is invented.
fn modes(bare: &Aircraft) -> [(f64, f64, f64); 2] {
    let computed = frame::arm_beam(bare).ok().and_then(|b| b.lowest(Root::Fixed));
    let lowest = computed.map_or(92.0, |f| SOFTER * f);
    [(lowest, 0.014, 22.0), (1.86 * lowest, 0.021, 9.0)]
}

/// Four blows on the front right arm, an accelerometer at the hub.
fn tap(bare: &Aircraft, fingerprint: &BTreeMap<String, String>) -> Record {
    let remark = "Front right arm struck at the hub with a rubber mallet, propeller on, aircraft on soft foam; \
                  two modes, the second invented.";
    let mut meta = meta("2026-03-01-tap-arm", Kind::Tap, DATE, remark, fingerprint);
    let rate = 2000.0;
    let n = 14_000;
    let mut noise = Noise(11);
    let modes = modes(bare);
    let blows = [0.6, 2.3, 3.9, 5.4];
    let z: Vec<f64> = (0..n)
        .map(|i| {
            let t = f64::from(i) / rate;
            let ring: f64 = blows
                .iter()
                .enumerate()
                .filter(|(_, b)| t >= **b)
                .map(|(k, b)| {
                    let u = t - b;
                    let strength = 1.0 + 0.15 * k as f64;
                    modes
                        .iter()
                        .map(|(f, d, a)| {
                            let w = TAU * f;
                            a * strength * (-d * w * u).exp() * (w * (1.0 - d * d).sqrt() * u).sin()
                        })
                        .sum::<f64>()
                })
                .sum();
            -STANDARD_GRAVITY + ring + 0.08 * noise.next()
        })
        .collect();
    meta.rate = rate;
    meta.report.rows = z.len() as u64;
    meta.channels = vec![channel("accel.z", "m/s^2")];
    meta.values.insert("station".to_owned(), hand(1.0, 0.0, "1"));
    let time = (0..z.len()).map(|i| i as f64 / rate).collect();
    Record { meta, time, channels: BTreeMap::from([("accel.z".to_owned(), z)]) }
}

/// Three runs of twenty swings about each axis on two wires.
fn swing(bare: &Aircraft, fingerprint: &BTreeMap<String, String>) -> Record {
    let remark = "Hung on two wires, payload off, twenty full swings timed three times about each axis.";
    let mut meta = meta("2026-03-01-swing", Kind::Swing, DATE, remark, fingerprint);
    let mass = mass_properties(&bare.bodies);
    let (separation, length): (f64, f64) = (0.4, 1.2);
    let mut noise = Noise(23);
    for (k, axis) in ["x", "y", "z"].iter().enumerate() {
        let inertia = mass.inertia[(k, k)];
        // T = (4 pi/D) sqrt(I h/(m g)).
        let period = 4.0 * PI / separation * (inertia * length / (mass.mass * STANDARD_GRAVITY)).sqrt();
        for run in 1..=3 {
            let time = 20.0 * period * (1.0 + 0.12_f64.powi(2) / 16.0) + 0.06 * noise.next();
            meta.values.insert(format!("{axis}.time.{run}"), hand(time, 0.1, "s"));
        }
        meta.values.insert(format!("{axis}.swings"), hand(20.0, 0.0, "1"));
        meta.values.insert(format!("{axis}.amplitude"), hand(0.12, 0.02, "rad"));
    }
    meta.values.insert("wires".to_owned(), hand(2.0, 0.0, "1"));
    meta.values.insert("separation".to_owned(), hand(separation, 0.001, "m"));
    meta.values.insert("length".to_owned(), hand(length, 0.002, "m"));
    meta.values.insert("mass".to_owned(), hand(mass.mass + 0.001, 0.002, "kg"));
    Record { meta, time: Vec::new(), channels: BTreeMap::new() }
}

/// Turned about pitch by a weight on a thread, the rate logged at 200 Hz: a quarter turn, then the weight lands. The air
/// brakes with the square of the rate, the bearing with what just keeps it turning.
fn fall(bare: &Aircraft, fingerprint: &BTreeMap<String, String>) -> Record {
    const RATE: f64 = 200.0;
    const RELEASE: f64 = 0.8;
    const TURN: f64 = 0.8;
    let remark = "On a shaft along the pitch axis, payload off; the weight lands after a quarter turn.";
    let mut meta = meta("2026-03-01-fall", Kind::Fall, DATE, remark, fingerprint);
    let inertia = mass_properties(&bare.bodies).inertia[(1, 1)];
    let (radius, rig): (f64, f64) = (0.03, 3e-4);
    let wanted = PI / (TURN * TURN);
    let weight =
        (100.0 * (inertia + rig) * wanted / (radius * (STANDARD_GRAVITY - radius * wanted))).ceil() / 100.0;
    // The bearing takes 1.2 % of the weight, the air 2 % of its pull at 4 rad/s.
    let (bearing, air) = (0.012 * weight, 0.02 * weight * STANDARD_GRAVITY * radius / 16.0);
    let mut noise = Noise(29);
    let (mut angle, mut rate): (f64, f64) = (0.0, 0.0);
    let (mut time, mut rates) = (Vec::new(), Vec::new());
    let h = 1.0 / RATE / 10.0;
    for k in 0..(2.6 * RATE) as usize {
        time.push(k as f64 / RATE);
        rates.push(((rate + 0.004 * noise.next()) / 1e-3).round() * 1e-3);
        for i in 0..10 {
            let now = k as f64 / RATE + f64::from(i) * h;
            let hangs = angle < 0.5 * PI;
            let (pull, whole) = if hangs {
                (weight - bearing, inertia + rig + weight * radius * radius)
            } else {
                (-bearing, inertia + rig)
            };
            if now >= RELEASE {
                let slope = (pull * STANDARD_GRAVITY * radius - air * rate * rate) / whole;
                rate = (rate + h * slope).max(0.0);
                angle += h * rate;
            }
        }
    }
    for (key, value, error, unit) in [
        ("y.mass", weight, 5e-4, "kg"),
        ("y.radius", radius, 1e-4, "m"),
        ("y.friction_mass", bearing, 1e-3, "kg"),
        ("y.rig", rig, 3e-5, "kg m^2"),
    ] {
        meta.values.insert(key.to_owned(), hand(value, error, unit));
    }
    meta.rate = RATE;
    meta.report.rows = time.len() as u64;
    meta.channels = vec![channel("rate.y", "rad/s")];
    Record { meta, time, channels: BTreeMap::from([("rate.y".to_owned(), rates)]) }
}

/// The battery emptied on a load that changes, at 2 Hz.
fn discharge(b: &Battery, fingerprint: &BTreeMap<String, String>) -> Record {
    let remark = "Battery emptied on a load bank: hover current, ten seconds at twice of it every minute, thirty \
                  seconds of rest every five.";
    let mut meta = meta("2026-03-01-discharge", Kind::Discharge, DATE, remark, fingerprint);
    let series = f64::from(b.series);
    let share = series / f64::from(b.parallel.max(1));
    let ohm = b.cell_resistance * share + b.lead_resistance;
    let pair = b.polarisation_resistance * share;
    // Empty in about twenty minutes.
    let base = b.capacity / 1250.0;
    let load = |t: f64| {
        if t < 10.0 || t % 300.0 > 270.0 {
            0.0
        } else if t % 60.0 > 50.0 {
            2.0 * base
        } else {
            base
        }
    };
    let mut noise = Noise(37);
    let dt = 0.5;
    let (mut s, mut x, mut t) = (1.0_f64, 0.0_f64, 0.0_f64);
    let (mut time, mut volts, mut amps) = (Vec::new(), Vec::new(), Vec::new());
    while t < 2400.0 {
        let current = load(t);
        let voltage = series * open_circuit_voltage(b.chemistry, s) - ohm * current - x;
        if s <= 0.02 || voltage < series * b.cutoff {
            break;
        }
        time.push(t);
        volts.push(voltage + 0.003 * series.sqrt() * noise.next());
        amps.push(current + 0.02 * noise.next());
        for k in 0..10 {
            let h = dt / 10.0;
            let now = current + (load(t + dt) - current) * (f64::from(k) + 0.5) / 10.0;
            x += h * (pair * now - x) / b.polarisation_time;
            s -= h * now / b.capacity;
        }
        t += dt;
    }
    meta.rate = 1.0 / dt;
    meta.report.rows = time.len() as u64;
    meta.channels = vec![channel("battery.voltage", "V"), channel("battery.current", "A")];
    let channels =
        BTreeMap::from([("battery.voltage".to_owned(), volts), ("battery.current".to_owned(), amps)]);
    Record { meta, time, channels }
}
