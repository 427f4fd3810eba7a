//! One coupled operating point, timed. `reference/bench_peer.py` solves the same equations with
//! scipy under the same name.

use divan::Bencher;
use physics::Vec3;
use physics::aircraft::{Aircraft, Battery, Body, Chemistry, Esc, Motor, Shape};
use physics::bem::{Blade, BladeRotor, Station};
use physics::layout;
use physics::polar::{Family, Section};
use physics::powertrain::operating_point;
use physics::rotor::{Coefficients, Rotor, Table, TableRow};

const DENSITY: f64 = 1.225;
const THRUST: f64 = 8.0;

fn main() {
    divan::main();
}

fn quad() -> Aircraft {
    Aircraft {
        name: "bench".to_owned(),
        stations: layout::stations("quad-x", 0.31, 0.0, true).unwrap_or_default(),
        bodies: vec![Body {
            item: "all".to_owned(),
            mass: 4.0 * THRUST / physics::STANDARD_GRAVITY,
            at: Vec3::zeros(),
            shape: Shape::Point,
            payload: false,
        }],
        rotor: Rotor {
            diameter: 0.381,
            pitch: None,
            blades: 2,
            inertia: 9.5e-5,
            unbalance: 0.0,
            download: 0.0,
            coefficients: Coefficients::Constant { ct: 0.105, cp: 0.04 },
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

#[divan::bench]
fn operating_point_of_a_quad(bencher: Bencher) {
    let aircraft = quad();
    bencher.bench_local(|| operating_point(&aircraft, &[THRUST; 4], 1.0, DENSITY));
}

/// The same quadrotor with coefficients by rotor speed.
#[divan::bench]
fn operating_point_of_a_quad_by_table(bencher: Bencher) {
    let mut aircraft = quad();
    let row = |rpm: f64, ct, cp| TableRow { speed: rpm * std::f64::consts::TAU / 60.0, advance: 0.0, ct, cp };
    let rows = [
        row(2000.0, 0.098, 0.041),
        row(4000.0, 0.101, 0.040),
        row(6000.0, 0.104, 0.040),
        row(8000.0, 0.106, 0.040),
    ];
    if let Ok(table) = Table::from_rows(&rows) {
        aircraft.rotor.coefficients = Coefficients::Table(table);
    }
    bencher.bench_local(|| operating_point(&aircraft, &[THRUST; 4], 1.0, DENSITY));
}

/// One blade-element rotor; the blade is that of `reference/make_blade_element.py`.
#[divan::bench]
fn blade_element_rotor_of_20_stations(bencher: Bencher) {
    let stations = [
        (0.15, 0.13, 26.0),
        (0.3, 0.17, 25.0),
        (0.5, 0.19, 18.0),
        (0.7, 0.17, 13.0),
        (0.85, 0.13, 10.0),
        (1.0, 0.05, 6.0_f64),
    ]
    .map(|(radius, chord, twist)| Station { radius, chord, twist: twist.to_radians() });
    let (Ok(blade), Ok(air)) = (Blade::new(stations.to_vec()), physics::atmosphere::air(0.0, 0.0, 0.0))
    else {
        return;
    };
    let rotor = BladeRotor { diameter: 0.254, blades: 2, blade, section: Section::Family(Family::Thin) };
    bencher.bench_local(|| rotor.solve(700.0, 0.0, &air));
}
