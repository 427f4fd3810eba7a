//! The flight model, timed: four table rotors, battery, gusts, all loops at 1 kHz, logged at 100 Hz. `reference/bench_peer.py`
//! integrates the same equations with numpy and scipy under the same name.

use divan::Bencher;
use physics::Vec3;
use physics::aircraft::{
    Aircraft, AttitudeLoop, Battery, Body, Chemistry, Esc, Filter, Imu, Motor, PositionLoop, RateLoop, Shape,
    VelocityLoop,
};
use physics::atmosphere::{Air, air};
use physics::flight::{Action, Scenario, Segment, Stepping, Wind, fly};
use physics::layout;
use physics::rotor::{Coefficients, Rotor, Table, TableRow};
use rayon::prelude::*;

fn main() {
    divan::main();
}

/// By rotor speed, rev/min, and advance ratio.
fn table() -> Option<Table> {
    let mut rows = Vec::new();
    for (rpm, ct, cp) in
        [(2000.0, 0.098, 0.041), (4000.0, 0.101, 0.040), (6000.0, 0.104, 0.040), (8000.0, 0.106, 0.040_f64)]
    {
        for (advance, thrust, power) in
            [(0.0, 1.0, 1.0), (0.15, 0.80, 0.93), (0.3, 0.53, 0.78), (0.5, 0.0, 0.35)]
        {
            let speed = rpm * std::f64::consts::TAU / 60.0;
            rows.push(TableRow { speed, advance, ct: ct * thrust, cp: cp * power });
        }
    }
    Table::from_rows(&rows).ok()
}

fn quad() -> Option<Aircraft> {
    let stations = layout::stations("quad-x", 0.31, 0.0, true)?;
    let body = |item: &str, mass: f64, at: Vec3, sides: [f64; 3]| Body {
        item: item.to_owned(),
        mass,
        at,
        shape: Shape::Box { sides },
        payload: false,
    };
    let mut bodies = vec![
        body("battery", 1.32, Vec3::new(0.0, 0.0, 0.035), [0.16, 0.06, 0.05]),
        body("frame", 1.9, Vec3::zeros(), [0.24, 0.2, 0.06]),
    ];
    bodies.extend(stations.iter().map(|s| body("motor", 0.3, s.at, [0.04; 3])));
    Some(Aircraft {
        name: "bench".to_owned(),
        stations,
        bodies,
        rotor: Rotor {
            diameter: 0.381,
            pitch: None,
            blades: 2,
            inertia: 9.5e-5,
            unbalance: 0.0,
            download: 0.0,
            coefficients: Coefficients::Table(table()?),
        },
        motor: Some(Motor {
            kv: 41.9,
            resistance: 0.062,
            no_load_current: 0.9,
            no_load_voltage: 10.0,
            no_load_growth: 0.0,
            inertia: 2.5e-5,
            max_current: None,
            winding_temperature: 298.15,
            thermal: None,
        }),
        esc: Some(Esc {
            resistance: 0.003,
            dead_time: 0.0015,
            update_period: 0.0005,
            protocol_period: 0.0001,
            switching_frequency: 0.0,
            edge_time: 0.0,
            braking: true,
            response_up: None,
            response_down: None,
            usable_minimum: 0.04,
            max_current: None,
        }),
        battery: Some(Battery {
            chemistry: Chemistry::Lipo,
            series: 6,
            parallel: 1,
            capacity: 28_800.0,
            cell_resistance: 0.0024,
            lead_resistance: 0.004,
            polarisation_resistance: 0.0015,
            polarisation_time: 30.0,
            cutoff: 3.3,
            reserve: 0.2,
            max_current: None,
        }),
        avionics_power: 9.0,
        imu: Some(Imu {
            sample_period: 1e-3,
            delay: 0.3e-3,
            rate_range: 35.0,
            rate_noise: 9e-5,
            accel_range: 160.0,
            accel_noise: 8e-4,
            at: Vec3::zeros(),
        }),
        filters: vec![Filter::LowPass { order: 2, cutoff: 40.0 }],
        rate_loop: Some(RateLoop {
            period: 1e-3,
            delay: 0.4e-3,
            p: [14.0, 14.0, 6.0],
            i: [30.0, 30.0, 8.0],
            d: [0.0; 3],
            d_lag: 2e-3,
            linearised: true,
            voltage_corrected: false,
            set_up_at: None,
        }),
        attitude_loop: Some(AttitudeLoop { gain: [4.0, 4.0, 2.0], rate_limit: 3.8, full_tilt: None }),
        velocity_loop: Some(VelocityLoop {
            gain: 1.0,
            integral: 0.2,
            climb_gain: 2.0,
            climb_integral: 0.5,
            tilt_limit: 0.44,
            delay: 0.06,
        }),
        position_loop: Some(PositionLoop {
            gain: 0.25,
            height_gain: 0.8,
            speed_limit: 5.0,
            climb_limit: 2.0,
        }),
        drag_area: 0.02,
        structure: Default::default(),
        magnetic: Default::default(),
        sensors: Default::default(),
        safety: Default::default(),
    })
}

fn flight(seed: u64) -> Scenario {
    let script = vec![Segment::new("hold", 20.0, Action::PositionHold)];
    Scenario {
        stepping: Stepping::Grid,
        step: 1e-3,
        log_rate: 100.0,
        blade_passage: 0.0,
        wind: Wind::dryden(Vec3::new(-8.0, 0.0, 0.0), 20.0),
        ..Scenario::new(script, seed, 1.0)
    }
}

fn sea_level() -> Option<Air> {
    air(0.0, 0.0, 0.0).ok()
}

#[divan::bench(sample_count = 20, sample_size = 1)]
fn flight_model_20_s_four_table_rotors(bencher: Bencher) {
    let (Some(aircraft), Some(air)) = (quad(), sea_level()) else { return };
    bencher.bench_local(|| fly(&aircraft, &air, &flight(1)));
}

/// With every event at its instant.
#[divan::bench(sample_count = 5, sample_size = 1)]
fn flight_model_20_s_exact_steps(bencher: Bencher) {
    let (Some(aircraft), Some(air)) = (quad(), sea_level()) else { return };
    let exact = Scenario { stepping: Stepping::Exact, step: 1.0 / 16_000.0, ..flight(1) };
    bencher.bench_local(|| fly(&aircraft, &air, &exact));
}

#[divan::bench(sample_count = 1, sample_size = 1)]
fn a_thousand_flights_of_20_s_all_cores(bencher: Bencher) {
    let (Some(aircraft), Some(air)) = (quad(), sea_level()) else { return };
    bencher.bench_local(|| {
        (0..1000).into_par_iter().filter(|k| fly(&aircraft, &air, &flight(*k)).is_ok()).count()
    });
}
