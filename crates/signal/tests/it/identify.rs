//! Recovery of planted plants from simulated closed loops, and the estimators against each other.

use std::f64::consts::TAU;

use nalgebra::DMatrix;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use signal::response::model::{Parameter, Plant};
use signal::response::spectra::{self, Options};
use signal::response::{Stretch, bootstrap, composite, excitation, fit, misfit};
use signal::spectrum::{Complex64, gain_random_error};

const ONE: Complex64 = Complex64::new(1.0, 0.0);
const FREE: [Parameter; 3] = [Parameter::Gain, Parameter::Delay, Parameter::Lag];

/// Everything about one random aircraft, its loop, its air and its logger.
#[derive(Debug, Clone)]
struct World {
    /// Acceleration per command, rad/s^2 per unit; 1 as the engineer believes.
    gain: f64,
    delay: f64,
    lag_up: f64,
    lag_down: f64,
    /// Flexible arm: frequency, rad/s, damping, share of the rate it adds.
    mode: f64,
    mode_damping: f64,
    mode_share: f64,
    p: f64,
    i: f64,
    gust: f64,
    gust_time: f64,
    noise: f64,
    quantum_rate: f64,
    quantum_command: f64,
    log_every: usize,
    /// Offset between the two clocks that is left, s, its standard uncertainty, and the drift.
    offset: f64,
    offset_uncertainty: f64,
    drift: f64,
    duration: f64,
    input: usize,
    amplitude: f64,
}

/// Steps of the simulation and of the controller, s.
const FINE: f64 = 0.5e-3;
const LOOP: f64 = 1e-3;

