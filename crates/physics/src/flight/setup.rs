//! From an aircraft and a scenario to the parameters, the controller and the state at the start.

use nalgebra::UnitQuaternion;

use super::FlightError;
use super::controller::{self, Controller, ThrustCurve};
use super::disc::Disc;
use super::drive::Supply;
use super::faults::objection;
use super::log::Hover;
use super::outer::OuterLoops;
use super::plant::{
    ATTITUDE, CHARGE, Hub, MOST_ROTORS, POLARISATION, POSITION, Plant, RATE, SPEED, VELOCITY,
};
use super::scenario::{Action, Scenario, Start};
use super::wind::Turbulence;
use crate::aircraft::{Aircraft, Filter, Missing, VelocityLoop};
use crate::atmosphere::Air;
use crate::control;
use crate::interference;
use crate::loops::filter::{Biquad, cascade};
use crate::mass::{MassProperties, mass_properties};
use crate::powertrain::{BatteryModel, MotorModel, PowertrainError, operating_point};
use crate::{STANDARD_GRAVITY, Vec3};

/// Points of the controller's thrust curve.
const CURVE_POINTS: u32 = 256;
/// Longest flight, s: a limit against a slip of the pen.
const LONGEST: f64 = 7200.0;
/// Most rows of a log, likewise.
const MOST_ROWS: f64 = 2e7;
/// Longest delay of a part, s, likewise.
const LONGEST_DELAY: f64 = 10.0;

/// Everything a run starts with.
pub(super) struct Setup<'a> {
    pub plant: Plant<'a>,
    pub centre: Vec3,
    /// The controller and the hover it is set up for, where the scenario needs them.
    pub flown: Option<(Controller, Hover)>,
    pub state: Vec<f64>,
}

impl<'a> Setup<'a> {
    pub(super) fn new(aircraft: &'a Aircraft, air: &Air, scenario: &Scenario) -> Result<Self, FlightError> {
        let mass = mass_properties(&aircraft.bodies);
        check(aircraft, air, scenario, &mass)?;
        let mut plant = plant(aircraft, air, scenario, &mass)?;
        let loops = scenario.script.is_empty() || scenario.script.iter().any(|s| s.action.closes_a_loop());
        let flown = if loops || scenario.start == Start::Hover {
            let weight = mass.mass * STANDARD_GRAVITY;
            let mut hover = hover(aircraft, &mut plant, &mass, scenario, weight)?;
            let controller = controller(aircraft, &plant, &hover, scenario, weight)?;
            hover.demand = controller.hover_demand;
            Some((controller, hover))
        } else {
            None
        };
        let state = state(&plant, flown.as_ref().map(|(_, hover)| hover), scenario);
        Ok(Self { plant, centre: mass.centre, flown, state })
    }
}

fn powertrain(error: PowertrainError) -> FlightError {
    match error {
        PowertrainError::Missing(missing) => missing.into(),
        other => no_hover(other),
    }
}

fn no_hover(reason: impl std::fmt::Display) -> FlightError {
    FlightError::NoHover(reason.to_string())
}

