//! The whole aircraft over airspeed: tilt, rotor speed, power; what it can hold.
//!
//! Level (or climbing) flight at a steady airspeed, all rotors sharing the thrust as they lift: along
//! the thrust axis T = D_h sin a + (W + D_v) cos a, along the disc H = (W + D_v) sin a - D_h cos a,
//! with a the tilt, H the in-plane force of the rotors ([`crate::edgewise`]) and D the drag of the
//! airframe, rho V^2 C_D A / 2 along the flight path. One root in the tilt. Pitching moments of rotors
//! and airframe are left out (they shift thrust between front and rear rotors by some per cent), so is
//! the change of drag with tilt. The lower rotor of a coaxial pair carries the pair's interference on
//! its induced power, as in hover.

use serde::Serialize;

use super::endurance::CONTROL_MARGIN;
use super::error::{LimitKind, PowertrainError, at_least};
use super::operating_point::{OperatingPoint, RotorPoint, drawn, electrical, loading, shaft};
use super::plant::Plant;
use crate::aircraft::Aircraft;
use crate::edgewise::{Flow, LARGEST_MU, flow, lower_speed_for_thrust, speed_for_thrust};
use crate::interference::LOWER_INFLOW;
use crate::root::root;
use crate::rotor::INDUCED_FACTOR;

/// Steady flight at one airspeed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trimmed {
    /// Airspeed along the ground, m/s.
    pub airspeed: f64,
    /// Climb, m/s.
    pub climb: f64,
    /// Tilt of the thrust axis into the wind, rad.
    pub tilt: f64,
    /// Rotors, bus and battery.
    pub point: OperatingPoint,
    /// Power on the bus, W.
    pub bus_power: f64,
    /// Shaft power that makes the induced flow (interference included), W.
    pub induced_power: f64,
    /// Shaft power that overcomes the drag of the blades, W.
    pub profile_power: f64,
    /// Shaft power that overcomes the drag of the airframe and lifts the weight, W.
    pub parasite_power: f64,
    /// In-plane speed over tip speed.
    pub mu: f64,
    /// How far the worst quantity is over its limit (relative; negative inside), and which.
    pub excess: f64,
    /// The limit nearest.
    pub limit: LimitKind,
}

/// Steady flight over airspeed and what bounds it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Envelope {
    /// From hover up, at even steps, while inside the limits.
    pub points: Vec<Trimmed>,
    /// Airspeed of least power, m/s.
    pub endurance_speed: f64,
    /// Airspeed of least energy per distance, m/s.
    pub range_speed: f64,
    /// Highest airspeed inside the limits, m/s, and what binds there; none where the model ends first.
    pub top: Option<(f64, LimitKind)>,
    /// Highest airspeed with [`CONTROL_MARGIN`] x the thrust still inside the limits, m/s.
    pub held: Option<f64>,
    /// Highest vertical climb inside the limits, m/s.
    pub climb: f64,
}

/// Airspeed beyond which nothing is asked, m/s.
const MOST_AIRSPEED: f64 = 60.0;
/// Climb beyond which nothing is asked, m/s.
const MOST_CLIMB: f64 = 40.0;

/// What all points of an aircraft share.
struct Flight<'a> {
    plant: Plant<'a>,
    drag_area: f64,
    lift: f64,
    open_circuit: f64,
    /// Thrust carried beyond what trim needs, 1 for none.
    margin: f64,
}

impl<'a> Flight<'a> {
    fn new(aircraft: &'a Aircraft, charge: f64, density: f64) -> Result<Self, PowertrainError> {
        let plant = Plant::new(aircraft, density)?;
        let open_circuit = plant.battery.open_circuit(at_least(0.0, "charge", charge)?);
        let lift: f64 = plant.lift.iter().sum();
        if lift.is_nan() || lift <= 0.0 {
            return Err(PowertrainError::Input { what: "lift of all rotors", value: lift });
        }
        let drag_area = at_least(0.0, "drag area (m^2)", aircraft.drag_area)?;
        Ok(Self { plant, drag_area, lift, open_circuit, margin: 1.0 })
    }

