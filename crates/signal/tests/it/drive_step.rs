//! Steps of a drive: recovery of planted truths from a generator that is not the fitting model.

use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use rayon::prelude::*;
use signal::drive::response::{Answer, Drive, Quantity, respond};
use signal::drive::step::{Known, Order, Record, Steps, fit};

use crate::series::{coverage, median_of, truths};

/// One planted drive on its stand.
#[derive(Debug, Clone)]
struct Planted {
    quantity: Quantity,
    /// Rate of the electric part, 1/s, and of the drag, 1/rad; falls answer by `down` more slowly.
    electric: f64,
    drag: f64,
    down: f64,
    dead: f64,
    update: f64,
    /// Source resistance over motor resistance.
    source: f64,
    stand: Option<(f64, f64)>,
    noise: f64,
    quantum: f64,
    jitter: f64,
    rate: f64,
    command_rate: f64,
    latency: f64,
    drift: f64,
    levels: Vec<(f64, f64)>,
    hold: f64,
}

const LATENCY: (f64, f64) = (1.0e-3, 0.15e-3);
const CLOCK: f64 = 40e-6;
const SHARE: (f64, f64) = (0.35, 0.08);
/// No-load speed at full command and nominal bus, rad/s, and the speed that the lag is planted at.
const FREE: f64 = 1400.0;

fn planted(rng: &mut ChaCha8Rng) -> Planted {
    let normal = Normal::new(0.0, 1.0).unwrap();
    let share = (SHARE.0 + SHARE.1 * normal.sample(rng)).clamp(0.1, 0.65);
    let latency = LATENCY.0 + LATENCY.1 * normal.sample(rng);
    let drift = CLOCK * normal.sample(rng);
    let thrust = rng.random_bool(0.4);
    let lag = rng.random_range(0.018..0.07);
    let base = rng.random_range(0.42..0.6);
    let size = rng.random_range(0.08..0.2);
    let levels = (0..rng.random_range(5..=7))
        .map(|_| {
            let low = base + rng.random_range(-0.03..0.03);
            (low, low + size * rng.random_range(0.7..1.3))
        })
        .collect();
    // Drag at the speed of the middle of the steps: that is what the share is stated for.
    let middle = base + 0.5 * size;
    let electric = (1.0 - share) / lag;
    // Steady: B (c F - w) = C w^2 with C = share/(2 lag w): w = c F / (1 + share/(2 (1 - share))).
    let speed = middle * FREE / (1.0 + 0.5 * share / (1.0 - share));
    Planted {
        quantity: if thrust { Quantity::Thrust } else { Quantity::Speed },
        electric,
        drag: 0.5 * share / lag / speed,
        down: rng.random_range(0.6..1.0),
        dead: rng.random_range(1e-3..15e-3),
        update: rng.random_range(0.0..2e-3),
        source: rng.random_range(0.0..0.4),
        stand: thrust.then(|| (rng.random_range(25.0..80.0), rng.random_range(0.02..0.1))),
        noise: rng.random_range(0.001..0.004),
        quantum: rng.random_range(0.001..0.005),
        jitter: rng.random_range(0.0..0.12),
        rate: if thrust { rng.random_range(300.0..600.0) } else { rng.random_range(200.0..800.0) },
        command_rate: rng.random_range(250.0..1000.0),
        latency,
        drift,
        levels,
        hold: 0.9,
    }
}

struct Made {
    command_time: Vec<f64>,
    command: Vec<f64>,
    time: Vec<f64>,
    value: Vec<f64>,
    bus: Vec<f64>,
    full: f64,
}