fn gauss(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

impl World {
    fn random(rng: &mut ChaCha8Rng) -> Self {
        let size = rng.random_range(0.25..1.8_f64);
        let crossover = 12.0 / size.sqrt();
        let spend = rng.random_range(0.5..0.75);
        let total = spend / crossover;
        let share = rng.random_range(0.2..0.5);
        let (delay, lag) = (share * total, (1.0 - share) * total);
        let skew = rng.random_range(1.0..1.4_f64);
        let gain = rng.random_range(0.8..1.25);
        let p = crossover / gain;
        let quantum_rate = [0.02, 0.06, 0.2][rng.random_range(0..3)].to_radians_f64();
        Self {
            gain,
            delay,
            lag_up: 2.0 * lag / (1.0 + skew),
            lag_down: 2.0 * lag * skew / (1.0 + skew),
            mode: rng.random_range(8.0..15.0) * crossover,
            mode_damping: rng.random_range(0.01..0.04),
            mode_share: rng.random_range(-0.04..0.06),
            p,
            i: rng.random_range(0.05..0.15) * crossover * p,
            gust: rng.random_range(0.05..0.4) * crossover,
            gust_time: rng.random_range(0.15..1.0),
            noise: rng.random_range(0.001..0.01),
            quantum_rate,
            quantum_command: rng.random_range(0.002..0.02) * crossover,
            log_every: [1, 2, 4][rng.random_range(0..3)],
            offset: 0.2e-3 * gauss(rng),
            offset_uncertainty: 0.2e-3,
            drift: 5e-6 * gauss(rng),
            duration: rng.random_range(30.0..60.0),
            input: rng.random_range(0..4),
            amplitude: rng.random_range(0.8..2.0),
        }
    }

    /// The plant of the model that is nearest: equal lags, no mode, the controller's hold as dead time.
    fn near(&self) -> Plant {
        Plant {
            gain: self.gain,
            delay: self.delay + 0.5 * LOOP,
            lag: 0.5 * (self.lag_up + self.lag_down),
            zero: 0.0,
            damping: 0.0,
        }
    }

    /// The true linear plant: a rotor on one side goes up while the other goes down.
    fn at(&self, omega: f64) -> Complex64 {
        let s = Complex64::new(0.0, omega);
        let lag = |tau: f64| (ONE + s * tau).inv();
        let hold = (-s * (0.5 * LOOP)).exp() * ((0.5 * omega * LOOP).sin() / (0.5 * omega * LOOP));
        let flexible = ONE
            + s * s * self.mode_share
                / (s * s + s * (2.0 * self.mode_damping * self.mode) + self.mode * self.mode);
        hold * (-s * self.delay).exp() * self.gain * 0.5 * (lag(self.lag_up) + lag(self.lag_down)) / s
            * flexible
    }

    fn controller(&self, omega: f64) -> Complex64 {
        Complex64::new(self.p, -self.i / omega)
    }

    /// Density of the disturbance at the output, as the size of a bin of the transform over root n.
    fn disturbance(&self, omega: f64) -> f64 {
        let rate = self.rate();
        let gust = 2.0 * self.gust * self.gust * self.gust_time / (1.0 + (omega * self.gust_time).powi(2));
        let quantised =
            (self.quantum_rate.powi(2) + (self.quantum_command * self.at(omega).norm()).powi(2)) / 12.0;
        rate * gust / (omega * omega) + self.noise * self.noise + quantised
    }

    fn rate(&self) -> f64 {
        1.0 / (LOOP * self.log_every as f64)
    }

    /// Rate demand at every run of the controller.
    fn demand(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let n = (self.duration / LOOP) as usize;
        let mut r = vec![0.0; n];
        let (first, last) = (1.0, self.duration - 1.5);
        match self.input {
            // Doublets and steps of random sides and pauses.
            0 | 1 => {
                let mut t = first;
                while t < last - 1.5 {
                    let side = if rng.random_range(0..2) == 0 { 1.0 } else { -1.0 } * self.amplitude;
                    let hold = rng.random_range(0.2..0.5);
                    for (k, v) in r.iter_mut().enumerate() {
                        let x = k as f64 * LOOP - t;
                        if x >= 0.0 && x < hold {
                            *v = side;
                        } else if self.input == 1 && x >= hold && x < 2.0 * hold {
                            *v = -side;
                        }
                    }
                    t += rng.random_range(1.2..2.4);
                }
            }
            // A sweep from 0.2 Hz to twice the crossover, logarithmic, faded in and out.
            2 => {
                let (low, high) = (0.2, 2.0 * self.p * self.gain / TAU);
                let span = last - first;
                let growth = (high / low).ln();
                for (k, v) in r.iter_mut().enumerate() {
                    let x = (k as f64 * LOOP - first) / span;
                    if (0.0..1.0).contains(&x) {
                        let phase = TAU * low * span / growth * ((growth * x).exp() - 1.0);
                        *v = 0.5 * self.amplitude * phase.sin() * (20.0 * x).min(20.0 * (1.0 - x)).min(1.0);
                    }
                }
            }
            // A stick that wanders: second-order filtered noise with a bandwidth of 1 to 2 Hz.
            _ => {
                let corner = TAU * rng.random_range(1.0..2.0);
                let (mut a, mut b) = (0.0, 0.0);
                for (k, v) in r.iter_mut().enumerate() {
                    let t = k as f64 * LOOP;
                    let white = gauss(rng) / LOOP.sqrt();
                    a += LOOP * corner * (white - a);
                    b += LOOP * corner * (a - b);
                    let fade = (t - first).min(last - t).clamp(0.0, 1.0);
                    *v = self.amplitude * b / corner.sqrt() * fade;
                }
            }
        }
        r
    }

    /// Demand, command and rate as they are logged.
    fn fly(&self, rng: &mut ChaCha8Rng) -> [Vec<f64>; 3] {
        let demand = self.demand(rng);
        let sub = (LOOP / FINE) as usize;
        let queue_length = (self.delay / FINE) as usize + 2;
        let fraction = self.delay / FINE - (self.delay / FINE).floor();
        let mut queue = vec![0.0; queue_length];
        let mut head = 0;
        let (mut right, mut left, mut rate, mut integral) = (0.0, 0.0, 0.0, 0.0);
        let (mut q, mut dq) = (0.0, 0.0);
        let mut air = gauss(rng) * self.gust;
        let keep = (-LOOP / self.gust_time).exp();
        let kick = self.gust * (1.0 - keep * keep).sqrt();
        let [up, down] = [self.lag_up, self.lag_down].map(|tau| 1.0 - (-FINE / tau).exp());
        let round = |x: f64, q: f64| (x / q).round() * q;
        let (mut commands, mut rates) = (Vec::with_capacity(demand.len()), Vec::with_capacity(demand.len()));
        for r in &demand {
            let seen = rate + self.mode_share * dq + self.noise * gauss(rng);
            let error = r - seen;
            integral += self.i * error * LOOP;
            let command = self.p * error + integral;
            commands.push(command);
            rates.push(seen);
            air = keep * air + kick * gauss(rng);
            for _ in 0..sub {
                queue[head] = command;
                let older = |k: usize| queue[(head + queue_length - k) % queue_length];
                let whole = queue_length - 2;
                let arrived = (1.0 - fraction) * older(whole) + fraction * older(whole + 1);
                head = (head + 1) % queue_length;
                let before = right - left;
                right += (arrived - right) * if arrived > right { up } else { down };
                left += (-arrived - left) * if -arrived > left { up } else { down };
                let moment = self.gain * 0.25 * (before + right - left);
                // The arm answers the thrust; the gyro sits on what it bends.
                let ddq = moment - 2.0 * self.mode_damping * self.mode * dq - self.mode * self.mode * q;
                dq += FINE * ddq;
                q += FINE * dq;
                rate += FINE * (moment + air);
            }
        }
        let n = demand.len() / self.log_every;
        let command_at = |t: f64| {
            let x = (t / LOOP).clamp(0.0, (commands.len() - 2) as f64);
            let k = x as usize;
            commands[k] + (x - k as f64) * (commands[k + 1] - commands[k])
        };
        let mut out = [Vec::with_capacity(n), Vec::with_capacity(n), Vec::with_capacity(n)];
        for k in 0..n {
            let t = (k * self.log_every) as f64 * LOOP;
            out[0].push(demand[k * self.log_every]);
            // The command comes from the other logger, whose clock is off.
            let other = t + self.offset + self.drift * (t - 0.5 * self.duration);
            out[1].push(round(command_at(other), self.quantum_command));
            out[2].push(round(rates[k * self.log_every], self.quantum_rate));
        }
        out
    }
}

/// `to_radians` with the type spelled out, for literals.
trait Radians {
    fn to_radians_f64(self) -> f64;
}
impl Radians for f64 {
    fn to_radians_f64(self) -> f64 {
        self.to_radians()
    }
}

/// Phase margin, deg, and gain margin, dB, of a loop gain by a plain search: written for this test alone.
fn margins(loop_gain: &dyn Fn(f64) -> Complex64, near: f64) -> Option<[f64; 2]> {
    let root = |f: &dyn Fn(f64) -> f64, from: f64, to: f64| -> Option<f64> {
        let steps = 60;
        let at = |k: usize| from * (to / from).powf(k as f64 / steps as f64);
        let k = (0..steps).find(|&k| f(at(k)) > 0.0 && f(at(k + 1)) <= 0.0)?;
        let (mut low, mut high) = (at(k), at(k + 1));
        for _ in 0..40 {
            let mid = 0.5 * (low + high);
            if f(mid) > 0.0 { low = mid } else { high = mid }
        }
        Some(0.5 * (low + high))
    };
    let cross = root(&|w| loop_gain(w).norm() - 1.0, 0.2 * near, 5.0 * near)?;
    let phase = 180.0 + loop_gain(cross).arg().to_degrees();
    // The argument of -L passes zero where the phase is -180 deg.
    let turn = root(&|w| (-loop_gain(w)).arg(), cross, 20.0 * near)?;
    Some([phase, -20.0 * loop_gain(turn).norm().log10()])
}

const NAMES: [&str; 4] = ["gain", "total delay", "phase margin", "gain margin"];

struct Outcome {
    inside: [bool; 4],
    ratio: [f64; 4],
    score: [f64; 4],
}

fn recover(seed: u64) -> Option<Outcome> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let world = World::random(&mut rng);
    let [r, u, y] = world.fly(&mut rng);
    let wc = world.p * world.gain;
    let stretch = [Stretch { reference: &r, input: &u, output: &y }];
    let options = Options { rate: world.rate(), low: 0.06 * wc / TAU, high: 2.5 * wc / TAU, taper: 0.3 };
    let bins = spectra::bins(&stretch, &options).ok()?;
    let start = Plant { gain: 1.0, delay: 0.01, lag: 0.03, zero: 0.0, damping: 0.0 };
    let found = fit::fit(&bins, &start, &FREE, &[]).ok()?.with_clock(world.offset_uncertainty);
    let near = world.near();
    let figures: [Box<dyn Fn(&Plant) -> Option<f64>>; 4] = [
        Box::new(|p| Some(p.gain)),
        Box::new(|p| Some(p.total_delay(wc))),
        Box::new(|p| margins(&|w| world.controller(w) * p.at(w), wc).map(|m| m[0])),
        Box::new(|p| margins(&|w| world.controller(w) * p.at(w), wc).map(|m| m[1])),
    ];
    let real = margins(&|w| world.controller(w) * world.at(w), wc)?;
    let truth = [world.gain, near.total_delay(wc), real[0], real[1]];
    // Cramer-Rao bound: the driven input and the disturbance as they truly are, and what the clocks leave open.
    let mut fisher = DMatrix::<f64>::zeros(3, 3);
    for b in &bins {
        let c = world.controller(b.omega);
        let g = world.at(b.omega);
        let driven = c / (ONE + c * g) * b.reference;
        let d: Vec<Complex64> =
            FREE.iter().map(|&p| near.at(b.omega) * near.sensitivity(p, b.omega) * driven).collect();
        for i in 0..3 {
            for j in 0..3 {
                fisher[(i, j)] += 2.0 * (d[i].conj() * d[j]).re / world.disturbance(b.omega);
            }
        }
    }
    let mut bound = fisher.try_inverse()?;
    bound[(1, 1)] += world.offset_uncertainty.powi(2);
    let least = |f: &dyn Fn(&Plant) -> Option<f64>| -> Option<f64> {
        let mut gradient = nalgebra::DVector::zeros(3);
        for (k, &p) in FREE.iter().enumerate() {
            let step = bound[(k, k)].sqrt();
            gradient[k] = (f(&near.moved(p, step))? - f(&near.moved(p, -step))?) / (2.0 * step);
        }
        Some((gradient.transpose() * &bound * &gradient)[(0, 0)].sqrt())
    };
    let mut out = Outcome { inside: [false; 4], ratio: [f64::NAN; 4], score: [f64::NAN; 4] };
    for k in 0..4 {
        let (value, sd) = found.propagate(&figures[k])?;
        out.score[k] = (value - truth[k]) / sd;
        out.inside[k] = out.score[k].abs() <= 1.96;
        out.ratio[k] = sd / least(&figures[k])?;
    }
    Some(out)
}

