//! Rate chain, margins, ledger, steps and noise against python-control, closed forms and simulations.

use std::collections::BTreeMap;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

use physics::Vec3;
use physics::aircraft::{Aircraft, Esc, Filter, Imu, Missing, RateLoop};
use physics::loops::Complex;
use physics::loops::chain::{RateChain, rate_chain};
use physics::loops::gains::for_phase_margin;
use physics::loops::handling::attitude_bandwidth;
use physics::loops::inflow::InflowLead;
use physics::loops::ledger::{ledger, savings, total_delay};
use physics::loops::margins::margins;
use physics::loops::noise::{gyro_to_command, rms};
use physics::loops::response::{ResponseError, attitude_step, closed_step, step, step_seen};
use physics::loops::stage::Element;
use proptest::prelude::*;

use crate::control::bare;
use crate::filters::{number, table};

/// A small aircraft with a complete rate loop.
fn example() -> Aircraft {
    let mut aircraft = bare(Vec::new());
    aircraft.imu = Some(Imu {
        sample_period: 1e-3,
        delay: 0.3e-3,
        rate_range: 35.0,
        rate_noise: 1e-4,
        accel_range: 157.0,
        accel_noise: 1e-3,
        at: Vec3::zeros(),
    });
    aircraft.esc = Some(Esc {
        resistance: 0.003,
        dead_time: 1.5e-3,
        update_period: 0.5e-3,
        protocol_period: 0.1e-3,
        switching_frequency: 0.0,
        edge_time: 0.0,
        braking: true,
        response_up: None,
        response_down: None,
        usable_minimum: 0.04,
        max_current: None,
    });
    aircraft.filters = vec![
        Filter::LowPass { order: 2, cutoff: 40.0 },
        Filter::Notch { centre: 95.0, width: 30.0, floor: 0.05 },
    ];
    aircraft.rate_loop = Some(RateLoop {
        period: 1e-3,
        delay: 0.4e-3,
        p: [16.0, 16.0, 8.0],
        i: [40.0, 40.0, 10.0],
        d: [0.0; 3],
        d_lag: 2e-3,
        linearised: true,
        voltage_corrected: false,
        set_up_at: None,
    });
    aircraft
}

/// The chain of one row of the reference table.
fn chain_of(row: &BTreeMap<String, String>) -> RateChain {
    let v = |key: &str| number(row, key);
    let mut aircraft = example();
    if let Some(imu) = &mut aircraft.imu {
        (imu.sample_period, imu.delay) = (v("sample_period"), v("imu_delay"));
    }
    if let Some(esc) = &mut aircraft.esc {
        (esc.dead_time, esc.update_period, esc.protocol_period) = (v("dead"), v("update"), v("protocol"));
    }
    if let Some(rate) = &mut aircraft.rate_loop {
        (rate.period, rate.delay, rate.d_lag) = (v("period"), v("delay"), v("d_lag"));
        (rate.p, rate.i, rate.d) = ([v("p"); 3], [v("i"); 3], [v("d"); 3]);
    }
    aircraft.filters.clear();
    if v("order") > 0.0 {
        aircraft.filters.push(Filter::LowPass { order: v("order") as u32, cutoff: v("cutoff") });
    }
    if v("centre") > 0.0 {
        aircraft.filters.push(Filter::Notch { centre: v("centre"), width: v("width"), floor: v("floor") });
    }
    let mut chain = rate_chain(&aircraft, 0, v("tau"), 0.0)
        .unwrap()
        .with_inflow(InflowLead { zero: v("zero"), pole: v("pole") });
    if v("period") == 0.0 {
        // Cases without a sampled controller have no wait for the gyro either.
        chain.stages.retain(|s| s.id != "imu-sampling");
    }
    chain
}

pub(crate) fn chains() -> BTreeMap<String, RateChain> {
    table("loop_chains.csv").iter().map(|row| (row["case"].clone(), chain_of(row))).collect()
}

