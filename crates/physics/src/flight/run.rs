//! The run of a flight from event to event.

use super::FlightError;
use super::controller::{Decision, Motion};
use super::esc::{CommandPath, nanoseconds, seconds};
use super::faults::{Effects, Fault, FaultKind};
use super::guard::Watch;
use super::imu::Sensor;
use super::log::{Energy, FlightLog, Mark, Recorder, Truth};
use super::plant::{
    CHARGE, Commands, ENERGY, Integrator, MOST_ROTORS, Outputs, POSITION, Plant, RATE, SPEED, VELOCITY,
    attitude, three,
};
use super::scenario::{Action, Scenario, Stepping};
use super::senses::Senses;
use super::sensors::World;
use super::setup::{FilterBank, Setup};
use super::warmth::Warmth;
use super::wind::Gusts;
use crate::Vec3;
use crate::aircraft::Aircraft;
use crate::atmosphere::Air;

/// Largest product of a grid step and the rate at which a rotor's inflow settles at full speed: Heun's method is stable to 2.
const STIFFEST: f64 = 1.0;

/// Flies a scenario.
pub fn fly(aircraft: &Aircraft, air: &Air, scenario: &Scenario) -> Result<FlightLog, FlightError> {
    let Setup { mut plant, centre, mut flown, mut state } = Setup::new(aircraft, air, scenario)?;
    let (imu, esc, rate_loop) = (aircraft.imu()?, aircraft.esc()?, aircraft.rate_loop()?);
    let rotors = plant.rotors();

    let mut integrator = Integrator::new(plant.states());
    let mut slope = vec![0.0; plant.states()];
    let mut before = vec![0.0; plant.states()];
    let mut out = Outputs::new();
    let mut warmth = Warmth::new(aircraft, aircraft.motor()?, esc.resistance, air);
    let mut gusts = Gusts::new(scenario.wind, scenario.seed);
    let bias = scenario.sensing.map(|_| &aircraft.sensors.bias);
    let mut sensor = Sensor::new(imu, &centre, scenario.seed, bias);
    let mut filters = FilterBank::new(&aircraft.filters, imu.sample_period)?;
    let mut paths: Vec<CommandPath> = (0..rotors)
        .map(|k| {
            let phase = (k as f64 + 0.5) / rotors as f64;
            CommandPath::new(esc.protocol_period, esc.update_period, phase, esc.dead_time)
        })
        .collect();
    // Until the first command arrives: the hover's, where there is one.
    let mut applied: Commands = [None; MOST_ROTORS];
    if let (Some((_, hover)), first) = (&flown, scenario.script.first())
        && first.is_none_or(|s| s.action != Action::Off)
    {
        for (command, held) in applied.iter_mut().zip(&hover.commands) {
            *command = Some(*held);
        }
    }

    let end = nanoseconds(scenario.duration);
    let exact = scenario.stepping == Stepping::Exact;
    let step =
        if exact { nanoseconds(scenario.step).max(1) } else { grid(&plant, rate_loop.period, scenario.step) };
    let delay = nanoseconds(rate_loop.delay);
    let mut script = Script::new(scenario);
    let mut effects = Effects::new(rotors);
    let mut faults: Vec<&Fault> = scenario.faults.iter().collect();
    faults.sort_by(|a, b| b.at.total_cmp(&a.at));
    let mut watch = scenario.guard.as_ref().map(|g| Watch::new(g, scenario.initial_charge));
    let mut seen = None;
    let mut flying: Option<Action> = None;
    let rows_most = (scenario.duration * scenario.log_rate) as usize + 1;
    let mut recorder = Recorder::new(rotors, rows_most, scenario.sensing.is_some());
    let energy_before = plant.mechanical_energy(&state);
    let momentum_before = plant.angular_momentum(&state);

    plant.derivative(&state, &applied, &gusts.at(0), &mut slope, &mut out);
    let mut sample = sensor.at_start(&three(&state, RATE), &out);
    filters.settle(&sample.rate);
    let mut senses = Senses::new(
        aircraft,
        air,
        scenario,
        &world(0, &plant, &state, &gusts.at(0), &out),
        &truth(&state, sample.rate, out.bus_voltage),
    )?;
    let mut filtered = sample.rate;
    let mut decision = Decision::open(&Action::Off, rotors);
    let (mut loops, mut rows, mut now) = (0_u64, 0_u64, 0_u64);
    let (mut next_loop, mut next_row, mut next_grid) = (0_u64, 0_u64, step);
    loop {
        gusts.turn_over(now);
        let mut fresh = false;
        while let Some(fault) = faults.pop_if(|f| nanoseconds(f.at) <= now) {
            effects.happen(fault, &mut plant, aircraft, &sample);
            if let FaultKind::EscSlow { rotor, by } = fault.kind
                && let Some(path) = paths.get_mut(rotor)
            {
                path.slow(by);
            }
        }
        if now >= sensor.next() {
            plant.derivative(&state, &applied, &gusts.at(now), &mut slope, &mut out);
            sensor.sample(&three(&state, RATE), &out);
        }
        while let Some(mut arrived) = sensor.receive(now) {
            effects.seen(&mut arrived);
            sample = arrived;
            if let Some(s) = &mut senses {
                s.inertial(&sample);
            }
            filtered = filters.step(&arrived.rate);
        }
        if now >= next_loop {
            let truth = truth(&state, filtered, out.bus_voltage);
            if let Some(s) = &mut senses {
                s.look(&world(now, &plant, &state, &gusts.at(now), &out), &truth, &effects);
            }
            let motion = senses.as_ref().map_or(truth, |s| s.motion(truth));
            let mut turned = script.turn_over(now).map(Option::<&Action>::cloned);
            let mut own = None;
            if let Some(watch) = &mut watch {
                let at = seconds(now);
                seen = Some(watch.look(at, effects.link(at), state[CHARGE], &motion, -truth.position.z));
                own = watch.action(&motion);
            }
            let at = seconds(now);
            let placed = senses.as_ref().map_or_else(|| effects.satellites(at), |s| s.placed(at, &effects));
            if !placed && own.as_ref().unwrap_or(script.action()).holds_velocity() {
                own = Some(Action::AttitudeHold { roll: 0.0, pitch: 0.0, yaw: None });
            }
            // What flies it changes hands: the loops take over from where it is.
            let changes = |a: &Option<Action>, b: &Option<Action>| match (a, b) {
                (Some(a), Some(b)) => a.holds_velocity() != b.holds_velocity(),
                (a, b) => a.is_some() != b.is_some(),
            };
            if changes(&flying, &own) {
                turned = Some(Some(flying.clone().unwrap_or_else(|| script.action().clone())));
            } else if own.is_some() {
                turned = None;
            }
            flying = own;
            let action = flying.as_ref().unwrap_or(script.action());
            decision = match &mut flown {
                Some((controller, _)) if action.closes_a_loop() => {
                    if let Some(after) = turned {
                        controller.begin(after.as_ref(), &motion);
                    }
                    controller.run(action, &motion)
                }
                _ => Decision::open(action, rotors),
            };
            for (command, stopped) in decision.commands.iter_mut().zip(&effects.stopped) {
                if *stopped {
                    *command = None;
                }
            }
            for (path, &command) in paths.iter_mut().zip(&decision.commands) {
                path.send(now + delay, command);
            }
            loops += 1;
            next_loop = nanoseconds(loops as f64 * rate_loop.period);
            fresh = true;
        }
        if exact {
            for (path, command) in paths.iter_mut().zip(&mut applied) {
                if let Some(changed) = path.take(now) {
                    *command = changed;
                }
            }
        }
        let over = now >= end || watch.as_ref().is_some_and(|w| w.landed);
        if now >= next_row && (exact || over) {
            plant.derivative(&state, &applied, &gusts.at(now), &mut slope, &mut out);
            let time = rows as f64 / scenario.log_rate;
            recorder.record(
                time,
                (&plant, &state, &out),
                (&sample, &filtered),
                &decision,
                seen,
                senses.as_ref(),
            );
            rows += 1;
            next_row = nanoseconds(rows as f64 / scenario.log_rate);
        }
        if fresh && !state.iter().all(|v| v.is_finite()) {
            return Err(FlightError::Diverged { time: seconds(now) });
        }
        if over {
            break;
        }

        while next_grid <= now {
            next_grid += step;
        }
        if exact {
            let mut until =
                end.min(next_grid).min(next_loop).min(next_row).min(sensor.next()).min(gusts.next());
            if let Some(fault) = faults.last() {
                until = until.min(nanoseconds(fault.at).max(now + 1));
            }
            for path in &paths {
                if let Some(at) = path.next() {
                    until = until.min(at);
                }
            }
            let h = seconds(until - now);
            let wind = (gusts.at(now), gusts.at(until));
            integrator.step(&plant, &mut state, &applied, wind, h, &mut out);
            warmth.step(&mut plant.supply, &out, &state[SPEED..SPEED + rotors], h);
            now = until;
            continue;
        }

        // A step shorter than a sixteenth of the grid's would come of a loop period that is no multiple of it.
        let ahead = if next_loop - now <= step + step / 16 { next_loop } else { now + step };
        let until = end.min(ahead);
        let mut commands = applied;
        for ((path, held), mean) in paths.iter_mut().zip(&mut applied).zip(&mut commands) {
            *mean = path.mean(held, now, until);
        }
        integrator.begin(&plant, &state, &commands, &gusts.at(now), &mut out);
        before.copy_from_slice(&state);
        let (h, wind) = (seconds(until - now), gusts.at(until));
        let felt = integrator.finish(&plant, &mut state, &commands, &wind, h);
        warmth.step(&mut plant.supply, &out, &state[SPEED..SPEED + rotors], h);
        let part = |at: u64| (at.saturating_sub(now)) as f64 / (until - now) as f64;
        while next_row < until {
            let p = part(next_row);
            for ((mid, a), b) in slope.iter_mut().zip(&before).zip(&state) {
                *mid = a + p * (b - a);
            }
            let time = rows as f64 / scenario.log_rate;
            let shown = (&plant, &slope[..], &out.between(felt, p));
            recorder.record(time, shown, (&sample, &filtered), &decision, seen, senses.as_ref());
            rows += 1;
            next_row = nanoseconds(rows as f64 / scenario.log_rate);
        }
        while sensor.next() <= until {
            let p = part(sensor.next());
            let rate = three(&before, RATE).lerp(&three(&state, RATE), p);
            sensor.sample(&rate, &out.between(felt, p));
        }
        now = until;
    }

    let energy = &state[ENERGY..SPEED];
    let truth = Truth {
        mass: plant.mass,
        centre,
        hover: flown.map(|(_, hover)| hover),
        energy: Energy {
            source: energy[0],
            battery_loss: energy[1],
            avionics: energy[2],
            copper: energy[3],
            friction: energy[4],
            shaft: energy[5],
            external: energy[6],
            mechanical: plant.mechanical_energy(&state) - energy_before,
        },
        windings: warmth.windings[..rotors].to_vec(),
        battery_rise: warmth.battery_rise,
        angular_momentum: [momentum_before, plant.angular_momentum(&state)],
    };
    Ok(recorder.finish(script.marks, truth))
}

