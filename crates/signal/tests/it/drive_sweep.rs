//! Static sweeps: recovery of planted truths from a generator that is not the fitting model, and the
//! worked values of the first-order motor.

use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use rayon::prelude::*;
use signal::drive::combine::Figure;
use signal::drive::levels::{Columns, points};
use signal::drive::motor::motor;
use signal::drive::sweep::{Load, coefficient, curve, ends};

use crate::series::{coverage, median_of, truths};

/// Standard deviations of the planted coefficients of the square and the cube of ln w, as propellers have them.
const BEND: f64 = 0.1;
const CUBE: f64 = 0.15;

/// A planted drive. `thrust` and `torque` hold at `reference`; both drift with speed by `reynolds`, `bend` and `cube`,
/// over the logarithm of speed, its square and its cube.
struct Planted {
    thrust: f64,
    torque: f64,
    reynolds: f64,
    bend: f64,
    cube: f64,
    reference: f64,
    kv: f64,
    resistance: f64,
    no_load: f64,
    noise: [f64; 5],
    quantum: [f64; 5],
}

struct Made {
    time: Vec<f64>,
    command: Vec<f64>,
    /// voltage, current, speed, thrust, torque
    columns: [Vec<f64>; 5],
}

fn planted(rng: &mut ChaCha8Rng) -> Planted {
    // From a 5-inch to an 18-inch drive: full speed falls as size grows.
    let size: f64 = rng.random_range(0.0..1.0);
    let volts = 22.0;
    let normal = Normal::new(0.0, 1.0).unwrap();
    let full: f64 = 2600.0 * (0.2_f64).powf(size);
    let full_thrust = 8.0 * (7.0_f64).powf(size);
    let thrust = full_thrust / full.powi(2);
    let torque = thrust * (0.012 + 0.018 * size);
    let power = torque * full.powi(3);
    let amps = power / volts;
    // Iron and copper take their usual parts at full.
    let resistance = rng.random_range(0.05..0.14) * volts / amps;
    let no_load = rng.random_range(0.02..0.06) * amps;
    let kv = full / (volts - amps * resistance) * rng.random_range(1.0..1.1);
    let n = |r: f64, q: f64, rng: &mut ChaCha8Rng| (r * rng.random_range(0.3..1.5), q);
    let list = [
        n(0.02, 0.01, rng),
        n(0.004 * amps, 0.002 * amps, rng),
        n(0.004 * full, 0.002 * full, rng),
        n(0.004 * full_thrust, 0.001 * full_thrust, rng),
        n(0.006 * torque * full * full, 0.002 * torque * full * full, rng),
    ];
    Planted {
        thrust,
        torque,
        reynolds: rng.random_range(-0.05..0.1),
        bend: BEND * normal.sample(rng),
        cube: CUBE * normal.sample(rng),
        reference: 0.7 * full,
        kv,
        resistance,
        no_load,
        noise: list.map(|l| l.0),
        quantum: list.map(|l| l.1),
    }
}

