//! Rate loop, attitude loop, mixer, and the pilot who holds height and place where no velocity loop does.
//!
//! Rate loop, once per period: alpha = p (demand - rate) + integral - d d(rate)/dt, the derivative
//! by backward difference through a first-order lag. The demanded moment is inertia x alpha. The
//! mixer is the pseudo-inverse of the effectiveness about the mean of the hubs: the
//! controller knows where the rotors are, not where the mass is, so the integral carries the trim of
//! an off-centre mass. Its output is a thrust per rotor; the command follows from the thrust curve
//! at the nominal voltage (linearised) or from the slope of that curve at hover. The nominal voltage is the one that the
//! gains of the aircraft file hold at, else the bus voltage of a hover on a full battery; as the battery empties a command gives
//! less thrust and the loops lose gain with the square of the voltage, but where the command is corrected for it: it is then
//! multiplied by the nominal voltage over that of the bus.
//!
//! Anti-windup: while a command is clamped, an axis integrates only where that lessens its demand.
//!
//! The motion that loops and pilot use is the true one, or that of the estimator.

use nalgebra::{UnitQuaternion, Vector4};

use super::outer::{OuterLoops, Wanted};
use super::plant::{Commands, MOST_ROTORS};
use super::scenario::Action;
use crate::aircraft::{AttitudeLoop, RateLoop};
use crate::{Mat3, STANDARD_GRAVITY, Vec3};

/// Static thrust of one rotor against command at the nominal voltage, ascending. The controller uses the
/// same curve for every rotor, also for the lower ones of coaxial pairs.
#[derive(Debug, Clone)]
pub(super) struct ThrustCurve {
    pub thrusts: Vec<f64>,
    pub commands: Vec<f64>,
}

impl ThrustCurve {
    /// Command for a thrust, N, linear between the points, held beyond the ends.
    pub(super) fn command(&self, thrust: f64) -> f64 {
        // The points lie evenly in rotor speed, so that thrust goes about as the square of their number: a guess, and a walk.
        let (x, last) = (&self.thrusts, self.thrusts.len().saturating_sub(1));
        let top = x.last().copied().unwrap_or(0.0);
        let mut above = (((thrust / top).max(0.0).sqrt() * last as f64) as usize).min(last);
        while x.get(above).is_some_and(|v| *v < thrust) {
            above += 1;
        }
        while above > 0 && x.get(above - 1).is_some_and(|v| *v >= thrust) {
            above -= 1;
        }
        between(x, &self.commands, above, thrust)
    }

    /// Thrust at a command, N.
    pub(super) fn thrust(&self, command: f64) -> f64 {
        interpolate(&self.commands, &self.thrusts, command)
    }

    /// dT/dcommand, N.
    pub(super) fn slope(&self, command: f64) -> f64 {
        let step = 0.005;
        (self.thrust(command + step) - self.thrust(command - step)) / (2.0 * step)
    }
}

fn interpolate(x: &[f64], y: &[f64], at: f64) -> f64 {
    between(x, y, x.partition_point(|&v| v < at), at)
}

/// Linear between the points before and at `above`, the first one not below `at`.
fn between(x: &[f64], y: &[f64], above: usize, at: f64) -> f64 {
    match (above.checked_sub(1), x.get(above)) {
        (None, _) => y.first().copied().unwrap_or(0.0),
        (_, None) => y.last().copied().unwrap_or(0.0),
        (Some(below), Some(&right)) => {
            let part = (at - x[below]) / (right - x[below]);
            y[below] + part * (y[above] - y[below])
        }
    }
}

/// What the pilot and the loops may know of the motion at an instant.
#[derive(Debug, Clone, Copy)]
pub(super) struct Motion {
    /// Gyro after the controller's filters, rad/s.
    pub rate: Vec3,
    pub attitude: UnitQuaternion<f64>,
    /// Earth, m/s.
    pub velocity: Vec3,
    /// Earth, m.
    pub position: Vec3,
    /// Of the bus, V.
    pub voltage: f64,
}

impl Motion {
    fn height(&self) -> f64 {
        -self.position.z
    }
}

/// What one run of the loops yields.
#[derive(Debug, Clone, Copy)]
pub(super) struct Decision {
    pub commands: Commands,
    pub thrust_demand: f64,
    pub rate_demand: Vec3,
    pub attitude_demand: Option<UnitQuaternion<f64>>,
    pub velocity_demand: Option<Vec3>,
    pub position_demand: Option<Vec3>,
}

impl Decision {
    /// That of an action that closes no loop; for any other one the motors are off.
    pub(super) fn open(action: &Action, rotors: usize) -> Self {
        let commands = match action {
            Action::Commands { commands } => std::array::from_fn(|k| {
                (k < rotors).then(|| commands.get(k).copied().unwrap_or(0.0).clamp(0.0, 1.0))
            }),
            _ => [None; MOST_ROTORS],
        };
        Self {
            commands,
            thrust_demand: f64::NAN,
            rate_demand: Vec3::zeros(),
            attitude_demand: None,
            velocity_demand: None,
            position_demand: None,
        }
    }
}

