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
//! a term of its own. Where a rotor stands still relative to the air the model gives no force.
//!
//! Vibration: the static unbalance U of a rotor pulls with U w^2 in the hub plane at the rotor's
//! angle; the blades modulate the thrust with a stated fraction at blades x w. Both act on the
//! rigid airframe; its elasticity is not modelled.
//!
//! Left out: the rotor's in-plane force and the inflow's lag, ground effect, rotors that disturb
//! each other, drag moments.

use nalgebra::{Quaternion, UnitQuaternion};

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
/// Rotor speeds, rad/s; the rotor angles (rad) follow.
pub(super) const SPEED: usize = 22;

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
    pub hubs: Vec<Hub>,
    pub mass: f64,
    pub inertia: Mat3,
    pub inertia_inverse: Mat3,
    pub density: f64,
    pub drag_area: f64,
    /// Inertia of rotor and motor about the shaft, kg m^2.
    pub spin_inertia: f64,
    pub supply: Supply,
    /// Amplitude of the thrust at blade passage over the mean thrust.
    pub blade_passage: f64,
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
    pub currents: Vec<f64>,
}

impl Outputs {
    pub(super) fn new(rotors: usize) -> Self {
        Self {
            specific_force: Vec3::zeros(),
            angular_acceleration: Vec3::zeros(),
            bus_voltage: 0.0,
            battery_current: 0.0,
            currents: vec![0.0; rotors],
        }
    }
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

fn put(x: &mut [f64], at: usize, v: &Vec3) {
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
        SPEED + 2 * self.rotors()
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
        commands: &[Option<f64>],
        wind: &Vec3,
        dx: &mut [f64],
        out: &mut Outputs,
    ) {
        let n = self.rotors();
        let (velocity, omega) = (three(x, VELOCITY), three(x, RATE));
        let turn = attitude(x).to_rotation_matrix();
        let ground_body = turn.inverse_transform_vector(&velocity);
        let air_body = ground_body - turn.inverse_transform_vector(wind);
        let speeds = &x[SPEED..SPEED + n];

        let open = self.supply.battery.open_circuit(x[CHARGE]);
        let source = open - x[POLARISATION];
        let bus = self.supply.bus(source, commands, speeds, &mut out.currents);

        let mut force = -0.5 * self.density * self.drag_area * air_body.norm() * air_body;
        let mut external = force.dot(&ground_body);
        let mut moment = Vec3::zeros();
        let mut spin = Vec3::zeros();
        let (mut copper, mut friction, mut shaft) = (0.0, 0.0, 0.0);
        for (k, hub) in self.hubs.iter().enumerate() {
            let (w, angle, current) = (speeds[k], x[SPEED + n + k], out.currents[k]);
            let swing = omega.cross(&hub.arm);
            let (thrust, drag_torque) = if w > 0.0 {
                let axial = (air_body + swing).dot(&hub.axis);
                (
                    self.rotor.thrust(w, axial, self.density) * hub.thrust_factor,
                    self.rotor.torque(w, axial, self.density) * hub.torque_factor,
                )
            } else {
                (0.0, 0.0)
            };
            let pull = hub.unbalance * w * w;
            let (sin, cos) = angle.sin_cos();
            let passage = self.blade_passage * (f64::from(self.rotor.blades) * angle).cos();
            let at_hub = hub.axis * (thrust * (1.0 + passage)) + (hub.side_a * cos + hub.side_b * sin) * pull;
            force += at_hub;

            let rubbing = self.supply.friction(w);
            let torque = self.supply.motor.kt * current - rubbing;
            moment += hub.arm.cross(&at_hub) - hub.turn * torque;
            let absolute = w + hub.turn.dot(&omega);
            spin += hub.turn * (self.spin_inertia * absolute);

            dx[SPEED + k] = (torque - drag_torque) / self.spin_inertia;
            dx[SPEED + n + k] = w;
            let edges = commands.get(k).copied().flatten().map_or(0.0, |c| self.supply.motor.chopping_at(c));
            copper +=
                self.supply.motor.path_resistance() * current * current + edges * bus.voltage * current.abs();
            friction += rubbing * w;
            shaft += torque * w;
            external += at_hub.dot(&(ground_body + swing)) - drag_torque * absolute;
        }

        let angular = self.inertia_inverse * (moment - omega.cross(&(self.inertia * omega + spin)));
        for (k, hub) in self.hubs.iter().enumerate() {
            dx[SPEED + k] -= hub.turn.dot(&angular);
        }
        let specific = force / self.mass;
        put(dx, POSITION, &velocity);
        put(dx, VELOCITY, &(turn * specific + Vec3::new(0.0, 0.0, STANDARD_GRAVITY)));
        let (w, i, j, k) = (x[ATTITUDE], x[ATTITUDE + 1], x[ATTITUDE + 2], x[ATTITUDE + 3]);
        dx[ATTITUDE] = 0.5 * (-i * omega.x - j * omega.y - k * omega.z);
        dx[ATTITUDE + 1] = 0.5 * (w * omega.x + j * omega.z - k * omega.y);
        dx[ATTITUDE + 2] = 0.5 * (w * omega.y + k * omega.x - i * omega.z);
        dx[ATTITUDE + 3] = 0.5 * (w * omega.z + i * omega.y - j * omega.x);
        put(dx, RATE, &angular);
        dx[CHARGE] = self.supply.battery.charge_rate(bus.current);
        dx[POLARISATION] = self.supply.polarisation_rate(x[POLARISATION], bus.current);
        dx[ENERGY] = open * bus.current;
        dx[ENERGY + 1] = (open - bus.voltage) * bus.current;
        dx[ENERGY + 2] = bus.avionics_power;
        dx[ENERGY + 3] = copper;
        dx[ENERGY + 4] = friction;
        dx[ENERGY + 5] = shaft;
        dx[ENERGY + 6] = external;

        out.specific_force = specific;
        out.angular_acceleration = angular;
        out.bus_voltage = bus.voltage;
        out.battery_current = bus.current;
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

/// Classical Runge-Kutta method of fourth order.
///
/// Between two events the inputs are constant (commands) or linear in time (wind), so that the
/// order holds; every event ends a step.
#[derive(Debug)]
pub(super) struct Integrator {
    slopes: [Vec<f64>; 4],
    trial: Vec<f64>,
}

impl Integrator {
    pub(super) fn new(states: usize) -> Self {
        Self { slopes: std::array::from_fn(|_| vec![0.0; states]), trial: vec![0.0; states] }
    }

    /// Advances the state by `h` seconds; the wind runs linearly from `wind.0` to `wind.1`.
    pub(super) fn step(
        &mut self,
        plant: &Plant<'_>,
        x: &mut [f64],
        commands: &[Option<f64>],
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
        let norm = x[ATTITUDE..ATTITUDE + 4].iter().map(|c| c * c).sum::<f64>().sqrt();
        for component in &mut x[ATTITUDE..ATTITUDE + 4] {
            *component /= norm;
        }
    }
}

fn advance(trial: &mut [f64], x: &[f64], slope: &[f64], h: f64) {
    for ((t, &value), &d) in trial.iter_mut().zip(x).zip(slope) {
        *t = value + h * d;
    }
}
