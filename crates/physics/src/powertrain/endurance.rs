//! How long given thrusts last: the discharge integrated with sag.
//!
//! States are the charge, the voltage over the RC pair (zero at take-off) and the energy given. At
//! constant thrusts the power on the bus (and the current of chopping) is constant, and the bus voltage
//! follows ([`super::battery::bus_at`]). Classical Runge-Kutta of fourth order in steps of at most
//! 1/400 of the time the first current would take and of the pair's time constant; where that
//! constant is shorter than such a step, the pair is taken as settled. The end is found by halving.

use serde::Serialize;

use super::battery::bus_at;
use super::error::{PowertrainError, at_least};
use super::full_thrust::most_lift;
use super::operating_point::{drawn, shafts};
use super::plant::Plant;
use crate::aircraft::Aircraft;

/// Full thrust over weight below which control is taken as lost: 1.3 leaves a tilt of 30 deg with
/// 13 % to steer by (derived: cos 30 deg x 1.3 = 1.13).
pub const CONTROL_MARGIN: f64 = 1.3;

/// Steps over the time that the first current would take.
const STEPS: f64 = 400.0;

/// What ends an endurance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum EndReason {
    /// The charge is down to the reserve.
    Reserve,
    /// A cell under load is down to its cut-off.
    CellVoltage,
    /// Full thrust is down to [`CONTROL_MARGIN`] x weight.
    ControlMargin,
}

impl EndReason {
    /// The reason in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Reserve => "reserve",
            Self::CellVoltage => "cell voltage",
            Self::ControlMargin => "control margin",
        }
    }
}

/// Time at given thrusts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Endurance {
    /// Time, s.
    pub time: f64,
    /// What ends it.
    pub end: EndReason,
    /// Charge used, as a fraction of the capacity.
    pub charge_used: f64,
    /// Energy at the battery's terminals, J.
    pub energy: f64,
    /// Mean power at the battery's terminals, W.
    pub average_power: f64,
}

/// Endurance at a thrust, N, for each rotor and an air density, kg/m^3, from a charge of 0 to 1.
///
/// Ends at the first of: reserve; cell cut-off under load (or a battery that cannot give the power);
/// full thrust, out of the polarisation reached, below 1.3 x the weight of all bodies. The cut-off
/// is held against the steady load alone: a burst may dip below it, so for the control margin full
/// thrust is bound by command and stated currents only (else the margin would always end a hover
/// before the cut-off could). The thrusts, winding and cell temperatures stay as they are. Whether
/// the thrusts respect the stated currents is for the operating point to say.
pub fn endurance(
    aircraft: &Aircraft,
    thrusts: &[f64],
    density: f64,
    from_charge: f64,
) -> Result<Endurance, PowertrainError> {
    let plant = Plant::new(aircraft, density)?;
    let drawn = drawn(&plant, &shafts(&plant, thrusts)?);
    run(aircraft, plant, drawn, from_charge)
}

/// Endurance at a constant power on the bus, W, avionics included; ends as [`endurance`] does.
pub fn endurance_at_power(
    aircraft: &Aircraft,
    power: f64,
    density: f64,
    from_charge: f64,
) -> Result<Endurance, PowertrainError> {
    run(aircraft, Plant::new(aircraft, density)?, (power, 0.0), from_charge)
}

fn run(
    aircraft: &Aircraft,
    mut plant: Plant<'_>,
    (power, edges): (f64, f64),
    from_charge: f64,
) -> Result<Endurance, PowertrainError> {
    let cutoff = std::mem::take(&mut plant.cutoff);
    plant.burst = true;
    let reserve = at_least(0.0, "reserve", aircraft.battery()?.reserve)?;
    let power = at_least(0.0, "power on the bus (W)", power)?;
    let charge = at_least(0.0, "charge", from_charge)?.min(1.0);
    Discharge { plant, power, edges, reserve, cutoff, settled: false }.run(charge)
}

#[derive(Debug, Clone, Copy)]
struct State {
    time: f64,
    charge: f64,
    polarisation: f64,
    energy: f64,
}

struct Discharge<'a> {
    /// Without a cut-off: see [`endurance`].
    plant: Plant<'a>,
    power: f64,
    /// Current of chopping, A.
    edges: f64,
    reserve: f64,
    cutoff: f64,
    /// Whether the RC pair follows the current at once.
    settled: bool,
}