/// The controller and the pilot.
#[derive(Debug)]
pub(super) struct Controller {
    pub rate_loop: RateLoop,
    pub attitude_loop: Option<AttitudeLoop>,
    pub outer: Option<OuterLoops>,
    pub inertia: Mat3,
    /// Per rotor: thrust (N) by moment demand about x, y, z (N m).
    pub moment_mix: Vec<Vec3>,
    /// Per rotor: share of the thrust demand, largest 1.
    pub lift_mix: Vec<f64>,
    /// Thrust (N) of the largest share at a demand of 1.
    pub full: f64,
    /// Lift (N) gained per unit of thrust demand.
    pub lift_per_demand: f64,
    pub curve: ThrustCurve,
    /// Nominal voltage, V.
    pub nominal: f64,
    pub least_command: f64,
    /// Thrust demand that carries the weight at the nominal voltage.
    pub hover_demand: f64,
    pub weight: f64,
    pub integral: Vec3,
    pub pilot: Pilot,
    clamped: bool,
    last_rate: Option<Vec3>,
    slope: Vec3,
    heading: f64,
    /// Roll and pitch asked for in the last run, and the upward acceleration, m/s^2.
    asked: (f64, f64, f64),
    /// Time since the segment began, s.
    elapsed: f64,
}

/// Height kept by climb rate, place kept by tilt.
#[derive(Debug)]
pub(super) struct Pilot {
    pub height: f64,
    pub lost_lift: f64,
    /// Whether a climb or descent is being stopped, to hold the height where it ends.
    pub stopping: bool,
}

/// Climb rate asked per height error, 1/s, and its limit, m/s.
const HEIGHT_GAIN: f64 = 0.8;
const CLIMB_LIMIT: f64 = 2.0;
/// Vertical acceleration asked per climb-rate error, 1/s, and the integral's gain, 1/s^2.
const CLIMB_GAIN: f64 = 2.0;
const CLIMB_INTEGRAL: f64 = 0.5;
/// Horizontal acceleration asked per velocity, 1/s, and the largest tilt, rad.
const BRAKE_GAIN: f64 = 0.6;
const BRAKE_TILT: f64 = 0.21;
/// Climb rate below which a pilot who stops a climb holds the height reached, m/s.
const STOPPED: f64 = 0.3;

impl Pilot {
    /// Vertical acceleration asked for, m/s^2, up.
    fn climb(&mut self, height: f64, climb: f64, dt: f64) -> f64 {
        if self.stopping {
            self.height = height;
            self.stopping = climb.abs() > STOPPED;
        }
        let wanted = (HEIGHT_GAIN * (self.height - height)).clamp(-CLIMB_LIMIT, CLIMB_LIMIT);
        let error = wanted - climb;
        if error.abs() < 1.0 {
            self.lost_lift = (self.lost_lift + CLIMB_INTEGRAL * error * dt).clamp(-2.0, 2.0);
        }
        CLIMB_GAIN * error + self.lost_lift
    }

    /// Roll and pitch that bring the horizontal velocity to rest, at a heading.
    fn brake(velocity: &Vec3, heading: f64) -> (f64, f64) {
        let (sin, cos) = heading.sin_cos();
        let forward = cos * velocity.x + sin * velocity.y;
        let right = -sin * velocity.x + cos * velocity.y;
        let tilt = |v: f64| (BRAKE_GAIN * v / STANDARD_GRAVITY).atan().clamp(-BRAKE_TILT, BRAKE_TILT);
        (-tilt(right), tilt(forward))
    }
}

/// Sine of a phase whose frequency goes from one value (Hz) to another evenly in the logarithm; zero afterwards.
fn sweep(time: f64, from: f64, to: f64, duration: f64) -> f64 {
    if !(0.0..duration).contains(&time) {
        return 0.0;
    }
    let pace = (to / from).ln() / duration;
    let cycles = if pace.abs() < 1e-12 { from * time } else { from * (pace * time).exp_m1() / pace };
    (std::f64::consts::TAU * cycles).sin()
}

/// The parts of a controller that come from the aircraft.
pub(super) struct Setup {
    pub rate_loop: RateLoop,
    pub attitude_loop: Option<AttitudeLoop>,
    pub outer: Option<OuterLoops>,
    pub inertia: Mat3,
    /// 4 x N: lift and moments per thrust about the mean of the hubs.
    pub effectiveness: nalgebra::DMatrix<f64>,
    /// N x 4.
    pub mixer: nalgebra::DMatrix<f64>,
    pub curve: ThrustCurve,
    /// Voltage of that curve, V.
    pub nominal: f64,
    pub least_command: f64,
    /// Commands that hold the hover, as the loops make them: before any correction for voltage.
    pub trim_commands: Vec<f64>,
    pub weight: f64,
    pub height: f64,
}

