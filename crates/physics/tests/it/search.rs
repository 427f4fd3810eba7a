//! Outer loops, rejection, scaling and the search of gains against python-control, closed forms and exact margins.

use std::f64::consts::{FRAC_PI_2, PI};

use physics::loops::chain::RateChain;
use physics::loops::disturbance::rejection;
use physics::loops::outer::Outer;
use physics::loops::response::closed_step;
use physics::loops::search::{self, Bound, Gains, Limits, Noise, Plants, SAFE_STEP, logarithmic};
use physics::loops::stage::{Element, Path, Stage};
use physics::loops::{Complex, froude};

use crate::filters::{number, table};
use crate::loops::chains;

/// A chain of gyro delay, controller, dead time, motor lag and airframe of a gain.
fn chain(sensing: f64, dead: f64, lag: f64, gain: f64) -> RateChain {
    let stage =
        |id: &str, path, element| Stage { id: id.to_owned(), name: id.to_owned(), key: None, path, element };
    RateChain {
        axis: 0,
        stages: vec![
            stage("imu-delay", Path::Sensing, Element::Delay { time: sensing }),
            stage("controller", Path::Controller, Element::Pid { p: 1.0, i: 0.0, d: 0.0, d_lag: 2e-3 }),
            stage("esc-dead-time", Path::Forward, Element::Delay { time: dead }),
            stage("motor", Path::Forward, Element::Lag { tau: lag }),
            stage("airframe", Path::Forward, Element::Integrator { gain }),
        ],
    }
}

#[test]
fn val_outer_loops_against_python_control() {
    let chains = chains();
    for row in &table("outer_loops.csv") {
        let name = &row["case"];
        let c = &chains[name];
        let outer = Outer {
            attitude: number(row, "attitude"),
            velocity: number(row, "velocity"),
            position: number(row, "position"),
            integral: number(row, "integral"),
            delay: number(row, "late"),
            drag: 0.0,
        };
        let motor = c.motor_margins(&outer);
        assert!(motor.stable, "{name}");
        let l = |w: f64| c.attitude_gain_at(outer.attitude, Complex::new(0.0, w));
        let r = rejection(&l, 0.01, 500.0).unwrap();
        let deg = f64::to_degrees;
        for (key, unit, got, tolerance) in [
            ("motor_gain_up_db", "dB", 20.0 * motor.gain_margin_up.log10(), 2e-3),
            ("motor_phase_deg", "deg", deg(motor.phase_margin), 2e-3),
            ("attitude_phase_deg", "deg", deg(c.attitude_margins(outer.attitude).phase_margin), 2e-3),
            ("velocity_phase_deg", "deg", deg(c.velocity_margins(&outer).phase_margin), 2e-3),
            ("position_phase_deg", "deg", deg(c.position_margins(&outer).phase_margin), 2e-3),
            ("rejection_bandwidth", "rad/s", r.bandwidth, 1e-3),
            ("rejection_peak", "1", r.peak, 1e-3),
        ] {
            let want = number(row, key);
            println!(
                "VALIDATION|outer loops|{name}: {key}, {unit}|python-control|{want:.6}|{got:.6}|{tolerance} relative"
            );
            assert!((got - want).abs() <= tolerance * want.abs(), "{name}: {key}: {got}, {want}");
        }
    }
}

#[test]
fn val_froude_scaling() {
    // Published ratios for a length ratio of 10: frequency sqrt(10), inertia 1e-5, mass 1e-3 (standard similitude).
    for (what, want, got) in [
        ("frequency at a tenth of the length", 3.16228, froude::frequency(1.0, 10.0, 1.0)),
        ("frequency at a fifth of the length", 2.23607, froude::frequency(1.0, 5.0, 1.0)),
        ("mass at a tenth of the length", 1e-3, froude::mass(1.0, 10.0, 1.0)),
        ("inertia at a tenth of the length", 1e-5, froude::inertia(1.0, 10.0, 1.0)),
        // 8.1/sqrt(d) and 0.037 sqrt(d) at a diagonal of 1 m.
        ("attitude bandwidth at 1 m, rad/s", 8.1, froude::attitude_bandwidth(1.0)),
        ("phase delay at 1 m, s", 0.037, froude::phase_delay(1.0)),
    ] {
        println!("VALIDATION|froude|{what}|standard similitude|{want}|{got:.6}|0.2 %");
        assert!((got / want - 1.0).abs() < 2e-3, "{what}: {got}");
    }
}

/// An uncertain aircraft: the nominal chain and corners of gain, lag and dead time.
fn family(scale: f64) -> Vec<RateChain> {
    let mut all = vec![chain(1.5e-3 * scale, 4e-3 * scale, 0.03 * scale, 1.0)];
    for gain in [0.87, 1.15] {
        for lag in [0.85, 1.15] {
            for dead in [0.8, 1.2] {
                all.push(chain(1.5e-3 * scale, 4e-3 * dead * scale, 0.03 * lag * scale, gain));
            }
        }
    }
    all
}

