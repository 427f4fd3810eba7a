//! A hop as it may happen: a plant that shares nothing with the estimator.
//!
//! Rigid body with quaternion, rotors with different lags up and down, uneven thrust and torque,
//! reaction to their acceleration, drag, four legs on springs with friction, a tether, and a sensor
//! off the centre with noise, bias, filter lag and vibration at once and twice the rotor speed. Rate control by the
//! file's idea of axes, order and spins: where the truth is another, it drives the wrong way.

use std::f64::consts::{PI, TAU};

/// SplitMix64 (Steele, Lea and Flood 2014): small, seeded, the same everywhere.
pub(super) struct Dice(u64);

impl Dice {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x1234_5678_9abc_def0)
    }
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    pub(super) fn uniform(&mut self, a: f64, b: f64) -> f64 {
        a + (b - a) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }
    pub(super) fn log_uniform(&mut self, a: f64, b: f64) -> f64 {
        self.uniform(a.ln(), b.ln()).exp()
    }
    pub(super) fn chance(&mut self, p: f64) -> bool {
        self.uniform(0.0, 1.0) < p
    }
    pub(super) fn below(&mut self, n: usize) -> usize {
        (self.next() % n as u64) as usize
    }
    pub(super) fn normal(&mut self) -> f64 {
        let (u, v) = (self.uniform(1e-12, 1.0), self.uniform(0.0, 1.0));
        (-2.0 * u.ln()).sqrt() * (TAU * v).cos()
    }
}

type V = [f64; 3];
fn add(a: V, b: V) -> V {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}
fn scale(a: V, s: f64) -> V {
    [a[0] * s, a[1] * s, a[2] * s]
}
fn cross(a: V, b: V) -> V {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

/// Rotation matrix (earth from body) of a unit quaternion.
fn matrix(q: [f64; 4]) -> [V; 3] {
    let [w, x, y, z] = q;
    [
        [1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)],
        [2.0 * (x * y + w * z), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - w * x)],
        [2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)],
    ]
}
fn to_earth(m: &[V; 3], v: V) -> V {
    [0, 1, 2].map(|i| m[i][0] * v[0] + m[i][1] * v[1] + m[i][2] * v[2])
}
fn to_body(m: &[V; 3], v: V) -> V {
    [0, 1, 2].map(|i| m[0][i] * v[0] + m[1][i] * v[1] + m[2][i] * v[2])
}

/// What is true of one aircraft and its hop. Rotors in the order of the file's stations.
#[derive(Debug, Clone)]
pub(super) struct Truth {
    /// Hub places from the frame's middle, m.
    pub at: Vec<V>,
    /// Thrust axes.
    pub axis: Vec<V>,
    /// Reaction sign of each station in the file.
    pub file_spin: Vec<f64>,
    /// Station of each output.
    pub order: Vec<usize>,
    /// Reaction sign of the rotor at each output.
    pub spin: Vec<f64>,
    /// Channel c of the sensor is body axis `of[c]` times `sign[c]`.
    pub of: [usize; 3],
    pub sign: V,
    pub mass: f64,
    pub centre: V,
    pub inertia: V,
    /// Thrust of each output over the nominal.
    pub strength: Vec<f64>,
    /// Nominal full thrust of a rotor, N, and full speed, rad/s.
    pub full: f64,
    pub full_speed: f64,
    /// Reaction torque per thrust, m, and rotor inertia, kg m^2.
    pub reaction: f64,
    pub rotor_inertia: f64,
    pub lag_up: f64,
    pub lag_down: f64,
    /// Hop: thrust over weight, length, size of the pulses as a fraction of command, their length.
    pub lift: f64,
    pub hold: f64,
    pub pulse: f64,
    pub pulse_length: f64,
    /// Rate gain, 1/s.
    pub gain: f64,
    pub gyro_noise: f64,
    pub gyro_vibration: f64,
    pub accel_vibration: f64,
    pub sensor_at: V,
    pub sensor_lag: f64,
    pub slope: V,
    pub tether: f64,
    /// Gusts: moment over the moment of a tenth of the weight at the arm.
    pub gust: f64,
    pub log_rate: f64,
    /// Speeds are logged as well.
    pub speeds: bool,
    pub seed: u64,
}

