//! The flight model against closed forms, the powertrain's formulas and an independent linear loop.

use nalgebra::UnitQuaternion;
use physics::aircraft::{
    Aircraft, AttitudeLoop, Body, Filter, Imu, PositionLoop, RateLoop, Shape, VelocityLoop,
};
use physics::atmosphere::{Air, air};
use physics::flight::{
    Action, FlightLog, Scenario, Segment, Start, Stepping, Wind, card_flight, fly, rate_steps,
};
use physics::{STANDARD_GRAVITY, Vec3, layout};

use crate::craft::{craft, point};

/// An invented quadrotor of 4.4 kg.
pub(crate) fn quad() -> Aircraft {
    let body = |item: &str, mass: f64, at: [f64; 3], sides: [f64; 3]| Body {
        item: item.to_owned(),
        mass,
        at: Vec3::from(at),
        shape: Shape::Box { sides },
        payload: false,
    };
    let stations = layout::stations("quad-x", 0.31, 0.0, true).unwrap();
    let mut bodies = vec![
        body("battery", 1.32, [0.0, 0.0, 0.035], [0.16, 0.06, 0.05]),
        body("frame", 1.9, [0.0, 0.0, 0.0], [0.24, 0.2, 0.06]),
    ];
    bodies.extend(stations.iter().map(|s| point("motor", 0.3, s.at)));
    let mut aircraft = craft(stations, bodies);
    aircraft.rotor.unbalance = 4.0e-5;
    if let Some(motor) = &mut aircraft.motor {
        (motor.kv, motor.max_current) = (400.0 * std::f64::consts::TAU / 60.0, Some(35.0));
    }
    if let Some(esc) = &mut aircraft.esc {
        esc.max_current = Some(45.0);
    }
    if let Some(battery) = &mut aircraft.battery {
        battery.max_current = Some(160.0);
    }
    aircraft.drag_area = 0.02;
    aircraft.imu = Some(Imu {
        sample_period: 1e-3,
        delay: 0.3e-3,
        rate_range: 2000.0_f64.to_radians(),
        rate_noise: 0.005_f64.to_radians(),
        accel_range: 16.0 * STANDARD_GRAVITY,
        accel_noise: 80e-6 * STANDARD_GRAVITY,
        at: Vec3::zeros(),
    });
    aircraft.filters = vec![Filter::LowPass { order: 2, cutoff: 40.0 }];
    aircraft.rate_loop = Some(RateLoop {
        period: 1e-3,
        delay: 0.4e-3,
        p: [14.0, 14.0, 6.0],
        i: [30.0, 30.0, 8.0],
        d: [0.0; 3],
        d_lag: 2e-3,
        linearised: true,
        voltage_corrected: false,
        set_up_at: None,
    });
    aircraft.attitude_loop =
        Some(AttitudeLoop { gain: [4.0, 4.0, 2.0], rate_limit: 220.0_f64.to_radians(), full_tilt: None });
    aircraft
}

pub(crate) fn sea_level() -> Air {
    air(0.0, 0.0, 0.0).unwrap()
}

/// The same with velocity and position loops, and a payload in its centre of mass.
pub(crate) fn outer_quad() -> Aircraft {
    let mut aircraft = quad();
    outer_loops(&mut aircraft);
    let centre = physics::mass::mass_properties(&aircraft.bodies).centre;
    aircraft.bodies.push(Body {
        item: "payload".to_owned(),
        mass: 0.4,
        at: centre,
        shape: Shape::Point,
        payload: true,
    });
    aircraft
}

/// Nothing random and nothing that shakes.
fn quiet(aircraft: &mut Aircraft, scenario: &mut Scenario) {
    aircraft.rotor.unbalance = 0.0;
    let imu = aircraft.imu.as_mut().unwrap();
    imu.rate_noise = 0.0;
    imu.accel_noise = 0.0;
    scenario.wind = Wind::CALM;
    scenario.blade_passage = 0.0;
}

fn channel<'a>(log: &'a FlightLog, name: &str) -> &'a [f64] {
    &log.channels[name]
}

/// Prints the line of the validation table and fails where the difference is too large.
fn validate(what: &str, source: &str, expected: f64, computed: f64, tolerance: f64) {
    let text = |v: f64| if v != 0.0 && v.abs() < 1e-2 { format!("{v:.3e}") } else { format!("{v:.5}") };
    println!("VALIDATION|flight|{what}|{source}|{}|{}|{tolerance:.1e}", text(expected), text(computed));
    assert!((computed - expected).abs() <= tolerance, "{what}: {computed} against {expected}");
}

/// One box in free space: rotors without inertia worth the name, no air, motors off.
fn tumbling(inertia_of_rotors: f64) -> (Aircraft, Air) {
    let mut aircraft = quad();
    aircraft.bodies = vec![Body {
        item: "box".to_owned(),
        mass: 12.0,
        at: Vec3::zeros(),
        // Sides for moments of inertia of 0.05, 0.08 and 0.11 kg m^2.
        shape: Shape::Box { sides: [0.07_f64.sqrt(), 0.04_f64.sqrt(), 0.01_f64.sqrt()] },
        payload: false,
    }];
    aircraft.rotor.inertia = inertia_of_rotors;
    aircraft.motor.as_mut().unwrap().inertia = 0.0;
    aircraft.motor.as_mut().unwrap().no_load_current = 0.0;
    let mut vacuum = sea_level();
    vacuum.density = 1e-12;
    (aircraft, vacuum)
}

fn off(duration: f64, rate: [f64; 3], rotor_speeds: Vec<f64>) -> Scenario {
    let mut scenario = Scenario::new(vec![Segment::new("off", duration, Action::Off)], 1, 1.0);
    scenario.start = Start::State {
        angles: Vec3::new(0.3, -0.2, 1.0),
        rate: Vec3::from(rate),
        velocity: Vec3::zeros(),
        rotor_speeds,
    };
    scenario
}

/// Rows of a reference table, comment lines and heading left out.
fn table(text: &str) -> Vec<Vec<f64>> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect()
}

