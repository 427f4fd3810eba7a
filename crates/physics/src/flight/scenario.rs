//! What is flown: a script of segments, and the ready one of the demonstration.

use serde::Serialize;

use super::{Fault, Guard, Wind};
use crate::aircraft::Aircraft;
use crate::{Mat3, Vec3};

/// What pilot and loops do during a segment. Height is held by the pilot except where said.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub enum Action {
    /// Attitude loop on, heading held; the pilot tilts to bring the horizontal velocity to rest.
    Hover,
    /// Attitude loop on, at stated angles, rad; `None` holds the heading that the segment began at.
    AttitudeHold {
        /// Roll, rad.
        roll: f64,
        /// Pitch, rad.
        pitch: f64,
        /// Heading, rad.
        yaw: Option<f64>,
    },
    /// Attitude loop on, heading held; the tilt asked for swings along one line, its frequency falling or rising
    /// evenly in the logarithm over the segment: tilt x sin(phase), the line at an angle from forward over right.
    AttitudeSweep {
        /// Largest tilt, rad.
        tilt: f64,
        /// Direction of the line from forward over right, rad: 0 is pitch alone, pi/2 roll alone.
        direction: f64,
        /// Frequency at the start, Hz.
        from: f64,
        /// Frequency at the end, Hz.
        to: f64,
        /// Length of the sweep, s; afterwards level.
        duration: f64,
    },
    /// Velocity loop on, heading held: velocity demanded, earth axes, m/s.
    Velocity {
        /// Demanded velocity.
        demand: Vec3,
    },
    /// Position loop on: the place and heading that the segment began at.
    PositionHold,
    /// Attitude loop off: body rates demanded, rad/s.
    RateDemand {
        /// Demanded rates, rad/s.
        rate: Vec3,
    },
    /// Level by attitude hold, with a fixed thrust demand (0 to 1) in place of height.
    ThrustPull {
        /// Thrust demand.
        demand: f64,
    },
    /// No loop: a fixed command (0 to 1) to each rotor, as on a test stand.
    Commands {
        /// Commands by rotor.
        commands: Vec<f64>,
    },
    /// Motors disconnected.
    Off,
}

impl Action {
    /// Whether controller and pilot are at work.
    pub fn closes_a_loop(&self) -> bool {
        !matches!(self, Self::Commands { .. } | Self::Off)
    }
    /// Whether the attitude loop is at work.
    pub fn holds_attitude(&self) -> bool {
        matches!(
            self,
            Self::Hover | Self::AttitudeHold { .. } | Self::AttitudeSweep { .. } | Self::ThrustPull { .. }
        ) || self.holds_velocity()
    }
    /// Whether the velocity loop is at work.
    pub fn holds_velocity(&self) -> bool {
        matches!(self, Self::Velocity { .. } | Self::PositionHold)
    }
}

/// A stretch of the script.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Segment {
    /// Name, for people.
    pub label: String,
    /// Length, s.
    pub duration: f64,
    /// What is done.
    pub action: Action,
}

impl Segment {
    /// A segment.
    pub fn new(label: &str, duration: f64, action: Action) -> Self {
        Self { label: label.to_owned(), duration, action }
    }
}

/// How the flight begins.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub enum Start {
    /// In a settled hover, rotors and controller in trim, the battery's RC pair settled.
    Hover,
    /// In a stated state of motion; the controller's integrals at the hover trim, the battery rested.
    State {
        /// Roll, pitch, heading, rad.
        angles: Vec3,
        /// Body rate, rad/s.
        rate: Vec3,
        /// Velocity, earth axes, m/s.
        velocity: Vec3,
        /// Speed of each rotor, rad/s; missing ones stand still.
        rotor_speeds: Vec<f64>,
    },
}

/// How time goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stepping {
    /// Every event at its instant: for records, and to hold the other against.
    Exact,
    /// From loop to loop: fast, second order in the loop's period.
    Grid,
}

/// Sensors and estimator of a flight. What of the motion the aircraft's sensors cannot tell stays true
/// ([`crate::sensors::sources`]).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sensing {
    /// The earth's magnetic field, north, east, down, T.
    pub earth: Option<Vec3>,
    /// Whether the loops fly on the estimates; else these are in the log alone.
    pub flown: bool,
}

