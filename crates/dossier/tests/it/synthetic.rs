//! A small flight of our own making with everything planted, independent of the flight model:
//! rigid rotation, first-order rotors with dead time, a rate loop with integral, a battery with a
//! resistance, a gyro with bias and first-order filter, 1/rev on the accelerometer.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use dossier::record::{ChannelMeta, ImportReport, Kind, Record, RecordMeta, RecordOrigin, Tap};
use nalgebra::{Matrix4, Quaternion, UnitQuaternion, Vector3, Vector4};
use physics::aircraft::{Aircraft, Body, Shape, Spin, Station};
use physics::rotor::{Coefficients, Rotor};

/// What is planted.
#[derive(Debug, Clone)]
pub(crate) struct Plant {
    pub mass: f64,
    pub arm: f64,
    pub inertia: [f64; 3],
    /// N/(rad/s)^2.
    pub k: f64,
    /// Reaction torque per thrust, m.
    pub reaction: f64,
    pub lag: f64,
    pub dead: f64,
    /// rad/s per unit command and volt.
    pub speed_per_volt: f64,
    pub resistance: f64,
    /// Centre of gravity right of the middle, m.
    pub right: f64,
    pub gyro_bias: f64,
    /// Gyro filter's corner, Hz.
    pub filter: f64,
    pub rate_gain: f64,
    /// Accelerometer 1/rev amplitude of the first rotor, m/s^2.
    pub unbalance: f64,
    pub rate_noise: f64,
    /// Roll torque disturbance amplitude (rad/s^2) and frequency (Hz).
    pub shake: (f64, f64),
    pub steps: bool,
}

impl Default for Plant {
    fn default() -> Self {
        Self {
            mass: 3.0,
            arm: 0.31,
            inertia: [0.052, 0.058, 0.098],
            k: 2.6e-5,
            reaction: 0.016,
            lag: 0.034,
            dead: 0.004,
            speed_per_volt: 40.0,
            resistance: 0.031,
            right: 0.008,
            gyro_bias: 0.012,
            filter: 60.0,
            rate_gain: 12.0,
            unbalance: 1.4,
            rate_noise: 0.01,
            shake: (0.0, 1.0),
            steps: true,
        }
    }
}

const FINE: f64 = 4000.0;
const LOG: usize = 4;

struct Random(u64);
impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = (1_664_525 * self.0 + 1_013_904_223) % (1 << 32);
        self.0 as f64 / (1_u64 << 32) as f64
    }
    /// Sum of twelve uniforms: unit variance.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

impl Plant {
    /// Hub places (x, y) and reaction signs, front right first, clockwise.
    pub(crate) fn hubs(&self) -> [(f64, f64, f64); 4] {
        let s = self.arm / 2.0_f64.sqrt();
        [(s, s, 1.0), (-s, s, -1.0), (-s, -s, 1.0), (s, -s, -1.0)]
    }

    pub(crate) fn hover_speed(&self) -> f64 {
        (self.mass * 9.806_65 / 4.0 / self.k).sqrt()
    }

    /// The aircraft as a correct file describes it.
    pub(crate) fn aircraft(&self) -> Aircraft {
        // C_T and C_P for k and the reaction at sea level.
        let (d, rho) = (0.381_f64, 1.225);
        let ct = self.k * TAU * TAU / (rho * d.powi(4));
        let cp = ct * self.reaction * TAU / d;
        let [x, y, z] = self.inertia;
        // Six points on the axes that have this inertia and mass.
        let square = |a: f64, b: f64, c: f64| ((b + c - a) / 2.0 / (self.mass / 3.0)).sqrt();
        let reach = [square(x, y, z), square(y, z, x), square(z, x, y)];
        let mut bodies = Vec::new();
        for (axis, r) in reach.iter().enumerate() {
            for sign in [-1.0, 1.0] {
                let mut at = Vector3::zeros();
                at[axis] = sign * r;
                at.y += self.right;
                bodies.push(Body {
                    item: format!("point {axis} {sign}"),
                    mass: self.mass / 6.0,
                    at,
                    shape: Shape::Point,
                    payload: false,
                });
            }
        }
        Aircraft {
            name: "Tarn, synthetic".to_owned(),
            stations: self
                .hubs()
                .iter()
                .map(|(x, y, s)| Station {
                    place: String::new(),
                    at: Vector3::new(*x, *y, 0.0),
                    axis: Vector3::new(0.0, 0.0, -1.0),
                    spin: if *s > 0.0 { Spin::Ccw } else { Spin::Cw },
                    below: None,
                })
                .collect(),
            bodies,
            rotor: Rotor {
                diameter: d,
                pitch: None,
                blades: 2,
                inertia: 1e-4,
                unbalance: 0.0,
                download: 0.0,
                coefficients: Coefficients::Constant { ct, cp },
            },
            motor: None,
            esc: None,
            battery: None,
            avionics_power: 0.0,
            imu: None,
            filters: Vec::new(),
            rate_loop: None,
            attitude_loop: None,
            velocity_loop: None,
            position_loop: None,
            drag_area: 0.0,
            structure: Default::default(),
            magnetic: Default::default(),
            safety: Default::default(),
            sensors: Default::default(),
        }
    }