#[test]
fn val_tumbling_follows_elliptic_functions() {
    let source = "Landau & Lifshitz, Mechanics, section 37, by scipy.special.ellipj";
    let (mut aircraft, vacuum) = tumbling(1e-12);
    let mut scenario = off(8.0, [2.0, 0.0, 3.0], Vec::new());
    quiet(&mut aircraft, &mut scenario);
    aircraft.imu.as_mut().unwrap().delay = 0.0;
    let log = fly(&aircraft, &vacuum, &scenario).unwrap();
    let mut worst = 0.0_f64;
    for row in table(include_str!("../../../../reference/flight_tumbling.csv")) {
        let at = (row[0] * scenario.log_rate).round() as usize;
        for (axis, &expected) in ["x", "y", "z"].iter().zip(&row[1..]) {
            worst = worst.max((channel(&log, &format!("rate_raw.{axis}"))[at] - expected).abs());
        }
    }
    validate("largest error of a torque-free rate over 8 s, rad/s", source, 0.0, worst, 1e-8);
}

#[test]
fn prop_gyrostat_keeps_momentum_and_energy() {
    // Closed system: free spinning rotors in a tumbling body, no air, no friction.
    let (mut aircraft, vacuum) = tumbling(1.2e-4);
    let mut scenario = off(5.0, [2.0, 0.5, 3.0], vec![700.0, 500.0, 600.0, 400.0]);
    quiet(&mut aircraft, &mut scenario);
    let log = fly(&aircraft, &vacuum, &scenario).unwrap();
    let [before, after] = log.truth.angular_momentum;
    assert!((after - before).norm() < 1e-8 * before.norm(), "{before} {after}");
    let kinetic =
        0.5 * 1.2e-4 * (700.0_f64.powi(2) + 500.0_f64.powi(2) + 600.0_f64.powi(2) + 400.0_f64.powi(2));
    let change = log.truth.energy.mechanical;
    assert!(change.abs() < 1e-6 * kinetic, "{change} of {kinetic} J");
}

#[test]
fn val_fall_with_drag() {
    // Closed form v = vt sqrt(1 - exp(-2 g h / vt^2)), vt = sqrt(2 m g / (rho C_D A)).
    let source = "closed form, fall with quadratic drag";
    let mut aircraft = quad();
    aircraft.bodies.truncate(1);
    aircraft.bodies[0].mass = 3.0;
    aircraft.drag_area = 0.08;
    let mut scenario = off(30.0, [0.0; 3], Vec::new());
    quiet(&mut aircraft, &mut scenario);
    scenario.height = 1000.0;
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    let (down, speed) = (channel(&log, "position.z"), channel(&log, "velocity.z"));
    for (fallen, expected) in [(10.0, 12.9352), (30.0, 19.3667), (75.0, 23.4221)] {
        let k = down.iter().position(|z| z + 1000.0 >= fallen).unwrap();
        let part = (fallen - 1000.0 - down[k - 1]) / (down[k] - down[k - 1]);
        let at = speed[k - 1] + part * (speed[k] - speed[k - 1]);
        validate(&format!("speed after a fall of {fallen} m, m/s"), source, expected, at, 1e-4);
    }
    validate("terminal speed, 3 kg, C_D A 0.08 m^2, m/s", source, 24.503, *speed.last().unwrap(), 1e-3);
}

#[test]
fn val_hover_speed_is_the_operating_point() {
    let mut aircraft = quad();
    aircraft.bodies[0].at.x += 0.02;
    let mut scenario = Scenario::new(vec![Segment::new("hover", 6.0, Action::Hover)], 3, 0.9);
    quiet(&mut aircraft, &mut scenario);
    // Starts a little off trim, so that the loops and the pilot have to find it.
    scenario.start = Start::State {
        angles: Vec3::new(0.01, -0.01, 0.0),
        rate: Vec3::zeros(),
        velocity: Vec3::new(0.0, 0.0, 0.05),
        rotor_speeds: vec![430.0; 4],
    };
    scenario.duration = 30.0;
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    // Moments about the centre of mass by hand: the front pair carries more by offset over hub distance.
    let mass = 1.32 + 1.9 + 1.2;
    let offset = 1.32 * 0.02 / mass / (0.31 / 2.0_f64.sqrt());
    let density = sea_level().density;
    let thrusts = aircraft
        .stations
        .iter()
        .map(|s| mass * STANDARD_GRAVITY / 4.0 * (1.0 + offset * s.at.x.signum()))
        .collect::<Vec<_>>();
    let point = physics::powertrain::operating_point(&aircraft, &thrusts, 0.9, density).unwrap();
    let last = log.time.len() - 2000..log.time.len();
    for (k, rotor) in point.rotors.iter().enumerate() {
        let speeds = &channel(&log, &format!("rotor.{}.speed", k + 1))[last.clone()];
        let mean = speeds.iter().sum::<f64>() / speeds.len() as f64;
        let what = format!("hover speed of rotor {}, battery 20 mm forward, rad/s", k + 1);
        validate(&what, "static moments; powertrain operating point", rotor.speed, mean, 1e-3 * rotor.speed);
    }
}

/// A rotor on a stiff supply, on a stand: command steps.
fn stand(aircraft: &mut Aircraft, from: f64, to: f64) -> Scenario {
    let battery = aircraft.battery.as_mut().unwrap();
    battery.cell_resistance = 0.0;
    battery.lead_resistance = 0.0;
    battery.polarisation_resistance = 0.0;
    battery.capacity = 1e12;
    aircraft.rotor.pitch = None;
    aircraft.avionics_power = 0.0;
    let commands = |c: f64| Action::Commands { commands: vec![c; 4] };
    let script = vec![Segment::new("before", 1.0, commands(from)), Segment::new("after", 0.5, commands(to))];
    let mut scenario = Scenario::new(script, 1, 0.8);
    quiet(aircraft, &mut scenario);
    scenario.log_rate = 16_000.0;
    scenario.held = true;
    scenario
}

/// A value of `rotor_on_stand.csv`.
fn on_stand(what: &str) -> f64 {
    let text = include_str!("../../../../reference/rotor_on_stand.csv");
    let line = text.lines().find_map(|l| l.strip_prefix(what)?.strip_prefix(','));
    line.unwrap_or_else(|| panic!("{what}")).parse().unwrap()
}