/// Rejects what the model cannot work with.
fn check(
    aircraft: &Aircraft,
    air: &Air,
    scenario: &Scenario,
    mass: &MassProperties,
) -> Result<(), FlightError> {
    let (imu, rate_loop) = (aircraft.imu()?, aircraft.rate_loop()?);
    let (motor, esc, battery) = (aircraft.motor()?, aircraft.esc()?, aircraft.battery()?);
    let outer = scenario.script.is_empty() || scenario.script.iter().any(|s| s.action.holds_attitude());
    if outer && aircraft.attitude_loop.is_none() {
        return Err(Missing::new("loop.attitude").into());
    }
    if scenario.guard.is_some() || scenario.script.iter().any(|s| s.action.holds_velocity()) {
        aircraft.velocity_loop()?;
    }
    for fault in &scenario.faults {
        if let Some(why) = objection(fault, aircraft) {
            return Err(FlightError::Fault { why });
        }
    }
    if scenario.script.iter().any(|s| s.action == Action::PositionHold) {
        aircraft.position_loop()?;
    }
    let gusts = match scenario.wind.gusts {
        Turbulence::Still => vec![],
        Turbulence::FirstOrder { rms, time_constant } => {
            vec![("gust", rms, false), ("gust time constant", time_constant, true)]
        }
        Turbulence::Dryden { sigma, length } => sigma
            .map(|s| ("gust intensity", s, false))
            .into_iter()
            .chain(length.map(|l| ("gust length", l, true)))
            .collect(),
    };
    let positive = [
        ("density of the air", air.density),
        ("duration", scenario.duration),
        ("log rate", scenario.log_rate),
        ("step", scenario.step),
        ("mass", mass.mass),
        ("rotor.diameter", aircraft.rotor.diameter),
        ("inertia of rotor and motor", aircraft.rotor.inertia + motor.inertia),
        ("motor.kv", motor.kv),
        ("resistance of motor and ESC", motor.resistance + esc.resistance),
        ("battery.capacity", battery.capacity),
        ("battery.series", f64::from(battery.series)),
        ("battery.parallel", f64::from(battery.parallel)),
        ("imu.sample_rate", imu.sample_period),
        ("loop.rate.rate", rate_loop.period),
        ("loop.rate.set_up_at", rate_loop.set_up_at.unwrap_or(1.0)),
    ];
    let not_negative = [
        ("esc.dead_time", esc.dead_time),
        ("esc.update_period", esc.update_period),
        ("esc.protocol_period", esc.protocol_period),
        ("esc.usable_minimum", esc.usable_minimum),
        ("imu.delay", imu.delay),
        ("imu.rate_range", imu.rate_range),
        ("imu.accel_range", imu.accel_range),
        ("imu.rate_noise", imu.rate_noise),
        ("imu.accel_noise", imu.accel_noise),
        ("loop.rate.delay", rate_loop.delay),
        ("loop.rate.d_lag", rate_loop.d_lag),
        ("aircraft.drag_area", aircraft.drag_area),
        ("loop.attitude.rate_limit", aircraft.attitude_loop.as_ref().map_or(0.0, |outer| outer.rate_limit)),
    ];
    let limits = [
        ("duration", scenario.duration, LONGEST, "at most 7200 s"),
        ("log rate", scenario.log_rate, 1e5, "at most 100 000 Hz"),
        ("rows of the log", scenario.duration * scenario.log_rate, MOST_ROWS, "at most 20 million"),
        ("number of rotors", aircraft.stations.len() as f64, MOST_ROTORS as f64, "at most 16"),
        ("step", scenario.step, 1e-3, "0.000 001 to 0.001 s"),
        ("step", -scenario.step, -1e-6, "0.000 001 to 0.001 s"),
        ("esc.dead_time", esc.dead_time, LONGEST_DELAY, "at most 10 s"),
        ("esc.update_period", esc.update_period, LONGEST_DELAY, "at most 10 s"),
        ("esc.protocol_period", esc.protocol_period, LONGEST_DELAY, "at most 10 s"),
        ("imu.delay", imu.delay, LONGEST_DELAY, "at most 10 s"),
        ("loop.rate.delay", rate_loop.delay, LONGEST_DELAY, "at most 10 s"),
        ("loop.rate.rate", 1.0 / rate_loop.period, 1e5, "at most 100 000 Hz"),
        ("imu.sample_rate", 1.0 / imu.sample_period, 1e5, "at most 100 000 Hz"),
        ("esc.usable_minimum", esc.usable_minimum, 1.0, "at most 1"),
        ("charge at the start", scenario.initial_charge, 1.0, "0 to 1"),
        ("charge at the start", -scenario.initial_charge, 0.0, "0 to 1"),
    ];
    sensors(aircraft, scenario)?;
    let wrong =
        |what: &str, value: f64, allowed| Err(FlightError::Value { what: what.to_owned(), value, allowed });
    for (what, value, above) in gusts {
        if !(value.is_finite() && (value > 0.0 || (value == 0.0 && !above))) {
            return wrong(what, value, if above { "above zero" } else { "zero or above" });
        }
    }
    for (what, value) in positive {
        if !(value > 0.0 && value.is_finite()) {
            return wrong(what, value, "above zero");
        }
    }
    for (what, value) in not_negative {
        if !(value >= 0.0 && value.is_finite()) {
            return wrong(what, value, "zero or above");
        }
    }
    for (what, value, most, allowed) in limits {
        if value.is_nan() || value > most {
            return wrong(what, value.abs(), allowed);
        }
    }
    let (velocity, position) = (aircraft.velocity_loop.as_ref(), aircraft.position_loop.as_ref());
    let outer = [
        ("loop.velocity.gain", velocity.map_or(0.0, |l| l.gain), 1e3),
        ("loop.velocity.integral", velocity.map_or(0.0, |l| l.integral), 1e6),
        ("loop.velocity.climb_gain", velocity.map_or(0.0, |l| l.climb_gain), 1e3),
        ("loop.velocity.climb_integral", velocity.map_or(0.0, |l| l.climb_integral), 1e6),
        ("loop.velocity.tilt_limit", velocity.map_or(0.0, |l| l.tilt_limit), 1.5),
        ("loop.velocity.delay", velocity.map_or(0.0, |l| l.delay), LONGEST_DELAY),
        ("loop.position.gain", position.map_or(0.0, |l| l.gain), 1e3),
        ("loop.position.height_gain", position.map_or(0.0, |l| l.height_gain), 1e3),
        ("loop.position.speed_limit", position.map_or(0.0, |l| l.speed_limit), 1e3),
        ("loop.position.climb_limit", position.map_or(0.0, |l| l.climb_limit), 1e3),
    ];
    for (what, value, most) in outer {
        if !(0.0..=most).contains(&value) {
            return wrong(what, value, "zero or above, and within what such a loop can be");
        }
    }
    let outer_gains = aircraft.attitude_loop.as_ref().map_or([0.0; 3], |outer| outer.gain);
    let gains = [
        ("loop.rate.p", rate_loop.p),
        ("loop.rate.i", rate_loop.i),
        ("loop.rate.d", rate_loop.d),
        ("loop.attitude.gain", outer_gains),
    ];
    for (what, values) in gains {
        for value in values {
            if !value.is_finite() {
                return wrong(what, value, "a finite number");
            }
        }
    }
    for segment in &scenario.script {
        if !(segment.duration >= 0.0 && segment.duration.is_finite()) {
            return wrong(
                &format!("duration of the segment `{}`", segment.label),
                segment.duration,
                "zero or above",
            );
        }
    }
    Ok(())
}