/// What is logged.
pub(super) struct Log {
    pub time: Vec<f64>,
    pub command: Vec<Vec<f64>>,
    pub speed: Vec<Vec<f64>>,
    pub rate: [Vec<f64>; 3],
    pub accel: [Vec<f64>; 3],
}

impl Truth {
    /// A random aircraft and hop. `plain` keeps everything as in the file.
    pub(super) fn random(seed: u64, plain: bool) -> Self {
        let mut d = Dice::new(seed);
        let arm = d.log_uniform(0.05, 0.8);
        let wide = if d.chance(0.3) { d.uniform(0.7, 1.4) } else { 1.0 };
        let plus = d.chance(0.2);
        let azimuth = |k: usize| TAU * (k as f64 + if plus { 0.0 } else { 0.5 }) / 4.0;
        let at: Vec<V> =
            (0..4).map(|k| [arm * azimuth(k).cos() * wide, arm * azimuth(k).sin(), -0.1 * arm]).collect();
        let file_spin: Vec<f64> = (0..4).map(|k| if k % 2 == 0 { 1.0 } else { -1.0 }).collect();
        let cant = if d.chance(0.3) { d.uniform(0.03, 0.1) } else { 0.0 };
        let axis: Vec<V> = (0..4)
            .map(|k| {
                let (p, s) = (at[k], file_spin[k]);
                let r = p[0].hypot(p[1]);
                [-p[1] / r * s * cant.sin(), p[0] / r * s * cant.sin(), -cant.cos()]
            })
            .collect();
        let mut order: Vec<usize> = (0..4).collect();
        let mut spin = file_spin.clone();
        let (mut of, mut sign) = ([0, 1, 2], [1.0; 3]);
        if !plain {
            match d.below(4) {
                0 => {}
                1 => order.swap(d.below(4), d.below(4)),
                _ => {
                    for k in (1..4).rev() {
                        order.swap(k, d.below(k + 1));
                    }
                }
            }
            spin = order.iter().map(|&s| file_spin[s]).collect();
            match d.below(4) {
                0 => {}
                1 => {
                    let k = d.below(4);
                    spin[k] = -spin[k];
                }
                2 => spin.iter_mut().for_each(|s| *s = -*s),
                _ => spin.iter_mut().for_each(|s| *s = if d.chance(0.5) { 1.0 } else { -1.0 }),
            }
            if d.chance(0.6) {
                loop {
                    for k in (1..3).rev() {
                        of.swap(k, d.below(k + 1));
                    }
                    sign = [0, 1, 2].map(|_| if d.chance(0.5) { 1.0 } else { -1.0 });
                    let even = matches!(of, [0, 1, 2] | [1, 2, 0] | [2, 0, 1]);
                    if (sign[0] * sign[1] * sign[2] > 0.0) == even {
                        break;
                    }
                }
            }
        }
        let mass = 60.0 * arm.powf(2.3) * d.uniform(0.7, 1.4);
        let weight = mass * 9.806_65;
        let ratio = d.uniform(1.7, 3.5);
        let froude = (arm / 0.25).sqrt();
        let lag_up = 0.03 * froude * d.log_uniform(0.5, 2.0);
        let full_speed = 700.0 / froude * d.uniform(0.7, 1.4);
        let full = ratio * weight / 4.0;
        let reaction = 0.06 * arm * d.uniform(0.6, 1.6);
        // A third is noisy: a loud gyro, much vibration.
        let noisy = d.chance(0.33);
        let gyration = [0.40, 0.42, 0.55].map(|g| g * d.uniform(0.8, 1.2));
        Self {
            centre: {
                let off = if d.chance(0.25) { 0.15 } else { 0.03 };
                [d.uniform(-off, off) * arm, d.uniform(-off, off) * arm, d.uniform(-0.1, 0.2) * arm]
            },
            inertia: gyration.map(|g| mass * (g * arm).powi(2)),
            strength: (0..4).map(|_| d.uniform(0.92, 1.08)).collect(),
            rotor_inertia: reaction * full / full_speed * lag_up * d.uniform(0.8, 1.6),
            lag_down: lag_up * d.uniform(1.0, 1.8),
            lift: if d.chance(0.8) { d.uniform(1.12, 1.35) } else { d.uniform(1.0, 1.12) },
            hold: 0.1 + 2.0 * lag_up + 6.0 * (1.2 * lag_up).clamp(0.025, 0.1) * d.uniform(0.9, 1.2),
            pulse: if d.chance(0.8) { d.uniform(0.15, 0.25) } else { d.uniform(0.0, 0.15) },
            pulse_length: (1.2 * lag_up).clamp(0.025, 0.1),
            gain: d.uniform(0.0, 0.3) * 12.0 / (2.0 * arm).sqrt(),
            gyro_noise: d.log_uniform(0.001, if noisy { 0.04 } else { 0.005 }),
            gyro_vibration: d.log_uniform(0.005, if noisy { 0.4 } else { 0.05 }),
            accel_vibration: d.log_uniform(0.2, if noisy { 15.0 } else { 4.0 }),
            sensor_at: [0, 1, 2].map(|_| d.uniform(-0.2, 0.2) * arm),
            sensor_lag: d.uniform(0.0, 0.005),
            slope: [d.uniform(-0.1, 0.1), d.uniform(-0.1, 0.1), 0.0],
            tether: d.uniform(0.6, 1.2),
            gust: d.uniform(0.0, 0.1),
            log_rate: [250.0, 500.0, 1000.0][d.below(3)],
            speeds: d.chance(0.3),
            seed: d.next(),
            at,
            axis,
            file_spin,
            order,
            spin,
            of,
            sign,
            mass,
            full,
            full_speed,
            reaction,
            lag_up,
        }
    }