#[test]
fn val_small_step_has_the_powertrains_lag_and_the_stated_delays() {
    let mut aircraft = quad();
    let scenario = stand(&mut aircraft, 0.45, 0.455);
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    let speed = channel(&log, "rotor.1.speed");
    // Computation 0.4 ms, frame 0.1 ms, next update of the first ESC at 0.0625 ms after a whole half
    // millisecond, dead time 1.5 ms.
    let start = 1.0 + 0.4e-3 + 0.1e-3 + 0.0625e-3 + 1.5e-3;
    let first = (start * scenario.log_rate).round() as usize;
    assert!((speed[first] - speed[first - 16]).abs() < 1e-9);
    assert!(speed[first + 1] - speed[first] > 1e-3);
    let (from, to) = (speed[first], *speed.last().unwrap());
    let target = from + (to - from) * (1.0 - (-1.0_f64).exp());
    let k = speed.iter().position(|&w| w >= target).unwrap();
    let part = (target - speed[k - 1]) / (speed[k] - speed[k - 1]);
    let reached = ((k - 1) as f64 + part) / scenario.log_rate - start;
    let peer = on_stand("time to 63 % of a 0.5 % step");
    validate(
        "time to 63 % of the speed of a 0.5 % step, s",
        "scipy solve_ivp of rotor and inflow",
        peer,
        reached,
        1e-3 * peer,
    );
    let lag = physics::powertrain::motor_lag(&aircraft, 0.5 * (from + to), sea_level().density).unwrap();
    validate(
        "motor lag of a 0.5 % step, s",
        "J / (Kt^2/R + 2 Q/omega), inflow settled",
        lag.braked,
        reached,
        0.01 * lag.braked,
    );
}

/// All motors at once sag the bus, which takes them longer than a change that they share.
#[test]
fn val_motors_that_speed_up_together_take_longer() {
    let density = sea_level().density;
    let mut reached = Vec::new();
    let mut told = Vec::new();
    for cell in [0.0, 8e-3] {
        let mut aircraft = quad();
        let scenario = stand(&mut aircraft, 0.45, 0.455);
        aircraft.battery.as_mut().unwrap().cell_resistance = cell;
        aircraft.esc.as_mut().unwrap().update_period = 0.0;
        let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
        let speed = channel(&log, "rotor.1.speed");
        let start = 1.0 + 0.4e-3 + 0.1e-3 + 1.5e-3;
        let from = speed[(start * scenario.log_rate).round() as usize];
        let target = from + (speed.last().unwrap() - from) * (1.0 - (-1.0_f64).exp());
        let k = speed.iter().position(|&w| w >= target).unwrap();
        let part = (target - speed[k - 1]) / (speed[k] - speed[k - 1]);
        reached.push(((k - 1) as f64 + part) / scenario.log_rate - start);
        let thrust = aircraft.rotor.thrust(from, 0.0, density);
        let volts = *channel(&log, "battery.voltage").last().unwrap();
        let effect = physics::loops::effect::Effect::new(&aircraft, (thrust, volts), density).unwrap();
        told.push(effect.lift(&[thrust; 4], 0.8).unwrap().slower);
    }
    assert!(told[0].abs() < 1e-6, "{told:?}");
    let (more, told) = (reached[1] - reached[0], told[1]);
    validate(
        "lag of all motors together less that of one, s",
        "flight model on a stand",
        told,
        more,
        0.05 * told,
    );
}

#[test]
fn val_coasting_rotor_follows_its_drag() {
    // Without current J dw/dt = -Q(w, v), the induced speed v behind. With v settled, Q = k w^2: w0 / (1 + k w0 t / J).
    let mut aircraft = quad();
    aircraft.esc.as_mut().unwrap().braking = false;
    aircraft.motor.as_mut().unwrap().no_load_current = 0.0;
    let scenario = stand(&mut aircraft, 0.6, 0.04);
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    let (speed, current) = (channel(&log, "rotor.1.speed"), channel(&log, "rotor.1.current"));
    assert!(current.iter().all(|&i| i >= 0.0));
    let first = (1.0020625 * scenario.log_rate).round() as usize;
    let later = first + 3200;
    let expected = on_stand("speed after coasting 0.2 s");
    validate(
        "speed after coasting 0.2 s, rad/s",
        "scipy solve_ivp of rotor and inflow",
        expected,
        speed[later],
        1e-4 * expected,
    );
    let k = aircraft.rotor.torque(speed[first], 0.0, sea_level().density) / speed[first].powi(2);
    let settled = speed[first] / (1.0 + k * speed[first] * 0.2 / 1.2e-4);
    println!("with the inflow settled throughout: {settled} rad/s");
    // The braking ESC takes the same rotor down much faster.
    aircraft.esc.as_mut().unwrap().braking = true;
    let braked = fly(&aircraft, &sea_level(), &scenario).unwrap();
    assert!(channel(&braked, "rotor.1.speed")[later] < 0.5 * expected);
    assert!(channel(&braked, "rotor.1.current").iter().any(|&i| i < -1.0));
}

fn roll_steps(amplitude_deg: f64) -> Vec<Segment> {
    let mut script = vec![Segment::new("hover", 0.5, Action::Hover)];
    script.extend(rate_steps(0, &[amplitude_deg.to_radians(), -amplitude_deg.to_radians()], 0.35, 0.65));
    script
}

#[test]
fn prop_halving_the_step_changes_little() {
    let aircraft = quad();
    let mut scenario = Scenario::new(roll_steps(100.0), 5, 1.0);
    let coarse = fly(&aircraft, &sea_level(), &scenario).unwrap();
    scenario.step *= 0.5;
    let fine = fly(&aircraft, &sea_level(), &scenario).unwrap();
    for name in ["rate_raw.x", "rate_raw.y", "rate_raw.z", "rotor.1.speed", "accel.z", "velocity.z"] {
        let (a, b) = (channel(&coarse, name), channel(&fine, name));
        let range = a.iter().copied().fold(f64::MIN, f64::max) - a.iter().copied().fold(f64::MAX, f64::min);
        let worst = a.iter().zip(b).map(|(x, y)| (x - y).abs()).fold(0.0, f64::max);
        assert!(worst < 1e-4 * range, "{name}: {worst} of {range}");
    }
}