/// Simulates drive, supply, stand and telemetry in steps of 0.1 ms.
fn make(p: &Planted, rng: &mut ChaCha8Rng) -> Made {
    let normal = Normal::new(0.0, 1.0).unwrap();
    let h = 1e-4;
    let mut events = vec![(0.0, p.levels[0].0)];
    let mut t = 1.0;
    for (low, high) in &p.levels {
        // The instant falls anywhere between the rows of the command's log.
        events.push((t + rng.random_range(0.0..0.01), *high));
        events.push((t + p.hold + rng.random_range(0.0..0.01), *low));
        t += 2.0 * p.hold;
    }
    let end = t;
    let applied: Vec<(f64, f64)> =
        events.iter().map(|(at, c)| (at + p.dead + p.update * rng.random_range(0.0..1.0), *c)).collect();
    let n = (end / h) as usize;
    let settle = |c: f64| {
        let (b, a) = (p.electric, p.drag);
        let x = c * FREE;
        2.0 * b * x / (b + (b * b + 4.0 * a * b * x).sqrt())
    };
    let mut w = settle(p.levels[0].0);
    let mut polarised = 0.0;
    let (mut speed, mut bus) = (Vec::with_capacity(n), Vec::with_capacity(n));
    let mut k = 0;
    let volts = 22.0;
    for i in 0..n {
        let now = i as f64 * h;
        while k + 1 < applied.len() && applied[k + 1].0 <= now {
            k += 1;
        }
        let c = applied[k].1;
        // Motor current over R, as a voltage: c V - K w; the bus gives c times as much.
        let emf = volts * w / FREE;
        let open = volts - polarised;
        let v = (open + p.source * c * emf) / (1.0 + p.source * c * c);
        let current = (c * v - emf) * c * p.source;
        polarised += h / 8.0 * (0.4 * current - polarised);
        let rate = p.electric * (c * v / volts * FREE - w) - p.drag * w * w;
        w += h * rate * if rate < 0.0 { p.down } else { 1.0 };
        speed.push(w);
        bus.push(v);
    }
    let full = settle(1.0);
    let seen: Vec<f64> = match p.stand {
        Some((f, z)) => {
            let wn = std::f64::consts::TAU * f;
            let (mut y, mut dy) = (speed[0].powi(2), 0.0);
            speed
                .iter()
                .map(|w| {
                    dy += h * (wn * wn * (w * w - y) - 2.0 * z * wn * dy);
                    y += h * dy;
                    y
                })
                .collect()
        }
        None => speed,
    };
    let scale = if p.stand.is_some() { full * full } else { full };
    let at = |list: &[f64], t: f64| {
        let x = (t / h).clamp(0.0, (list.len() - 2) as f64);
        let i = x as usize;
        list[i] + (list[i + 1] - list[i]) * (x - i as f64)
    };
    let mut time = Vec::new();
    let mut value = Vec::new();
    let mut volt = Vec::new();
    let period = 1.0 / p.rate;
    let mut tick = rng.random_range(0.0..period);
    while tick < end - 0.01 {
        // The sample's instant wanders; its stamp wanders as well and is not told.
        let sampled = tick + period * rng.random_range(-0.1..0.1);
        let stamp = sampled + p.latency + period * p.jitter * rng.random_range(-1.0..1.0);
        time.push(stamp * (1.0 + p.drift));
        let y = at(&seen, sampled) + scale * p.noise * normal.sample(rng);
        let q = scale * p.quantum;
        value.push((y / q).round() * q);
        volt.push((at(&bus, sampled) / 0.01 + 2.0 * normal.sample(rng)).round() * 0.01);
        tick += period;
    }
    let step = 1.0 / p.command_rate;
    let phase = rng.random_range(0.0..step);
    let command_time: Vec<f64> =
        (0..((end - 0.02) / step) as usize).map(|i| phase + i as f64 * step).collect();
    let command = command_time
        .iter()
        .map(|t| events.iter().rev().find(|e| e.0 <= *t).map_or(p.levels[0].0, |e| e.1))
        .collect();
    Made { command_time, command, time, value, bus: volt, full: scale }
}

