//! The physical aircraft: rigid body, rotors, motors, battery, as one set of ordinary differential
//! equations, and the fixed-step integration of it.
//!
//! Equations. With q the attitude (earth from body), v the velocity of the centre of mass in the
//! earth frame, omega the body rate, w_k the speed of rotor k relative to the airframe, e_k the
//! unit vector of its rotation (right hand) and J the inertia of rotor and motor about the shaft:
//!
//! - dq/dt = q omega / 2
//! - m dv/dt = R F + m g
//! - I domega/dt = sum r x F - sum tau_k e_k - omega x (I omega + sum J (w_k + e_k . omega) e_k)
//! - J (dw_k/dt + e_k . domega/dt) = tau_k - Q_k
//!
//! where tau_k is the torque between stator and rotor (electrical less friction) and Q_k that of
//! the air on the rotor: a gyrostat (Hughes, *Spacecraft Attitude Dynamics*, 1986, chapter 3; from
//! memory). The airframe so feels the steady reaction and that of the rotor's acceleration without
//! a term of its own. The air's forces on a rotor, along its axis and in its plane, are those of [`super::disc`]; its
//! induced speed is a state.
//!
//! Vibration: the static unbalance U of a rotor pulls with U w^2 in the hub plane at the rotor's
//! angle; the blades modulate the thrust with a stated fraction at blades x w. Both act on the
//! rigid airframe; its elasticity is not modelled.
//!
//! Left out: rotors that disturb each other, drag moments of the body; and in flights, not in replays, the moments that
//! a disc in wind gives to its hub.

use nalgebra::{Quaternion, UnitQuaternion};

use super::disc::{Disc, Stream};
use super::drive::Supply;
use crate::aircraft::Aircraft;
use crate::mass::MassProperties;
use crate::rotor::Rotor;
use crate::{Mat3, STANDARD_GRAVITY, Vec3};

/// Position (earth, north-east-down), m.
pub(super) const POSITION: usize = 0;
/// Velocity (earth), m/s.
pub(super) const VELOCITY: usize = 3;
/// Attitude, earth from body, w i j k.
pub(super) const ATTITUDE: usize = 6;
/// Body rate, rad/s.
pub(super) const RATE: usize = 10;
/// State of charge.
pub(super) const CHARGE: usize = 13;
/// Voltage over the battery's RC pair, V.
pub(super) const POLARISATION: usize = 14;
/// Energies since the start, J, in the order of [`super::Energy`].
pub(super) const ENERGY: usize = 15;
/// Rotor speeds, rad/s; the rotor angles (rad) and induced speeds (m/s) follow.
pub(super) const SPEED: usize = 22;

/// Most rotors.
pub(super) const MOST_ROTORS: usize = 16;
/// Voltage fraction of each rotor; `None` for a motor that is off. Beyond the number of rotors nothing counts.
pub(super) type Commands = [Option<f64>; MOST_ROTORS];

/// One hub, relative to the centre of mass.
#[derive(Debug, Clone)]
pub(super) struct Hub {
    /// From the centre of mass, m.
    pub arm: Vec3,
    /// Direction of the thrust.
    pub axis: Vec3,
    /// Direction of the rotor's rotation vector.
    pub turn: Vec3,
    /// Two directions in the hub plane; `side_a` to `side_b` is the sense of rotation.
    pub side_a: Vec3,
    pub side_b: Vec3,
    /// Static unbalance, kg m.
    pub unbalance: f64,
    /// Thrust over that of a sound rotor.
    pub thrust_factor: f64,
    /// Torque over that of the same rotor apart: above 1 for the lower rotor of a coaxial pair.
    pub torque_factor: f64,
}