/// Ten seconds of hard flying in Dryden gusts, without vibration: from loop to loop against every event at its instant.
#[test]
fn val_grid_follows_the_exact_steps_in_second_order() {
    let mut aircraft = quad();
    aircraft.rotor.unbalance = 0.0;
    let sweep =
        |direction: f64| Action::AttitudeSweep { tilt: 0.3, direction, from: 0.3, to: 3.0, duration: 3.5 };
    let mut script = roll_steps(150.0);
    script.push(Segment::new("sweep", 4.0, sweep(0.0)));
    script.push(Segment::new("sweep", 3.5, sweep(1.2)));
    let mut scenario = Scenario::new(script, 5, 0.9);
    scenario.blade_passage = 0.0;
    scenario.wind = Wind::dryden(Vec3::new(-8.0, 0.0, 0.0), 20.0);
    let exact = fly(&aircraft, &sea_level(), &Scenario { step: 1.0 / 8000.0, ..scenario.clone() }).unwrap();
    let grid = |step: f64| {
        let s = Scenario { stepping: Stepping::Grid, step, ..scenario.clone() };
        fly(&aircraft, &sea_level(), &s).unwrap()
    };
    let (whole, half) = (grid(1e-3), grid(0.5e-3));
    let far = |log: &FlightLog, names: &[&str]| -> f64 {
        let gap = |name: &&str| {
            let pairs = channel(log, name).iter().zip(channel(&exact, name));
            pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
        };
        names.iter().map(gap).fold(0.0, f64::max)
    };
    let size =
        |names: &[&str]| names.iter().flat_map(|n| channel(&exact, n)).fold(0.0_f64, |m, v| m.max(v.abs()));
    for (what, names, most) in [
        ("rates, rad/s", &["rate_raw.x", "rate_raw.y", "rate_raw.z"][..], 2e-3),
        ("attitude (quaternion)", &["attitude.i", "attitude.j", "attitude.k"], 1e-5),
        ("velocity, m/s", &["velocity.x", "velocity.y", "velocity.z"], 2e-4),
        ("position, m", &["position.x", "position.y", "position.z"], 1e-3),
        ("rotor speeds, rad/s", &["rotor.1.speed", "rotor.2.speed", "rotor.3.speed", "rotor.4.speed"], 0.2),
    ] {
        let (a, b) = (far(&whole, names), far(&half, names));
        println!("{what}: up to {:.3}; at half the step {b:.2e}, {:.1} times less", size(names), a / b);
        let what = format!("largest difference of {what} over 10 s, steps of 1 ms");
        validate(&what, "the same flight with every event at its instant, steps of 1/8 ms", 0.0, a, most);
        // Second order is a factor of four. Of a rotor's speed the worst instant goes with f (1 - f) h^2, f the place of a command's
        // change in its step, which is another one at half the step: it is not judged by its order.
        assert!(a / b > 3.0 || what.contains("rotor"), "{what}: {a} {b}");
    }
}

/// Windings and battery warm as one node each.
#[test]
fn val_warming_is_that_of_one_node() {
    use physics::aircraft::WindingHeat;
    use physics::powertrain::thermal::{Winding, cell_resistance_factor};
    let mut aircraft = quad();
    let motor = aircraft.motor.as_mut().unwrap();
    motor.thermal =
        Some(WindingHeat { rise: 60.0, current: 20.0, time: 25.0, limit: None, burst: 10.0, air: 298.15 });
    motor.no_load_current = 0.0;
    let motor = motor.clone();
    aircraft.battery.as_mut().unwrap().capacity = 1e9;
    let script = vec![Segment::new("held", 40.0, Action::Commands { commands: vec![0.6; 4] })];
    let mut scenario = Scenario::new(script, 1, 0.8);
    quiet(&mut aircraft, &mut scenario);
    (scenario.held, scenario.log_rate) = (true, 100.0);
    (scenario.stepping, scenario.step) = (Stepping::Grid, 1e-3);
    let air = sea_level();
    let log = fly(&aircraft, &air, &scenario).unwrap();
    // By the trapezium rule over the logged currents, with the resistance of the moment.
    let node = Winding::of(&motor).unwrap();
    let mut warm = motor.winding_temperature;
    for pair in channel(&log, "rotor.1.current").windows(2) {
        let square = 0.5 * (pair[0] * pair[0] + pair[1] * pair[1]);
        let lost = (warm - air.temperature) / node.thermal_resistance;
        warm += 0.01 * (square * motor.resistance_at(warm) - lost) / node.heat_capacity;
    }
    validate(
        "winding after 40 s of full load on a stand, K",
        "Euler's rule over the log",
        warm,
        log.truth.windings[0],
        0.1,
    );
    assert!(warm > motor.winding_temperature + 10.0, "{warm}");
    let cells = 6.0 * aircraft.battery.as_ref().unwrap().cell_resistance;
    let mut rise = 0.0;
    for pair in channel(&log, "battery.current").windows(2) {
        let square = 0.5 * (pair[0] * pair[0] + pair[1] * pair[1]);
        rise += 0.01 * square * cells * cell_resistance_factor(298.15 + rise) / (1000.0 * 1.32);
    }
    validate(
        "rise of the battery, K",
        "Joule heat over 1000 J/(kg K)",
        rise,
        log.truth.battery_rise,
        0.005 * rise,
    );
}

/// Power of level flight: what a return costs by the flight model and by the trim that returns are predicted with.
#[test]
fn val_cruise_costs_what_the_trim_says() {
    let mut aircraft = quad();
    outer_loops(&mut aircraft);
    for speed in [0.0, 6.0, 12.0] {
        let go = Action::Velocity { demand: Vec3::new(speed, 0.0, 0.0) };
        let mut scenario = Scenario::new(vec![Segment::new("cruise", 40.0, go)], 1, 1.0);
        quiet(&mut aircraft, &mut scenario);
        (scenario.log_rate, scenario.stepping, scenario.step) = (100.0, Stepping::Grid, 1e-3);
        let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
        let last = log.time.len() - 500..log.time.len();
        let mean = |name: &str| channel(&log, name)[last.clone()].iter().sum::<f64>() / 500.0;
        let flown = mean("battery.voltage") * mean("battery.current");
        let airspeed = mean("velocity.x").hypot(mean("velocity.z"));
        let told = physics::powertrain::airspeed::trim(
            &aircraft,
            airspeed,
            0.0,
            mean("battery.charge"),
            sea_level().density,
        );
        let told = told.unwrap().unwrap().bus_power;
        // The trim takes the RC pair as settled, the flight's has had 40 s of 30 s.
        validate(
            &format!("power on the bus in level flight at {speed} m/s, W"),
            "this project's trim of level flight",
            told,
            flown,
            0.01 * told,
        );
    }
}