/// Rejects sensors that cannot be, and faults that would not be felt.
fn sensors(aircraft: &Aircraft, scenario: &Scenario) -> Result<(), FlightError> {
    use super::faults::FaultKind::{StuckAccelerometer, StuckBarometer, StuckMagnetometer};
    let Some(sensing) = &scenario.sensing else {
        let unfelt = |k| matches!(k, StuckAccelerometer | StuckBarometer | StuckMagnetometer);
        if scenario.faults.iter().any(|f| unfelt(f.kind)) {
            let why = "a flight on the true motion does not feel this sensor".to_owned();
            return Err(FlightError::Fault { why });
        }
        return Ok(());
    };
    let s = &aircraft.sensors;
    let (m, b, r) = (s.magnetometer, s.barometer, s.satellite);
    let periods = [
        ("magnetometer.rate", m.map(|m| m.period)),
        ("barometer.rate", b.map(|b| b.period)),
        ("satellite.rate", r.map(|r| r.period)),
        ("satellite.dropout_every", r.and_then(|r| r.dropout_every)),
    ];
    let others = [
        ("imu.rate_bias", s.bias.rate),
        ("imu.rate_drift", s.bias.rate_drift),
        ("imu.accel_bias", s.bias.accel),
        ("imu.accel_drift", s.bias.accel_drift),
        ("magnetometer.noise", m.map_or(0.0, |m| m.noise)),
        ("magnetometer.bias", m.map_or(0.0, |m| m.bias)),
        ("magnetometer.delay", m.map_or(0.0, |m| m.delay)),
        ("barometer.lag", b.map_or(0.0, |b| b.lag)),
        ("barometer.noise", b.map_or(0.0, |b| b.noise)),
        ("barometer.drift", b.map_or(0.0, |b| b.drift)),
        ("satellite.delay", r.map_or(0.0, |r| r.delay)),
        ("satellite.position_noise", r.map_or(0.0, |r| r.position_noise)),
        ("satellite.correlation", r.map_or(0.0, |r| r.correlation)),
        ("satellite.velocity_noise", r.map_or(0.0, |r| r.velocity_noise)),
        ("satellite.dropout_time", r.map_or(0.0, |r| r.dropout_time)),
        ("earth's magnetic field", sensing.earth.map_or(0.0, |e| e.norm())),
    ];
    let wrong =
        |what: &str, value, allowed| Err(FlightError::Value { what: what.to_owned(), value, allowed });
    for (what, value) in periods {
        if let Some(v) = value.filter(|v| !(1e-4..=1e4).contains(v)) {
            return wrong(what, v, "0.0001 to 10 000 s as a period");
        }
    }
    for (what, value) in others {
        if !(0.0..=1e4).contains(&value) {
            return wrong(what, value, "zero to 10 000");
        }
    }
    for (what, value) in [("barometer.wash", b.map(|b| b.wash)), ("barometer.ram", b.map(|b| b.ram))] {
        if let Some(v) = value.filter(|v| !(-10.0..=10.0).contains(v)) {
            return wrong(what, v, "-10 to 10");
        }
    }
    Ok(())
}