#[test]
fn val_margins_of_chains_against_python_control() {
    let chains = chains();
    for row in &table("loop_margins.csv") {
        let name = &row["case"];
        let chain = &chains[name];
        let l = chain.loop_gain(number(row, "at"));
        let error = (l.re - number(row, "re")).hypot(l.im - number(row, "im")) / l.norm();
        assert!(error < 1e-9, "{name}: loop gain {error:e}");
        let m = chain.margins();
        assert!(m.stable, "{name}");
        for (key, unit, got) in [
            ("crossover", "rad/s", m.crossover),
            ("phase_margin_deg", "deg", m.phase_margin.to_degrees()),
            ("gain_margin_up", "1", m.gain_margin_up),
            ("neutral", "rad/s", m.neutral_stability),
            ("delay_margin", "s", m.delay_margin),
            ("peak_sensitivity", "1", m.peak_sensitivity),
            ("disc_margin", "1", m.disc_margin),
        ] {
            let expected = number(row, key);
            println!(
                "VALIDATION|loops|{name}: {key} [{unit}]|python-control stability_margins of the frequency response (reference/loop_margins.csv)|{expected:.8}|{got:.8}|1e-6 relative"
            );
            assert!((got - expected).abs() < 1e-6 * expected.abs(), "{name} {key} {got} {expected}");
        }
    }
    let unstable = chains["unstable"].margins();
    assert!(!unstable.stable && unstable.unstable_poles == 2, "{unstable:?}");
    assert!(unstable.gain_margin_up < 1.0 && unstable.delay_margin == 0.0 && unstable.disc_margin == 0.0);
    // Turned down by a little more than the margin it is stable.
    let tamed = chains["unstable"].clone().with_gain_factor(0.99 * unstable.gain_margin_up).margins();
    assert!(tamed.stable && tamed.gain_margin_up < 1.02);
}

#[test]
fn val_rational_margins_against_python_control() {
    for row in &table("rational_margins.csv") {
        let (k, t1, t2) = (number(row, "k"), number(row, "tau1"), number(row, "tau2"));
        let loop_gain = |omega: f64| {
            let s = Complex::new(0.0, omega);
            (s * (s * t1 + 1.0) * (s * t2 + 1.0)).inv() * k
        };
        let m = margins(&loop_gain, 1e-3, 1e5, 1);
        let name = format!("{k}/(s ({t1} s + 1) ({t2} s + 1))");
        for (key, unit, got, tolerance) in [
            ("crossover", "rad/s", m.crossover, 1e-6),
            ("phase_margin_deg", "deg", m.phase_margin.to_degrees(), 1e-6),
            ("gain_margin_up", "1", m.gain_margin_up, 1e-6),
            ("neutral", "rad/s", m.neutral_stability, 1e-6),
            ("disc_margin", "1", m.disc_margin, 1e-5),
            ("disc_gain_db", "dB", 20.0 * m.disc_gain().log10(), 1e-5),
            ("disc_phase_deg", "deg", m.disc_phase().to_degrees(), 1e-5),
        ] {
            let expected: f64 = row[key].parse().unwrap_or(f64::INFINITY);
            if expected.is_nan() {
                continue;
            }
            println!(
                "VALIDATION|loops|{name}: {key} [{unit}]|python-control margin and disk_margins, skew 0 (reference/rational_margins.csv)|{expected:.8}|{got:.8}|{tolerance} relative"
            );
            let same = got == expected || (got - expected).abs() < tolerance * expected.abs();
            assert!(same, "{name} {key} {got} {expected}");
        }
    }
}