/// Step of the grid, ns: the loop's period, or an even part of it where that is longer than the longest step, s, or than
/// the inflow bears.
fn grid(plant: &Plant<'_>, period: f64, longest: f64) -> u64 {
    let supply = &plant.supply;
    let fastest = supply.motor.kv * supply.battery.open_circuit(1.0);
    let bears = STIFFEST / plant.disc.settling_rate(fastest);
    let parts = (period / longest.min(bears) - 1e-6).ceil().max(1.0);
    if parts.is_finite() { nanoseconds(period / parts).max(1) } else { nanoseconds(period).max(1) }
}

/// The true motion, with the rates that the filters give.
fn truth(state: &[f64], rate: Vec3, voltage: f64) -> Motion {
    Motion {
        rate,
        attitude: attitude(state),
        velocity: three(state, VELOCITY),
        position: three(state, POSITION),
        voltage,
    }
}

/// What the sensors are exposed to. Thrust is taken as mass x specific force along the body's axis.
fn world(now: u64, plant: &Plant<'_>, state: &[f64], wind: &Vec3, out: &Outputs) -> World {
    let velocity = three(state, VELOCITY);
    let discs = plant.hubs.len() as f64 * plant.rotor.disc_area();
    World {
        now,
        attitude: attitude(state),
        velocity,
        position: three(state, POSITION),
        airspeed: (velocity - wind).norm(),
        loading: plant.mass * out.specific_force.z.abs() / discs,
        current: out.battery_current,
    }
}