#[test]
fn val_recovery_of_a_thousand_aircraft() {
    const COUNT: u64 = 1000;
    let all: Vec<Option<Outcome>> = (0..COUNT).into_par_iter().map(|k| recover(0x5eed_0000 + k)).collect();
    let told: Vec<&Outcome> = all.iter().flatten().collect();
    println!(
        "VALIDATION|identify|aircraft of {COUNT} with an answer|planted truth|{}|{}|at least",
        COUNT * 98 / 100,
        told.len()
    );
    assert!(told.len() as u64 >= COUNT * 98 / 100, "{} of {COUNT} gave an answer", told.len());
    for k in 0..4 {
        let inside = 100.0 * told.iter().filter(|o| o.inside[k]).count() as f64 / told.len() as f64;
        let mut ratio: Vec<f64> = told.iter().map(|o| o.ratio[k]).collect();
        ratio.sort_by(f64::total_cmp);
        let median = ratio[ratio.len() / 2];
        let mean = told.iter().map(|o| o.score[k]).sum::<f64>() / told.len() as f64;
        let spread = (told.iter().map(|o| o.score[k].powi(2)).sum::<f64>() / told.len() as f64).sqrt();
        println!(
            "VALIDATION|identify|{} inside its 95 % interval, % of aircraft|planted truth|94.75|{inside:.2}|2.25 absolute",
            NAMES[k]
        );
        println!(
            "VALIDATION|identify|{}, median width over the Cramer-Rao bound|Fisher information of the planted plant and air|2|{median:.3}|at most",
            NAMES[k]
        );
        println!("{}: mean score {mean:.3}, r.m.s. score {spread:.3}", NAMES[k]);
    }
    for k in 0..4 {
        let inside = 100.0 * told.iter().filter(|o| o.inside[k]).count() as f64 / told.len() as f64;
        assert!((92.5..=97.0).contains(&inside), "{}: {inside} % inside", NAMES[k]);
        let mut ratio: Vec<f64> = told.iter().map(|o| o.ratio[k]).collect();
        ratio.sort_by(f64::total_cmp);
        assert!(ratio[ratio.len() / 2] <= 2.0, "{}: {}", NAMES[k], ratio[ratio.len() / 2]);
    }
}