/// Closed forms: K e^(-sT)/s has its crossover at K, phase margin pi/2 - KT and gain margin pi/(2 KT); and two
/// textbook loops.
#[test]
fn val_textbook_margins() {
    let check = |what: &str, expected: f64, got: f64, tolerance: f64| {
        println!(
            "VALIDATION|loops|{what}|closed form, cross-checked with python-control 0.10.2|{expected}|{got:.12}|{tolerance}"
        );
        assert!((expected - got).abs() < tolerance, "{what} {got}");
    };
    let db = |ratio: f64| 20.0 * ratio.log10();
    for (k, t, pm, gm) in
        [(10.0, 0.02, 78.5408, 17.9018), (20.0, 0.02, 67.0817, 11.8812), (30.0, 0.025, 47.0282, 6.4212)]
    {
        let m = margins(&|w| Complex::new(0.0, -w * t).exp() * k / Complex::new(0.0, w), 1e-3, 1e5, 1);
        check(&format!("{k} e^(-{t} s)/s, phase margin [deg]"), pm, m.phase_margin.to_degrees(), 1e-4);
        check(&format!("{k} e^(-{t} s)/s, gain margin [dB]"), gm, db(m.gain_margin_up), 1e-4);
        check(&format!("{k} e^(-{t} s)/s, delay margin [s]"), FRAC_PI_2 / k - t, m.delay_margin, 1e-9);
    }
    let m = margins(&|w| (Complex::new(1.0, w).powi(3)).inv() * 4.0, 1e-4, 1e4, 0);
    check("4/(s+1)^3, gain margin [1]", 2.0, m.gain_margin_up, 1e-6);
    check("4/(s+1)^3, neutral stability [rad/s]", 1.73205, m.neutral_stability, 1e-5);
    check("4/(s+1)^3, phase margin [deg]", 27.1416, m.phase_margin.to_degrees(), 1e-4);
    check("4/(s+1)^3, crossover [rad/s]", 1.23282, m.crossover, 1e-5);
    let m = margins(
        &|w| {
            let s = Complex::new(0.0, w);
            (s * (s + 2.0) * (s * 0.1 + 1.0)).inv() * 10.0
        },
        1e-4,
        1e5,
        1,
    );
    check("10/(s(s+2)(0.1s+1)), gain margin [1]", 2.4, m.gain_margin_up, 1e-6);
    check("10/(s(s+2)(0.1s+1)), phase margin [deg]", 19.9079, m.phase_margin.to_degrees(), 1e-4);
    check("10/(s(s+2)(0.1s+1)), crossover [rad/s]", 2.79917, m.crossover, 1e-5);
}

/// A conditionally stable loop: L = K (s+1)^2/s^3 is stable for K > 1/2 (Hurwitz: s^3 + K s^2 + 2 K s + K).
#[test]
fn val_conditionally_stable_loop() {
    let of = |k: f64| {
        margins(
            &move |w| {
                let s = Complex::new(0.0, w);
                (s + 1.0).powi(2) / s.powi(3) * k
            },
            1e-4,
            1e6,
            3,
        )
    };
    let m = of(2.0);
    println!(
        "VALIDATION|loops|2 (s+1)^2/s^3, gain margin down [1]|Hurwitz: stable for K > 1/2|4|{:.6}|1e-6",
        m.gain_margin_down
    );
    assert!(m.stable && (m.gain_margin_down - 4.0).abs() < 1e-6 && m.gain_margin_up.is_infinite());
    let low = of(0.4);
    assert!(!low.stable && low.unstable_poles == 2);
}

/// Phase of a delay (-360 f T) and of a first-order lag of 50 ms (arctangent), and the hold's T/2.
#[test]
fn val_phase_of_delay_lag_and_hold() {
    let cases = [
        ("delay of 10 ms at 10 Hz", Element::Delay { time: 0.01 }, 10.0, -36.0, 0.0),
        ("lag of 50 ms at 1 Hz", Element::Lag { tau: 0.05 }, 1.0, -17.4406, -0.4088),
        ("lag of 50 ms at 3.1831 Hz", Element::Lag { tau: 0.05 }, 3.183_098_86, -45.0, -3.0103),
        ("lag of 50 ms at 10 Hz", Element::Lag { tau: 0.05 }, 10.0, -72.3432, -10.3621),
        // sin(x)/x at x = pi f T: 20 log10(sin(0.1 pi)/(0.1 pi)).
        ("hold of 10 ms at 10 Hz", Element::Hold { period: 0.01 }, 10.0, -18.0, -0.143_3),
    ];
    for (what, element, frequency, phase, gain) in cases {
        let value = element.at(Complex::new(0.0, TAU * frequency));
        let (got_phase, got_gain) = (value.arg().to_degrees(), 20.0 * value.norm().log10());
        println!("VALIDATION|loops|{what}, phase [deg]|closed form|{phase}|{got_phase:.4}|1e-4");
        println!("VALIDATION|loops|{what}, gain [dB]|closed form|{gain}|{got_gain:.4}|1e-4");
        assert!((got_phase - phase).abs() < 1e-4, "{what} {got_phase}");
        assert!((got_gain - gain).abs() < 1e-4, "{what} {got_gain}");
        assert!((element.phase(TAU * frequency).to_degrees() - phase).abs() < 1e-4);
    }
}

