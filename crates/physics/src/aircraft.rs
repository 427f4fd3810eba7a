//! What an aircraft is, as plain numbers: the input of every model in this crate.
//!
//! A part that is not known is `None`; a model that needs it says so by [`Missing`].

use serde::Serialize;

use crate::Vec3;
use crate::rotor::Rotor;

/// One physical configuration of an aircraft.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Aircraft {
    /// Name, for people.
    pub name: String,
    /// Where the rotors stand. Order is the numbering of rotors (1-based for people).
    pub stations: Vec<Station>,
    /// Everything that has mass, with payload marked.
    pub bodies: Vec<Body>,
    /// The rotor, the same at every station.
    pub rotor: Rotor,
    /// The motor, the same at every station.
    pub motor: Option<Motor>,
    /// The electronic speed controller, the same at every station.
    pub esc: Option<Esc>,
    /// The battery.
    pub battery: Option<Battery>,
    /// Power drawn by everything but the motors, W.
    pub avionics_power: f64,
    /// Inertial measurement unit.
    pub imu: Option<Imu>,
    /// Filters in the gyro path, in the order of the signal.
    pub filters: Vec<Filter>,
    /// Rate loop.
    pub rate_loop: Option<RateLoop>,
    /// Attitude loop.
    pub attitude_loop: Option<AttitudeLoop>,
    /// Velocity loop.
    pub velocity_loop: Option<VelocityLoop>,
    /// Position loop.
    pub position_loop: Option<PositionLoop>,
    /// Equivalent flat-plate drag area C_D A of the airframe, m^2. Zero where not stated.
    pub drag_area: f64,
    /// Arms, mast, plate and mount.
    pub structure: crate::structure::Structure,
    /// Magnetometer, leads and where sensors may go.
    pub magnetic: crate::magnetic::Magnetic,
    /// What tells the controller where it is, beside the inertial unit.
    pub sensors: crate::sensors::Sensors,
    /// Fail-safe, radio link and parachute.
    pub safety: crate::homeward::Safety,
}

/// A model lacks an input: the key of the aircraft file that would supply it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, Serialize)]
#[error("waits for `{key}` in the aircraft file")]
pub struct Missing {
    /// Key, as in `motor.kv`.
    pub key: String,
}

impl Missing {
    /// The missing key.
    pub fn new(key: &str) -> Self {
        Self { key: key.to_owned() }
    }
}

impl Aircraft {
    /// The motor, or the key that is missing.
    pub fn motor(&self) -> Result<&Motor, Missing> {
        self.motor.as_ref().ok_or_else(|| Missing::new("motor"))
    }
    /// The ESC, or the key that is missing.
    pub fn esc(&self) -> Result<&Esc, Missing> {
        self.esc.as_ref().ok_or_else(|| Missing::new("esc"))
    }
    /// The battery, or the key that is missing.
    pub fn battery(&self) -> Result<&Battery, Missing> {
        self.battery.as_ref().ok_or_else(|| Missing::new("battery"))
    }
    /// The IMU, or the key that is missing.
    pub fn imu(&self) -> Result<&Imu, Missing> {
        self.imu.as_ref().ok_or_else(|| Missing::new("imu"))
    }
    /// The rate loop, or the key that is missing.
    pub fn rate_loop(&self) -> Result<&RateLoop, Missing> {
        self.rate_loop.as_ref().ok_or_else(|| Missing::new("loop.rate"))
    }
    /// The attitude loop, or the key that is missing.
    pub fn attitude_loop(&self) -> Result<&AttitudeLoop, Missing> {
        self.attitude_loop.as_ref().ok_or_else(|| Missing::new("loop.attitude"))
    }
    /// The velocity loop, or the key that is missing.
    pub fn velocity_loop(&self) -> Result<&VelocityLoop, Missing> {
        self.velocity_loop.as_ref().ok_or_else(|| Missing::new("loop.velocity"))
    }
    /// The position loop, or the key that is missing.
    pub fn position_loop(&self) -> Result<&PositionLoop, Missing> {
        self.position_loop.as_ref().ok_or_else(|| Missing::new("loop.position"))
    }
    /// The same aircraft in air of a temperature, K: what its winding's limit is taken in.
    #[must_use]
    pub fn in_air(&self, temperature: f64) -> std::borrow::Cow<'_, Self> {
        match self.motor.as_ref().and_then(|m| m.thermal) {
            Some(heat) if heat.air != temperature => {
                let mut other = self.clone();
                if let Some(motor) = &mut other.motor {
                    motor.thermal = Some(WindingHeat { air: temperature, ..heat });
                }
                std::borrow::Cow::Owned(other)
            }
            _ => std::borrow::Cow::Borrowed(self),
        }
    }
    /// The same aircraft without its payload items.
    pub fn without_payload(&self) -> Self {
        let mut bare = self.clone();
        bare.bodies.retain(|b| !b.payload);
        bare
    }
    /// Largest distance between two hubs, m: the length that Froude scaling and the limits use.
    pub fn hub_to_hub(&self) -> f64 {
        let mut far: f64 = 0.0;
        for (i, a) in self.stations.iter().enumerate() {
            for b in &self.stations[i + 1..] {
                far = far.max((a.at - b.at).norm());
            }
        }
        far
    }
}

