//! Motor, battery, operating points, full thrust and endurance against scipy and published values.

use std::collections::BTreeMap;

use physics::Vec3;
use physics::aircraft::{Aircraft, Battery, Body, Chemistry, Esc, Motor, Shape, Spin, Station, WindingHeat};
use physics::powertrain::thermal::Winding;
use physics::powertrain::{
    BatteryModel, CONTROL_MARGIN, EndReason, LimitKind, MotorModel, OperatingPoint, PowertrainError,
    endurance, full_thrust, motor_lag, open_circuit_voltage, operating_point, point_at_command,
};
use physics::rotor::{Coefficients, Rotor, Table, TableRow};
use proptest::prelude::*;

use crate::table::{close, number, report, rows};

/// Inputs or answers of one case: name -> values by index.
type Values = BTreeMap<String, Vec<String>>;

struct Case {
    name: String,
    inputs: Values,
    answers: Values,
}

impl Case {
    fn input(&self, name: &str) -> f64 {
        number(&self.inputs[name][0])
    }
    fn answer(&self, name: &str) -> f64 {
        number(&self.answers[name][0])
    }
    fn thrusts(&self) -> Vec<f64> {
        self.inputs["thrust"].iter().map(|v| number(v)).collect()
    }

    fn aircraft(&self) -> Aircraft {
        let get = |name: &str| self.input(name);
        let limit = |name: &str| self.inputs[name][0].parse::<f64>().ok();
        let rotors = get("rotors") as usize;
        let lower: Vec<usize> =
            self.inputs["lower"][0].split_whitespace().map(|index| index.parse().unwrap()).collect();
        let table = &self.inputs["table"][0];
        let coefficients = if table.is_empty() {
            Coefficients::Constant { ct: get("ct"), cp: get("cp") }
        } else {
            let rows: Vec<TableRow> = table
                .split(';')
                .map(|row| {
                    let v: Vec<f64> = row.split_whitespace().map(number).collect();
                    TableRow { speed: v[0], advance: 0.0, ct: v[1], cp: v[2] }
                })
                .collect();
            Coefficients::Table(Table::from_rows(&rows).unwrap())
        };
        Aircraft {
            name: self.name.clone(),
            stations: (0..rotors).map(|index| station(index, lower.contains(&index))).collect(),
            bodies: vec![Body {
                item: "all".to_owned(),
                mass: get("mass"),
                at: Vec3::zeros(),
                shape: Shape::Point,
                payload: false,
            }],
            rotor: Rotor {
                diameter: get("diameter"),
                pitch: None,
                blades: 2,
                inertia: 9.5e-5,
                unbalance: 0.0,
                download: get("download"),
                coefficients,
            },
            motor: Some(Motor {
                kv: get("kv"),
                resistance: get("resistance"),
                no_load_current: get("no_load"),
                no_load_voltage: 10.0,
                no_load_growth: get("growth"),
                inertia: 2.5e-5,
                max_current: limit("motor_limit"),
                winding_temperature: get("winding"),
                thermal: None,
            }),
            esc: Some(Esc {
                resistance: get("esc"),
                dead_time: 0.0015,
                update_period: 0.0005,
                protocol_period: 0.0001,
                switching_frequency: get("switching"),
                edge_time: get("edges"),
                braking: true,
                response_up: None,
                response_down: None,
                usable_minimum: 0.04,
                max_current: limit("esc_limit"),
            }),
            battery: Some(Battery {
                chemistry: match self.inputs["chemistry"][0].as_str() {
                    "lipo" => Chemistry::Lipo,
                    "lipo-hv" => Chemistry::LipoHv,
                    _ => Chemistry::LiIonNmc,
                },
                series: get("series") as u32,
                parallel: get("parallel") as u32,
                capacity: get("capacity"),
                cell_resistance: get("cell"),
                lead_resistance: get("lead"),
                polarisation_resistance: get("polarisation"),
                polarisation_time: get("time"),
                cutoff: get("cutoff"),
                reserve: get("reserve"),
                max_current: limit("battery_limit"),
            }),
            avionics_power: get("avionics"),
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

    /// Compares speeds, currents, commands, torques, bus voltage and battery current.
    fn check(&self, point: &OperatingPoint) {
        let mut worst = 0.0_f64;
        let mut see = |what: &str, expected: f64, computed: f64| {
            assert!(close(expected, computed, 1e-8), "{} {what}: {expected} {computed}", self.name);
            worst = worst.max((computed / expected - 1.0).abs());
        };
        for (k, rotor) in point.rotors.iter().enumerate() {
            let answer = |name: &str| number(&self.answers[name][k]);
            see("speed", answer("speed"), rotor.speed);
            see("motor current", answer("motor_current"), rotor.motor_current);
            see("command", answer("command"), rotor.command);
            see("torque", answer("torque"), rotor.torque);
        }
        see("bus voltage", self.answer("bus_voltage"), point.bus_voltage);
        see("battery current", self.answer("battery_current"), point.battery_current);
        report(
            "powertrain",
            &format!("{}: bus voltage, V", self.name),
            "all unknowns in one system, scipy.optimize.root",
            self.answer("bus_voltage"),
            point.bus_voltage,
            &format!("1e-8 relative on all values; worst {worst:.1e}"),
        );
    }
}

fn station(index: usize, lower: bool) -> Station {
    Station {
        place: format!("rotor {}", index + 1),
        at: Vec3::new(0.3, 0.0, 0.0),
        axis: Vec3::new(0.0, 0.0, -1.0),
        spin: Spin::Ccw,
        below: lower.then_some(0),
    }
}

fn cases() -> Vec<Case> {
    let mut cases: Vec<Case> = Vec::new();
    for row in rows(include_str!("../../reference/powertrain.csv")) {
        if cases.last().is_none_or(|case| case.name != row[0]) {
            cases.push(Case { name: row[0].clone(), inputs: Values::new(), answers: Values::new() });
        }
        let case = cases.last_mut().unwrap();
        let side = if row[1] == "in" { &mut case.inputs } else { &mut case.answers };
        side.entry(row[2].clone()).or_default().push(row[4].clone());
    }
    cases
}

fn of_kind(kind: &str) -> Vec<Case> {
    cases().into_iter().filter(|case| case.inputs["kind"][0] == kind).collect()
}

/// The first case: four rotors, six cells, 4.2 kg.
fn plain() -> Aircraft {
    cases()[0].aircraft()
}

fn weight(aircraft: &Aircraft) -> f64 {
    aircraft.bodies.iter().map(|body| body.mass).sum::<f64>() * physics::STANDARD_GRAVITY
}

fn hover(aircraft: &Aircraft) -> Vec<f64> {
    vec![weight(aircraft) / aircraft.stations.len() as f64; aircraft.stations.len()]
}

#[test]
fn val_operating_points_against_scipy() {
    let cases = of_kind("hover");
    assert_eq!(cases.len(), 9);
    for case in cases {
        let (charge, density) = (case.input("charge"), case.input("density"));
        case.check(&operating_point(&case.aircraft(), &case.thrusts(), charge, density).unwrap());
    }
}

#[test]
fn val_full_thrust_against_scipy() {
    let cases = of_kind("full");
    assert_eq!(cases.len(), 10);
    for case in cases {
        let full = full_thrust(&case.aircraft(), case.input("charge"), case.input("density")).unwrap();
        assert_eq!(serde_word(full.binding), case.answers["binding"][0], "{}", case.name);
        case.check(&full.point);
        assert!(close(case.answer("total"), full.total, 1e-8));
        report(
            "powertrain",
            &format!("{}: thrust, N", case.name),
            "scipy.optimize.root",
            case.answer("total"),
            full.total,
            "1e-8 relative",
        );
    }
}

fn serde_word(limit: LimitKind) -> &'static str {
    match limit {
        LimitKind::FullCommand => "full-command",
        LimitKind::MotorCurrent => "motor-current",
        LimitKind::WindingTemperature => "winding-temperature",
        LimitKind::EscCurrent => "esc-current",
        LimitKind::BatteryCurrent => "battery-current",
        LimitKind::CellVoltage => "cell-voltage",
    }
}

#[test]
fn val_endurance_against_scipy() {
    let cases = of_kind("endurance");
    assert_eq!(cases.len(), 5);
    for case in cases {
        let found = endurance(&case.aircraft(), &case.thrusts(), case.input("density"), case.input("charge"))
            .unwrap();
        let end = match found.end {
            EndReason::Reserve => "reserve",
            EndReason::CellVoltage => "cell-voltage",
            EndReason::ControlMargin => "control-margin",
        };
        assert_eq!(end, case.answers["end"][0], "{}", case.name);
        for (what, unit, computed) in [
            ("time", "s", found.time),
            ("charge_used", "1", found.charge_used),
            ("energy", "J", found.energy),
        ] {
            let expected = case.answer(what);
            assert!(close(expected, computed, 1e-7), "{} {what}: {expected} {computed}", case.name);
            report(
                "powertrain",
                &format!("{}: {what}, {unit}", case.name),
                "scipy solve_ivp, DOP853",
                expected,
                computed,
                "1e-7 relative",
            );
        }
        assert!(close(found.energy / found.time, found.average_power, 1e-14));
    }
}

#[test]
fn val_motor_rows() {
    // Drela 2007, first order, rows by aerosandbox motor_electric_performance.
    let source = "Drela 2007, by aerosandbox";
    let model = |kv_rpm: f64, resistance: f64, no_load: f64| {
        let mut aircraft = plain();
        let motor = aircraft.motor.as_mut().unwrap();
        motor.kv = kv_rpm * std::f64::consts::PI / 30.0;
        (motor.resistance, motor.no_load_current, motor.winding_temperature) = (resistance, no_load, 298.15);
        aircraft.esc.as_mut().unwrap().resistance = 0.0;
        MotorModel::new(&aircraft).unwrap()
    };
    let rpm = |value: f64| value * std::f64::consts::PI / 30.0;
    for (motor, volts, speed, current, torque) in [
        (model(920.0, 0.142, 0.7), 11.1, rpm(8000.0), 16.932_027, 0.168_483),
        (model(1000.0, 0.1, 0.4), 10.0, rpm(7000.0), 30.0, 0.282_659),
        (model(920.0, 0.142, 0.7), 9.357_257, rpm(6000.0), 19.968_435, 0.2),
    ] {
        // Six or seven printed digits.
        assert!(close(current, motor.current(volts, speed), 2e-6));
        assert!(close(torque, motor.torque(volts, speed), 3e-6));
        assert!(close(current, motor.current_for_torque(torque, speed), 3e-6));
        report(
            "powertrain",
            &format!("motor current at {volts} V, A"),
            source,
            current,
            motor.current(volts, speed),
            "2e-6 relative",
        );
        report(
            "powertrain",
            &format!("motor torque at {volts} V, N m"),
            source,
            torque,
            motor.torque(volts, speed),
            "3e-6 relative",
        );
    }
    for (kv_rpm, kt) in [(100.0, 0.095_493_0), (400.0, 0.023_873_2), (2300.0, 0.004_151_87)] {
        assert!(close(kt, model(kv_rpm, 0.1, 0.5).kt, 2e-6));
    }
    // Best efficiency at 11.1 V of the first motor: 7.397183 A, 0.819694.
    let (motor, volts) = (model(920.0, 0.142, 0.7), 11.1);
    let efficiency = |speed: f64| motor.torque(volts, speed) * speed / (volts * motor.current(volts, speed));
    let best = (8000..10_200)
        .map(|r| rpm(f64::from(r)))
        .max_by(|a, b| efficiency(*a).total_cmp(&efficiency(*b)))
        .unwrap();
    assert!(close(0.819_694, efficiency(best), 2e-6) && close(7.397_183, motor.current(volts, best), 2e-3));
    report(
        "powertrain",
        "best motor efficiency at 11.1 V",
        "Drela 2007, (1 - sqrt(i0 R/v))^2",
        0.819_694,
        efficiency(best),
        "2e-6 relative",
    );
}

#[test]
fn val_copper() {
    // IEC 60028 by hand: (234.45 + t)/(234.45 + 25) with 1/0.00393 - 20 = 234.453 degC.
    let motor = plain().motor.unwrap();
    let zero = 1.0 / 0.003_93 - 20.0;
    for celsius in [25.0, 60.0, 120.0] {
        let expected = 0.062 * (zero + celsius) / (zero + 25.0);
        let computed = motor.resistance_at(celsius + 273.15);
        assert!(close(expected, computed, 1e-13));
        report(
            "powertrain",
            &format!("62 mohm winding at {celsius} degC, ohm"),
            "IEC 60028",
            expected,
            computed,
            "1e-13 relative",
        );
    }
}

#[test]
fn val_battery_pulse() {
    // One RC pair, 10 and 15 mohm, 30 s; 20 A for 60 s, then rest, from 4.0 V: closed form, 6 decimals.
    let mut aircraft = plain();
    let battery = aircraft.battery.as_mut().unwrap();
    (battery.series, battery.parallel, battery.lead_resistance) = (1, 1, 0.0);
    (battery.cell_resistance, battery.polarisation_resistance, battery.polarisation_time) =
        (0.010, 0.015, 30.0);
    let model = BatteryModel::new(&aircraft).unwrap();
    for (time, expected) in [
        (0.0, 3.8),
        (1.0, 3.790_165),
        (10.0, 3.714_959),
        (30.0, 3.610_364),
        (60.0, 3.540_601),
        (90.0, 3.904_572),
        (120.0, 3.964_895),
    ] {
        let (loaded, rest) = (f64::min(time, 60.0), f64::max(time - 60.0, 0.0));
        let polarisation = model.polarisation_after(model.polarisation_after(0.0, 20.0, loaded), 0.0, rest);
        let computed = model.bus_voltage(4.0, polarisation, if time > 60.0 { 0.0 } else { 20.0 });
        assert!((expected - computed).abs() < 1.1e-6, "{time} {expected} {computed}");
        report(
            "powertrain",
            &format!("one-RC cell after {time} s, V"),
            "closed form; thevenin 0.2.1",
            expected,
            computed,
            "1.1e-6 V",
        );
    }
}

#[test]
fn val_open_circuit_curves() {
    let curve = open_circuit_voltage;
    // Chen & Rincon-Mora 2006 as published, at points of its table; the difference to 4.20 V in
    // proportion to charge is ours.
    for (charge, published) in
        [(0.0, 2.654), (0.1, 3.674_57), (0.2, 3.725_03), (0.5, 3.803_36), (0.8, 3.945_98), (1.0, 4.102_9)]
    {
        let computed = curve(Chemistry::Lipo, charge) - 0.0971 * charge;
        assert!((published - computed).abs() < 6e-6, "{charge} {computed}");
        report(
            "powertrain",
            &format!("polymer cell at charge {charge}, less our end correction, V"),
            "Chen & Rincon-Mora 2006",
            published,
            computed,
            "6e-6 V",
        );
    }
    // Chen et al. 2020: half-cell fits between the cell's cut-off voltages, 2.5 and 4.2 V.
    assert!((curve(Chemistry::LiIonNmc, 0.0) - 2.5).abs() < 5e-3);
    report(
        "powertrain",
        "LG M50 cell empty, V",
        "Chen et al. 2020, lower cut-off",
        2.5,
        curve(Chemistry::LiIonNmc, 0.0),
        "5 mV",
    );
    for (chemistry, full) in
        [(Chemistry::Lipo, 4.20), (Chemistry::LipoHv, 4.326), (Chemistry::LiIonNmc, 4.20)]
    {
        assert!((curve(chemistry, 1.0) - full).abs() < 1e-9);
        let voltages: Vec<f64> = (0..=1000).map(|k| curve(chemistry, f64::from(k) / 1000.0)).collect();
        assert!(voltages.windows(2).all(|pair| pair[1] > pair[0]), "{chemistry:?}");
    }
}

/// The high-voltage curve on the cells that it is the mean of, and on four of other makers.
#[test]
fn val_high_voltage_cells() {
    let mut cells: BTreeMap<(String, String), Vec<(f64, f64)>> = BTreeMap::new();
    for r in rows(include_str!("../../reference/high_voltage_cells.csv")) {
        cells.entry((r[0].clone(), r[1].clone())).or_default().push((0.01 * number(&r[2]), number(&r[3])));
    }
    assert_eq!(cells.len(), 7);
    for ((kind, cell), points) in &cells {
        let off = |from: f64, to: f64| -> Vec<f64> {
            points
                .iter()
                .filter(|p| p.0 >= from && p.0 < to)
                .map(|p| open_circuit_voltage(Chemistry::LipoHv, p.0) - p.1)
                .collect()
        };
        let rms = |list: &[f64]| (list.iter().map(|x| x * x).sum::<f64>() / list.len() as f64).sqrt();
        let upper = 1e3 * rms(&off(0.1, 1.01));
        let worst = 1e3 * off(0.02, 0.1).iter().map(|x| x.abs()).fold(0.0, f64::max);
        let (source, bar) = match kind.as_str() {
            "used" => ("maker's table, Linux kernel 6.12", 15.0),
            _ => ("another maker's table, not used for the curve", 20.0),
        };
        report(
            "powertrain",
            &format!("high-voltage cell {cell}, from 10 % charge up, rms, mV"),
            source,
            bar,
            upper,
            "at most",
        );
        report(
            "powertrain",
            &format!("high-voltage cell {cell}, 2 to 10 % charge, worst, mV"),
            source,
            60.0,
            worst,
            "at most",
        );
        assert!(upper <= bar && worst <= 60.0, "{cell} {upper} {worst}");
    }
}

#[test]
fn val_motor_lag_by_integration() {
    // The speed after a small step of voltage, integrated with the motor model in steps of 1 us,
    // reaches 1 - 1/e after the time constant. A step of 0.1 % leaves 0.2 % of bend.
    let aircraft = plain();
    let (density, speed) = (1.225, 390.0);
    let lag = motor_lag(&aircraft, speed, density).unwrap();
    let motor = MotorModel::new(&aircraft).unwrap();
    let load = |speed: f64| aircraft.rotor.torque(speed, 0.0, density);
    let volts = |speed: f64| {
        speed * motor.kt + motor.current_for_torque(load(speed), speed) * motor.path_resistance()
    };
    let (target, step) = (speed * 1.001, 1e-6);
    let (mut now, mut time) = (speed, 0.0);
    while now < speed + (target - speed) * (1.0 - (-1.0_f64).exp()) {
        now += step * motor.acceleration(volts(target), now, load(now));
        time += step;
    }
    assert!(close(lag.braked, time, 2e-3), "{} {time}", lag.braked);
    report(
        "powertrain",
        "motor lag, braked, s",
        "integration of the motor equation",
        time,
        lag.braked,
        "2e-3 relative",
    );
    // Coasting (no-load torque left out): omega = omega0/(1 + t Q0/(J omega0)), so omega falls to
    // half after J omega0/Q0 = 2 tau.
    let half = motor.inertia * speed / load(speed);
    assert!(close(half, 2.0 * lag.freewheeling, 1e-12));
    report(
        "powertrain",
        "twice the freewheeling lag, s",
        "closed form of coasting on square-law drag",
        half,
        2.0 * lag.freewheeling,
        "1e-12 relative",
    );
}

#[test]
fn prop_limits_bind_in_order() {
    let mut aircraft = plain();
    let infeasible = |aircraft: &Aircraft| match operating_point(aircraft, &[45.0; 4], 0.9, 1.2) {
        Err(PowertrainError::Infeasible { limit, share }) => (limit, share),
        other => panic!("{other:?}"),
    };
    let (limit, command_share) = infeasible(&aircraft);
    assert_eq!(limit, LimitKind::FullCommand);
    // The share found is the edge itself: there the command is 1.
    let edge = operating_point(&aircraft, &[45.0 * command_share; 4], 0.9, 1.2).unwrap();
    assert!(close(1.0, edge.rotors[0].command, 1e-9));
    aircraft.motor.as_mut().unwrap().max_current = Some(30.0);
    let (limit, share) = infeasible(&aircraft);
    assert!(limit == LimitKind::MotorCurrent && share < command_share);
    aircraft.battery.as_mut().unwrap().max_current = Some(60.0);
    assert_eq!(infeasible(&aircraft).0, LimitKind::BatteryCurrent);
    aircraft.battery.as_mut().unwrap().cutoff = 3.95;
    assert_eq!(infeasible(&aircraft).0, LimitKind::CellVoltage);
    let full = full_thrust(&aircraft, 0.9, 1.2).unwrap();
    assert_eq!(full.binding, LimitKind::CellVoltage);
    let cell = (full.point.bus_voltage + 0.004 * full.point.battery_current) / 6.0;
    assert!(close(3.95, cell, 1e-9));
    let words = infeasible(&aircraft);
    assert!(
        PowertrainError::Infeasible { limit: words.0, share: 0.5 }
            .to_string()
            .contains("cell voltage limit allows only 50.0 %")
    );
}

#[test]
fn prop_a_warm_winding_binds() {
    let mut aircraft = plain();
    let free = full_thrust(&aircraft, 1.0, 1.2).unwrap();
    let motor = aircraft.motor.as_mut().unwrap();
    let heat = |burst| {
        Some(WindingHeat { rise: 45.0, current: 18.0, time: 70.0, limit: Some(393.15), burst, air: 298.15 })
    };
    motor.thermal = heat(60.0);
    let (motor, node) = (motor.clone(), Winding::of(motor).unwrap().in_density(1.2));
    let full = full_thrust(&aircraft, 1.0, 1.2).unwrap();
    assert_eq!(full.binding, LimitKind::WindingTemperature);
    assert!(full.total < free.total);
    // After the burst, from the winding temperature of the predictions and with the iron of the no-load test.
    let current = full.point.rotors[0].motor_current;
    let reached = node.after(&motor, current, 9.0, 298.15, motor.winding_temperature, 60.0);
    assert!(close(393.15, reached, 1e-8), "{reached}");
    aircraft.motor.as_mut().unwrap().thermal = heat(40.0);
    assert!(full_thrust(&aircraft, 1.0, 1.2).unwrap().total > full.total);
    // Hotter or thinner air leaves the winding less.
    let hot = aircraft.in_air(318.15);
    let burst = |a: &Aircraft, density| full_thrust(a, 1.0, density).unwrap().point.rotors[0].motor_current;
    assert!(burst(&hot, 1.2) < burst(&aircraft, 1.2) && burst(&aircraft, 0.9) < burst(&aircraft, 1.2));
    assert_eq!(*aircraft.in_air(298.15), aircraft);
    // Steady flight is held to the settled temperature.
    let most = node.steady_current(&motor, 9.0, 298.15, 393.15);
    assert!(close(393.15, node.settled(&motor, most, 9.0, 298.15).unwrap(), 1e-12));
    let limit = match operating_point(&aircraft, &[30.0; 4], 1.0, 1.2) {
        Err(PowertrainError::Infeasible { limit, share }) => {
            let edge = operating_point(&aircraft, &[30.0 * share; 4], 1.0, 1.2).unwrap();
            assert!(close(most, edge.rotors[0].motor_current, 1e-8));
            limit
        }
        other => panic!("{other:?}"),
    };
    assert_eq!(limit, LimitKind::WindingTemperature);
}

#[test]
fn prop_coasting_and_standing_still() {
    let mut aircraft = plain();
    let held = MotorModel::new(&aircraft).unwrap();
    assert!(held.current(0.0, 300.0) < 0.0);
    assert_eq!(held.torque(1e-3, 0.0), 0.0);
    aircraft.esc.as_mut().unwrap().braking = false;
    let free = MotorModel::new(&aircraft).unwrap();
    assert_eq!(free.current(0.0, 300.0), 0.0);
    assert!(close(-free.kt * 0.9, free.torque(0.0, 300.0), 1e-14));
    let still = point_at_command(&aircraft, 0.001, 1.0, 1.2).unwrap();
    assert!(still.rotors.iter().all(|rotor| rotor.speed == 0.0 && rotor.thrust == 0.0));
    assert!(close(9.0, still.battery_power, 1e-12));
    let stopped = operating_point(&aircraft, &[0.0, 12.0, 12.0, 12.0], 1.0, 1.2).unwrap();
    assert_eq!(stopped.rotors[0].motor_current, 0.0);
}

#[test]
fn prop_bad_numbers_are_errors() {
    let mut aircraft = plain();
    let thrusts = hover(&aircraft);
    assert!(operating_point(&aircraft, &thrusts[..3], 1.0, 1.2).is_err());
    for density in [0.0, -1.0, f64::NAN] {
        assert!(operating_point(&aircraft, &thrusts, 1.0, density).is_err());
        assert!(full_thrust(&aircraft, 1.0, density).is_err());
        assert!(endurance(&aircraft, &thrusts, density, 1.0).is_err());
    }
    assert!(operating_point(&aircraft, &thrusts, f64::NAN, 1.2).is_err());
    assert!(operating_point(&aircraft, &[-1.0; 4], 1.0, 1.2).is_err());
    aircraft.battery.as_mut().unwrap().parallel = 0;
    assert!(operating_point(&aircraft, &thrusts, 1.0, 1.2).unwrap_err().to_string().contains("parallel"));
    aircraft.battery = None;
    let error = full_thrust(&aircraft, 1.0, 1.2).unwrap_err();
    assert_eq!(error.to_string(), "waits for `battery` in the aircraft file");
}

#[test]
fn prop_endurance_ends_at_once_where_it_must() {
    let aircraft = plain();
    let thrusts = hover(&aircraft);
    let at_reserve = endurance(&aircraft, &thrusts, 1.2, 0.2).unwrap();
    assert_eq!((at_reserve.time, at_reserve.end), (0.0, EndReason::Reserve));
    let mut heavy = plain();
    heavy.bodies[0].mass = 14.5;
    let end = endurance(&heavy, &hover(&heavy), 1.2, 1.0).unwrap();
    assert_eq!((end.time, end.end), (0.0, EndReason::ControlMargin));
    assert!(full_thrust(&heavy, 1.0, 1.2).unwrap().total < CONTROL_MARGIN * weight(&heavy));
    // The RC pair hardly matters to time, however short its time constant.
    let mut quick = plain();
    quick.battery.as_mut().unwrap().polarisation_time = 0.01;
    let (slow, quick) =
        (endurance(&aircraft, &thrusts, 1.2, 1.0).unwrap(), endurance(&quick, &thrusts, 1.2, 1.0).unwrap());
    assert!(close(slow.time, quick.time, 1e-3) && quick.time < slow.time);
}

proptest! {
    #[test]
    fn prop_energy_closes(
        shares in prop::array::uniform8(0.4..1.6f64),
        charge in 0.1..1.0f64,
        density in 0.7..1.3f64,
        lower in 0..3usize,
        growth in 0.0..1.0f64,
        frequency in 0.0..60e3f64,
    ) {
        let case = of_kind("hover").into_iter().find(|case| case.name == "coaxial").unwrap();
        let mut aircraft = case.aircraft();
        for (index, station) in aircraft.stations.iter_mut().enumerate() {
            station.below = (index >= 8 - lower).then_some(0);
        }
        aircraft.motor.as_mut().unwrap().no_load_growth = growth;
        let esc = aircraft.esc.as_mut().unwrap();
        (esc.switching_frequency, esc.edge_time) = (frequency, 2e-7);
        let thrusts: Vec<f64> = shares.iter().map(|share| share * weight(&aircraft) / 8.0).collect();
        let point = operating_point(&aircraft, &thrusts, charge, density).unwrap();
        let motor = MotorModel::new(&aircraft).unwrap();
        let sum = |f: &dyn Fn(&physics::powertrain::RotorPoint) -> f64| point.rotors.iter().map(f).sum::<f64>();
        let copper = sum(&|r| r.motor_current.powi(2) * motor.winding_resistance);
        let esc = sum(&|r| r.motor_current.powi(2) * motor.esc_resistance);
        let iron = sum(&|r| motor.kt * r.speed * (motor.no_load_steady + motor.no_load_slope * r.speed));
        let edges = sum(&|r| 0.5 * 2e-7 * frequency * point.bus_voltage * r.motor_current);
        let spent = point.shaft_power + copper + esc + iron + edges + aircraft.avionics_power;
        prop_assert!(close(point.battery_power, spent, 1e-12));
        let supplied = sum(&|r| r.supply_current) + aircraft.avionics_power / point.bus_voltage;
        prop_assert!(close(point.battery_current, supplied, 1e-12));
        let battery = BatteryModel::new(&aircraft).unwrap();
        let sag = battery.steady_resistance() * point.battery_current;
        prop_assert!(close(point.open_circuit_voltage, point.bus_voltage + sag, 1e-12));
        prop_assert!(point.efficiency > 0.0 && point.efficiency < 1.0);
    }

    #[test]
    fn prop_thrust_and_command_go_round(share in 0.3..2.0f64, charge in 0.05..1.0f64, density in 0.7..1.3f64) {
        let aircraft = plain();
        let thrusts: Vec<f64> = hover(&aircraft).iter().map(|thrust| share * thrust).collect();
        let Ok(there) = operating_point(&aircraft, &thrusts, charge, density) else { return Ok(()) };
        let back = point_at_command(&aircraft, there.rotors[0].command, charge, density).unwrap();
        prop_assert!(close(there.rotors[0].thrust, back.rotors[0].thrust, 1e-9));
        prop_assert!(close(there.bus_voltage, back.bus_voltage, 1e-10));
        prop_assert!(close(there.battery_current, back.battery_current, 1e-9));
    }

    #[test]
    fn prop_more_charge_never_hurts(low in 0.05..0.95f64, more in 0.01..0.3f64, density in 0.8..1.3f64) {
        let mut aircraft = plain();
        aircraft.battery.as_mut().unwrap().cutoff = 2.5;
        let high = (low + more).min(1.0);
        let full = |charge: f64| full_thrust(&aircraft, charge, density).unwrap().total;
        prop_assert!(full(high) > full(low));
        let time = |charge: f64| endurance(&aircraft, &hover(&aircraft), density, charge).unwrap().time;
        prop_assert!(time(high) >= time(low));
    }
}