#[test]
fn prop_same_seed_same_flight() {
    let aircraft = quad();
    let mut scenario = Scenario::new(roll_steps(60.0), 5, 1.0);
    scenario.stepping = Stepping::Grid;
    let (first, second) =
        (fly(&aircraft, &sea_level(), &scenario).unwrap(), fly(&aircraft, &sea_level(), &scenario).unwrap());
    assert_eq!(channel(&first, "rate.x"), channel(&second, "rate.x"));
    assert_eq!(first.truth, second.truth);
    scenario.seed = 6;
    let third = fly(&aircraft, &sea_level(), &scenario).unwrap();
    assert_ne!(channel(&first, "rate.x"), channel(&third, "rate.x"));
}

#[test]
fn prop_energy_adds_up() {
    let mut aircraft = quad();
    aircraft.motor.as_mut().unwrap().no_load_growth = 0.6;
    let esc = aircraft.esc.as_mut().unwrap();
    (esc.switching_frequency, esc.edge_time) = (24e3, 4e-7);
    aircraft.rotor.download = 0.03;
    let mut script = roll_steps(100.0);
    script.push(Segment::new("pull", 0.4, Action::ThrustPull { demand: 1.0 }));
    script.push(Segment::new("hover", 1.0, Action::Hover));
    let mut scenario = Scenario::new(script, 5, 1.0);
    scenario.height = 0.4;
    scenario.ground = true;
    scenario.wind = Wind::dryden(Vec3::new(4.0, 0.0, 0.0), 20.0);
    let grid = Scenario { stepping: Stepping::Grid, step: 1e-3, blade_passage: 0.0, ..scenario.clone() };
    let coarse = fly(&aircraft, &sea_level(), &grid).unwrap().truth.energy;
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    let e = log.truth.energy;
    let spent = e.battery_loss + e.avionics + e.copper + e.friction + e.shaft;
    assert!((e.source - spent).abs() < 1e-9 * e.source, "{e:?}");
    // At the ends the rotors' energies differ little; what is left is the quadrature's error.
    assert!((e.mechanical - e.shaft - e.external).abs() < 1e-6 * e.shaft, "{e:?}");
    let spent = coarse.battery_loss + coarse.avionics + coarse.copper + coarse.friction + coarse.shaft;
    assert!((coarse.source - spent).abs() < 1e-9 * coarse.source, "{coarse:?}");
    assert!((coarse.mechanical - coarse.shaft - coarse.external).abs() < 1e-4 * coarse.shaft, "{coarse:?}");
    let (charge, current) = (channel(&log, "battery.charge"), channel(&log, "battery.current"));
    let drawn: f64 = current.windows(2).map(|w| 0.5 * (w[0] + w[1]) / scenario.log_rate).sum();
    let counted = (charge[0] - charge.last().unwrap()) * aircraft.battery.as_ref().unwrap().capacity;
    assert!((drawn - counted).abs() < 2e-3 * counted, "{drawn} {counted}");
}

#[test]
fn val_once_per_revolution_vibration_is_force_over_mass() {
    let mut aircraft = quad();
    let unbalance = 4.0e-5;
    let mut scenario = Scenario::new(vec![Segment::new("hover", 0.1, Action::Hover)], 4, 1.0);
    quiet(&mut aircraft, &mut scenario);
    aircraft.rotor.unbalance = unbalance;
    scenario.unbalance_factors = vec![1.0, 0.0, 0.0, 0.0];
    let trim = fly(&aircraft, &sea_level(), &scenario).unwrap().truth;
    let hover = trim.hover.unwrap();
    aircraft.imu.as_mut().unwrap().at = trim.centre;
    scenario.script = vec![Segment::new("held", 1.0, Action::Commands { commands: hover.commands.clone() })];
    scenario.duration = 1.0;
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    let speed = hover.speeds[0];
    let expected = unbalance * speed * speed / trim.mass;
    for axis in ["accel.x", "accel.y"] {
        let (mut cos, mut sin, mut count) = (0.0, 0.0, 0.0);
        let window = (40.0 * std::f64::consts::TAU / speed * scenario.log_rate).round() as usize;
        for (t, a) in log.time.iter().zip(channel(&log, axis)).skip(50).take(window) {
            cos += a * (speed * t).cos();
            sin += a * (speed * t).sin();
            count += 0.5;
        }
        let amplitude = f64::hypot(cos, sin) / count;
        validate(&format!("{axis} at 1/rev, m/s^2"), "m e omega^2 / M", expected, amplitude, 0.02 * expected);
    }
}

#[test]
fn val_rate_step_is_that_of_the_linear_loop() {
    let reference = table(include_str!("../../../../reference/flight_rate_step.csv"));
    for linearised in [true, false] {
        let mut aircraft = quad();
        aircraft.rotor.pitch = None;
        aircraft.esc.as_mut().unwrap().update_period = 0.0;
        let rate_loop = aircraft.rate_loop.as_mut().unwrap();
        rate_loop.linearised = linearised;
        rate_loop.d = [0.2; 3];
        let mut scenario = Scenario::new(rate_steps(0, &[0.1], 0.4, 0.1), 1, 1.0);
        quiet(&mut aircraft, &mut scenario);
        let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
        let raw = channel(&log, "rate_raw.x");
        let worst = reference
            .iter()
            .map(|row| (raw[(row[0] * 1000.0).round() as usize] / 0.1 - row[1]).abs())
            .fold(0.0, f64::max);
        let what = format!("largest difference of a roll rate step over its size, linearised {linearised}");
        validate(&what, "independent linear simulation, scipy.signal", 0.0, worst, 1e-3);
    }
}