/// Sense of rotation, seen from above.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Spin {
    /// Clockwise seen from above: the reaction turns the aircraft left (negative yaw).
    Cw,
    /// Counter-clockwise seen from above: the reaction turns the aircraft right (positive yaw).
    Ccw,
}

impl Spin {
    /// Sign of the reaction torque on the airframe about +z (down): +1 for `ccw`, -1 for `cw`.
    pub fn reaction_sign(self) -> f64 {
        match self {
            Self::Cw => -1.0,
            Self::Ccw => 1.0,
        }
    }
    /// The other sense.
    pub fn reversed(self) -> Self {
        match self {
            Self::Cw => Self::Ccw,
            Self::Ccw => Self::Cw,
        }
    }
    /// `cw` or `ccw`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Cw => "cw",
            Self::Ccw => "ccw",
        }
    }
}

/// One rotor station.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Station {
    /// Place in words: "front right", "rear", "front left, lower".
    pub place: String,
    /// Hub position from the reference point, body axes, m.
    pub at: Vec3,
    /// Unit vector of the thrust, body axes; (0, 0, -1) without cant.
    pub axis: Vec3,
    /// Sense of rotation.
    pub spin: Spin,
    /// For the lower rotor of a coaxial pair: index of the rotor above it.
    pub below: Option<usize>,
}

/// Shape of a body, for its own inertia. Sides along body axes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Shape {
    /// A point: no inertia of its own.
    Point,
    /// A box with sides along x, y, z, m.
    Box {
        /// Sides, m.
        sides: [f64; 3],
    },
    /// A solid cylinder, m.
    Cylinder {
        /// Radius, m.
        radius: f64,
        /// Length along its axis, m.
        length: f64,
        /// Unit vector of its axis, body axes.
        axis: Vec3,
    },
    /// A thin rod, m.
    Rod {
        /// Vector from one end to the other, body axes, m.
        span: Vec3,
    },
    /// Moments of inertia about the body axes through its own centre, whatever its mass; negative
    /// ones take off what the other bodies have too much.
    Moments {
        /// About x, y, z, kg m^2.
        moments: [f64; 3],
    },
}

/// One item with mass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Body {
    /// Name, for people.
    pub item: String,
    /// Mass, kg.
    pub mass: f64,
    /// Centre of mass from the reference point, body axes, m.
    pub at: Vec3,
    /// Shape.
    pub shape: Shape,
    /// Payload: left out in the predictions "without payload".
    pub payload: bool,
}

/// A brushless motor as an equivalent direct-current machine (first order).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Motor {
    /// Velocity constant, rad/s per V.
    pub kv: f64,
    /// Winding resistance at 25 degC, ohm, as the equivalent direct-current machine sees it.
    pub resistance: f64,
    /// No-load current at `no_load_voltage`, A.
    pub no_load_current: f64,
    /// Voltage at which the no-load current was stated, V.
    pub no_load_voltage: f64,
    /// Share of the no-load current there that grows with speed (eddy currents), 0 to 1; the rest is the
    /// same at every speed (hysteresis, bearings). Zero where not stated.
    pub no_load_growth: f64,
    /// Rotor inertia of the motor alone, kg m^2.
    pub inertia: f64,
    /// Largest continuous current, A, where stated.
    pub max_current: Option<f64>,
    /// Winding temperature assumed for the predictions, K.
    pub winding_temperature: f64,
    /// How the winding warms, where it is known.
    pub thermal: Option<WindingHeat>,
}

/// How a winding warms, as it is measured: a settled rise at a steady current.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WindingHeat {
    /// Settled rise above air of 25 degC, K.
    pub rise: f64,
    /// Motor current at which it settles, A.
    pub current: f64,
    /// Time constant, s.
    pub time: f64,
    /// Highest winding temperature, K, where stated.
    pub limit: Option<f64>,
    /// How long a burst of full thrust is to stay below it, s.
    pub burst: f64,
    /// Air that the limit is taken in, K: that of the rise's test where the site is not known.
    pub air: f64,
}

/// An electronic speed controller.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Esc {
    /// On-resistance in the current path, ohm.
    pub resistance: f64,
    /// Frequency at which it chops, Hz. Zero where not stated.
    pub switching_frequency: f64,
    /// Rise and fall of one pulse together, s. Zero where not stated.
    pub edge_time: f64,
    /// Time from a command's arrival to the first change of voltage, s.
    pub dead_time: f64,
    /// Period at which the ESC takes up a new command, s.
    pub update_period: f64,
    /// Period of the input protocol: one frame on the wire, s.
    pub protocol_period: f64,
    /// Whether it brakes actively when the command falls.
    pub braking: bool,
    /// Time constant of rotor speed near hover when the command rises, s, where stated or measured: it takes the
    /// place of the computed one.
    pub response_up: Option<f64>,
    /// The same when the command falls, s.
    pub response_down: Option<f64>,
    /// Command (0 to 1) below which the motor does not turn steadily.
    pub usable_minimum: f64,
    /// Largest continuous current, A, where stated.
    pub max_current: Option<f64>,
}