/// Parameters of the equations.
#[derive(Debug, Clone)]
pub(super) struct Plant<'a> {
    pub rotor: &'a Rotor,
    pub disc: Disc,
    pub hubs: Vec<Hub>,
    pub mass: f64,
    pub inertia: Mat3,
    pub inertia_inverse: Mat3,
    pub density: f64,
    pub drag_area: f64,
    /// Inertia of rotor and motor about the shaft, kg m^2.
    pub spin_inertia: f64,
    pub per_spin_inertia: f64,
    pub supply: Supply,
    /// Amplitude of the thrust at blade passage over the mean thrust.
    pub blade_passage: f64,
    /// Whether height zero is ground.
    pub ground: bool,
    /// Whether stiff blades give moments to their hubs in wind.
    pub hub_moments: bool,
    /// Whether the airframe is held on a stand.
    pub held: bool,
}

/// What the equations yield beside the derivative.
#[derive(Debug, Clone)]
pub(super) struct Outputs {
    /// Specific force at the centre of mass, body axes, m/s^2.
    pub specific_force: Vec3,
    /// Angular acceleration, rad/s^2.
    pub angular_acceleration: Vec3,
    pub bus_voltage: f64,
    pub battery_current: f64,
    /// Motor currents, A.
    pub currents: [f64; MOST_ROTORS],
}

impl Outputs {
    pub(super) fn new() -> Self {
        Self {
            specific_force: Vec3::zeros(),
            angular_acceleration: Vec3::zeros(),
            bus_voltage: 0.0,
            battery_current: 0.0,
            currents: [0.0; MOST_ROTORS],
        }
    }

    /// What a sensor feels between two instants, `part` of the way from this one.
    pub(super) fn between(&self, end: &Self, part: f64) -> Self {
        let mix = |a: f64, b: f64| a + part * (b - a);
        Self {
            specific_force: self.specific_force.lerp(&end.specific_force, part),
            angular_acceleration: self.angular_acceleration.lerp(&end.angular_acceleration, part),
            bus_voltage: mix(self.bus_voltage, end.bus_voltage),
            battery_current: mix(self.battery_current, end.battery_current),
            currents: std::array::from_fn(|k| mix(self.currents[k], end.currents[k])),
        }
    }
}

/// What the motion yields beside its derivative.
#[derive(Debug, Clone, Copy)]
pub(super) struct Felt {
    /// Specific force at the centre of mass, body axes, m/s^2.
    pub specific_force: Vec3,
    /// Angular acceleration, rad/s^2.
    pub angular_acceleration: Vec3,
    /// Power given to the shafts and that of the air and unbalance on rotors and body, W.
    pub shaft: f64,
    pub external: f64,
}

/// Three numbers of a state from `at` on.
pub(super) fn three(x: &[f64], at: usize) -> Vec3 {
    Vec3::new(x[at], x[at + 1], x[at + 2])
}

/// Attitude of a state.
pub(super) fn attitude(x: &[f64]) -> UnitQuaternion<f64> {
    UnitQuaternion::from_quaternion(Quaternion::new(
        x[ATTITUDE],
        x[ATTITUDE + 1],
        x[ATTITUDE + 2],
        x[ATTITUDE + 3],
    ))
}

/// The same as a rotation matrix.
fn turned(x: &[f64]) -> Mat3 {
    let (w, i, j, k) = (x[ATTITUDE], x[ATTITUDE + 1], x[ATTITUDE + 2], x[ATTITUDE + 3]);
    let two = 2.0 / (w * w + i * i + j * j + k * k);
    let (ii, jj, kk) = (two * i * i, two * j * j, two * k * k);
    let (ij, ik, jk) = (two * i * j, two * i * k, two * j * k);
    let (wi, wj, wk) = (two * w * i, two * w * j, two * w * k);
    Mat3::new(
        1.0 - jj - kk,
        ij - wk,
        ik + wj,
        ij + wk,
        1.0 - ii - kk,
        jk - wi,
        ik - wj,
        jk + wi,
        1.0 - ii - jj,
    )
}

pub(super) fn put(x: &mut [f64], at: usize, v: &Vec3) {
    x[at] = v.x;
    x[at + 1] = v.y;
    x[at + 2] = v.z;
}