/// A loop in heavy air with little demand: the direct estimate follows -1/controller, the joint one the plant.
fn heavy() -> (World, [Vec<f64>; 3]) {
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    let mut world = World::random(&mut rng);
    world.duration = 240.0;
    world.input = 3;
    world.amplitude = 2.0;
    world.log_every = 4;
    world.offset = 0.0;
    world.drift = 0.0;
    world.gust = 1.2 * world.p * world.gain;
    let log = world.fly(&mut rng);
    (world, log)
}

#[test]
fn val_feedback_biases_the_direct_estimate_only() {
    let (world, [r, u, y]) = heavy();
    let wc = world.p * world.gain;
    let stretch = [Stretch { reference: &r, input: &u, output: &y }];
    let points =
        composite::response(&stretch, world.rate(), &[2.0, 4.0, 8.0, 16.0], 0.1 * wc / TAU, wc / TAU, 25)
            .unwrap();
    let (mut joint, mut direct, mut count) = (0.0, 0.0, 0.0);
    for p in points.iter().filter(|p| p.coherence > 0.1) {
        let truth = world.at(TAU * p.frequency);
        joint += (p.joint / truth - ONE).norm();
        direct += (p.direct / truth - ONE).norm();
        count += 1.0;
    }
    assert!(count >= 8.0, "{count} points");
    let (joint, direct) = (joint / count, direct / count);
    println!(
        "VALIDATION|identify|mean relative error of the joint estimate in heavy air over that of the direct one|planted truth|0.6|{:.3}|at most",
        joint / direct
    );
    assert!(joint < 0.6 * direct, "joint {joint}, direct {direct}");
}