/// On a battery near its end, a command that is corrected for the bus voltage makes the same step as on a full one, and one that
/// is not makes that of the loop gain which the voltage leaves.
#[test]
fn val_a_corrected_command_keeps_the_loop_gain() {
    use physics::loops::effect::Effect;
    let reference = table(include_str!("../../../../reference/flight_rate_step.csv"));
    let mut aircraft = quad();
    aircraft.rotor.pitch = None;
    aircraft.esc.as_mut().unwrap().update_period = 0.0;
    aircraft.rate_loop.as_mut().unwrap().d = [0.2; 3];
    let mut scenario = Scenario::new(rate_steps(0, &[0.1], 0.4, 0.1), 1, 0.1);
    quiet(&mut aircraft, &mut scenario);
    let thrust = physics::mass::mass_properties(&aircraft.bodies).mass * STANDARD_GRAVITY / 4.0;
    let density = sea_level().density;
    let full = physics::powertrain::operating_point(&aircraft, &[thrust; 4], 1.0, density).unwrap();
    let effect = |set_up_at: Option<f64>, corrected: bool, volts: f64| {
        let mut a = aircraft.clone();
        let rate_loop = a.rate_loop.as_mut().unwrap();
        (rate_loop.voltage_corrected, rate_loop.set_up_at) = (corrected, set_up_at);
        Effect::new(&a, (thrust, full.bus_voltage), density).unwrap().gain(thrust, volts).unwrap()
    };
    let volts = fly(&aircraft, &sea_level(), &scenario).unwrap().truth.hover.unwrap().voltage;
    // The voltage at which the stated gains would have to hold for 0.8 of them to be left here.
    let (mut low, mut high) = (volts, 2.0 * volts);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if effect(Some(middle), false, volts) > 0.8 { low = middle } else { high = middle }
    }
    for (corrected, set_up_at) in [(true, None), (true, Some(20.0)), (false, Some(low))] {
        let mut a = aircraft.clone();
        let rate_loop = a.rate_loop.as_mut().unwrap();
        (rate_loop.voltage_corrected, rate_loop.set_up_at) = (corrected, set_up_at);
        let log = fly(&a, &sea_level(), &scenario).unwrap();
        let raw = channel(&log, "rate_raw.x");
        let worst = reference
            .iter()
            .map(|row| {
                (raw[(row[0] * 1000.0).round() as usize] / 0.1 - row[if corrected { 1 } else { 2 }]).abs()
            })
            .fold(0.0, f64::max);
        let what = format!(
            "largest difference of a roll rate step at {volts:.2} V over its size, corrected {corrected}, set up at {}",
            set_up_at.map_or("a full battery".to_owned(), |v| format!("{v:.1} V"))
        );
        validate(&what, "independent linear simulation, scipy.signal", 0.0, worst, 1e-3);
    }
}

#[test]
fn prop_every_layout_hovers_and_holds() {
    for name in layout::NAMES {
        let mut aircraft = quad();
        aircraft.bodies.truncate(2);
        aircraft.stations = layout::stations(name, 0.31, 0.0, true).unwrap();
        for station in aircraft.stations.clone() {
            aircraft.bodies.push(Body {
                item: "motor".to_owned(),
                mass: 0.3,
                at: station.at,
                shape: Shape::Point,
                payload: false,
            });
        }
        let scenario = Scenario::new(vec![Segment::new("hover", 4.0, Action::Hover)], 2, 1.0);
        let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
        for k in 0..log.time.len() {
            let q = |part: &str| channel(&log, &format!("attitude.{part}"))[k];
            let attitude =
                UnitQuaternion::from_quaternion(nalgebra::Quaternion::new(q("w"), q("i"), q("j"), q("k")));
            let (roll, pitch, yaw) = attitude.euler_angles();
            assert!(roll.abs().max(pitch.abs()).max(yaw.abs()) < 0.05, "{name}: {roll} {pitch} {yaw}");
            let height = channel(&log, "height")[k];
            assert!((height - 20.0).abs() < 0.3, "{name}: {height} m after {} s", log.time[k]);
        }
    }
}

#[test]
fn prop_card_flight_stays_in_bounds() {
    let aircraft = quad();
    let scenario = card_flight(&aircraft, 11, 1.0);
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    assert_eq!(log.time.len(), (scenario.duration * scenario.log_rate).round() as usize + 1);
    for (name, values) in &log.channels {
        assert!(!name.starts_with("velocity_demand") && !name.starts_with("position_demand"), "{name}");
        let gaps = name.starts_with("attitude_demand");
        assert!(gaps || values.iter().all(|v| v.is_finite()), "{name}");
    }
    let extreme = |name: &str| {
        let values = channel(&log, name);
        (values.iter().copied().fold(f64::MAX, f64::min), values.iter().copied().fold(f64::MIN, f64::max))
    };
    let (low, high) = extreme("height");
    assert!(low > 10.0 && high < 60.0, "{low} {high}");
    for axis in ["position.x", "position.y"] {
        let (low, high) = extreme(axis);
        assert!(low > -40.0 && high < 40.0, "{axis} {low} {high}");
    }
    assert!(extreme("rotor.1.command").1 == 1.0);
    // Every step reaches its demand, and after each release the demand is zero for 2 s.
    let (rate, demand) = (channel(&log, "rate.x"), channel(&log, "rate_demand.x"));
    let steps = log.marks.iter().filter(|m| m.label.starts_with("roll step")).collect::<Vec<_>>();
    assert_eq!(steps.len(), 4);
    for mark in steps {
        let from = (mark.time * scenario.log_rate).round() as usize;
        let mean = rate[from + 250..from + 350].iter().sum::<f64>() / 100.0;
        assert!((mean / demand[from + 300] - 1.0).abs() < 0.1, "{mean} {}", demand[from + 300]);
        assert!(demand[from + 350..from + 2350].iter().all(|&d| d == 0.0));
    }
}

fn outer_loops(aircraft: &mut Aircraft) {
    aircraft.velocity_loop = Some(VelocityLoop {
        gain: 1.0,
        integral: 0.2,
        climb_gain: 2.0,
        climb_integral: 0.5,
        tilt_limit: 25.0_f64.to_radians(),
        delay: 0.06,
    });
    aircraft.position_loop =
        Some(PositionLoop { gain: 0.25, height_gain: 0.8, speed_limit: 5.0, climb_limit: 2.0 });
}