/// The shorter series of a step that is looked at, against the one that is checked against other programs below.
#[test]
fn prop_a_step_that_is_looked_at_is_right_to_a_ten_thousandth() {
    let mut seen = 0;
    for (case, chain) in chains() {
        let m = chain.margins();
        if !m.stable {
            continue;
        }
        for (duration, dt) in
            [(12.0 / m.crossover, 0.04 / m.crossover), (6.0 / m.crossover, 0.01 / m.crossover)]
        {
            let transfer = |s| chain.closed_at(s);
            let (fine, quick) =
                (step(&transfer, duration, dt).unwrap(), step_seen(&transfer, duration, dt).unwrap());
            let worst = fine.value.iter().zip(&quick.value).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            // Without any lag the step has a kink where the delay ends, which every cut series rounds.
            let smooth = chain.stages.iter().any(|s| matches!(s.element, Element::Lag { tau } if tau > 0.0));
            assert!(worst < if smooth { 1e-4 } else { 3e-4 }, "{case}: {worst:e}");
            seen += usize::from(smooth);
        }
    }
    assert!(seen > 2, "{seen}");
}

#[test]
fn val_closed_step() {
    let chains = chains();
    let mut worst: BTreeMap<(String, String), f64> = BTreeMap::new();
    let mut responses = BTreeMap::new();
    for row in &table("closed_step.csv") {
        let (kind, case) = (row["kind"].clone(), row["case"].clone());
        let (time, rate) = (number(row, "time"), number(row, "rate"));
        let response = responses.entry(case.clone()).or_insert_with(|| {
            if let Some(chain) = chains.get(&case) {
                closed_step(chain, 1.0, 1e-3).unwrap()
            } else {
                let v: Vec<f64> = case.split(' ').map(|t| t.parse().unwrap()).collect();
                step(
                    &|s| {
                        let l = (s.inv() * v[1] + v[0]) / (s * (s * v[2] + 1.0));
                        l / (l + 1.0)
                    },
                    1.0,
                    1e-3,
                )
                .unwrap()
            }
        });
        if kind == "sampled-peak" {
            let figures = response.figures();
            let got = 1.0 + figures.overshoot;
            println!(
                "VALIDATION|loops|{case}: peak of the closed step against a simulation of the sampled loop [1]|NumPy simulation as the hardware runs (reference/closed_step.csv)|{rate:.4}|{got:.4}|0.005"
            );
            assert!((got - rate).abs() < 0.005, "{case} peak {got} {rate}");
            continue;
        }
        let error = (response.value[(time * 1000.0).round() as usize] - rate).abs();
        // Without any lag the response has a kink where the delay ends. The series rounds it, as its doc comment says:
        // slope 20 1/s over about one radian of the highest frequency, 6e4 rad/s.
        let kind =
            if case == "integrator and delay" && time == 0.02 { "at the kink".to_owned() } else { kind };
        let entry = worst.entry((kind, case)).or_default();
        *entry = entry.max(error);
    }
    for ((kind, case), error) in worst {
        let (source, tolerance) = match kind.as_str() {
            "rational" => ("python-control step_response", 1e-6),
            "continuous" => ("NumPy simulation of the linear chain with its delays", 1e-6),
            "at the kink" => ("closed form, zero until the delay ends", 3e-4),
            _ => ("NumPy simulation as the hardware runs, sampled", 0.015),
        };
        println!(
            "VALIDATION|loops|{case}: closed step, largest error at 12 times ({kind}) [1]|{source} (reference/closed_step.csv)|0|{error:.1e}|{tolerance:e}"
        );
        assert!(error < tolerance, "{kind} {case} {error:e}");
    }
    assert_eq!(closed_step(&chains["unstable"], 1.0, 1e-3), Err(ResponseError::Unstable));
    assert!(matches!(closed_step(&chains["typical"], 1.0, 0.0), Err(ResponseError::Span { .. })));
}