/// Where nothing is fed back and the reference is the input, the joint estimate's random error is the published one.
#[test]
fn val_random_error_of_the_open_loop() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let n = 200_000;
    let u: Vec<f64> = (0..n).map(|_| gauss(&mut rng)).collect();
    let y: Vec<f64> = (0..n).map(|k| u[k] + 0.5 * u[k.saturating_sub(1)] + 0.7 * gauss(&mut rng)).collect();
    let stretch = [Stretch { reference: &u, input: &u, output: &y }];
    let points = composite::response(&stretch, 100.0, &[2.56], 5.0, 40.0, 12).unwrap();
    for p in &points {
        let averages = gain_random_error(p.coherence, 1.0) / p.direct_error;
        let published = gain_random_error(p.coherence, averages * averages);
        assert!((p.joint_error / published - 1.0).abs() < 1e-6, "{} {published}", p.joint_error);
        let truth = ONE + 0.5 * Complex64::from_polar(1.0, -TAU * p.frequency / 100.0);
        assert!((p.joint / truth - ONE).norm() < 5.0 * p.joint_error * 2f64.sqrt());
    }
    // Bendat and Piersol; ISO 7626-2 Annex A: coherence 0.8 from 75 averages gives 4.08 %.
    let worked = 100.0 * gain_random_error(0.8, 75.0);
    println!(
        "VALIDATION|identify|random error at coherence 0.8 from 75 averages, %|ISO 7626-2 Annex A|4.08|{worked:.4}|0.005 absolute"
    );
    assert!((worked - 4.08).abs() < 0.005);
}