    /// One rotor at a thrust and tilt.
    fn rotor(&self, thrust: f64, tilt: f64, airspeed: f64, climb: f64) -> Option<(f64, Flow)> {
        let (sin, cos) = tilt.sin_cos();
        let (along, axial) = (airspeed * cos - climb * sin, airspeed * sin + climb * cos);
        let speed = speed_for_thrust(self.plant.rotor, thrust, along, axial, self.plant.density)?;
        Some((speed, flow(self.plant.rotor, speed, along, axial, self.plant.density)))
    }

    /// `None` where no tilt balances it, the model's advance ratio is passed or the battery cannot.
    fn trim(&self, airspeed: f64, climb: f64) -> Result<Option<Trimmed>, PowertrainError> {
        let path = airspeed.hypot(climb);
        let pressure = 0.5 * self.plant.density * path * self.drag_area;
        let (drag, sink) = (pressure * airspeed, pressure * climb);
        let down = self.plant.weight + sink;
        let count = self.plant.lift.len() as f64;
        // A canted rotor lifts less than it pulls.
        let each = |tilt: f64| (drag * tilt.sin() + down * tilt.cos()) / self.lift;
        let over = |tilt: f64| match self.rotor(each(tilt), tilt, airspeed, climb) {
            Some((_, f)) => (down * tilt.sin() - drag * tilt.cos() - count * f.in_plane) / down,
            None => f64::NAN,
        };
        let (least, most) = ((drag / down).atan(), 1.4);
        let tilt = if airspeed > 0.0 {
            let (low, high) = (over(least), over(most));
            match root(over, (least, low), (most, high), 1e-7) {
                Some(tilt) => tilt,
                None => return Ok(None),
            }
        } else {
            0.0
        };
        let Some((speed, f)) = self.rotor(each(tilt) * self.margin, tilt, airspeed, climb) else {
            return Ok(None);
        };
        if f.mu > LARGEST_MU {
            return Ok(None);
        }
        let extra = LOWER_INFLOW * INDUCED_FACTOR * f.disc_thrust * f.induced_speed;
        let mut below = speed;
        if self.plant.lower.contains(&true) {
            let (sin, cos) = tilt.sin_cos();
            let (along, axial) = (airspeed * cos - climb * sin, airspeed * sin + climb * cos);
            match lower_speed_for_thrust(self.plant.rotor, f.thrust, along, axial, self.plant.density) {
                Some(speed) => below = speed,
                None => return Ok(None),
            }
        }
        let mut rotors: Vec<RotorPoint> = Vec::with_capacity(self.plant.lower.len());
        for lower in &self.plant.lower {
            let (speed, power) = if *lower { (below, f.power + extra) } else { (speed, f.power) };
            rotors.push(shaft(&self.plant, f.thrust, speed, power / speed)?);
        }
        let lower = self.plant.lower.iter().filter(|l| **l).count() as f64;
        let (power, edges) = drawn(&self.plant, &rotors);
        let resistance = self.plant.battery.steady_resistance();
        let Some((rotors, bus, current)) = electrical(&self.plant, &rotors, self.open_circuit, resistance)
        else {
            return Ok(None);
        };
        let (excess, limit) = self.plant.excess(&loading(&self.plant, &rotors, bus, current));
        let shaft_power: f64 = rotors.iter().map(|r| r.shaft_power).sum();
        let (induced_power, profile_power) =
            (count * f.induced_power + lower * extra, count * f.profile_power);
        Ok(Some(Trimmed {
            airspeed,
            climb,
            tilt,
            point: OperatingPoint::assemble(rotors, self.open_circuit, bus, current),
            bus_power: power + edges * bus,
            induced_power,
            profile_power,
            parasite_power: shaft_power - induced_power - profile_power,
            mu: f.mu,
            excess,
            limit,
        }))
    }

    /// Highest value from `low` up to `most` at which a trim stays inside the limits.
    fn highest(&self, low: f64, most: f64, at: impl Fn(f64) -> (f64, f64)) -> Result<f64, PowertrainError> {
        let inside = |x: f64| -> Result<bool, PowertrainError> {
            let (airspeed, climb) = at(x);
            Ok(self.trim(airspeed, climb)?.is_some_and(|t| t.excess <= 0.0))
        };
        let (mut low, mut high) = (low, most);
        if inside(high)? {
            return Ok(high);
        }
        for _ in 0..16 {
            let middle = 0.5 * (low + high);
            if inside(middle)? { low = middle } else { high = middle }
        }
        Ok(low)
    }
}