/// The plant of an aircraft alone, without what loops and sensors need.
pub(super) fn bare_plant<'a>(
    aircraft: &'a Aircraft,
    air: &Air,
    scenario: &Scenario,
) -> Result<Plant<'a>, FlightError> {
    let rotors = aircraft.stations.len();
    if rotors > MOST_ROTORS {
        let what = "number of rotors".to_owned();
        return Err(FlightError::Value { what, value: rotors as f64, allowed: "at most 16" });
    }
    plant(aircraft, air, scenario, &mass_properties(&aircraft.bodies))
}

fn plant<'a>(
    aircraft: &'a Aircraft,
    air: &Air,
    scenario: &Scenario,
    mass: &MassProperties,
) -> Result<Plant<'a>, FlightError> {
    let inverse = mass.inertia.try_inverse().ok_or_else(|| FlightError::Value {
        what: "determinant of the inertia tensor".to_owned(),
        value: mass.inertia.determinant(),
        allowed: "above zero: give the masses places or shapes",
    })?;
    let mut hubs = Vec::with_capacity(aircraft.stations.len());
    for (k, station) in aircraft.stations.iter().enumerate() {
        // Spin is as seen from above: for `ccw` the rotation vector points up.
        let up = if station.axis.z > 0.0 { -station.axis } else { station.axis };
        let turn = up * station.spin.reaction_sign();
        let across = if station.axis.x.abs() < 0.9 { Vec3::x() } else { Vec3::y() };
        let side_a = (across - turn * turn.dot(&across)).normalize();
        let factor = scenario.unbalance_factors.get(k).copied().unwrap_or(1.0);
        hubs.push(Hub {
            arm: station.at - mass.centre,
            axis: station.axis,
            turn,
            side_a,
            side_b: turn.cross(&side_a),
            unbalance: aircraft.rotor.unbalance * factor,
            thrust_factor: 1.0,
            torque_factor: 1.0,
        });
    }
    let motor = MotorModel::new(aircraft).map_err(powertrain)?;
    let battery = BatteryModel::new(aircraft).map_err(powertrain)?;
    let spin_inertia = aircraft.rotor.inertia + aircraft.motor()?.inertia;
    // No motor turns faster than without load on a full battery, unless the air drives it.
    let fastest = 1.1 * motor.kv * battery.open_circuit(1.0);
    Ok(Plant {
        rotor: &aircraft.rotor,
        disc: Disc::new(&aircraft.rotor, air.density, fastest),
        hubs,
        mass: mass.mass,
        inertia: mass.inertia,
        inertia_inverse: inverse,
        density: air.density,
        drag_area: aircraft.drag_area,
        spin_inertia,
        per_spin_inertia: 1.0 / spin_inertia,
        supply: Supply::new(motor, battery, aircraft.avionics_power),
        blade_passage: scenario.blade_passage,
        ground: scenario.ground,
        held: scenario.held,
        hub_moments: false,
    })
}