#[test]
fn val_grid_against_exact_margins() {
    let all = family(1.0);
    let plants = Plants::new(&all, 15.0, 400).unwrap();
    let (mut phase, mut up, mut sensitivity, mut overshoot): (f64, f64, f64, f64) = (0.0, 0.0, 0.0, 0.0);
    let loose = Limits {
        phase_margin: 0.5,
        gain_up: 1.5,
        gain_down: 1.5,
        sensitivity: 3.0,
        overshoot: 9.0,
        ..Limits::default()
    };
    for (p, i, d) in
        [(6.0, 10.0, 0.0), (12.0, 20.0, 0.0), (15.0, 60.0, 0.1), (18.0, 40.0, 0.15), (10.0, 5.0, 0.05)]
    {
        let cell = plants.judge(Gains { p, i, d }, &loose, &Noise::default());
        assert_eq!(cell.broken, None, "{p} {i} {d}: {cell:?}");
        let exact: Vec<_> = all.iter().map(|c| c.clone().with_gains(p, i, d)).collect();
        let margins: Vec<_> = exact.iter().map(RateChain::margins).collect();
        let weakest = (0..all.len())
            .min_by(|&a, &b| margins[a].phase_margin.total_cmp(&margins[b].phase_margin))
            .unwrap();
        phase = phase.max((cell.phase_margin - margins[weakest].phase_margin).abs().to_degrees());
        let least = margins.iter().map(|m| m.gain_margin_up).fold(f64::INFINITY, f64::min);
        up = up.max((cell.gain_up / least - 1.0).abs());
        let most = margins.iter().map(|m| m.peak_sensitivity).fold(0.0, f64::max);
        sensitivity = sensitivity.max((cell.sensitivity / most - 1.0).abs());
        let step = closed_step(&exact[weakest], 0.3 * 40.0 / 15.0, 1e-3).unwrap().figures().overshoot;
        overshoot = overshoot.max((cell.overshoot - step).abs());
    }
    for (what, got, limit) in [
        ("phase margin, deg", phase, 0.5),
        ("gain margin up, relative", up, 0.01),
        ("peak sensitivity, relative", sensitivity, 0.01),
        ("overshoot, of the step", overshoot, 0.01),
    ] {
        println!(
            "VALIDATION|gain search|largest error of the grid: {what}|exact margins and step of the same chains|{limit}|{got:.5}|at most"
        );
        assert!(got <= limit, "{what}: {got}");
    }
    // Closed form: integrator and delay, p T = pi/2 at the limit of stability.
    let plain = Plants::new(&[chain(0.0, 0.02, 0.0, 1.0)], 30.0, 400).unwrap();
    let cell = plain.judge(Gains { p: 30.0, i: 0.0, d: 0.0 }, &loose, &Noise::default());
    assert!((cell.gain_up - FRAC_PI_2 / 0.6).abs() < 0.01 * cell.gain_up);
    let far = plain.judge(Gains { p: 90.0, i: 0.0, d: 0.0 }, &loose, &Noise::default());
    assert_eq!(far.broken, Some(Bound::Stability));
}