    /// Script: axis and demanded rate, or a pull, at a time.
    fn script(&self, t: f64) -> (Option<(usize, f64)>, bool, bool) {
        if t < 1.0 {
            return (None, false, true);
        }
        if !self.steps {
            return (None, false, false);
        }
        if (48.0..48.6).contains(&t) {
            return (None, true, false);
        }
        for axis in 0..3 {
            let base = 12.0 + 10.5 * axis as f64;
            let size = if axis == 2 { 60.0_f64 } else { 100.0 }.to_radians();
            for n in 0..4 {
                // Yaw is slow: held longer.
                let (spacing, hold) = if axis == 2 { (3.2, 1.0) } else { (2.4, 0.35) };
                let at = base + spacing * n as f64;
                let sign = if n % 2 == 0 { 1.0 } else { -1.0 };
                if (at..at + hold).contains(&t) {
                    return (Some((axis, sign * size)), false, false);
                }
                if (at + hold..at + spacing).contains(&t) {
                    return (Some((axis, 0.0)), false, false);
                }
            }
        }
        (None, false, false)
    }

    /// Flies for `duration` seconds.
    pub(crate) fn fly(&self, duration: f64, seed: u64) -> Record {
        let mut rng = Random(seed);
        let hubs = self.hubs();
        let nominal = 24.0;
        let mix = Matrix4::from_fn(|i, j| match i {
            0 => 1.0,
            1 => -hubs[j].1,
            2 => hubs[j].0,
            _ => hubs[j].2 * self.reaction,
        })
        .try_inverse()
        .unwrap_or_else(Matrix4::identity);
        let mut speed = [0.0; 4];
        let mut q = UnitQuaternion::identity();
        let mut rate = Vector3::zeros();
        let (mut z, mut vz) = (0.0_f64, 0.0_f64);
        let mut filtered = Vector3::zeros();
        let mut integral = Vector3::zeros();
        let mut commands = [0.05; 4];
        let back = (self.dead * FINE).round() as usize;
        let mut queue = std::collections::VecDeque::from(vec![[0.05; 4]; back + 1]);
        let mut angle: f64 = 0.0;
        let mut voltage = 25.0;
        let mut names: Vec<String> = Vec::new();
        for b in ["rate", "rate_raw", "rate_demand", "accel"] {
            names.extend(["x", "y", "z"].map(|a| format!("{b}.{a}")));
        }
        names.extend(["w", "i", "j", "k"].map(|a| format!("attitude.{a}")));
        names.extend((1..=4).map(|i| format!("rotor.{i}.command")));
        names.extend((1..=4).map(|i| format!("rotor.{i}.speed")));
        names.extend(["battery.voltage".to_owned(), "battery.current".to_owned()]);
        let mut data: Vec<Vec<f64>> = vec![Vec::new(); names.len()];
        let mut time = Vec::new();
        let dt = 1.0 / FINE;
        let inertia = Vector3::from(self.inertia);
        for n in 0..(duration * FINE) as usize {
            let t = n as f64 * dt;
            let (step, pull, ground) = self.script(t);
            let thrusts: Vec<f64> = speed.iter().map(|w| self.k * w * w).collect();
            let total: f64 = thrusts.iter().sum();
            if n % LOG == 0 {
                let raw = rate
                    + Vector3::new(self.gyro_bias, 0.0, 0.0)
                    + Vector3::from_fn(|_, _| rng.normal()) * self.rate_noise;
                let a = 1.0 - (-TAU * self.filter * LOG as f64 * dt).exp();
                filtered += (raw - filtered) * a;
                let error = q.inverse().scaled_axis();
                let demand = match step {
                    Some((axis, v)) => {
                        let mut d = error * 4.0;
                        d[axis] = v;
                        d
                    }
                    None => error * 4.0,
                };
                let e = demand - filtered;
                if !ground {
                    integral += e.component_mul(&Vector3::new(30.0, 30.0, 4.0)) * LOG as f64 * dt;
                }
                let gain = Vector3::new(self.rate_gain, self.rate_gain, 0.35 * self.rate_gain.min(12.0));
                let wanted = (e.component_mul(&gain) + integral).component_mul(&inertia);
                let upright = (q * Vector3::z()).z.max(0.6);
                let lift = if pull {
                    4.0 * self.k * (self.speed_per_volt * nominal).powi(2)
                } else {
                    self.mass * (9.806_65 + 1.5 * vz + 0.8 * z).max(3.0) / upright
                };
                let t4 = mix * Vector4::new(lift, wanted.x, wanted.y, wanted.z);
                for i in 0..4 {
                    let w = (t4[i].max(0.0) / self.k).sqrt();
                    commands[i] = (w / (self.speed_per_volt * nominal)).clamp(0.05, 1.0);
                    if ground {
                        commands[i] = 0.05;
                    }
                }
                let current = 1.0 + speed.iter().map(|w| 1.6e-8 * w.powi(3)).sum::<f64>();
                voltage = 25.2 - 0.01 * t - self.resistance * current;
                let shake = self.unbalance * Vector3::new(angle.cos(), angle.sin(), 0.0);
                let accel = Vector3::new(0.0, 0.0, if ground { -9.806_65 } else { -total / self.mass })
                    + if ground { Vector3::zeros() } else { shake }
                    + Vector3::from_fn(|_, _| rng.normal()) * 0.15;
                let mut row = Vec::new();
                row.extend(filtered.iter());
                row.extend(raw.iter());
                row.extend(demand.iter());
                row.extend(accel.iter());
                row.extend([q.w, q.i, q.j, q.k]);
                row.extend(commands);
                row.extend(speed);
                row.extend([voltage, current]);
                time.push(t);
                for (c, v) in data.iter_mut().zip(row) {
                    c.push(v);
                }
            }
            queue.push_back(commands);
            let acting = queue.pop_front().unwrap_or(commands);
            for i in 0..4 {
                let target = acting[i] * self.speed_per_volt * voltage;
                speed[i] += (target - speed[i]) * (1.0 - (-dt / self.lag).exp());
            }
            if ground {
                angle += speed[0] * dt;
                continue;
            }
            let mut moment = Vector3::zeros();
            for (i, (x, y, s)) in hubs.iter().enumerate() {
                moment += Vector3::new(
                    -(y - self.right) * thrusts[i],
                    x * thrusts[i],
                    s * self.reaction * thrusts[i],
                );
            }
            let mut alpha = (moment - rate.cross(&rate.component_mul(&inertia))).component_div(&inertia);
            alpha.x += self.shake.0 * (TAU * self.shake.1 * t).sin();
            // A breath of gusts so that hover is not dead still.
            alpha += Vector3::from_fn(|_, _| rng.uniform() - 0.5) * 6.0;
            rate += alpha * dt;
            q *= UnitQuaternion::from_scaled_axis(rate * dt);
            q = UnitQuaternion::from_quaternion(Quaternion::new(q.w, q.i, q.j, q.k));
            let force = q * Vector3::new(0.0, 0.0, -total / self.mass);
            vz += (force.z + 9.806_65) * dt;
            z += vz * dt;
            angle += speed[0] * dt;
        }
        let tap = |name: &str| match name {
            n if n.starts_with("rate_raw") || n.starts_with("accel") => Tap::Raw,
            n if n.starts_with("rate_demand") => Tap::BeforeMixing,
            n if n.starts_with("rate") => Tap::Filtered,
            n if n.ends_with("command") => Tap::AfterMixing,
            _ => Tap::External,
        };
        let channels: BTreeMap<String, Vec<f64>> = names.iter().cloned().zip(data).collect();
        Record {
            meta: RecordMeta {
                id: "synthetic".to_owned(),
                kind: Kind::Flight,
                build: "b1".to_owned(),
                date: "2026-03-04".to_owned(),
                origin: RecordOrigin::Simulated,
                remark: String::new(),
                setting: String::new(),
                sources: Vec::new(),
                rate: FINE / LOG as f64,
                channels: names
                    .iter()
                    .map(|n| ChannelMeta {
                        name: n.clone(),
                        unit: String::new(),
                        column: String::new(),
                        tap: Some(tap(n)),
                        stamp: Some(dossier::record::Stamp::Sampled),
                    })
                    .collect(),
                fingerprint: BTreeMap::new(),
                values: BTreeMap::new(),
                report: ImportReport::default(),
            },
            time,
            channels,
        }
    }
}

/// A record without some channels.
pub(crate) fn without(record: &Record, drop: impl Fn(&str) -> bool) -> Record {
    let mut r = record.clone();
    r.channels.retain(|n, _| !drop(n));
    r.meta.channels.retain(|c| !drop(&c.name));
    r
}

/// Two channels exchanged.
pub(crate) fn exchanged(record: &Record, a: &str, b: &str) -> Record {
    let mut r = record.clone();
    let (va, vb) = (r.channels[a].clone(), r.channels[b].clone());
    r.channels.insert(a.to_owned(), vb);
    r.channels.insert(b.to_owned(), va);
    r
}

/// One line for the validation table, and the check itself.
pub(crate) fn check(what: &str, expected: f64, computed: f64, tolerance: f64) {
    println!(
        "VALIDATION|findings|{what}|planted in a synthetic flight of the test's own|{expected:.6e}|{computed:.6e}|{tolerance:.1e} absolute"
    );
    assert!((computed - expected).abs() <= tolerance, "{what}: {computed} against {expected}");
}