/// Trim in hover: thrusts by [`control::hover_trim`], the drive by the powertrain's operating point.
fn hover(
    aircraft: &Aircraft,
    plant: &mut Plant<'_>,
    mass: &MassProperties,
    scenario: &Scenario,
    weight: f64,
) -> Result<Hover, FlightError> {
    let rotor = plant.rotor;
    let share = weight / plant.rotors().max(1) as f64;
    let mean = rotor
        .speed_for_thrust(share, 0.0, plant.density)
        .ok_or_else(|| no_hover(format!("the rotor cannot give {share:.2} N")))?;
    let reaction = rotor.torque_per_thrust(mean, plant.density);
    let trim = control::hover_trim(aircraft, &mass.centre, reaction, weight).map_err(no_hover)?;
    let point = operating_point(aircraft, &trim.thrusts, scenario.initial_charge, plant.density)
        .map_err(powertrain)?;
    for ((hub, station), at) in plant.hubs.iter_mut().zip(&aircraft.stations).zip(&point.rotors) {
        if station.below.is_some() && at.speed > 0.0 {
            let factor = interference::lower(rotor, at.speed);
            (hub.thrust_factor, hub.torque_factor) = (factor.thrust, factor.torque);
        }
    }
    Ok(Hover {
        speeds: point.rotors.iter().map(|r| r.speed).collect(),
        commands: point.rotors.iter().map(|r| r.command).collect(),
        voltage: point.bus_voltage,
        current: point.battery_current,
        demand: 0.0,
    })
}

/// Static thrust against command of one rotor at a voltage, up to full command.
fn thrust_curve(plant: &Plant<'_>, voltage: f64) -> Option<ThrustCurve> {
    let torque = |speed: f64| plant.rotor.torque(speed, 0.0, plant.density);
    let volts = |speed: f64| plant.supply.motor.voltage_for_torque(torque(speed), speed);
    let (mut low, mut high) = (0.0, voltage * plant.supply.motor.kv);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if volts(middle) < voltage { low = middle } else { high = middle }
    }
    let mut curve = ThrustCurve { thrusts: vec![0.0], commands: vec![0.0] };
    for k in 1..=CURVE_POINTS {
        let speed = high * f64::from(k) / f64::from(CURVE_POINTS);
        let (thrust, command) = (plant.rotor.thrust(speed, 0.0, plant.density), volts(speed) / voltage);
        if thrust > *curve.thrusts.last()? && command > *curve.commands.last()? {
            curve.thrusts.push(thrust);
            curve.commands.push(command);
        }
    }
    (curve.thrusts.len() > 2).then_some(curve)
}

/// The velocity loop; where a receiver's own delay is flown, the stated delay of the estimate is not added.
fn on_time(velocity: &VelocityLoop, aircraft: &Aircraft, scenario: &Scenario) -> VelocityLoop {
    let flown = scenario.sensing.is_some_and(|s| s.flown) && aircraft.sensors.satellite.is_some();
    VelocityLoop { delay: if flown { 0.0 } else { velocity.delay }, ..velocity.clone() }
}

