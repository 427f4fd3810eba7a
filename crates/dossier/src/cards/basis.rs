//! What the cards know about a build: mass, size, thrust, speeds, energies, times.

use physics::STANDARD_GRAVITY;
use physics::aircraft::Aircraft;
use physics::mass::{MassProperties, mass_properties};
use physics::powertrain::{full_thrust, motor_lag};

use super::energy::{CRITICAL_INJURY, FATAL_FLYING_BODY, fragment_distance, slide_distance};
use super::shown::round_up_distance;
use crate::gates::{hover_point, hover_point_near_ground};
use crate::predict::{delay_budget, required_crossover};

/// From seeing a fault to cutting power, s (common practice, no source).
pub(super) const REACTION: f64 = 0.75;
/// Full thrust over weight that is assumed where it cannot be computed (high on purpose, no source).
const ASSUMED_RATIO: f64 = 3.0;
/// Least distance of anybody from a propeller that may turn, m (common practice, no source).
pub(super) const FLOOR: f64 = 2.0;

/// Figures of one build that cards are computed from.
#[derive(Debug, Clone)]
pub struct Basis<'a> {
    /// The aircraft.
    pub aircraft: &'a Aircraft,
    /// Air density, kg/m^3.
    pub density: f64,
    /// Mass properties with all that the file lists.
    pub body: MassProperties,
    /// Weight, N.
    pub weight: f64,
    /// Largest distance between hubs, m.
    pub size: f64,
    /// From tip to tip, m.
    pub span: f64,
    /// Full thrust, N.
    pub thrust: f64,
    /// Whether full thrust was assumed because it cannot be computed.
    pub assumed: bool,
    /// Rotor speed at full thrust, rad/s.
    pub full_speed: f64,
    /// Rotor speed in hover, rad/s.
    pub hover_speed: f64,
    /// Command in hover, 0 to 1, where it can be computed.
    pub hover_command: Option<f64>,
    /// The same with the discs one radius above the ground.
    pub ground_command: Option<f64>,
    /// Battery current in hover and at full thrust, A, where they can be computed.
    pub currents: Option<(f64, f64)>,
    /// Tip speed at full thrust, m/s.
    pub tip_speed: f64,
    /// Mass of one blade, kg: of a uniform rod with the rotor's inertia, 3 J/(B R^2).
    pub blade_mass: f64,
    /// Energy of a whole blade that leaves at full speed, J.
    pub blade_energy: f64,
    /// Where that energy has fallen to [`CRITICAL_INJURY`], m.
    pub blade_distance: f64,
    /// Energy in the full battery, J.
    pub stored: Option<f64>,
    /// Time constant of a drive about hover, s, where it can be computed.
    pub lag: Option<f64>,
    /// Time of full thrust that the run-down after a cut is worth, s.
    pub run_down: f64,
    /// Energy of the aircraft after the fault time at full thrust, J.
    pub fault_energy: f64,
    /// Speed then, m/s.
    pub fault_speed: f64,
    /// Distance for those at the test, m.
    pub distance: f64,
    /// How that came about.
    pub distance_why: String,
    /// Required rate crossover, rad/s.
    pub crossover: f64,
    /// Delay that a loop of this size can spend, s.
    pub delay_budget: f64,
}

/// Authority limits for the first flights.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FirstFlight {
    /// Tilt, rad.
    pub tilt: f64,
    /// Rate demand, rad/s.
    pub rate: f64,
    /// Command of all rotors, 0 to 1.
    pub thrust: f64,
    /// Height, m.
    pub height: f64,
}