/// A staircase up and down, simulated as the motor's differential equation on a sagging battery, with a
/// stand that rings, quantised telemetry and two clocks.
fn make(p: &Planted, rng: &mut ChaCha8Rng) -> Made {
    let normal = Normal::new(0.0, 1.0).unwrap();
    let levels = rng.random_range(9..=16);
    let hold = rng.random_range(1.5..2.5);
    let mut stairs: Vec<f64> =
        (0..levels).map(|k| 0.15 + 0.85 * f64::from(k) / f64::from(levels - 1)).collect();
    stairs.extend(stairs.clone().into_iter().rev().skip(1));
    stairs.insert(0, 0.0);
    stairs.push(0.0);
    let end = stairs.len() as f64 * hold;
    let h = 1e-3;
    let (kt, lag_up) = (1.0 / p.kv, rng.random_range(0.02..0.06));
    let down = rng.random_range(0.6..1.0);
    // Inertia from the lag, near the reference speed.
    let inertia = lag_up * (kt * kt / p.resistance + 2.0 * p.torque * p.reference);
    let source = rng.random_range(0.1..0.5) * p.resistance;
    let empty = rng.random_range(0.5..2.0);
    let (f, z) = (rng.random_range(20.0..60.0), 0.04);
    let wn = std::f64::consts::TAU * f;
    let offset = [0.0, 0.0, 0.0, 1.0, 1.0].map(|s| s * rng.random_range(-3.0..3.0));
    let wander = [0.0, 0.0, 0.0, 1.0, 1.0].map(|s| s * rng.random_range(-2.0..2.0));
    let (skew, shift) = (1.0 + 50e-6 * normal.sample(rng), rng.random_range(-0.02..0.02));
    let rate = rng.random_range(25.0..100.0);
    let command_rate = rng.random_range(25.0..100.0);
    let mut out = Made { time: Vec::new(), command: Vec::new(), columns: Default::default() };
    let (mut w, mut y, mut dy) = (0.0_f64, 0.0, 0.0);
    let mut next = 0.0;
    let n = (end / h) as usize;
    for i in 0..n {
        let now = i as f64 * h;
        let c = stairs[((now / hold) as usize).min(stairs.len() - 1)];
        let open = 23.0 - empty * now / end;
        // i = (c V - w/kv)/R and V = open - source c i.
        let amps =
            ((c * open - kt * w) / (p.resistance + source * c * c)).max(if c > 0.0 { -5.0 } else { 0.0 });
        let v = open - source * c * amps;
        let x = (w.max(1.0) / p.reference).ln();
        // Below a fifth of full speed nobody looks.
        let bent = x.max(-1.3);
        let k = 1.0 + (p.reynolds + (p.bend + p.cube * bent) * bent) * bent;
        let load = p.torque * k * w * w;
        let friction = kt * p.no_load * (w / 3.0).tanh();
        let rate_of = (kt * amps - friction - load) / inertia;
        w = (w + h * rate_of * if rate_of < 0.0 { down } else { 1.0 }).max(0.0);
        dy += h
            * (wn * wn * (p.thrust * k * w * w * (1.0 + 0.002 * normal.sample(rng)) - y) - 2.0 * z * wn * dy);
        y += h * dy;
        if now >= next {
            let jitter = rng.random_range(-0.15..0.15) / rate;
            next += 1.0 / rate;
            out.time.push(now * skew + shift + jitter + 0.3 * h);
            let clean = [v, c * amps, w, y, load];
            for j in 0..5 {
                let zero = (offset[j] + wander[j] * now / end) * p.noise[j];
                let noisy = clean[j] + zero + p.noise[j] * normal.sample(rng);
                out.columns[j].push((noisy / p.quantum[j]).round() * p.quantum[j]);
            }
            // The command's log runs on its own clock: the row nearest before is taken.
            let logged = ((now + shift) * command_rate).floor() / command_rate - shift;
            out.command.push(stairs[((logged.max(0.0) / hold) as usize).min(stairs.len() - 1)]);
        }
    }
    out
}