#[test]
fn prop_the_bootstrap_agrees_with_the_covariance() {
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let world = World { input: 0, ..World::random(&mut rng) };
    let [r, u, y] = world.fly(&mut rng);
    let wc = world.p * world.gain;
    let stretch = [Stretch { reference: &r, input: &u, output: &y }];
    let options = Options { rate: world.rate(), low: 0.06 * wc / TAU, high: 2.5 * wc / TAU, taper: 0.3 };
    let bins = spectra::bins(&stretch, &options).unwrap();
    let found = fit::fit(&bins, &world.near(), &FREE, &[]).unwrap();
    let delay = |p: &Plant| Some(p.total_delay(wc));
    let (value, sd) = found.propagate(&delay).unwrap();
    let (low, high) = bootstrap::interval(&found, 800, 3, 0.95, &delay).unwrap();
    assert!(low < value && value < high);
    let ratio = (high - low) / (2.0 * 1.96 * sd);
    assert!((0.8..1.25).contains(&ratio), "{ratio}");
    assert!(found.correlation(Parameter::Delay, Parameter::Lag) < -0.5, "delay and lag trade");
    // A bench that knows the lag splits the delay.
    let prior = fit::Prior { parameter: Parameter::Lag, value: world.near().lag, uncertainty: 5e-4 };
    let split = fit::fit(&bins, &world.near(), &FREE, &[prior]).unwrap();
    assert!(split.uncertainty(Parameter::Delay) < 0.7 * found.uncertainty(Parameter::Delay));
    assert!(
        (split.plant.delay - world.near().delay).abs() < 4.0 * split.uncertainty(Parameter::Delay) + 5e-4
    );
    // Published misfit, over points that can be used.
    let points =
        composite::response(&stretch, world.rate(), &[2.0, 4.0, 8.0], options.low, options.high, 30).unwrap();
    let (low, high) = excitation::band(&points).unwrap();
    let inside: Vec<(Complex64, f64, Complex64)> = points
        .iter()
        .filter(|p| p.frequency >= low && p.frequency <= high)
        .map(|p| (p.joint, p.coherence, found.plant.at(TAU * p.frequency)))
        .collect();
    let j = misfit::cost(&inside);
    println!(
        "VALIDATION|identify|misfit of a fitted plant in the published convention|Tischler and Remple 2012 (from memory)|100|{j:.1}|at most"
    );
    assert!(j < misfit::ACCEPTABLE, "{j}");
    let wrong = Plant { delay: found.plant.delay + 0.02, ..found.plant };
    let off: Vec<_> = points
        .iter()
        .filter(|p| p.frequency >= low && p.frequency <= high)
        .map(|p| (p.joint, p.coherence, wrong.at(TAU * p.frequency)))
        .collect();
    assert!(misfit::cost(&off) > 3.0 * j);
}

/// More parameters than the data ask for are not taken; a drag that shows is.
#[test]
fn val_the_simplest_model_that_explains() {
    let with_drag: &[Parameter] = &[Parameter::Gain, Parameter::Delay, Parameter::Lag, Parameter::Damping];
    let sets: [&[Parameter]; 2] = [&FREE, with_drag];
    let mut right = [0, 0];
    for seed in 0..20 {
        for (case, damping) in [0.0, 3.0].into_iter().enumerate() {
            let mut rng = ChaCha8Rng::seed_from_u64(900 + seed);
            let world =
                World { mode_share: 0.0, input: 2, log_every: 4, gust: 0.4, ..World::random(&mut rng) };
            let [r, u, mut y] = world.fly(&mut rng);
            if damping > 0.0 {
                // The same loop with a plant that decays: y' = y - damping x', exactly discretised.
                let (dt, mut lost) = (1.0 / world.rate(), 0.0);
                for v in &mut y {
                    lost += dt * damping * (*v - lost);
                    *v -= lost;
                }
            }
            let wc = world.p * world.gain;
            let stretch = [Stretch { reference: &r, input: &u, output: &y }];
            let options =
                Options { rate: world.rate(), low: 0.05 * wc / TAU, high: 2.0 * wc / TAU, taper: 0.3 };
            let bins = spectra::bins(&stretch, &options).unwrap();
            let found = fit::select(&bins, &world.near(), &sets, &[]).unwrap();
            right[case] += usize::from((found.free.len() == 4) == (damping > 0.0));
        }
    }
    println!(
        "VALIDATION|identify|records of 20 whose model stays without drag|planted truth|16|{}|at least",
        right[0]
    );
    println!("VALIDATION|identify|records of 20 whose drag is found|planted truth|16|{}|at least", right[1]);
    assert!(right[0] >= 16 && right[1] >= 16, "{right:?}");
}