/// Cramer-Rao bounds (standard deviations) of dead time, ln lag up and ln lag down, with the levels of every
/// step, the stand, the slope of the lag over speed and what is known beforehand as in the fit.
fn bound(p: &Planted, m: &Made, s: &Steps) -> [f64; 3] {
    // Global: dead, ln up, ln down, share (prior), drift (prior), latency (prior), ln f, ln z.
    let globals = if p.stand.is_some() { 8 } else { 6 };
    let mut total = DMatrix::<f64>::zeros(globals, globals);
    let drive =
        |k: &signal::drive::step::StepFit| Drive { quantity: p.quantity, command: (k.from, k.to), bus: None };
    for k in &s.steps {
        let lag = truth_lag(p, k.mean_speed(p.quantity), k.rises());
        let share =
            2.0 * p.drag * k.mean_speed(p.quantity) / (p.electric + 2.0 * p.drag * k.mean_speed(p.quantity));
        // Parameters: globals, then before, after, own delay (prior).
        let start = {
            let mut v = vec![p.dead + p.latency, 0.0, 0.0, share, 0.0, 0.0];
            if let Some((f, z)) = p.stand {
                v.extend([f.ln(), z.ln()]);
            }
            v.extend([k.before, k.after, 0.0]);
            v
        };
        let value = |v: &[f64], out: &mut Vec<f64>| {
            let extra = v.len() - 3;
            let answer = Answer {
                lag: lag * (if k.rises() { v[1] } else { v[2] }).exp(),
                second: None,
                mode: p.stand.map(|_| (v[6].exp(), v[7].exp())),
                drag_share: v[3],
                coasts: false,
            };
            let dead = v[0] + v[4] * k.at + v[5] + v[extra + 2];
            respond(&drive(k), &answer, dead, v[extra], v[extra + 1], &k.seen.0, out);
        };
        let mut centre = Vec::new();
        value(&start, &mut centre);
        let n = centre.len();
        let size = (k.after - k.before).abs();
        let mut jac = DMatrix::<f64>::zeros(n, start.len());
        let (mut a, mut b) = (Vec::new(), Vec::new());
        for j in 0..start.len() {
            let h = match j {
                0 | 5 => 1e-4,
                4 => 1e-5,
                j if j == start.len() - 1 => 1e-4,
                j if j >= start.len() - 3 => 1e-3 * size,
                _ => 1e-3,
            };
            let mut v = start.clone();
            v[j] += h;
            value(&v, &mut a);
            v[j] -= 2.0 * h;
            value(&v, &mut b);
            for i in 0..n {
                jac[(i, j)] = (a[i] - b[i]) / (2.0 * h);
            }
        }
        let stamp = p.jitter / p.rate / 3f64.sqrt();
        let white = (m.full * p.noise).powi(2) + (m.full * p.quantum).powi(2) / 12.0;
        let mut info = DMatrix::<f64>::zeros(start.len(), start.len());
        for i in 0..n {
            let row = jac.row(i).transpose();
            // The derivative against dead time is minus the slope.
            let variance = white + (jac[(i, 0)] * stamp).powi(2);
            info += &row * row.transpose() / variance;
        }
        let own = (1.0 / p.command_rate).powi(2) / 12.0 + p.update.powi(2) / 12.0;
        let last = start.len() - 1;
        info[(last, last)] += 1.0 / own;
        let (g, l) = (globals, 3);
        let inner = info.view((g, g), (l, l)).into_owned().try_inverse().unwrap();
        let cross = info.view((0, g), (g, l)).into_owned();
        total += info.view((0, 0), (g, g)) - &cross * inner * cross.transpose();
    }
    total[(3, 3)] += SHARE.1.powi(-2);
    total[(4, 4)] += CLOCK.powi(-2);
    total[(5, 5)] += LATENCY.1.powi(-2);
    let scale = DVector::from_iterator(globals, total.diagonal().iter().map(|d| d.max(1e-300).sqrt()));
    let scaled = DMatrix::from_fn(globals, globals, |i, j| total[(i, j)] / scale[i] / scale[j]);
    let cov = scaled.try_inverse().unwrap();
    [0, 1, 2].map(|j| cov[(j, j)].sqrt() / scale[j])
}