/// Bounds of thrust and torque coefficient, kv, resistance, no-load current: white noise of the telemetry and
/// quantisation, all other figures of the same equations unknown.
fn bounds(p: &Planted, m: &Made) -> [f64; 5] {
    let columns = columns(m);
    let list = points(&columns);
    let sigma: Vec<f64> = (0..5).map(|j| p.noise[j].hypot(p.quantum[j] / 12f64.sqrt())).collect();
    let one = |rows: &[(DVector<f64>, f64)], known: &[(usize, f64)], pick: &[usize]| -> Vec<f64> {
        let n = rows[0].0.len();
        let mut info = DMatrix::<f64>::zeros(n, n);
        for (g, s) in rows {
            info += g * g.transpose() / (s * s);
        }
        // What is drawn at random is known by its spread (van Trees 1968).
        for (k, s) in known {
            info[(*k, *k)] += s.powi(-2);
        }
        let scale: Vec<f64> = (0..n).map(|i| info[(i, i)].sqrt()).collect();
        let unit = DMatrix::from_fn(n, n, |i, j| info[(i, j)] / scale[i] / scale[j]).try_inverse().unwrap();
        pick.iter().map(|&i| unit[(i, i)].sqrt() / scale[i]).collect()
    };
    let top = list.iter().filter_map(|p| p.speed).map(|s| s.value).fold(0.0, f64::max);
    let length = list.last().unwrap().time;
    let load = |k: f64, j: usize| -> f64 {
        let rows: Vec<(DVector<f64>, f64)> = list
            .iter()
            .filter(|q| q.speed.is_some_and(|s| s.value > 0.2 * top || s.value < 0.01 * top))
            .map(|q| {
                let w = q.speed.unwrap().value.max(1e-3);
                let x = (w / p.reference).ln();
                let g = DVector::from_vec(vec![
                    w * w,
                    w * w * x,
                    w * w * x * x,
                    w * w * x.powi(3),
                    1.0,
                    q.time / length - 0.5,
                ]);
                let own = sigma[j].hypot(2.0 * k * w * sigma[2]) / (q.rows as f64).sqrt();
                (g, own)
            })
            .collect();
        one(&rows, &[(2, k * BEND), (3, k * CUBE)], &[0])[0]
    };
    let mut voltage = Vec::new();
    // No-load current: torque and current rows together, with the torque's coefficient, its three coefficients over ln w, the cell's
    // zero and the zero's drift unknown as well. Unknown: those six, i0, ln kv.
    let mut info = DMatrix::<f64>::zeros(8, 8);
    let mut add = |g: [f64; 8], s: f64| {
        let g = DVector::from_row_slice(&g) / s;
        info += &g * g.transpose();
    };
    for q in &list {
        let Some(w) = q.speed.map(|s| s.value) else { continue };
        let n = (q.rows as f64).sqrt();
        let (square, log) = (w * w, (w.max(1e-3) / p.reference).ln());
        if w > 0.2 * top || w < 0.01 * top {
            let own = sigma[4].hypot(2.0 * p.torque * w * sigma[2]) / n;
            add(
                [
                    square,
                    square * log,
                    square * log * log,
                    square * log.powi(3),
                    1.0,
                    q.time / length - 0.5,
                    0.0,
                    0.0,
                ],
                own,
            );
        }
        let (Some(c), Some(i)) = (q.command, q.current) else { continue };
        if c < 0.12 {
            continue;
        }
        let torque = p.torque * square;
        let kv = p.kv * square;
        add([kv, kv * log, kv * log * log, kv * log.powi(3), 0.0, 0.0, 1.0, p.kv * torque], sigma[1] / c / n);
        let i = i.value / c;
        let own =
            ((c * sigma[0]).powi(2) + (sigma[2] / p.kv).powi(2) + (p.resistance * sigma[1] / c).powi(2))
                .sqrt()
                / n;
        // d(cV) for ln kv and R.
        voltage.push((DVector::from_vec(vec![-w / p.kv, i]), own));
    }
    let v = one(&voltage, &[], &[0, 1]);
    // kv known from the voltages as a prior.
    info[(7, 7)] += v[0].powi(-2);
    info[(2, 2)] += (p.torque * BEND).powi(-2);
    info[(3, 3)] += (p.torque * CUBE).powi(-2);
    let scale: Vec<f64> = (0..8).map(|i| info[(i, i)].sqrt()).collect();
    let unit = DMatrix::from_fn(8, 8, |i, j| info[(i, j)] / scale[i] / scale[j]).try_inverse().unwrap();
    let i0 = unit[(6, 6)].sqrt() / scale[6];
    [load(p.thrust, 3), load(p.torque, 4), v[0] * p.kv, v[1], i0]
}

fn columns(m: &Made) -> Columns<'_> {
    Columns {
        time: &m.time,
        command: Some(&m.command),
        voltage: Some(&m.columns[0]),
        current: Some(&m.columns[1]),
        speed: Some(&m.columns[2]),
        thrust: Some(&m.columns[3]),
        torque: Some(&m.columns[4]),
    }
}