    /// Flies the hop.
    pub(super) fn fly(&self) -> Log {
        let mut d = Dice::new(self.seed);
        let n = self.at.len();
        let dt = 1.0 / 8000.0;
        let every = (8000.0 / self.log_rate) as usize;
        let arm = self.at.iter().map(|p| p[0].hypot(p[1])).fold(0.0, f64::max);
        let weight = self.mass * 9.806_65;
        let hover = (weight / (n as f64 * self.full)).sqrt();
        let top = hover * self.lift.sqrt();
        // Attitude of rest on the slope.
        let mut q = [1.0, 0.5 * self.slope[0], 0.5 * self.slope[1], d.uniform(-0.2, 0.2)];
        let size = q.iter().map(|x| x * x).sum::<f64>().sqrt();
        q = q.map(|x| x / size);
        let legs: Vec<V> = [(1.0, 1.0), (1.0, -1.0), (-1.0, -1.0), (-1.0, 1.0)]
            .map(|(x, y)| [0.6 * arm * x, 0.6 * arm * y, 0.35 * arm])
            .to_vec();
        let stiff = 4.0 * weight / (0.05 * arm);
        let damp = 0.5 * (stiff * self.mass / 4.0).sqrt();
        // The ground is a plane under the legs; z of the body at rest points into it.
        let into = to_earth(&matrix(q), [0.0, 0.0, 1.0]);
        let down = |r: V| into[0] * r[0] + into[1] * r[1] + into[2] * r[2];
        let mut p: V = scale(into, weight / (4.0 * stiff) - (0.35 * arm - self.centre[2]));
        let (mut v, mut w): (V, V) = ([0.0; 3], [0.0; 3]);
        let mut speed = vec![0.0; n];
        let mut command = vec![0.0; n];
        let mut phase: Vec<f64> = (0..n).map(|_| d.uniform(0.0, TAU)).collect();
        let uneven: Vec<f64> = (0..n).map(|_| d.uniform(0.3, 1.0)).collect();
        let bias = [0, 1, 2].map(|_| 0.01 * d.normal());
        let mut gust = [0.0; 3];
        let (mut gyro, mut last_w) = ([0.0; 3], [0.0; 3]);
        let mut aborted = false;
        let rest = 0.15;
        let end = rest + 0.03 + self.hold + 0.25;
        let mut log = Log {
            time: Vec::new(),
            command: vec![Vec::new(); n],
            speed: vec![Vec::new(); n],
            rate: [Vec::new(), Vec::new(), Vec::new()],
            accel: [Vec::new(), Vec::new(), Vec::new()],
        };
        let steps = (end / dt) as usize;
        for k in 0..steps {
            let t = k as f64 * dt;
            let m = matrix(q);
            // Controller at 1 kHz, by the file.
            if k % 8 == 0 {
                let measured: V = gyro;
                let since = t - rest;
                let collective = if since < 0.0 || since > 0.03 + self.hold || aborted {
                    0.0
                } else {
                    top * (since / 0.03).min(1.0)
                };
                for i in 0..n {
                    let mut c = collective;
                    if collective > 0.0 {
                        let since = since - 0.13 - 2.0 * self.lag_up;
                        // Three patterns over the outputs, each there and back.
                        if since > 0.0 {
                            let slot = (since / self.pulse_length) as usize % 6;
                            let pattern: [f64; 4] =
                                [[1.0, 1.0, -1.0, -1.0], [1.0, -1.0, -1.0, 1.0], [1.0, -1.0, 1.0, -1.0]]
                                    [slot / 2];
                            c += self.pulse
                                * top
                                * pattern[i]
                                * if slot.is_multiple_of(2) { 1.0 } else { -1.0 };
                        }
                        // The file's lever of output i: station i.
                        let (s, file) = (self.at[i], self.file_spin[i]);
                        let roll = -s[1] / (arm * arm * n as f64 / 2.0) * self.inertia[0];
                        let pitch = s[0] / (arm * arm * n as f64 / 2.0) * self.inertia[1];
                        let yaw = file / (self.reaction * n as f64) * self.inertia[2] * 0.2;
                        let thrust =
                            -self.gain * (roll * measured[0] + pitch * measured[1] + yaw * measured[2]);
                        c += thrust / (2.0 * self.full * hover);
                    }
                    command[i] = c.clamp(0.0, 1.0);
                }
            }
            let (mut force, mut moment): (V, V) = ([0.0; 3], [0.0; 3]);
            let mut shake: V = [0.0; 3];
            for i in 0..n {
                let want = command[i] * self.full_speed;
                let lag = if want > speed[i] { self.lag_up } else { self.lag_down };
                let rate = (want - speed[i]) / lag;
                speed[i] += rate * dt;
                phase[i] += speed[i] * dt;
                let share = (speed[i] / self.full_speed).powi(2) * self.strength[i];
                let thrust = self.full * share;
                let station = self.order[i];
                let f = scale(self.axis[station], thrust);
                let arm_of = add(self.at[station], scale(self.centre, -1.0));
                force = add(force, f);
                moment = add(moment, cross(arm_of, f));
                moment[2] += self.spin[i] * (self.reaction * thrust + self.rotor_inertia * rate);
                // Gyroscopic moment of the rotor: it turns against its reaction.
                let h = -self.spin[i] * self.rotor_inertia * speed[i];
                moment[0] -= w[1] * h;
                moment[1] += w[0] * h;
                let one = uneven[i] * share;
                shake = add(
                    shake,
                    [one * phase[i].cos(), one * phase[i].sin(), 0.5 * one * (2.0 * phase[i]).sin()],
                );
            }
            // Drag, gusts as filtered noise.
            let air = to_body(&m, v);
            force = add(force, scale(air, -0.1 * self.mass));
            for j in 0..3 {
                moment[j] -= 0.3 * self.inertia[j] * w[j];
                let noise = d.normal() * (2.0 * dt / 0.08_f64).sqrt();
                gust[j] += -gust[j] * dt / 0.08
                    + noise * self.gust * 0.1 * weight * arm * if j == 2 { 0.2 } else { 0.3 };
            }
            let aloft = (t - rest).clamp(0.0, 0.1) / 0.1;
            moment = add(moment, scale(gust, aloft));
            // Legs.
            for leg in &legs {
                let r = add(*leg, scale(self.centre, -1.0));
                let place = add(p, to_earth(&m, r));
                if down(place) > 0.0 {
                    let vel = add(v, to_earth(&m, cross(w, r)));
                    let push = (stiff * down(place) + damp * down(vel)).max(0.0);
                    let slide = add(vel, scale(into, -down(vel)));
                    let slip = (slide[0].powi(2) + slide[1].powi(2) + slide[2].powi(2)).sqrt();
                    let grip = (0.6 * push / slip.max(0.05)).min(damp);
                    let f = to_body(&m, add(scale(slide, -grip), scale(into, -push)));
                    force = add(force, f);
                    moment = add(moment, cross(r, f));
                }
            }
            // Tether from the middle of the frame to the ground below.
            let hook = add([0.0, 0.0, 0.2 * arm], scale(self.centre, -1.0));
            let end = add(p, to_earth(&m, hook));
            let length = (end[0].powi(2) + end[1].powi(2) + end[2].powi(2)).sqrt();
            let slack = self.tether * arm + 0.35 * arm;
            if length > slack {
                let pull = 3.0 * weight / (0.3 * arm) * (length - slack);
                let f = to_body(&m, scale(end, -pull / length));
                force = add(force, f);
                moment = add(moment, cross(hook, f));
            }
            let specific = scale(force, 1.0 / self.mass);
            let g = to_body(&m, [0.0, 0.0, 9.806_65]);
            let a = add(to_earth(&m, add(specific, g)), [0.0; 3]);
            let h: V = [0, 1, 2].map(|j| self.inertia[j] * w[j]);
            let turn = cross(w, h);
            let alpha: V = [0, 1, 2].map(|j| (moment[j] - turn[j]) / self.inertia[j]);
            for j in 0..3 {
                v[j] += a[j] * dt;
                p[j] += v[j] * dt;
                w[j] += alpha[j] * dt;
            }
            let dq = [
                -q[1] * w[0] - q[2] * w[1] - q[3] * w[2],
                q[0] * w[0] + q[2] * w[2] - q[3] * w[1],
                q[0] * w[1] - q[1] * w[2] + q[3] * w[0],
                q[0] * w[2] + q[1] * w[1] - q[2] * w[0],
            ];
            for j in 0..4 {
                q[j] += 0.5 * dq[j] * dt;
            }
            let size = q.iter().map(|x| x * x).sum::<f64>().sqrt();
            q = q.map(|x| x / size);
            // Sensor.
            let blend = if self.sensor_lag > dt { dt / self.sensor_lag } else { 1.0 };
            for j in 0..3 {
                last_w[j] += blend * (w[j] - last_w[j]);
            }
            if k % 8 == 0 || k % every == 0 {
                let felt: V = [0, 1, 2].map(|j| {
                    last_w[j]
                        + bias[j]
                        + self.gyro_noise * d.normal()
                        + self.gyro_vibration * shake[(j + 1) % 3]
                });
                gyro = [0, 1, 2].map(|c| self.sign[c] * felt[self.of[c]]);
                if k % every == 0 {
                    let s = add(self.sensor_at, scale(self.centre, -1.0));
                    let lever = add(cross(alpha, s), cross(w, cross(w, s)));
                    let f = add(specific, lever);
                    let felt: V =
                        [0, 1, 2].map(|j| f[j] + 0.2 * d.normal() + self.accel_vibration * shake[j]);
                    log.time.push(t);
                    for c in 0..3 {
                        log.rate[c].push(gyro[c]);
                        log.accel[c].push(self.sign[c] * felt[self.of[c]]);
                    }
                    for i in 0..n {
                        log.command[i].push(command[i]);
                        log.speed[i].push(speed[i] * (1.0 + 0.003 * d.normal()));
                    }
                }
            }
            let tilt = m[2][2].clamp(-1.0, 1.0).acos();
            if t > rest && (tilt > 35.0 * PI / 180.0 || w.iter().any(|x| x.abs() > 5.0)) {
                aborted = true;
            }
        }
        log
    }
}