/// What a small step about a speed shows when the bus is held: the truth.
fn truth_lag(p: &Planted, speed: f64, up: bool) -> f64 {
    1.0 / (p.electric + 2.0 * p.drag * speed) / if up { 1.0 } else { p.down }
}

#[test]
fn val_recovery_of_steps() {
    let rows: Vec<_> = (0..truths())
        .into_par_iter()
        .map(|i| {
            let mut rng = ChaCha8Rng::seed_from_u64(9000 + i);
            let p = planted(&mut rng);
            let m = make(&p, &mut rng);
            let known =
                Known { latency: LATENCY, clock: CLOCK, agree_at: 0.0, drag_share: SHARE, longest: 0.6 };
            let record = Record {
                command_time: &m.command_time,
                command: &m.command,
                command_is_event: false,
                time: &m.time,
                value: &m.value,
                quantity: p.quantity,
                bus: Some((&m.time, &m.bus)),
            };
            let s = fit(&record, &known)?;
            let bound = bound(&p, &m, &s);
            let truth = [
                p.dead + 0.5 * p.update,
                truth_lag(&p, s.reference_speed, true),
                truth_lag(&p, s.reference_speed, false),
            ];
            let found = [s.dead_time?, s.lag[0]?, s.lag[1]?];
            let out: Vec<(f64, f64, f64)> = (0..3)
                .map(|j| {
                    let b = if j == 0 { bound[0] } else { bound[j] * truth[j] };
                    (found[j].value - truth[j], found[j].uncertainty, b)
                })
                .collect();
            Some((p.quantity, s.order, out, truth))
        })
        .collect();
    let told: Vec<_> = rows.iter().flatten().collect();
    println!("fitted {} of {}", told.len(), rows.len());
    for order in [Order::First, Order::Second, Order::Ringing] {
        for q in [Quantity::Speed, Quantity::Thrust] {
            println!("{order:?} {q:?}: {}", told.iter().filter(|r| r.1 == order && r.0 == q).count());
        }
    }
    let mut wrong = Vec::new();
    for (j, name) in ["dead time", "lag up", "lag down"].iter().enumerate() {
        for (q, word) in [(Quantity::Speed, "speed"), (Quantity::Thrust, "thrust")] {
            let some: Vec<(f64, f64, f64)> = told.iter().filter(|r| r.0 == q).map(|r| r.2[j]).collect();
            let bias = median_of(some.iter().map(|r| r.0 / r.1).collect());
            let relative = median_of(told.iter().filter(|r| r.0 == q).map(|r| r.2[j].1 / r.3[j]).collect());
            let ratio = median_of(some.iter().map(|r| r.1 / r.2).collect());
            println!(
                "{name} from {word}: {} truths, inside {:.3}, median bias {bias:.2} s.u., relative s.u. {relative:.4}, width over bound {ratio:.2}",
                some.len(),
                coverage(&some)
            );
        }
        let all: Vec<(f64, f64, f64)> = told.iter().map(|r| r.2[j]).collect();
        let inside = 100.0 * coverage(&all);
        let ratio = median_of(all.iter().map(|r| r.1 / r.2).collect());
        println!(
            "VALIDATION|drive steps|{name}: {} truths inside the stated 95 % interval, %|nominal 95 %|94.75|{inside:.2}|2.25 absolute",
            rows.len()
        );
        println!(
            "VALIDATION|drive steps|{name}: median width over the Cramer-Rao bound|at most twice the bound|2|{ratio:.3}|at most"
        );
        if !(92.5..=97.0).contains(&inside) || ratio > 2.0 {
            wrong.push(format!("{name}: {inside:.1} % inside, width {ratio:.2} of the bound"));
        }
    }
    assert!(told.len() * 1000 >= rows.len() * 995, "only {} of {} could be fitted", told.len(), rows.len());
    assert!(wrong.is_empty(), "{wrong:?}");
}