impl Controller {
    /// `None` where the mixer yields no lift.
    pub(super) fn new(setup: Setup) -> Option<Self> {
        let rotors = setup.trim_commands.len();
        let column: Vec<f64> = (0..rotors).map(|k| setup.mixer[(k, 0)]).collect();
        let largest = column.iter().copied().fold(0.0, f64::max);
        if largest <= 0.0 {
            return None;
        }
        let lift_mix: Vec<f64> = column.iter().map(|c| c / largest).collect();
        let moment_mix = (0..rotors)
            .map(|k| Vec3::new(setup.mixer[(k, 1)], setup.mixer[(k, 2)], setup.mixer[(k, 3)]))
            .collect();
        let mean = setup.trim_commands.iter().sum::<f64>() / rotors as f64;
        let linearised = setup.rate_loop.linearised;
        let full = if linearised { setup.curve.thrust(1.0) } else { setup.curve.slope(mean) };
        let output = nalgebra::DVector::from_iterator(
            rotors,
            setup.trim_commands.iter().map(|&c| if linearised { setup.curve.thrust(c) } else { full * c }),
        );
        let trim: Vector4<f64> = Vector4::from_iterator((&setup.effectiveness * output).iter().copied());
        let shares = nalgebra::DVector::from_vec(lift_mix.clone());
        let lift_per_demand = (&setup.effectiveness * shares)[0] * full;
        let inverse = setup.inertia.try_inverse()?;
        Some(Self {
            inertia: setup.inertia,
            rate_loop: setup.rate_loop,
            attitude_loop: setup.attitude_loop,
            outer: setup.outer,
            moment_mix,
            lift_mix,
            full,
            lift_per_demand,
            curve: setup.curve,
            nominal: setup.nominal,
            least_command: setup.least_command,
            hover_demand: trim[0] / lift_per_demand,
            weight: setup.weight,
            integral: inverse * Vec3::new(trim[1], trim[2], trim[3]),
            pilot: Pilot { height: setup.height, lost_lift: 0.0, stopping: false },
            clamped: false,
            last_rate: None,
            slope: Vec3::zeros(),
            heading: 0.0,
            asked: (0.0, 0.0, 0.0),
            elapsed: 0.0,
        })
    }

    /// Called once where a segment of the script begins.
    pub(super) fn begin(&mut self, after: Option<&Action>, motion: &Motion) {
        self.elapsed = 0.0;
        let after_velocity = after.is_some_and(Action::holds_velocity);
        if !after_velocity {
            self.heading = motion.attitude.euler_angles().2;
        }
        if after.is_some_and(|action| !action.closes_a_loop()) {
            self.last_rate = None;
        }
        if after_velocity
            || matches!(after, Some(Action::ThrustPull { .. } | Action::Commands { .. } | Action::Off))
        {
            self.pilot.stopping = true;
        }
        let Some(outer) = &mut self.outer else { return };
        if after_velocity {
            outer.place = motion.position;
            return;
        }
        let (roll, pitch, up) = self.asked;
        let forward = -STANDARD_GRAVITY * pitch.tan();
        let right = STANDARD_GRAVITY * roll.tan() / pitch.cos();
        let (sin, cos) = self.heading.sin_cos();
        let asked = Vec3::new(cos * forward - sin * right, sin * forward + cos * right, -up);
        outer.take_over(motion.position, asked);
    }