impl Plant<'_> {
    /// Number of rotors.
    pub(super) fn rotors(&self) -> usize {
        self.hubs.len()
    }

    /// Length of the state.
    pub(super) fn states(&self) -> usize {
        SPEED + 3 * self.rotors()
    }

    fn shakes(&self, hub: &Hub) -> bool {
        hub.unbalance != 0.0 || self.blade_passage != 0.0
    }

    /// Takes over another mass with its centre and inertia; where the inertia cannot be, all stays.
    pub(super) fn carry(&mut self, aircraft: &Aircraft, mass: &MassProperties) {
        let Some(inverse) = mass.inertia.try_inverse() else { return };
        self.mass = mass.mass;
        self.inertia = mass.inertia;
        self.inertia_inverse = inverse;
        for (hub, station) in self.hubs.iter_mut().zip(&aircraft.stations) {
            hub.arm = station.at - mass.centre;
        }
    }

    /// Time derivative of the state. `commands` are the voltage fractions that the ESCs apply,
    /// `None` for a motor that is disconnected; `wind` is the velocity of the air (earth), m/s.
    pub(super) fn derivative(
        &self,
        x: &[f64],
        commands: &Commands,
        wind: &Vec3,
        dx: &mut [f64],
        out: &mut Outputs,
    ) {
        let speeds = &x[SPEED..SPEED + self.rotors()];
        let supply = &self.supply;
        let open = supply.open_circuit(x[CHARGE]);
        let bus = supply.bus(open - x[POLARISATION], commands, speeds, &mut out.currents);
        let mut torques = [0.0; MOST_ROTORS];
        let (mut copper, mut friction) = (0.0, 0.0);
        let drives = torques.iter_mut().zip(&out.currents).zip(commands).zip(speeds).zip(&supply.paths);
        for ((((torque, &current), command), &w), path) in drives {
            let rubbing = supply.friction(w);
            *torque = supply.motor.kt * current - rubbing;
            friction += rubbing * w;
            copper += path * current * current;
            if let Some(c) = *command
                && supply.motor.chopping > 0.0
            {
                copper += supply.motor.chopping_at(c) * bus.voltage * current.abs();
            }
        }
        let felt = self.motion(x, wind, |k, _| torques[k], dx);
        dx[CHARGE] = supply.battery.charge_rate(bus.current);
        dx[POLARISATION] = supply.polarisation_rate(x[POLARISATION], bus.current);
        dx[ENERGY] = open * bus.current;
        dx[ENERGY + 1] = (open - bus.voltage) * bus.current;
        dx[ENERGY + 2] = bus.avionics_power;
        dx[ENERGY + 3] = copper;
        dx[ENERGY + 4] = friction;
        dx[ENERGY + 5] = felt.shaft;
        dx[ENERGY + 6] = felt.external;
        out.specific_force = felt.specific_force;
        out.angular_acceleration = felt.angular_acceleration;
        out.bus_voltage = bus.voltage;
        out.battery_current = bus.current;
    }

    /// Derivative of the motion, of the rotors' speeds and angles and of their inflow: all but battery and energies. `torque`
    /// gives that between stator and rotor, N m, from the rotor's number and the torque of the air on it.
    pub(super) fn motion(
        &self,
        x: &[f64],
        wind: &Vec3,
        torque: impl Fn(usize, f64) -> f64,
        dx: &mut [f64],
    ) -> Felt {
        let n = self.rotors();
        let (velocity, omega) = (three(x, VELOCITY), three(x, RATE));
        let turn = turned(x);
        let ground_body = turn.tr_mul(&velocity);
        let air_body = turn.tr_mul(&(velocity - wind));
        let (speeds, rest) = x[SPEED..].split_at(n);
        let (angles, inflow) = rest.split_at(n);
        let (dx, rotor_rates) = dx.split_at_mut(SPEED);
        let (speed_rates, rest) = rotor_rates.split_at_mut(n);
        let (angle_rates, inflow_rates) = rest.split_at_mut(n);

        let mut force = -0.5 * self.density * self.drag_area * air_body.norm() * air_body;
        let mut external = force.dot(&ground_body);
        let (mut moment, mut spin, mut shaft) = (Vec3::zeros(), Vec3::zeros(), 0.0);
        let down = turn.row(2).transpose();
        for (k, hub) in self.hubs.iter().enumerate() {
            let w = speeds[k];
            let swing = omega.cross(&hub.arm);
            let through_air = air_body + swing;
            let axial = through_air.dot(&hub.axis);
            let along = through_air - hub.axis * axial;
            let height = if self.ground { -x[POSITION + 2] - down.dot(&hub.arm) } else { f64::INFINITY };
            let stream = Stream { axial, along_squared: along.norm_squared(), height };
            let loads = self.disc.loads(w, inflow[k], &stream);
            let mut at_hub =
                hub.axis * (loads.thrust * hub.thrust_factor) - along * (loads.drag * hub.thrust_factor);
            if self.shakes(hub) {
                let angle = angles[k];
                let pull = hub.unbalance * w * w;
                let (sin, cos) = angle.sin_cos();
                let passage = self.blade_passage * (f64::from(self.rotor.blades) * angle).cos();
                at_hub += hub.axis * (loads.thrust * hub.thrust_factor * passage)
                    + (hub.side_a * cos + hub.side_b * sin) * pull;
            }
            force += at_hub;
            if self.hub_moments {
                let [across, about] = self.disc.hub_moments(w, inflow[k], &stream);
                moment += along.cross(&hub.axis) * across - along * (about * hub.turn.dot(&hub.axis));
            }
            let drag_torque = loads.torque * hub.torque_factor;
            let torque = torque(k, drag_torque);
            moment += hub.arm.cross(&at_hub) - hub.turn * torque;
            let absolute = w + hub.turn.dot(&omega);
            spin += hub.turn * (self.spin_inertia * absolute);
            shaft += torque * w;
            external += at_hub.dot(&(ground_body + swing)) - drag_torque * absolute;
            speed_rates[k] = (torque - drag_torque) * self.per_spin_inertia;
            angle_rates[k] = w;
            inflow_rates[k] = loads.inflow_rate;
        }

        let mut angular = self.inertia_inverse * (moment - omega.cross(&(self.inertia * omega + spin)));
        let mut specific = force / self.mass;
        let weight = Vec3::new(0.0, 0.0, STANDARD_GRAVITY);
        if self.held {
            angular = Vec3::zeros();
            specific = -turn.tr_mul(&weight);
        }
        for (rate, hub) in speed_rates.iter_mut().zip(&self.hubs) {
            *rate -= hub.turn.dot(&angular);
        }
        put(dx, POSITION, &velocity);
        put(dx, VELOCITY, &(turn * specific + weight));
        let (w, i, j, k) = (x[ATTITUDE], x[ATTITUDE + 1], x[ATTITUDE + 2], x[ATTITUDE + 3]);
        dx[ATTITUDE] = 0.5 * (-i * omega.x - j * omega.y - k * omega.z);
        dx[ATTITUDE + 1] = 0.5 * (w * omega.x + j * omega.z - k * omega.y);
        dx[ATTITUDE + 2] = 0.5 * (w * omega.y + k * omega.x - i * omega.z);
        dx[ATTITUDE + 3] = 0.5 * (w * omega.z + i * omega.y - j * omega.x);
        put(dx, RATE, &angular);
        Felt { specific_force: specific, angular_acceleration: angular, shaft, external }
    }

    /// Kinetic and potential energy of body and rotors, J; potential is zero at position zero.
    pub(super) fn mechanical_energy(&self, x: &[f64]) -> f64 {
        let (velocity, omega) = (three(x, VELOCITY), three(x, RATE));
        let mut energy = 0.5 * self.mass * velocity.norm_squared() + 0.5 * omega.dot(&(self.inertia * omega))
            - self.mass * STANDARD_GRAVITY * x[POSITION + 2];
        for (k, hub) in self.hubs.iter().enumerate() {
            energy += 0.5 * self.spin_inertia * (x[SPEED + k] + hub.turn.dot(&omega)).powi(2);
        }
        energy
    }

    /// Angular momentum about the centre of mass in the earth frame, kg m^2/s.
    pub(super) fn angular_momentum(&self, x: &[f64]) -> Vec3 {
        let omega = three(x, RATE);
        let mut body = self.inertia * omega;
        for (k, hub) in self.hubs.iter().enumerate() {
            body += hub.turn * (self.spin_inertia * (x[SPEED + k] + hub.turn.dot(&omega)));
        }
        attitude(x) * body
    }
}