/// Where in the script the flight is.
struct Script<'a> {
    scenario: &'a Scenario,
    starts: Vec<u64>,
    at: Option<usize>,
    marks: Vec<Mark>,
}

impl<'a> Script<'a> {
    fn new(scenario: &'a Scenario) -> Self {
        let mut sum = 0.0;
        let starts = scenario
            .script
            .iter()
            .map(|segment| {
                let start = nanoseconds(sum);
                sum += segment.duration;
                start
            })
            .collect();
        Self { scenario, starts, at: None, marks: Vec::new() }
    }

    /// Where a segment begins by `now`: the action before it, if there was one.
    fn turn_over(&mut self, now: u64) -> Option<Option<&'a Action>> {
        let before = self.at;
        let current = self.starts.partition_point(|&start| start <= now).checked_sub(1);
        if current == before {
            return None;
        }
        self.at = current;
        if let Some((segment, &start)) =
            current.and_then(|k| self.scenario.script.get(k).zip(self.starts.get(k)))
        {
            self.marks.push(Mark { time: seconds(start), label: segment.label.clone() });
        }
        Some(before.and_then(|k| self.scenario.script.get(k)).map(|segment| &segment.action))
    }

    fn action(&self) -> &'a Action {
        self.at.and_then(|k| self.scenario.script.get(k)).map_or(&Action::Hover, |segment| &segment.action)
    }
}