/// A second-order system has overshoot exp(-pi zeta/sqrt(1 - zeta^2)) and peak time pi/(wn sqrt(1 - zeta^2)).
#[test]
fn val_second_order_step_figures() {
    let (wn, zeta): (f64, f64) = (30.0, 0.4);
    let root = (1.0 - zeta * zeta).sqrt();
    let response = step(&|s| (s * s + s * 2.0 * zeta * wn + wn * wn).inv() * wn * wn, 1.0, 1e-4).unwrap();
    let figures = response.figures();
    let overshoot = (-PI * zeta / root).exp();
    println!(
        "VALIDATION|loops|overshoot of wn 30, zeta 0.4 [1]|closed form|{overshoot:.6}|{:.6}|1e-5",
        figures.overshoot
    );
    println!(
        "VALIDATION|loops|peak time of wn 30, zeta 0.4 [s]|closed form|{:.5}|{:.5}|1e-4",
        PI / (wn * root),
        figures.peak_time
    );
    assert!((figures.overshoot - overshoot).abs() < 1e-5);
    assert!((figures.peak_time - PI / (wn * root)).abs() <= 1e-4);
    assert!(figures.rise.is_some_and(|r| r > 0.03 && r < 0.06) && figures.settling.is_some());
}

/// Bandwidth and phase delay of two identified roll models of a helicopter in hover (Ham, Gardner and Tischler,
/// OH-58D: p/dlat models of one and two poles) and two plain systems; values from the models, by root finding.
#[test]
fn val_bandwidth_and_phase_delay() {
    type System = Box<dyn Fn(Complex<f64>) -> Complex<f64>>;
    let cases: [(&str, System, [f64; 4]); 4] = [
        (
            "OH-58D roll, one pole",
            Box::new(|s| (s * -0.155).exp() * 0.184 / (s + 9.27) / s),
            [6.2886, 3.0293, 3.5559, 0.1045],
        ),
        (
            "OH-58D roll, body and rotor",
            Box::new(|s| (s * -0.051).exp() * 0.988 / (s * s + s / 0.155 + 55.35) / s),
            [6.4238, 4.0036, 2.7673, 0.1229],
        ),
        (
            "e^(-0.1 s)/(s (0.1 s + 1))",
            Box::new(|s| (s * -0.1).exp() / (s * (s * 0.1 + 1.0))),
            [8.6033, 4.0263, 5.0727, 0.0694],
        ),
        (
            "400 e^(-0.02 s)/(s^2 + 28 s + 400)",
            Box::new(|s| (s * -0.02).exp() * 400.0 / (s * s + s * 28.0 + 400.0)),
            [38.8169, 24.6526, 25.9747, 0.015_25],
        ),
    ];
    for (name, system, expected) in cases {
        let got = attitude_bandwidth(&|w| system(Complex::new(0.0, w)), 0.1, 500.0).unwrap();
        let found = [got.neutral_stability, got.phase_bandwidth, got.gain_bandwidth, got.phase_delay];
        for (k, what) in
            ["w180 [rad/s]", "phase bandwidth [rad/s]", "gain bandwidth [rad/s]", "phase delay [s]"]
                .iter()
                .enumerate()
        {
            println!(
                "VALIDATION|loops|{name}: {what}|definition of ADS-33E-PRF on the models of Ham, Gardner and Tischler|{}|{:.5}|2e-4 relative, 6e-5 s",
                expected[k], found[k]
            );
            let tolerance = if k == 3 { 6e-5 } else { 2e-4 * expected[k] };
            assert!((found[k] - expected[k]).abs() < tolerance, "{name} {what} {}", found[k]);
        }
    }
}