#[test]
fn val_recommended_gains_on_the_true_plant() {
    let limits = Limits::default();
    let (p, i, d) = (logarithmic(1.5, 200.0, 48), logarithmic(0.3, 2000.0, 24), vec![0.0, 0.1, 0.2, 0.4]);
    let (mut phase, mut gain, mut aircraft) = (0.0_f64, 0.0_f64, 0);
    for scale in [0.4, 0.7, 1.0, 1.6, 2.5] {
        let all = family(scale);
        let plants = Plants::new(&all, 12.0 / scale, 400).unwrap();
        let cells = plants.sweep(&p, &i, &d, &limits, &Noise::default());
        let best = search::fastest(&cells, 0.03).unwrap();
        // Promised is the worst of the family; the true aircraft at its corners must keep it.
        let corners =
            all.iter().map(|c| c.clone().with_gains(best.gains.p, best.gains.i, best.gains.d).margins());
        for m in corners {
            assert!(m.stable);
            phase = phase.max((best.phase_margin - m.phase_margin).to_degrees());
            gain = gain.max(20.0 * (best.gain_up / m.gain_margin_up).log10());
        }
        assert!(best.overshoot <= limits.overshoot && best.phase_margin >= PI / 4.0);
        // A neighbour that is quicker breaks a limit: the search is at the edge.
        let more = plants.judge(Gains { p: best.gains.p * 1.2, ..best.gains }, &limits, &Noise::default());
        assert!(more.broken.is_some(), "{scale}: {more:?}");
        aircraft += 1;
        // Out of reach: so many milliseconds less, and it is in reach.
        let wanted = 1.25 * best.crossover;
        let save = search::delay_to_save(&plants, (&p, &i, &d), &limits, &Noise::default(), wanted).unwrap();
        assert!(save > 0.0);
        let reached = |by: f64| {
            let cells = plants.quicker(by).sweep(&p, &i, &d, &limits, &Noise::default());
            cells.iter().any(|c| c.broken.is_none() && c.crossover >= wanted)
        };
        assert!(reached(save) && !reached(0.85 * save), "{scale}: {save}");
    }
    assert_eq!(aircraft, 5);
    println!(
        "VALIDATION|gain search|margin promised over margin at any corner, deg|exact margins|0.5|{phase:.4}|at most"
    );
    println!(
        "VALIDATION|gain search|gain margin promised over that at any corner, dB|exact margins|0.1|{gain:.4}|at most"
    );
    assert!(phase <= 0.5 && gain <= 0.1);
    // Where thrust or noise bind, they are named.
    let plants = Plants::new(&family(1.0), 12.0, 200).unwrap();
    let tight = Limits { saturation: 5.0, ..limits };
    let g = Gains { p: 6.0, i: 5.0, d: 0.0 };
    assert_eq!(plants.judge(g, &tight, &Noise::default()).broken, Some(Bound::Saturation));
    let loud = Limits { noise: 0.01, ..limits };
    let noise = Noise { pp: 1e-4, dd: 1.0, pd: 0.0 };
    assert_eq!(plants.judge(g, &loud, &noise).broken, Some(Bound::Noise));
}

#[test]
fn prop_a_path_is_made_of_safe_steps() {
    let (from, to) = (Gains { p: 5.0, i: 12.0, d: 0.0 }, Gains { p: 21.0, i: 60.0, d: 0.1 });
    let path = search::path(&from, &to);
    let mut last = from;
    for g in &path {
        assert!(g.p / last.p <= SAFE_STEP + 1e-9 && g.i / last.i <= SAFE_STEP + 1e-9);
        last = *g;
    }
    assert!((last.p - to.p).abs() < 1e-9 && (last.d - to.d).abs() < 1e-9);
    assert_eq!(search::path(&to, &to).len(), 1);
}

#[test]
fn val_hold_in_gusts_against_lyapunov() {
    use physics::loops::hold::{Gust, Vertical, hold};
    use physics::loops::stage::{Element, Path, Stage};
    for (k, row) in table("hold.csv").iter().enumerate() {
        let of = |key: &str| number(row, key);
        let stage = |id: &str, path, element| Stage {
            id: id.to_owned(),
            name: id.to_owned(),
            key: None,
            path,
            element,
        };
        let chain = RateChain {
            axis: 0,
            stages: vec![
                stage(
                    "controller",
                    Path::Controller,
                    Element::Pid { p: of("p"), i: of("i"), d: 0.0, d_lag: 0.0 },
                ),
                stage("dead", Path::Forward, Element::Delay { time: of("dead") }),
                stage("motor", Path::Forward, Element::Lag { tau: of("tau") }),
                stage("airframe", Path::Forward, Element::Integrator { gain: 1.0 }),
            ],
        }
        .with_damping(of("damping"));
        let outer = Outer {
            attitude: of("attitude"),
            velocity: of("velocity"),
            position: of("position"),
            integral: of("integral"),
            delay: of("delay"),
            drag: 0.0,
        };
        let vertical = Vertical {
            climb: (of("climb"), of("climb_integral")),
            height: of("height"),
            lift: of("lift"),
            slower: 0.0,
            decay: of("decay"),
            body: 0.5 * of("drag"),
            lifted: of("lifted"),
        };
        let gusts = ["u", "v", "w"].map(|c| Gust {
            sigma: of(&format!("sigma_{c}")),
            time: of(&format!("time_{c}")),
            along: c == "u",
        });
        let got =
            hold(&chain, &outer, &vertical, [of("drag"), 0.5 * of("drag")], of("wind"), &gusts).unwrap();
        for (key, got) in [
            ("along", got.along),
            ("across", got.across),
            ("vertical", got.height),
            ("plane_95", got.plane_95()),
        ] {
            let want = of(key);
            println!(
                "VALIDATION|outer loops|hold in gusts, case {}: {key} [m]|SciPy, Lyapunov's equation (reference/hold.csv)|{want:.5}|{got:.5}|1 %",
                k + 1
            );
            assert!((got / want - 1.0).abs() < 0.01, "case {} {key}: {got} {want}", k + 1);
        }
    }
}