#[test]
fn val_recovery_of_sweeps() {
    const NAMES: [&str; 5] =
        ["thrust coefficient", "torque coefficient", "velocity constant", "resistance", "no-load current"];
    // A sweep is fitted quickly: six hundred, so that chance moves a share by less than one per cent.
    let rows: Vec<_> = (0..truths().max(600))
        .into_par_iter()
        .map(|i| {
            let mut rng = ChaCha8Rng::seed_from_u64(5000 + i);
            let p = planted(&mut rng);
            let m = make(&p, &mut rng);
            let list = points(&columns(&m));
            let t = coefficient(&list, Load::Thrust, Some(p.reference))?;
            let q = coefficient(&list, Load::Torque, Some(p.reference))?;
            let none = Figure { value: 0.0, uncertainty: 0.0, degrees: 0.0 };
            let d = motor(&list, &|c| c, q.zero.unwrap_or(none));
            let found = [t.value, q.value, d.kv?, d.resistance?, d.no_load?];
            let truth = [p.thrust, p.torque, p.kv, p.resistance, p.no_load];
            let bound = bounds(&p, &m);
            Some(
                [0, 1, 2, 3, 4]
                    .map(|j| (found[j].value - truth[j], found[j].uncertainty, bound[j], truth[j])),
            )
        })
        .collect();
    let told: Vec<_> = rows.iter().flatten().collect();
    let mut wrong = Vec::new();
    for (j, name) in NAMES.iter().enumerate() {
        let all: Vec<(f64, f64, f64)> = told.iter().map(|r| (r[j].0, r[j].1, r[j].2)).collect();
        let inside = 100.0 * coverage(&all);
        let ratio = median_of(all.iter().map(|r| r.1 / r.2).collect());
        let bias = median_of(all.iter().map(|r| r.0 / r.1).collect());
        let relative = median_of(told.iter().map(|r| r[j].1 / r[j].3).collect());
        println!(
            "{name}: inside {inside:.1} %, bias {bias:.2} s.u., relative s.u. {relative:.5}, width over bound {ratio:.2}"
        );
        println!(
            "VALIDATION|drive sweeps|{name}: {} truths inside the stated 95 % interval, % (aim 92.5 to 97)|nominal 95 %|92.5|{inside:.2}|at least",
            rows.len()
        );
        println!(
            "VALIDATION|drive sweeps|{name}: median width over the Cramer-Rao bound|twice the bound|2|{ratio:.3}|at most"
        );
        if !(92.5..=97.0).contains(&inside) || ratio > 2.0 {
            wrong.push(format!("{name}: {inside:.1} % inside, width {ratio:.2} of the bound"));
        }
    }
    assert!(told.len() * 1000 >= rows.len() * 995, "only {} of {} could be fitted", told.len(), rows.len());
    assert!(wrong.is_empty(), "{wrong:?}");
}

/// Steady states of the first-order motor by its own equations, checked against worked values of an
/// independent implementation: v = 11.1 V, kv 920 rpm/V, 0.142 ohm, 0.7 A: 8,000 rpm takes 16.932027 A and gives
/// 0.168483 N m (aerosandbox, motor_electric_performance).
#[test]
fn val_motor_constants_from_worked_values() {
    let rpm = std::f64::consts::PI / 30.0;
    let kv = 920.0 * rpm;
    let (r, i0) = (0.142, 0.7);
    let first = |v: f64, w: f64| {
        let i = (v - w / kv) / r;
        (i, (i - i0) / kv)
    };
    let (i, q) = first(11.1, 8000.0 * rpm);
    assert!((i - 16.932_027).abs() < 1e-5 && (q - 0.168_483).abs() < 1e-6);
    // A sweep of steady rows of that motor with a propeller that takes that torque at 8,000 rpm.
    let k = 0.168_483 / (8000.0 * rpm).powi(2);
    let mut column: [Vec<f64>; 6] = Default::default();
    for step in 0..12 {
        let c = 0.3 + 0.7 * f64::from(step) / 11.0;
        let v = 11.1;
        let (mut low, mut high) = (0.0, kv * v);
        for _ in 0..100 {
            let w = 0.5 * (low + high);
            if first(c * v, w).1 > k * w * w { low = w } else { high = w }
        }
        let (i, q) = first(c * v, low);
        for (list, value) in column.iter_mut().zip([f64::from(step), c, v, c * i, low, q]) {
            list.push(value);
        }
    }
    let list = points(&Columns {
        time: &column[0],
        command: Some(&column[1]),
        voltage: Some(&column[2]),
        current: Some(&column[3]),
        speed: Some(&column[4]),
        thrust: None,
        torque: Some(&column[5]),
    });
    let none = Figure { value: 0.0, uncertainty: 0.0, degrees: 0.0 };
    let m = motor(&list, &|c| c, none);
    let source = "aerosandbox worked values, first-order motor";
    for (what, want, got) in [
        ("velocity constant from a sweep, rad/s/V", kv, m.kv.unwrap().value),
        ("resistance from a sweep, ohm", r, m.resistance.unwrap().value),
        ("no-load current from a sweep, A", i0, m.no_load.unwrap().value),
    ] {
        println!("VALIDATION|drive sweeps|{what}|{source}|{want}|{got}|1e-4 relative");
        assert!((got / want - 1.0).abs() < 1e-4, "{what}: {got} {want}");
    }
}