/// Cell chemistry, for the open-circuit curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Chemistry {
    /// Lithium polymer, 4.20 V full.
    Lipo,
    /// High-voltage lithium polymer, 4.35 V full.
    LipoHv,
    /// Lithium-ion, nickel manganese cobalt, 4.20 V full.
    LiIonNmc,
}

/// A battery.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Battery {
    /// Chemistry.
    pub chemistry: Chemistry,
    /// Cells in series.
    pub series: u32,
    /// Cells in parallel.
    pub parallel: u32,
    /// Capacity of the pack, A s (coulomb).
    pub capacity: f64,
    /// Resistance of one cell at 25 degC, leads and connectors not included, ohm.
    pub cell_resistance: f64,
    /// Resistance of leads and connectors of the pack, ohm.
    pub lead_resistance: f64,
    /// Polarisation resistance of one cell (RC pair), ohm.
    pub polarisation_resistance: f64,
    /// Time constant of the RC pair, s.
    pub polarisation_time: f64,
    /// Least voltage of a cell under load, V.
    pub cutoff: f64,
    /// Fraction of the capacity kept as reserve.
    pub reserve: f64,
    /// Largest continuous current of the pack, A, where stated.
    pub max_current: Option<f64>,
}

/// An inertial measurement unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Imu {
    /// Sample period, s.
    pub sample_period: f64,
    /// Delay of the sensor's own filtering and transfer, s.
    pub delay: f64,
    /// Gyro range, rad/s.
    pub rate_range: f64,
    /// Gyro noise density, (rad/s)/sqrt(Hz).
    pub rate_noise: f64,
    /// Accelerometer range, m/s^2.
    pub accel_range: f64,
    /// Accelerometer noise density, (m/s^2)/sqrt(Hz).
    pub accel_noise: f64,
    /// Position from the reference point, body axes, m.
    pub at: Vec3,
}

/// A filter in the gyro path. Frequencies in Hz.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Filter {
    /// Butterworth low-pass, bilinear transform with the cut-off pre-warped.
    LowPass {
        /// Order, 1 to 4.
        order: u32,
        /// Cut-off (-3 dB), Hz.
        cutoff: f64,
    },
    /// Second-order notch, bilinear transform with the centre pre-warped.
    Notch {
        /// Centre, Hz.
        centre: f64,
        /// Width between the -3 dB points of a full-depth notch, Hz.
        width: f64,
        /// Gain left at the centre, 0 (full depth) to 1.
        floor: f64,
    },
}

/// Rate loop. Gains are physical: demanded angular acceleration.
///
/// alpha = p (demand - rate) + i integral(demand - rate) - d d(rate)/dt
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RateLoop {
    /// Period of the loop, s.
    pub period: f64,
    /// Computation delay from sample to command, s.
    pub delay: f64,
    /// Proportional gain per axis (roll, pitch, yaw), 1/s.
    pub p: [f64; 3],
    /// Integral gain per axis, 1/s^2.
    pub i: [f64; 3],
    /// Derivative gain per axis, dimensionless (rad/s^2 per rad/s^2).
    pub d: [f64; 3],
    /// Time constant of the derivative's own first-order filter, s; zero for none.
    pub d_lag: f64,
    /// Whether the controller inverts the thrust curve, so that its output is proportional to
    /// thrust; else its output is proportional to the command, and the gains hold at hover.
    pub linearised: bool,
    /// Whether the command is corrected for the bus voltage, so that it makes the same thrust at any.
    pub voltage_corrected: bool,
    /// Bus voltage that the gains hold at, V; that of a hover on a full battery without payload for `None`.
    pub set_up_at: Option<f64>,
}

/// Attitude loop: rate demand = gain x attitude error.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AttitudeLoop {
    /// Gain per axis (roll, pitch, yaw), 1/s.
    pub gain: [f64; 3],
    /// Limit of the rate demand, rad/s.
    pub rate_limit: f64,
    /// Tilt that full stick asks for in attitude command, rad, where stated.
    pub full_tilt: Option<f64>,
}

/// Velocity loop: acceleration asked for = gain x velocity error + integral, horizontally as a tilt, vertically as thrust.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VelocityLoop {
    /// Horizontal gain, 1/s.
    pub gain: f64,
    /// Horizontal integral gain, 1/s^2.
    pub integral: f64,
    /// Vertical gain, 1/s.
    pub climb_gain: f64,
    /// Vertical integral gain, 1/s^2.
    pub climb_integral: f64,
    /// Largest tilt that the loop asks for, rad.
    pub tilt_limit: f64,
    /// Delay of the velocity and position that the loops work on, s.
    pub delay: f64,
}

/// Position loop: velocity demand = gain x position error.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PositionLoop {
    /// Horizontal gain, 1/s.
    pub gain: f64,
    /// Gain of height, 1/s.
    pub height_gain: f64,
    /// Largest horizontal speed that it asks for, m/s.
    pub speed_limit: f64,
    /// Largest vertical speed that it asks for, m/s.
    pub climb_limit: f64,
}