/// A flight to be simulated.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scenario {
    /// Length, s. After the script's end its last segment goes on.
    pub duration: f64,
    /// Seed of everything random.
    pub seed: u64,
    /// State of charge at the start, 0 to 1.
    pub initial_charge: f64,
    /// Rate of the log, Hz.
    pub log_rate: f64,
    /// How time goes on.
    pub stepping: Stepping,
    /// Step of the integration, s, at most.
    pub step: f64,
    /// Height at the start, m.
    pub height: f64,
    /// Start.
    pub start: Start,
    /// Script. An empty one is a hover. A script that closes a loop, and a start in hover, need an
    /// aircraft that can hover.
    pub script: Vec<Segment>,
    /// Held on a stand: nothing moves but the rotors.
    pub held: bool,
    /// Whether height zero is ground, whose nearness the rotors feel. Nothing stops the aircraft there.
    pub ground: bool,
    /// Wind.
    pub wind: Wind,
    /// Amplitude of the thrust at blade passage, as a fraction of the thrust. No published
    /// value was found for a rotor in the open; the default of 0.01 is an assumption.
    pub blade_passage: f64,
    /// Factor on the stated unbalance, rotor by rotor; missing ones are 1.
    pub unbalance_factors: Vec<f64>,
    /// Inertia about the centre of mass, kg m^2, and bus voltage, V, that the controller reckons with; those of this flight
    /// for `None`. For a flight with payload or on a low battery without retuning.
    pub tuned_for: Option<(Mat3, f64)>,
    /// Sensors and estimator. Without them the loops fly on the true motion, place and velocity late by the stated
    /// delay, and the inertial unit has no bias.
    pub sensing: Option<Sensing>,
    /// What fails, in any order.
    pub faults: Vec<Fault>,
    /// Fail-safe and safety pilot; without it nobody acts on a lost link or a low charge. Needs `loop.velocity`.
    pub guard: Option<Guard>,
}

impl Scenario {
    /// A flight of the given script from hover, in light air, logged at 1 kHz.
    pub fn new(script: Vec<Segment>, seed: u64, initial_charge: f64) -> Self {
        Self {
            duration: script.iter().map(|s| s.duration).sum(),
            seed,
            initial_charge,
            log_rate: 1000.0,
            stepping: Stepping::Exact,
            step: 1.0 / 16_000.0,
            height: 20.0,
            held: false,
            ground: false,
            start: Start::Hover,
            script,
            wind: Wind::LIGHT,
            blade_passage: 0.01,
            unbalance_factors: Vec::new(),
            tuned_for: None,
            sensing: None,
            faults: Vec::new(),
            guard: None,
        }
    }
}

/// Rate steps about one axis (0 roll, 1 pitch, 2 yaw): each amplitude (rad/s) is held, then
/// released to zero demand.
pub fn rate_steps(axis: usize, amplitudes: &[f64], hold: f64, release: f64) -> Vec<Segment> {
    let name = ["roll", "pitch", "yaw"].get(axis).copied().unwrap_or("no");
    let mut segments = Vec::new();
    for &amplitude in amplitudes {
        let mut rate = Vec3::zeros();
        if let Some(component) = rate.get_mut(axis) {
            *component = amplitude;
        }
        let side = if amplitude < 0.0 { "negative" } else { "positive" };
        segments.push(Segment::new(&format!("{name} step, {side}"), hold, Action::RateDemand { rate }));
        let rate = Vec3::zeros();
        segments.push(Segment::new(&format!("{name} release"), release, Action::RateDemand { rate }));
    }
    segments
}

/// The flight card of the demonstration, about 57 s: 12 s hover; about roll, pitch and yaw four
/// steps of alternating sign (100 deg/s; yaw 60 deg/s) held 0.35 s and released for 2 s with the
/// attitude loop off; one pull of full thrust for 0.6 s with recovery; 5 s of hover.
///
/// Before the first roll or pitch step the aircraft is banked by half the angle of a step to the
/// other side, so that the steps swing it about level and the drift of its place stays small.
pub fn card_flight(aircraft: &Aircraft, seed: u64, initial_charge: f64) -> Scenario {
    const HOLD: f64 = 0.35;
    const RELEASE: f64 = 2.0;
    let mut script = vec![Segment::new("hover", 12.0, Action::Hover)];
    for (axis, amplitude_deg) in [(0, 100.0_f64), (1, 100.0), (2, 60.0)] {
        let amplitude = amplitude_deg.to_radians();
        let bank = -0.5 * amplitude * HOLD;
        let (roll, pitch) = match axis {
            0 => (bank, 0.0),
            1 => (0.0, bank),
            _ => (0.0, 0.0),
        };
        let label = if axis < 2 { "bank" } else { "level" };
        script.push(Segment::new(label, 0.8, Action::AttitudeHold { roll, pitch, yaw: None }));
        script.extend(rate_steps(axis, &[amplitude, -amplitude, amplitude, -amplitude], HOLD, RELEASE));
        script.push(Segment::new("stop", 1.5, Action::Hover));
    }
    script.push(Segment::new("level", 0.8, Action::AttitudeHold { roll: 0.0, pitch: 0.0, yaw: None }));
    script.push(Segment::new("pull", 0.6, Action::ThrustPull { demand: 1.0 }));
    script.push(Segment::new("recovery", 4.0, Action::Hover));
    script.push(Segment::new("hover", 5.0, Action::Hover));
    let mut scenario = Scenario::new(script, seed, initial_charge);
    if let Some(rate_loop) = &aircraft.rate_loop
        && rate_loop.period > 0.0
    {
        scenario.log_rate = (1.0 / rate_loop.period).min(1000.0);
    }
    scenario
}