#[test]
fn val_velocity_step_is_that_of_the_linear_loops() {
    let reference = table(include_str!("../../../../reference/flight_velocity_step.csv"));
    let mut aircraft = quad();
    outer_loops(&mut aircraft);
    aircraft.rotor.pitch = None;
    aircraft.drag_area = 0.0;
    aircraft.bodies[0].at.z = 0.0;
    aircraft.esc.as_mut().unwrap().update_period = 0.0;
    let size = 0.1;
    for axis in 0..2 {
        let mut demand = Vec3::zeros();
        demand[axis] = size;
        let script = vec![Segment::new("step", 12.1, Action::Velocity { demand })];
        let mut scenario = Scenario::new(script, 1, 1.0);
        quiet(&mut aircraft, &mut scenario);
        let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
        let velocity = channel(&log, ["velocity.x", "velocity.y"][axis]);
        let worst = reference
            .iter()
            .map(|row| (velocity[(row[0] * 1000.0).round() as usize] / size - row[1]).abs())
            .fold(0.0, f64::max);
        let what = format!("largest difference of a velocity step over its size, axis {axis}");
        validate(&what, "linear loops in python-control", 0.0, worst, 3e-3);
    }
}

#[test]
fn prop_a_limited_tilt_winds_nothing_up() {
    // A demand of 30 m/s holds the tilt at its limit for 6 s. Wound up without bound the integral would stand at
    // 0.2 x 30 x 6 = 36 m/s^2 and carry the aircraft on for a long time.
    let mut aircraft = quad();
    outer_loops(&mut aircraft);
    let velocity = |v: f64| Action::Velocity { demand: Vec3::new(v, 0.0, 0.0) };
    let script = vec![Segment::new("fast", 6.0, velocity(30.0)), Segment::new("stop", 14.0, velocity(0.0))];
    let mut scenario = Scenario::new(script, 1, 1.0);
    quiet(&mut aircraft, &mut scenario);
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    let speed = channel(&log, "velocity.x");
    let fastest = speed[..6001].iter().copied().fold(0.0, f64::max);
    assert!(fastest > 12.0 && fastest < 30.0, "{fastest}");
    let tilt = |k: usize| {
        let part = |p: &str| channel(&log, &format!("attitude_demand.{p}"))[k];
        (1.0 - 2.0 * (part("i").powi(2) + part("j").powi(2))).acos()
    };
    assert!((0..log.time.len()).all(|k| tilt(k) <= 25.0_f64.to_radians() + 1e-6));
    assert!((tilt(5000) - 25.0_f64.to_radians()).abs() < 1e-3);
    // It brakes within the time that the tilt takes to turn round, and comes to rest without swinging far beyond.
    assert!(speed[6700] < speed[6400], "{} {}", speed[6700], speed[6400]);
    let back = speed[6001..].iter().copied().fold(f64::MAX, f64::min);
    assert!(back > -0.15 * fastest, "{back}");
    assert!(speed.last().unwrap().abs() < 0.5, "{}", speed.last().unwrap());
}

#[test]
fn prop_position_is_held_in_wind_and_seeds_repeat() {
    let mut aircraft = quad();
    outer_loops(&mut aircraft);
    let script = vec![Segment::new("hold", 40.0, Action::PositionHold)];
    let mut scenario = Scenario::new(script, 4, 1.0);
    scenario.wind = Wind::dryden(Vec3::new(-5.0, 3.0, 0.0), 20.0);
    scenario.log_rate = 100.0;
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    let held = |name: &str| &channel(&log, name)[2000..];
    // The integral takes up the mean wind: the mean error is far below what the gain alone would leave.
    for name in ["position.x", "position.y"] {
        let mean = held(name).iter().sum::<f64>() / 2001.0;
        assert!(mean.abs() < 1.0, "{name} {mean}");
        assert!(held(name).iter().all(|p| p.abs() < 5.0), "{name}");
    }
    assert!(held("height").iter().all(|h| (h - 20.0).abs() < 1.0));
    assert!(held("position_demand.x").iter().all(|p| p.abs() < 1e-9));
    assert_eq!(fly(&aircraft, &sea_level(), &scenario).unwrap().channels, log.channels);
    scenario.seed = 5;
    assert_ne!(fly(&aircraft, &sea_level(), &scenario).unwrap().channels, log.channels);
}

#[test]
fn prop_sweep_asks_for_what_it_says() {
    let aircraft = quad();
    let sweep = Action::AttitudeSweep {
        tilt: 0.4,
        direction: std::f64::consts::FRAC_PI_4,
        from: 2.0,
        to: 0.5,
        duration: 8.0,
    };
    let mut scenario = Scenario::new(vec![Segment::new("sweep", 9.0, sweep)], 1, 1.0);
    scenario.wind = Wind::CALM;
    let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
    let part = |p: &str| channel(&log, &format!("attitude_demand.{p}"));
    let (i, j) = (part("i"), part("j"));
    let tilt: Vec<f64> = i.iter().zip(j).map(|(i, j)| (1.0 - 2.0 * (i * i + j * j)).acos()).collect();
    let most = tilt.iter().copied().fold(0.0, f64::max);
    assert!((most - 0.4).abs() < 0.02, "{most}");
    assert!(tilt[8001..].iter().all(|t| *t < 1e-9));
    // Right and forward (nose down) together: roll positive with pitch negative.
    assert!(i.iter().zip(j).all(|(i, j)| i * j <= 1e-12));
    // Sweeping from 2 to 0.5 Hz in 8 s: (2 - 0.5) 8/ln 4 = 8.66 turns, two crossings of zero in each.
    let crossings = i.windows(2).filter(|w| w[0] * w[1] < 0.0).count();
    assert!((16..=18).contains(&crossings), "{crossings}");
}