/// Carpenter and Fridovich: the inflow's time constant at constant thrust is 0.637 R/(3 v) = 0.2123 R/v.
#[test]
fn val_inflow_lead() {
    let lead = InflowLead::from_rotor(0.1905, 6.0, 0.09, 5.5, 0.0135);
    let zero = 0.849 / 4.0 * 0.1905 / 6.0;
    println!(
        "VALIDATION|loops|inflow time constant, R 0.1905 m, v 6 m/s [s]|Carpenter and Fridovich 1953, 0.849/4 R/v, from memory|{zero:.6}|{:.6}|5e-6",
        lead.zero
    );
    assert!((lead.zero - zero).abs() < 5e-6);
    assert!(lead.pole < lead.zero && lead.pole > 0.5 * lead.zero);
    // Quasi-steady slope against that at frozen inflow, by differencing the blade-element thrust.
    let (sigma, a, ct) = (0.09, 5.5, 0.0135_f64);
    let lambda = (ct / 2.0).sqrt();
    let pitch = 3.0 * (2.0 * ct / (sigma * a) + lambda / 2.0);
    let thrust =
        |speed: f64, inflow: f64| speed * speed * sigma * a / 2.0 * (pitch / 3.0 - inflow / speed / 2.0);
    let step = 1e-6;
    let frozen = (thrust(1.0 + step, lambda) - thrust(1.0 - step, lambda)) / (2.0 * step);
    let steady = 2.0 * thrust(1.0, lambda);
    assert!(
        (frozen / steady - lead.zero / lead.pole).abs() < 1e-6,
        "{} {}",
        frozen / steady,
        lead.zero / lead.pole
    );
    assert!((InflowLead::from_net(0.002).net() - 0.002).abs() < 1e-15);
}

#[test]
fn stages_know_their_keys() {
    let chain = rate_chain(&example(), 0, 0.035, 0.001).unwrap();
    let keys: Vec<_> = chain.stages.iter().filter_map(|s| s.key.as_deref()).collect();
    for key in [
        "imu.delay",
        "imu.sample_rate",
        "filter.1.cutoff",
        "filter.2.width",
        "loop.rate.p",
        "loop.rate.delay",
        "loop.rate.rate",
        "esc.protocol_period",
        "esc.update_period",
        "esc.dead_time",
        "rotor.inertia",
        "rotor.diameter",
    ] {
        assert!(keys.contains(&key), "{key}");
    }
    let without = |change: &dyn Fn(&mut Aircraft)| {
        let mut aircraft = example();
        change(&mut aircraft);
        rate_chain(&aircraft, 0, 0.035, 0.0).unwrap_err()
    };
    assert_eq!(without(&|a| a.imu = None), Missing::new("imu"));
    assert_eq!(without(&|a| a.esc = None), Missing::new("esc"));
    assert_eq!(without(&|a| a.rate_loop = None), Missing::new("loop.rate"));
    assert_eq!(
        without(&|a| a.filters[0] = Filter::LowPass { order: 2, cutoff: 900.0 }),
        Missing::new("filter.1.cutoff")
    );
}

#[test]
fn ledger_names_the_largest_and_savings_rank_it() {
    let chain = rate_chain(&example(), 0, 0.035, 0.0).unwrap();
    let crossover = chain.margins().crossover;
    let lines = ledger(&chain, crossover);
    let largest = lines.iter().max_by(|a, b| a.delay.total_cmp(&b.delay)).unwrap();
    assert_eq!(largest.id, "motor");
    assert!((lines.iter().find(|l| l.id == "esc-dead-time").unwrap().delay - 1.5e-3).abs() < 1e-12);
    // A uniform wait of T, or a hold, counts T/2.
    assert!((lines.iter().find(|l| l.id == "loop-hold").unwrap().delay - 0.5e-3).abs() < 1e-9);
    let saved = savings(&chain, PI / 4.0, 1e-3);
    assert!(saved.len() >= 6 && saved.iter().all(|s| s.gained() > 0.0 && s.saved <= 1e-3 + 1e-12));
    assert!(saved.windows(2).all(|p| p[0].gained() >= p[1].gained()));
    // The same milliseconds are worth the same wherever they are.
    let of = |id: &str| saved.iter().find(|s| s.id == id).unwrap();
    assert!((of("motor").gained() - of("filter-1").gained()).abs() < 1e-6);
    assert!(of("esc-update").gained() < of("motor").gained());
}