/// Steady flight at an airspeed and a climb, m/s, a charge of 0 to 1 and a density, kg/m^3. `None`
/// where no tilt balances the forces or the rotors are beyond the model (mu above 0.35). Limits are not
/// applied: [`Trimmed::excess`] says where it stands.
pub fn trim(
    aircraft: &Aircraft,
    airspeed: f64,
    climb: f64,
    charge: f64,
    density: f64,
) -> Result<Option<Trimmed>, PowertrainError> {
    let airspeed = at_least(0.0, "airspeed (m/s)", airspeed)?;
    Flight::new(aircraft, charge, density)?.trim(airspeed, climb)
}

/// Whether an airspeed, m/s, is held inside the limits with [`CONTROL_MARGIN`] x the thrust.
pub fn holds(aircraft: &Aircraft, airspeed: f64, charge: f64, density: f64) -> Result<bool, PowertrainError> {
    let airspeed = at_least(0.0, "airspeed (m/s)", airspeed)?;
    let mut flight = Flight::new(aircraft, charge, density)?;
    flight.margin = CONTROL_MARGIN;
    Ok(flight.trim(airspeed, 0.0)?.is_some_and(|t| t.excess <= 0.0))
}

/// Flight over airspeed in steps of so many m/s, at a charge of 0 to 1 and a density, kg/m^3.
pub fn envelope(
    aircraft: &Aircraft,
    step: f64,
    charge: f64,
    density: f64,
) -> Result<Envelope, PowertrainError> {
    let mut flight = Flight::new(aircraft, charge, density)?;
    let step = if step > 0.05 { step } else { 0.05 };
    let mut points: Vec<Trimmed> = Vec::new();
    let mut top = None;
    for k in 0..=(MOST_AIRSPEED / step) as usize {
        match flight.trim(step * k as f64, 0.0)? {
            Some(t) if t.excess <= 0.0 => points.push(t),
            Some(t) => {
                top = Some(t.limit);
                break;
            }
            None => break,
        }
    }
    let Some(hover) = points.first() else {
        return Err(PowertrainError::Infeasible { limit: top.unwrap_or(LimitKind::FullCommand), share: 0.0 });
    };
    let last = points.last().map_or(0.0, |p| p.airspeed);
    let hover_power = hover.point.battery_power;
    let least = |f: &dyn Fn(&Trimmed) -> f64| vertex(&points, f);
    let endurance_speed = least(&|p| p.point.battery_power);
    let range_speed = least(&|p| {
        if p.airspeed > 0.0 { p.point.battery_power / p.airspeed } else { 1e3 * hover_power / step }
    });
    let top = match top {
        Some(limit) => Some((flight.highest(last, last + step, |v| (v, 0.0))?, limit)),
        None => None,
    };
    let climb = flight.highest(0.0, MOST_CLIMB, |c| (0.0, c))?;
    flight.margin = CONTROL_MARGIN;
    let hovers = flight.trim(0.0, 0.0)?.is_some_and(|t| t.excess <= 0.0);
    let held =
        if hovers { Some(flight.highest(0.0, top.map_or(last, |t| t.0), |v| (v, 0.0))?) } else { None };
    Ok(Envelope { points, endurance_speed, range_speed, top, held, climb })
}

/// Airspeed of the least of a figure: the vertex of the parabola through the least point and its
/// neighbours.
fn vertex(points: &[Trimmed], f: &dyn Fn(&Trimmed) -> f64) -> f64 {
    let values: Vec<f64> = points.iter().map(f).collect();
    let Some((at, _)) = values.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1)) else { return 0.0 };
    let here = points.get(at).map_or(0.0, |p| p.airspeed);
    if at == 0 {
        return here;
    }
    match (values.get(at - 1), values.get(at), values.get(at + 1), points.get(at - 1)) {
        (Some(a), Some(b), Some(c), Some(before)) if a + c > 2.0 * b => {
            here + 0.5 * (here - before.airspeed) * (a - c) / (a + c - 2.0 * b)
        }
        _ => here,
    }
}