    /// Runs pilot and loops once, for an action that closes a loop.
    pub(super) fn run(&mut self, action: &Action, motion: &Motion) -> Decision {
        let dt = self.rate_loop.period;
        let (velocity_demand, wanted) = self.outer_loops(action, motion, dt);
        let level = |roll: f64, pitch: f64, yaw: f64| UnitQuaternion::from_euler_angles(roll, pitch, yaw);
        let tilt = match *action {
            Action::Hover => Some(Pilot::brake(&motion.velocity, self.heading)),
            Action::AttitudeHold { roll, pitch, .. } => Some((roll, pitch)),
            Action::AttitudeSweep { tilt, direction, from, to, duration } => {
                let swing = tilt * sweep(self.elapsed, from, to, duration);
                Some((swing * direction.sin(), -swing * direction.cos()))
            }
            Action::ThrustPull { .. } => Some((0.0, 0.0)),
            Action::Velocity { .. } | Action::PositionHold => wanted.map(|w| (w.roll, w.pitch)),
            _ => None,
        };
        self.elapsed += dt;
        let yaw = match *action {
            Action::AttitudeHold { yaw: Some(yaw), .. } => yaw,
            _ => self.heading,
        };
        let attitude_demand = tilt.map(|(roll, pitch)| level(roll, pitch, yaw));
        let rate_demand = match (action, attitude_demand) {
            (Action::RateDemand { rate }, _) => *rate,
            (_, Some(target)) => self.attitude(&motion.attitude, &target),
            _ => Vec3::zeros(),
        };
        let (thrust_demand, up) = match (action, wanted) {
            (Action::ThrustPull { demand }, _) => (*demand, 0.0),
            (_, Some(w)) => {
                let (demand, limited) = self.lift(w.up, motion);
                if let Some(outer) = &mut self.outer {
                    outer.lift_limited = limited;
                }
                (demand, w.up)
            }
            _ => {
                let up = self.pilot.climb(motion.height(), -motion.velocity.z, dt);
                (self.lift(up, motion).0, up)
            }
        };
        let (roll, pitch) = tilt.unwrap_or((0.0, 0.0));
        self.asked = (roll, pitch, up);
        self.differentiate(&motion.rate, dt);
        let corrected = self.rate_loop.voltage_corrected && motion.voltage > 0.0;
        let times = if corrected { self.nominal / motion.voltage } else { 1.0 };
        let commands = self.mix(thrust_demand, &(rate_demand - motion.rate), times, dt);
        let position_demand = match (action, &self.outer) {
            (Action::PositionHold, Some(outer)) => Some(outer.place),
            _ => None,
        };
        Decision { commands, thrust_demand, rate_demand, attitude_demand, velocity_demand, position_demand }
    }

    /// Velocity demand, and what the velocity loop makes of it, where it is at work.
    fn outer_loops(&mut self, action: &Action, motion: &Motion, dt: f64) -> (Option<Vec3>, Option<Wanted>) {
        let Some(outer) = &mut self.outer else { return (None, None) };
        let (velocity, position) = outer.receive(motion.velocity, motion.position);
        let demand = match action {
            Action::Velocity { demand } => *demand,
            Action::PositionHold => outer.to_place(&position),
            _ => return (None, None),
        };
        let heading = motion.attitude.euler_angles().2;
        (Some(demand), Some(outer.run(&demand, &velocity, heading, dt)))
    }

    fn attitude(&self, now: &UnitQuaternion<f64>, target: &UnitQuaternion<f64>) -> Vec3 {
        let Some(outer) = &self.attitude_loop else { return Vec3::zeros() };
        let error = (now.inverse() * target).scaled_axis();
        let limit = outer.rate_limit;
        error.component_mul(&Vec3::from(outer.gain)).map(|v| v.clamp(-limit, limit))
    }

    /// Thrust demand for an upward acceleration, m/s^2, and whether it is limited.
    fn lift(&self, up: f64, motion: &Motion) -> (f64, bool) {
        let upright = (motion.attitude * Vec3::z()).z.max(0.5);
        let wanted = (1.0 + up / STANDARD_GRAVITY) / upright;
        let share = wanted.clamp(0.4, 1.6);
        let raw = self.hover_demand + self.weight * (share - 1.0) / self.lift_per_demand;
        let demand = raw.clamp(0.0, 0.95);
        (demand, share != wanted || demand != raw)
    }

    fn differentiate(&mut self, rate: &Vec3, dt: f64) {
        let raw = (rate - self.last_rate.unwrap_or(*rate)) / dt;
        let lag = self.rate_loop.d_lag;
        let keep = if lag > 0.0 { (-dt / lag).exp() } else { 0.0 };
        self.slope = self.slope * keep + raw * (1.0 - keep);
        self.last_rate = Some(*rate);
    }

    fn mix(&mut self, thrust_demand: f64, error: &Vec3, times: f64, dt: f64) -> Commands {
        let gains = &self.rate_loop;
        let without =
            error.component_mul(&Vec3::from(gains.p)) - self.slope.component_mul(&Vec3::from(gains.d));
        for axis in 0..3 {
            let demand = without[axis] + self.integral[axis];
            if !self.clamped || error[axis] * demand <= 0.0 {
                self.integral[axis] += gains.i[axis] * error[axis] * dt;
            }
        }
        let moment = self.inertia * (without + self.integral);
        self.clamped = false;
        let mut commands = [None; MOST_ROTORS];
        for ((lift, mix), sent) in self.lift_mix.iter().zip(&self.moment_mix).zip(&mut commands) {
            let output = self.full * lift * thrust_demand + mix.dot(&moment);
            let wanted =
                times * if gains.linearised { self.curve.command(output) } else { output / self.full };
            let beyond = gains.linearised && output > self.full;
            let command = wanted.clamp(self.least_command, 1.0);
            self.clamped |= beyond || command != wanted;
            *sent = Some(command);
        }
        commands
    }
}