/// Two methods of integration.
///
/// The classical Runge-Kutta method of fourth order serves where every event ends a step: between two events the
/// inputs are constant (commands) or linear in time (wind), so that the order holds. Heun's method, of second order,
/// serves the grid of the loop period with the commands' means over a step.
#[derive(Debug)]
pub(super) struct Integrator {
    slopes: [Vec<f64>; 4],
    trial: Vec<f64>,
    spare: Outputs,
}

impl Integrator {
    pub(super) fn new(states: usize) -> Self {
        Self {
            slopes: std::array::from_fn(|_| vec![0.0; states]),
            trial: vec![0.0; states],
            spare: Outputs::new(),
        }
    }

    /// Slope at the start of a step of Heun's method, with what goes with it.
    pub(super) fn begin(
        &mut self,
        plant: &Plant<'_>,
        x: &[f64],
        commands: &Commands,
        wind: &Vec3,
        out: &mut Outputs,
    ) {
        plant.derivative(x, commands, wind, &mut self.slopes[0], out);
    }

    /// The rest of the step of `h` seconds, with the wind at its end; gives what is felt there.
    pub(super) fn finish(
        &mut self,
        plant: &Plant<'_>,
        x: &mut [f64],
        commands: &Commands,
        wind: &Vec3,
        h: f64,
    ) -> &Outputs {
        let [k1, k2, ..] = &mut self.slopes;
        advance(&mut self.trial, x, k1, h);
        plant.derivative(&self.trial, commands, wind, k2, &mut self.spare);
        let half = 0.5 * h;
        for ((value, a), b) in x.iter_mut().zip(k1.iter()).zip(k2.iter()) {
            *value += half * (a + b);
        }
        normalise(x);
        &self.spare
    }