#[test]
fn yaw_reaction_leads_and_derivative_on_measurement() {
    let chain = rate_chain(&example(), 2, 0.035, 0.0).unwrap();
    let quick = chain.clone().with_reaction_lead(0.05, 1.0);
    assert!(quick.phase(20.0) > chain.phase(20.0));
    assert_eq!(quick.with_reaction_lead(0.05, 0.0), chain);
    // With derivative the closed loop has the demand through p and i only: at zero frequency it is one.
    let derivative = chain.with_gains(16.0, 40.0, 0.3);
    assert!((derivative.closed_at(Complex::new(1e-4, 0.0)) - 1.0).norm() < 1e-3);
    let s = Complex::new(0.0, 30.0);
    let pi = s.inv() * 40.0 + 16.0;
    let pid = pi + s * 0.3 / (s * 2e-3 + 1.0);
    let sensing: Complex<f64> = derivative.stages[..4].iter().map(|stage| stage.element.at(s)).product();
    let l = derivative.loop_gain(30.0);
    let expected = l / pid * pi / sensing / (l + 1.0);
    assert!((derivative.closed_at(s) - expected).norm() < 1e-9);
}

#[test]
fn attitude_loop_on_top() {
    let chain = rate_chain(&example(), 0, 0.035, 0.0).unwrap();
    let wc = chain.margins().crossover;
    let calm = attitude_step(&chain, wc / 6.0, 3.0, 2e-3).unwrap().figures();
    assert!(calm.overshoot < 0.1 && calm.settling.is_some(), "{calm:?}");
    assert_eq!(attitude_step(&chain, 5.0 * wc, 3.0, 2e-3), Err(ResponseError::Unstable));
    let bandwidth =
        attitude_bandwidth(&|w| chain.attitude_closed_at(wc / 6.0, Complex::new(0.0, w)), 0.1, 500.0)
            .unwrap();
    assert!(bandwidth.phase_bandwidth < bandwidth.neutral_stability && bandwidth.phase_delay > 0.0);
}

/// White noise through a first-order low-pass and a plain gain: r.m.s. = p sqrt(density x pi/2 x cut-off), well below
/// half the sample rate.
#[test]
fn val_noise_bandwidth() {
    let mut aircraft = example();
    aircraft.filters = vec![Filter::LowPass { order: 1, cutoff: 20.0 }];
    if let Some(rate) = &mut aircraft.rate_loop {
        (rate.p, rate.i, rate.d) = ([10.0; 3], [0.0; 3], [0.0; 3]);
    }
    if let Some(imu) = &mut aircraft.imu {
        imu.sample_period = 1.0 / 32_000.0;
    }
    let transfer = gyro_to_command(&aircraft, 0).unwrap();
    let got = rms(&transfer, &|_| 1e-8, 1e-3, 16_000.0);
    let expected = 10.0 * (1e-8 * FRAC_PI_2 * 20.0_f64).sqrt();
    println!(
        "VALIDATION|loops|r.m.s. demand by white gyro noise through 20 Hz [rad/s^2]|closed form, noise bandwidth pi/2 f|{expected:.6e}|{got:.6e}|0.3 %"
    );
    assert!((got / expected - 1.0).abs() < 3e-3, "{got} {expected}");
    assert!(gyro_to_command(&aircraft, 3).is_err());
}