#[test]
fn prop_bad_input_is_an_error() {
    let mut aircraft = quad();
    let good = card_flight(&aircraft, 1, 1.0);
    for bad in [f64::NAN, -1.0, 0.0, f64::INFINITY, 1e9] {
        let mut scenario = good.clone();
        scenario.duration = bad;
        assert!(fly(&aircraft, &sea_level(), &scenario).is_err());
    }
    let outer_less = Scenario::new(vec![Segment::new("hold", 1.0, Action::PositionHold)], 1, 1.0);
    let message = fly(&aircraft, &sea_level(), &outer_less).unwrap_err().to_string();
    assert_eq!(message, "waits for `loop.velocity` in the aircraft file");
    let spoil: [fn(&mut Aircraft, &mut Scenario); 9] = [
        |a, _| {
            outer_loops(a);
            a.velocity_loop.as_mut().unwrap().delay = f64::NAN;
        },
        |_, s| s.wind = Wind::dryden(Vec3::repeat(f64::NAN), 10.0),
        |a, _| a.esc.as_mut().unwrap().dead_time = 1e300,
        |a, _| a.attitude_loop.as_mut().unwrap().rate_limit = -1.0,
        |a, _| a.rate_loop.as_mut().unwrap().p = [f64::NAN; 3],
        |a, _| a.filters = vec![Filter::LowPass { order: 2, cutoff: 900.0 }],
        |_, s| s.step = 1e-300,
        |_, s| s.log_rate = 1e300,
        |_, s| s.height = f64::NAN,
    ];
    for (k, change) in spoil.iter().enumerate() {
        let (mut bad, mut scenario) = (aircraft.clone(), good.clone());
        change(&mut bad, &mut scenario);
        assert!(fly(&bad, &sea_level(), &scenario).is_err(), "{k}");
    }
    let mut scenario = good.clone();
    scenario.initial_charge = 1.2;
    assert!(fly(&aircraft, &sea_level(), &scenario).is_err());
    aircraft.attitude_loop = None;
    let message = fly(&aircraft, &sea_level(), &good).unwrap_err().to_string();
    assert_eq!(message, "waits for `loop.attitude` in the aircraft file");
    aircraft.stations.clear();
    aircraft.attitude_loop = quad().attitude_loop;
    assert!(fly(&aircraft, &sea_level(), &good).is_err());
    let mut heavy = quad();
    heavy.bodies[0].mass = 60.0;
    assert!(fly(&heavy, &sea_level(), &good).unwrap_err().to_string().starts_with("no hover"));
}

/// The spread of place and height in gusts, by the loops over frequency, against the flight model over 15 minutes.
#[test]
fn val_hold_in_gusts_is_that_of_the_loops() {
    use physics::loops::chain::rate_chain;
    use physics::loops::damping::{climb_damping, drift_damping, lift_by_wind, rotor_air};
    use physics::loops::effect::Effect;
    use physics::loops::hold::{Vertical, gusts, hold, lean};
    use physics::loops::outer::{Outer, drag_decay};
    let mut aircraft = quad();
    outer_loops(&mut aircraft);
    aircraft.drag_area = 0.06;
    // A battery that does not empty: the gains hold on a full one.
    aircraft.battery.as_mut().unwrap().capacity *= 100.0;
    aircraft.rotor.unbalance = 0.0;
    let (wind, height, density) = (8.0, 20.0, sea_level().density);
    let mut samples: [Vec<f64>; 3] = Default::default();
    for seed in 1..=3 {
        let script = vec![
            Segment::new("stand", 12.0, Action::Velocity { demand: Vec3::zeros() }),
            Segment::new("hold", 300.0, Action::PositionHold),
        ];
        let mut scenario = Scenario::new(script, seed, 1.0);
        (scenario.log_rate, scenario.height, scenario.step) = (20.0, height, 1.0 / 2000.0);
        scenario.wind = Wind::dryden(Vec3::new(-wind, 0.0, 0.0), height);
        let log = fly(&aircraft, &sea_level(), &scenario).unwrap();
        for (list, axis) in samples.iter_mut().zip(["x", "y", "z"]) {
            let (at, asked) = (
                channel(&log, &format!("position.{axis}")),
                channel(&log, &format!("position_demand.{axis}")),
            );
            list.extend(at.iter().zip(asked).skip(20 * 40).map(|(p, d)| p - d));
        }
    }
    let spread = |v: &[f64]| {
        let mean = v.iter().sum::<f64>() / v.len() as f64;
        (v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / v.len() as f64).sqrt()
    };
    let mass = physics::mass::mass_properties(&aircraft.bodies).mass;
    let thrust = mass * STANDARD_GRAVITY / 4.0;
    let speed = aircraft.rotor.speed_for_thrust(thrust, 0.0, density).unwrap();
    let lag = physics::powertrain::motor_lag(&aircraft, speed, density).unwrap().braked;
    let rotors = rotor_air(&aircraft, thrust, density);
    let chain = rate_chain(&aircraft, 0, lag, 0.0).unwrap().with_rotors(&rotors);
    let outer = Outer {
        attitude: aircraft.attitude_loop.as_ref().unwrap().gain[0],
        velocity: 1.0,
        integral: 0.2,
        position: 0.25,
        delay: 0.06,
        drag: 0.0,
    };
    let body = drag_decay(density, aircraft.drag_area, wind, mass);
    let plane = drift_damping(&aircraft, thrust, density, wind);
    let drag = [2.0 * body + plane[0], body + plane[1]];
    let axial = wind * lean(drag[1], wind).sin();
    let point = physics::powertrain::operating_point(&aircraft, &[thrust; 4], 1.0, density).unwrap();
    let lift = Effect::new(&aircraft, (thrust, point.bus_voltage), density).unwrap();
    let lift = lift.lift(&[thrust; 4], 1.0).unwrap();
    let vertical = Vertical {
        climb: (2.0, 0.5),
        height: 0.8,
        lift: lift.gain,
        slower: lift.slower,
        decay: climb_damping(&aircraft, thrust, density, [wind, axial]),
        body,
        lifted: lift_by_wind(&aircraft, thrust, density, [wind, axial]),
    };
    println!(
        "decay of the climb rate {:.3} 1/s and by drag {body:.3}; of the level speed {drag:?} 1/s",
        vertical.decay
    );
    let told = hold(&chain, &outer, &vertical, drag, wind, &gusts(wind, height).unwrap()).unwrap();
    for (what, told, flown) in [
        ("along the wind", told.along, spread(&samples[0])),
        ("across", told.across, spread(&samples[1])),
        ("in height", told.height, spread(&samples[2])),
    ] {
        // Some 250 independent gusts: 5 % of scatter. In 80 minutes of 16 seeds the three are 2, 4 and 3 % above 1: what is
        // not linear (square law of drag, thrust in climb and descent) moves them by no more than that.
        let what = format!("spread of place {what} over its prediction");
        validate(&what, "flight model, 15 minutes in Dryden gusts", 1.0, flown / told, 0.08);
    }
}