    /// Advances the state by `h` seconds; the wind runs linearly from `wind.0` to `wind.1`.
    pub(super) fn step(
        &mut self,
        plant: &Plant<'_>,
        x: &mut [f64],
        commands: &Commands,
        wind: (Vec3, Vec3),
        h: f64,
        out: &mut Outputs,
    ) {
        let middle = 0.5 * (wind.0 + wind.1);
        let [k1, k2, k3, k4] = &mut self.slopes;
        plant.derivative(x, commands, &wind.0, k1, out);
        advance(&mut self.trial, x, k1, 0.5 * h);
        plant.derivative(&self.trial, commands, &middle, k2, out);
        advance(&mut self.trial, x, k2, 0.5 * h);
        plant.derivative(&self.trial, commands, &middle, k3, out);
        advance(&mut self.trial, x, k3, h);
        plant.derivative(&self.trial, commands, &wind.1, k4, out);
        let sixth = h / 6.0;
        for (i, value) in x.iter_mut().enumerate() {
            *value += sixth * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i]);
        }
        normalise(x);
    }
}

pub(super) fn normalise(x: &mut [f64]) {
    let q = &mut x[ATTITUDE..ATTITUDE + 4];
    let per_norm = 1.0 / q.iter().map(|c| c * c).sum::<f64>().sqrt();
    for component in q {
        *component *= per_norm;
    }
}

pub(super) fn advance(trial: &mut [f64], x: &[f64], slope: &[f64], h: f64) {
    for ((t, &value), &d) in trial.iter_mut().zip(x).zip(slope) {
        *t = value + h * d;
    }
}