/// Plausible chains.
fn any_chain() -> impl Strategy<Value = RateChain> {
    (
        (5e-3f64..0.1, 0.0f64..5e-3, 1e-4f64..4e-3, 0.0f64..3e-3),
        (1u32..=4, 30.0f64..120.0, 60.0f64..200.0, 0.0f64..0.5),
        (0.5f64..5.0, 0.0f64..0.02, 0.0f64..3e-3),
    )
        .prop_map(|((tau, dead, period, delay), (order, cutoff, centre, floor), (ratio, d, lead))| {
            let mut aircraft = example();
            aircraft.filters =
                vec![Filter::LowPass { order, cutoff }, Filter::Notch { centre, width: 0.3 * centre, floor }];
            if let Some(esc) = &mut aircraft.esc {
                esc.dead_time = dead;
            }
            if let Some(rate) = &mut aircraft.rate_loop {
                (rate.period, rate.delay) = (period, delay);
                (rate.p, rate.i, rate.d) = ([10.0; 3], [10.0 * ratio; 3], [10.0 * d; 3]);
            }
            rate_chain(&aircraft, 0, tau, lead).unwrap()
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// The ledger adds up to the phase of the loop less that of p + i/s and the airframe.
    #[test]
    fn prop_ledger_adds_up(chain in any_chain(), omega in 2.0f64..150.0) {
        let lines = ledger(&chain, omega);
        let (p, i, _) = chain.gains();
        let pi = Complex::new(p, -i / omega).arg();
        let rest = chain.phase(omega) - pi + FRAC_PI_2;
        prop_assert!((total_delay(&lines) * omega + rest).abs() < 1e-9);
        let wrapped = Complex::from_polar(1.0, chain.phase(omega)) / chain.loop_gain(omega);
        prop_assert!(wrapped.arg().abs() < 1e-9);
    }

    /// The gain found leaves the margin asked for; adding the delay margin, or the gain margin, takes all of it.
    #[test]
    fn prop_margins_are_used_up(chain in any_chain(), degrees in 30.0f64..60.0) {
        let wanted = degrees.to_radians();
        let Some(choice) = for_phase_margin(&chain, wanted) else { return Ok(()) };
        let tuned = chain.scaled(choice.factor);
        let m = tuned.margins();
        prop_assert!(m.stable && (m.phase_margin - wanted).abs() < 1e-6, "{m:?}");
        prop_assert!((m.crossover - choice.crossover).abs() < 1e-6 * m.crossover);

        let almost = tuned.clone().with_delay_at("esc-dead-time", 0.999 * m.delay_margin).margins();
        prop_assert!(almost.stable && almost.phase_margin < 0.01);
        prop_assert!(!tuned.clone().with_delay_at("esc-dead-time", 1.001 * m.delay_margin).margins().stable);
        prop_assert!(tuned.clone().with_gain_factor(0.999 * m.gain_margin_up).margins().stable);
        let over = tuned.with_gain_factor(1.001 * m.gain_margin_up).margins();
        prop_assert!(!over.stable && over.unstable_poles == 2 && over.gain_margin_up < 1.0);

        // Disc margin: guaranteed margins never exceed the real ones; and S is bounded by both.
        prop_assert!(m.disc_gain() <= m.gain_margin_up * (1.0 + 1e-9));
        prop_assert!(m.disc_phase() <= m.phase_margin + 1e-9);
        prop_assert!(m.gain_margin_up >= m.peak_sensitivity / (m.peak_sensitivity - 1.0) - 1e-6);
    }

    /// K e^(-sT)/s is stable for KT below pi/2 only.
    #[test]
    fn prop_delayed_integrator(k in 1.0f64..80.0, t in 0.002f64..0.08) {
        let m = margins(&|w| Complex::new(0.0, -w * t).exp() * k / Complex::new(0.0, w), 1e-3, 1e5, 1);
        prop_assume!((k * t - FRAC_PI_2).abs() > 1e-3);
        prop_assert_eq!(m.stable, k * t < FRAC_PI_2);
        if m.stable {
            prop_assert!((m.disc_margin <= 2.0) && m.peak_sensitivity >= 1.0);
        }
    }

    /// (p s + i)/(s^2 (tau s + 1)) is stable for p > i tau only (Hurwitz).
    #[test]
    fn prop_double_integrator(p in 1.0f64..40.0, i in 1.0f64..400.0, tau in 0.005f64..0.3) {
        prop_assume!((p / (i * tau) - 1.0).abs() > 1e-3);
        let m = margins(&|w| {
            let s = Complex::new(0.0, w);
            (s * p + i) / (s * s * (s * tau + 1.0))
        }, 1e-4, 1e6, 2);
        prop_assert_eq!(m.stable, p > i * tau, "{:?}", m);
    }
}