impl<'a> Basis<'a> {
    /// Of an aircraft in air of `density`, kg/m^3.
    pub fn of(aircraft: &'a Aircraft, density: f64) -> Self {
        let body = mass_properties(&aircraft.bodies);
        let mass = body.mass.max(1e-6);
        let weight = mass * STANDARD_GRAVITY;
        let rotor = &aircraft.rotor;
        let n = aircraft.stations.len().max(1) as f64;
        let size = aircraft.hub_to_hub();
        let full = full_thrust(aircraft, 1.0, density).ok();
        let hover = hover_point(aircraft, density, 1.0);
        let near = hover_point_near_ground(aircraft, density, 1.0, 0.5 * rotor.diameter);
        let command = |p: &physics::powertrain::OperatingPoint| {
            p.rotors.iter().map(|r| r.command).sum::<f64>() / p.rotors.len().max(1) as f64
        };
        let thrust = full.as_ref().map_or(ASSUMED_RATIO * weight, |f| f.total);
        let speed_for = |thrust: f64| rotor.speed_for_thrust(thrust / n, 0.0, density).unwrap_or(0.0);
        let full_speed = full.as_ref().map_or_else(
            || speed_for(thrust),
            |f| f.point.rotors.iter().map(|r| r.speed).fold(0.0, f64::max),
        );
        let hover_speed = speed_for(weight);
        let radius = 0.5 * rotor.diameter;
        let blades = f64::from(rotor.blades.max(1));
        let blade_mass = 3.0 * rotor.inertia / (blades * radius * radius).max(1e-12);
        let blade_energy = 0.5 * blade_mass * (0.5 * full_speed * radius).powi(2);
        // A mean chord of 7 % of the diameter (common practice, no source).
        let area = 0.07 * rotor.diameter * radius;
        let blade_distance = fragment_distance(blade_mass, area, blade_energy, CRITICAL_INJURY, density);
        let lag = motor_lag(aircraft, hover_speed, density).ok();
        let braking = aircraft.esc.as_ref().is_some_and(|e| e.braking);
        // Thrust goes as speed squared: an exponential fall is worth half its time constant, a
        // freewheeling rotor (speed as 1/(1 + t/2 tau)) twice its own.
        let run_down = motor_lag(aircraft, full_speed, density)
            .map_or(0.1, |l| if braking { 0.5 * l.braked } else { (2.0 * l.freewheeling).min(2.0) });
        let fault_time = REACTION + run_down;
        let acceleration =
            if thrust > weight { (thrust * thrust - weight * weight).sqrt() / mass } else { thrust / mass };
        let fault_speed = acceleration * fault_time;
        let fault_energy = 0.5 * mass * fault_speed * fault_speed;
        let mut basis = Self {
            aircraft,
            density,
            weight,
            size,
            span: size + rotor.diameter,
            thrust,
            assumed: full.is_none(),
            full_speed,
            hover_speed,
            hover_command: hover.as_ref().map(command),
            ground_command: near.as_ref().map(command),
            currents: hover
                .as_ref()
                .zip(full.as_ref())
                .map(|(h, f)| (h.battery_current, f.point.battery_current)),
            tip_speed: full_speed * radius,
            blade_mass,
            blade_energy,
            blade_distance,
            stored: aircraft.battery.as_ref().map(|b| b.capacity * 3.7 * f64::from(b.series)),
            lag: lag.map(|l| l.braked),
            run_down,
            fault_energy,
            fault_speed,
            distance: FLOOR,
            distance_why: String::new(),
            crossover: required_crossover(aircraft),
            delay_budget: delay_budget(aircraft),
            body,
        };
        basis.set_distance(acceleration, fault_time);
        basis
    }

    /// From how far a fault of a free aircraft does not reach: the way at full thrust sideways for
    /// the fault time, the fall from a metre, and the slide; less than that where it is too light to hurt.
    fn set_distance(&mut self, acceleration: f64, fault_time: f64) {
        let half = 0.5 * self.span;
        let fall = (2.0 / STANDARD_GRAVITY).sqrt();
        let way = 0.5 * acceleration * fault_time * fault_time;
        let coast = self.fault_speed * fall;
        let angle = (STANDARD_GRAVITY * fall / self.fault_speed.max(1e-9)).atan();
        let slide = slide_distance(self.fault_speed / angle.cos(), angle, self.body.mass, FATAL_FLYING_BODY);
        let t = if self.assumed { ", full thrust assumed as 3 x weight" } else { "" };
        if self.fault_energy < CRITICAL_INJURY {
            self.distance = round_up_distance((FLOOR).max(self.blade_distance) + half);
            self.distance_why = format!(
                "full thrust for {:.2} s gives it {:.1} J, less than the 14.9 J (11 ft-lb) of critical injury (FAA ASSURE A4): \
                 2 m (common practice, no source) or the reach of a blade ({:.1} m), and half its span{t}",
                fault_time, self.fault_energy, self.blade_distance
            );
        } else {
            self.distance =
                round_up_distance((way + coast + slide).max(self.blade_distance).max(FLOOR) + half);
            self.distance_why = format!(
                "full thrust sideways for {fault_time:.2} s (0.75 s to cut, run-down {:.2} s): {way:.1} m and {:.0} m/s, {:.0} J; \
                 fall from 1 m {coast:.1} m; slide above 290 J {slide:.1} m (JARUS SORA Annex F); half the span{t}",
                self.run_down, self.fault_speed, self.fault_energy
            );
        }
    }

    /// Distance from a stand with one drive, m: reach of a blade, and a floor.
    pub fn stand_distance(&self) -> f64 {
        round_up_distance(self.blade_distance.max(FLOOR) + 0.5 * self.aircraft.rotor.diameter)
    }

    /// Full thrust of one rotor, N.
    pub fn rotor_thrust(&self) -> f64 {
        self.thrust / self.aircraft.stations.len().max(1) as f64
    }

    /// Blade passage at a rotor speed, Hz.
    pub fn passage(&self, speed: f64) -> f64 {
        self.aircraft.rotor.blade_passage(speed)
    }

    /// Authority limits for the first flights.
    pub fn first_flight(&self) -> FirstFlight {
        let tilt = 20_f64.to_radians();
        let climb: f64 = 1.3;
        FirstFlight {
            tilt,
            rate: 0.25 * self.crossover * tilt,
            thrust: self.hover_command.map_or(1.0, |c| (c * climb.sqrt()).min(1.0)),
            height: (2.0 * self.aircraft.rotor.diameter).max(1.0),
        }
    }

    /// Height that the tether leaves in a first hop, m: three quarters of a rotor, 0.25 m at least.
    pub fn hop_height(&self) -> f64 {
        (0.75 * self.aircraft.rotor.diameter).max(0.25)
    }
}