impl Discharge<'_> {
    fn run(mut self, charge: f64) -> Result<Endurance, PowertrainError> {
        let begin = State { time: 0.0, charge, polarisation: 0.0, energy: 0.0 };
        if let Some(end) = self.over(&begin) {
            return Ok(result(&begin, &begin, end));
        }
        let battery = self.plant.battery;
        let current = self.bus(&begin).map_or(0.0, |(_, current)| current);
        if current <= 0.0 {
            return Err(PowertrainError::Input { what: "power drawn (W)", value: self.power });
        }
        let span = (charge - self.reserve) * battery.capacity / current;
        self.settled = battery.polarisation_time < span / STEPS;
        let step = if self.settled { span / STEPS } else { (span / STEPS).min(battery.polarisation_time) };
        if !self.holds(&begin)? {
            return Ok(result(&begin, &begin, EndReason::ControlMargin));
        }
        let mut track = vec![begin];
        let mut now = begin;
        // The current only grows as the voltage falls, so this ends within `span`; the bound guards
        // against numbers that do not add up.
        for _ in 0..(4.0 * STEPS) as usize {
            if let Some(next) = self.step(&now, step).filter(|next| self.over(next).is_none()) {
                track.push(next);
                now = next;
                continue;
            }
            let (inside, end) = self.last_inside(&now, step);
            track.push(inside);
            return if self.holds(&inside)? {
                Ok(result(&begin, &inside, end))
            } else {
                self.margin_end(&begin, &track, step)
            };
        }
        Err(PowertrainError::NoConvergence { iterations: track.len(), residual: f64::NAN })
    }

    /// Source voltage, V, and resistance, ohm, at a state.
    fn source(&self, state: &State) -> (f64, f64) {
        let battery = &self.plant.battery;
        let open_circuit = battery.open_circuit(state.charge);
        if self.settled {
            (open_circuit, battery.steady_resistance())
        } else {
            (open_circuit - state.polarisation, battery.ohmic_resistance())
        }
    }

    fn bus(&self, state: &State) -> Option<(f64, f64)> {
        let (source, resistance) = self.source(state);
        bus_at(source, resistance, self.power, self.edges)
    }

    /// Why a state is past the end, but for the control margin.
    fn over(&self, state: &State) -> Option<EndReason> {
        if state.charge <= self.reserve {
            return Some(EndReason::Reserve);
        }
        let Some((bus, current)) = self.bus(state) else { return Some(EndReason::CellVoltage) };
        let cell = self.plant.battery.cell_voltage(bus, current);
        (cell < self.cutoff).then_some(EndReason::CellVoltage)
    }

    /// Whether full thrust leaves the control margin.
    fn holds(&self, state: &State) -> Result<bool, PowertrainError> {
        let battery = &self.plant.battery;
        let open_circuit = battery.open_circuit(state.charge);
        let polarisation = if self.settled {
            battery.polarisation_resistance * self.bus(state).map_or(0.0, |(_, current)| current)
        } else {
            state.polarisation
        };
        let lift = most_lift(&self.plant, open_circuit - polarisation, battery.ohmic_resistance())?;
        Ok(lift >= CONTROL_MARGIN * self.plant.weight)
    }

    /// One Runge-Kutta step; `None` where the battery cannot give the power on the way.
    fn step(&self, from: &State, step: f64) -> Option<State> {
        let battery = &self.plant.battery;
        let rates = |state: &State| {
            let (bus, current) = self.bus(state)?;
            let polarisation = if self.settled {
                0.0
            } else {
                (battery.polarisation_resistance * current - state.polarisation) / battery.polarisation_time
            };
            Some([battery.charge_rate(current), polarisation, bus * current])
        };
        let moved = |rates: &[f64; 3], time: f64| State {
            time: from.time + time,
            charge: from.charge + time * rates[0],
            polarisation: from.polarisation + time * rates[1],
            energy: from.energy + time * rates[2],
        };
        let first = rates(from)?;
        let second = rates(&moved(&first, 0.5 * step))?;
        let third = rates(&moved(&second, 0.5 * step))?;
        let fourth = rates(&moved(&third, step))?;
        let mut mean = [0.0; 3];
        for k in 0..3 {
            mean[k] = (first[k] + 2.0 * (second[k] + third[k]) + fourth[k]) / 6.0;
        }
        Some(moved(&mean, step))
    }

    /// The last state inside a step that ends outside, and why it ends.
    fn last_inside(&self, from: &State, step: f64) -> (State, EndReason) {
        let (mut low, mut high) = (0.0, step);
        let (mut inside, mut end) = (*from, EndReason::CellVoltage);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            match self.step(from, middle) {
                Some(state) => match self.over(&state) {
                    Some(reason) => {
                        high = middle;
                        end = reason;
                    }
                    None => {
                        low = middle;
                        inside = state;
                    }
                },
                None => {
                    high = middle;
                    end = EndReason::CellVoltage;
                }
            }
        }
        (inside, end)
    }

    /// Where the control margin is lost on a track that ends without it. Full thrust falls all along
    /// (charge falls, polarisation grows), so halving finds it.
    fn margin_end(&self, begin: &State, track: &[State], step: f64) -> Result<Endurance, PowertrainError> {
        let mut failed = None;
        let held = track.partition_point(|state| {
            self.holds(state).unwrap_or_else(|error| {
                failed = Some(error);
                false
            })
        });
        if let Some(error) = failed {
            return Err(error);
        }
        let from = track.get(held.saturating_sub(1)).copied().unwrap_or(*begin);
        let (mut low, mut high) = (0.0, step);
        let mut inside = from;
        for _ in 0..50 {
            let middle = 0.5 * (low + high);
            match self.step(&from, middle) {
                Some(state) if self.holds(&state)? => {
                    low = middle;
                    inside = state;
                }
                _ => high = middle,
            }
        }
        Ok(result(begin, &inside, EndReason::ControlMargin))
    }
}

fn result(begin: &State, last: &State, end: EndReason) -> Endurance {
    Endurance {
        time: last.time,
        end,
        charge_used: begin.charge - last.charge,
        energy: last.energy,
        average_power: if last.time > 0.0 { last.energy / last.time } else { 0.0 },
    }
}