fn controller(
    aircraft: &Aircraft,
    plant: &Plant<'_>,
    hover: &Hover,
    scenario: &Scenario,
    weight: f64,
) -> Result<Controller, FlightError> {
    let rotors = aircraft.stations.len();
    let middle = aircraft.stations.iter().map(|s| s.at).sum::<Vec3>() / rotors.max(1) as f64;
    let mean = hover.speeds.iter().sum::<f64>() / rotors.max(1) as f64;
    let reaction = plant.rotor.torque_per_thrust(mean, plant.density);
    let effectiveness = control::effectiveness(aircraft, &middle, reaction);
    let mixer = control::mixer(&effectiveness).map_err(no_hover)?;
    let own = |(&speed, hub): (&f64, &Hub)| hub.thrust_factor * plant.rotor.thrust(speed, 0.0, plant.density);
    let thrusts: Vec<f64> = hover.speeds.iter().zip(&plant.hubs).map(own).collect();
    let full = operating_point(aircraft, &thrusts, 1.0, plant.density).map_err(powertrain)?;
    let (inertia, voltage) = scenario.tuned_for.unwrap_or((plant.inertia, full.bus_voltage));
    let rate_loop = aircraft.rate_loop()?.clone();
    let voltage = rate_loop.set_up_at.unwrap_or(voltage);
    let times = if rate_loop.voltage_corrected { hover.voltage / voltage } else { 1.0 };
    let curve =
        thrust_curve(plant, voltage).ok_or_else(|| no_hover("the thrust does not rise with the command"))?;
    Controller::new(controller::Setup {
        rate_loop,
        attitude_loop: aircraft.attitude_loop.clone(),
        outer: match &aircraft.velocity_loop {
            Some(velocity) => Some(OuterLoops::new(
                on_time(velocity, aircraft, scenario),
                aircraft.position_loop.clone(),
                aircraft.rate_loop()?.period,
            )),
            None => None,
        },
        inertia,
        effectiveness,
        mixer,
        curve,
        nominal: voltage,
        least_command: aircraft.esc()?.usable_minimum,
        trim_commands: hover.commands.iter().map(|c| c * times).collect(),
        weight,
        height: scenario.height,
    })
    .ok_or_else(|| no_hover("the mixer yields no lift"))
}

fn state(plant: &Plant<'_>, hover: Option<&Hover>, scenario: &Scenario) -> Vec<f64> {
    use rand::{RngExt, SeedableRng};
    let rotors = plant.rotors();
    let mut x = vec![0.0; plant.states()];
    x[POSITION + 2] = -scenario.height;
    x[ATTITUDE] = 1.0;
    x[CHARGE] = scenario.initial_charge;
    match &scenario.start {
        Start::Hover => {
            if let Some(hover) = hover {
                x[SPEED..SPEED + rotors].copy_from_slice(&hover.speeds);
                x[POLARISATION] = hover.current * plant.supply.battery.polarisation_resistance;
            }
        }
        Start::State { angles, rate, velocity, rotor_speeds } => {
            let q = UnitQuaternion::from_euler_angles(angles.x, angles.y, angles.z);
            x[ATTITUDE..ATTITUDE + 4].copy_from_slice(&[q.w, q.i, q.j, q.k]);
            x[RATE..RATE + 3].copy_from_slice(rate.as_slice());
            x[VELOCITY..VELOCITY + 3].copy_from_slice(velocity.as_slice());
            for (speed, &given) in x[SPEED..SPEED + rotors].iter_mut().zip(rotor_speeds) {
                *speed = given;
            }
        }
    }
    // Where the blades stand at the start is anybody's guess.
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(scenario.seed);
    let (speeds, rest) = x[SPEED..].split_at_mut(rotors);
    let (angles, inflow) = rest.split_at_mut(rotors);
    for (induced, speed) in inflow.iter_mut().zip(speeds) {
        *induced = plant.disc.settled(*speed);
    }
    for angle in angles {
        *angle = rng.random_range(0.0..std::f64::consts::TAU);
    }
    x
}

/// The controller's filters, one cascade per axis, at the sensor's rate.
#[derive(Debug)]
pub(super) struct FilterBank {
    axes: [Vec<Biquad>; 3],
}

impl FilterBank {
    pub(super) fn new(filters: &[Filter], sample_period: f64) -> Result<Self, FlightError> {
        let mut all = Vec::new();
        for (k, filter) in filters.iter().enumerate() {
            let sections = cascade(filter, 1.0 / sample_period)
                .map_err(|reason| FlightError::Filter { number: k + 1, reason })?;
            all.extend(sections);
        }
        Ok(Self { axes: [all.clone(), all.clone(), all] })
    }

    /// Sets the filters to the state of a steady input.
    pub(super) fn settle(&mut self, input: &Vec3) {
        for (&value, sections) in input.iter().zip(&mut self.axes) {
            let mut steady = value;
            for section in sections {
                steady = section.settle(steady);
            }
        }
    }

    /// One sample through all filters.
    pub(super) fn step(&mut self, input: &Vec3) -> Vec3 {
        let mut output = *input;
        for (value, sections) in output.iter_mut().zip(&mut self.axes) {
            for section in sections {
                *value = section.step(*value);
            }
        }
        output
    }
}