/// A curve with a dead band, a dead top and a sagging bus gives its ends and its full thrust at nominal voltage.
#[test]
fn prop_curve_and_ends_of_a_planted_command() {
    let (mut time, mut command, mut voltage, mut thrust, mut speed) =
        (vec![], vec![], vec![], vec![], vec![]);
    for (k, c) in (0..=40).map(|k| f64::from(k) / 40.0).enumerate() {
        let v = 16.8 - 1.5 * c;
        let on = if c < 0.06 { 0.0 } else { c.min(0.96) };
        let x = on * v / 16.0;
        time.push(k as f64);
        command.push(c);
        voltage.push(v);
        thrust.push(2.0 * x + 8.0 * x * x + 0.001 * (k as f64 * 2.4).sin());
        speed.push(900.0 * x.sqrt());
    }
    let columns = Columns {
        time: &time,
        command: Some(&command),
        voltage: Some(&voltage),
        speed: Some(&speed),
        thrust: Some(&thrust),
        ..Columns::default()
    };
    let list = points(&columns);
    let e = ends(&list, 0.0);
    let top = e.saturation.unwrap();
    assert!((top.value - 0.96).abs() < 0.01, "{top:?}");
    assert!((e.dead_band.unwrap().value - 0.0625).abs() < 0.013);
    let curve = curve(&list, Some(16.0), 0.0, top.value).unwrap();
    let want = 2.0 * 0.96 + 8.0 * 0.96 * 0.96;
    assert!((curve.full.value / want - 1.0).abs() < 0.01, "{} {want}", curve.full.value);
    let slope = curve.slope(0.5);
    assert!((slope.value / 10.0 - 1.0).abs() < 0.02, "{slope:?}");
}

/// Lost telemetry within a level: its speed drops out for a row or two, and the level goes on. The load cell follows
/// slowly, so that a piece of the level taken by itself would be read before it is there.
#[test]
fn prop_a_dropout_does_not_end_a_level() {
    let rate = 100.0;
    let levels = [0.0, 400.0, 600.0, 800.0, 1000.0, 1200.0, 800.0, 400.0, 0.0];
    let k = 4e-6;
    let (mut time, mut speed, mut thrust) = (vec![], vec![], vec![]);
    let mut cell = 0.0;
    for i in 0..(levels.len() * 400) {
        let t = i as f64 / rate;
        let w: f64 = levels[i / 400];
        cell += (k * w * w - cell) / (0.3 * rate);
        time.push(t);
        // Twice in each level, soon after its beginning and late.
        let lost = matches!(i % 400, 40 | 41 | 350);
        speed.push(if lost { 0.6 * w } else { w });
        thrust.push(cell);
    }
    let list =
        points(&Columns { time: &time, speed: Some(&speed), thrust: Some(&thrust), ..Columns::default() });
    assert_eq!(list.len(), levels.len(), "{list:?}");
    for (p, w) in list.iter().zip(levels) {
        assert!((p.speed.unwrap().value - w).abs() < 1e-9 * w.max(1.0), "{w}: {p:?}");
        assert!((p.thrust.unwrap().value - k * w * w).abs() < 0.005, "{w}: {p:?}");
    }
    let found = coefficient(&list, Load::Thrust, None).unwrap();
    assert!((found.value.value / k - 1.0).abs() < 2e-3, "{found:?}");
}
