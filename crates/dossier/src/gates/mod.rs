//! Gates: drafts of their criteria, judged against limits, with causes for what is short.
//!
//! A new gate is one new file and one line in [`GATES`].

mod attitude;
mod candidate;
pub(crate) mod causes;
mod context;
mod criterion;
mod drive;
mod envelope;
mod evidence;
mod failsafe;
mod hover;
mod keys;
mod limits;
mod margins;
mod payload;
mod rate;
mod replaced;
mod sensing;
mod set_up;
mod sizing;
mod structure;
mod velocity;
mod vibration;
mod vibration_cost;
mod ways;

use std::collections::BTreeSet;

use physics::aircraft::Aircraft;
use physics::interference::ground_effect;
use physics::mass::mass_properties;
use physics::powertrain::{self, OperatingPoint};
use physics::root::root;
use physics::{STANDARD_GRAVITY, control};

pub use self::context::{Context, Weighed};
pub use self::evidence::{Answer, Evidence, Flight, Found};
pub use self::limits::Limits;
pub use self::replaced::{carry, replacements, weighed};

use rayon::prelude::*;

use self::criterion::Draft;
use crate::chart::Shown;
use crate::check::as_flown;
use crate::estimate::Estimate;
use crate::predict::Group;
use crate::result::{CriterionResult, GateResult, Ledger, Limiting, State};

/// A gate before it is judged.
pub struct GateSpec {
    /// Identity.
    pub id: &'static str,
    /// Name.
    pub name: &'static str,
    /// The question it asks.
    pub question: &'static str,
    /// Evidence it closes on.
    pub closes_on: &'static str,
    drafts: fn(&Context<'_>) -> Vec<Draft>,
    ledgers: fn(&Context<'_>) -> Vec<Ledger>,
    shown: fn(&Context<'_>) -> Shown,
}

/// For a gate without charts and tables of its own.
fn nothing_shown(_: &Context<'_>) -> Shown {
    Shown::default()
}

/// All gates in ladder order.
pub const GATES: [&GateSpec; 12] = [
    &sizing::GATE,
    &structure::GATE,
    &drive::GATE,
    &sensing::GATE,
    &set_up::GATE,
    &hover::GATE,
    &vibration::GATE,
    &rate::GATE,
    &attitude::GATE,
    &velocity::GATE,
    &failsafe::GATE,
    &payload::GATE,
];

/// Predicted output that a criterion holds against its limit.
pub(crate) fn metric_of(criterion: &str) -> Option<&'static str> {
    Some(match criterion {
        "sizing.hover-share" => "sizing.hover_share",
        "sizing.worst-corner" => "sizing.worst_corner",
        "sizing.roll-acceleration" => "authority.x",
        "sizing.pitch-acceleration" => "authority.y",
        "sizing.yaw-acceleration" => "authority.z",
        "sizing.centre-offset" => "sizing.centre_offset",
        "drive.delay" => "drive.delay",
        "drive.dead-time" => "drive.dead_time",
        "drive.lag-ratio" => "lag.ratio",
        "structure.arm-separation" => "structure.arm_separation",
        "structure.mast-separation" => "structure.mast_separation",
        "structure.lowest-frequency" => "structure.lowest_frequency",
        "structure.mount-frequency" => "structure.mount_frequency",
        "structure.mount-ratio" => "structure.mount_ratio",
        "structure.twist" => "structure.twist",
        "sensing.heading-hover" => "sensing.heading_hover",
        "sensing.heading-full" => "sensing.heading_full",
        "hover.roll-share" => "trim.roll_share",
        "hover.pitch-share" => "trim.pitch_share",
        "vibration.accel" => "vibration.accel_rms",
        "vibration.command-noise" => "vibration.command_noise",
        "vibration.filters" => "filters.delay",
        "rate.phase-margin" => "loop.worst.phase_margin",
        "rate.gain-margin-up" => "loop.worst.gain_margin_up",
        "rate.gain-margin-down" => "loop.worst.gain_margin_down",
        "rate.peak-sensitivity" => "loop.worst.peak_sensitivity",
        "rate.overshoot" => "loop.worst.overshoot",
        "rate.half-cycles" => "loop.worst.half_cycles",
        "attitude.gain" => "outer.gain_ratio",
        "attitude.overshoot" => "outer.overshoot",
        "attitude.bandwidth" => "outer.bandwidth",
        "attitude.phase-delay" => "outer.phase_delay",
        "velocity.gain" => "outer.velocity_ratio",
        "velocity.phase-margin" => "outer.velocity_margin_turned",
        "velocity.overshoot" => "outer.velocity_overshoot",
        "velocity.position" => "outer.hold_position",
        "velocity.height" => "outer.hold_height",
        "fail-safe.energy" => "homeward.energy_ratio",
        "fail-safe.charge-left" => "homeward.left",
        "payload.hover-share" => "payload.hover_share",
        "payload.rotor-share" => "payload.rotor_share",
        "payload.gain-change" => "payload.gain",
        _ => return None,
    })
}

/// Judges all gates.
pub fn judge(ctx: &Context<'_>) -> Vec<GateResult> {
    let drafts: Vec<Vec<Draft>> = GATES.par_iter().map(|g| (g.drafts)(ctx)).collect();
    let rests: Vec<(String, BTreeSet<String>)> = GATES
        .iter()
        .zip(&drafts)
        .map(|(g, d)| (g.name.to_owned(), d.iter().flat_map(|d| d.rests_on().iter().cloned()).collect()))
        .collect();
    let one = |(spec, drafts): (&&GateSpec, &Vec<Draft>)| {
        let aircraft = &ctx.subject.resolved().aircraft;
        let criteria: Vec<CriterionResult> = drafts
            .iter()
            .filter_map(|d| {
                let limit = ctx.limits.limit(d.id, aircraft)?;
                let mut c = criterion::result(d, limit);
                if let Some(why) = unpredicted(ctx, d) {
                    c.waits_for = Some(match c.waits_for {
                        Some(needs) => format!("{needs}; for the prediction, {why}"),
                        None => format!("for the prediction, {why}"),
                    });
                }
                let wrong_side = c.margin.is_some_and(|m| m < 0.0);
                if c.state == State::Short || (c.state == State::Undecided && wrong_side) {
                    let v = causes::causes(ctx, d, &c.limit, &rests);
                    c.causes = v.causes;
                    c.separating_test = v.separating_test;
                }
                Some(c)
            })
            .collect();
        gate(ctx, spec, criteria)
    };
    let mut gates: Vec<GateResult> = GATES.par_iter().zip(&drafts).map(one).collect();
    let mut holder: Option<String> = None;
    for g in &mut gates {
        g.premature = holder.clone();
        if g.state != State::Met && holder.is_none() {
            holder = Some(g.name.clone());
        }
    }
    gates
}

/// Why a criterion has no prediction although the models make one: the keys that are missing.
fn unpredicted(ctx: &Context<'_>, draft: &Draft) -> Option<String> {
    let metric = draft.metric.filter(|m| ctx.prediction.get(m.output).is_none())?;
    let mut reasons: Vec<String> = ctx
        .subject
        .nominal(&[metric.group])
        .waits
        .iter()
        .map(|w| w.split_once(": ").map_or(w.as_str(), |(_, why)| why).to_owned())
        .collect();
    reasons.sort();
    reasons.dedup();
    (!reasons.is_empty()).then(|| reasons.join("; "))
}

fn gate(ctx: &Context<'_>, spec: &GateSpec, criteria: Vec<CriterionResult>) -> GateResult {
    let state = criteria.iter().map(|c| c.state).fold(State::Met, State::worse);
    let state = if criteria.is_empty() { State::Open } else { state };
    let simulated = criteria.iter().any(|c| c.simulated);
    let mut records: Vec<String> =
        criteria.iter().filter_map(|c| c.measured.as_ref()).flat_map(|m| m.records.clone()).collect();
    records.sort();
    records.dedup();
    GateResult {
        id: spec.id.to_owned(),
        name: spec.name.to_owned(),
        question: spec.question.to_owned(),
        closes_on: spec.closes_on.to_owned(),
        state,
        simulated,
        premature: None,
        verdict: verdict(state, simulated, &criteria),
        ledgers: (spec.ledgers)(ctx),
        shown: (spec.shown)(ctx),
        evidence_date: ctx.evidence.newest_date(&records),
        criteria,
        records,
    }
}

fn verdict(state: State, simulated: bool, criteria: &[CriterionResult]) -> String {
    let those = |s: State| -> Vec<&CriterionResult> { criteria.iter().filter(|c| c.state == s).collect() };
    let names = |list: &[&CriterionResult]| -> String {
        list.iter().map(|c| c.text.as_str()).collect::<Vec<_>>().join("; ")
    };
    match state {
        State::Met if simulated => {
            "Every criterion is met, on simulated evidence: a rehearsal, not a proof.".to_owned()
        }
        State::Met => "Every criterion is met on measured evidence.".to_owned(),
        State::Short => {
            let short = those(State::Short);
            let first = short.first().and_then(|c| c.causes.first());
            let cause = first.map_or(String::new(), |c| format!(" First cause: {}; {}.", c.name, c.change));
            format!("Short on: {}.{cause}", names(&short))
        }
        State::Stale => {
            format!("Measured on something that has since changed: {}.", names(&those(State::Stale)))
        }
        State::Undecided => format!("The evidence does not decide: {}.", names(&those(State::Undecided))),
        State::Open => format!("Not measured yet: {}.", names(&those(State::Open))),
    }
}

/// What limits the aircraft: of the earliest gate that is short, the criterion furthest short.
pub fn limiting(gates: &[GateResult]) -> Option<Limiting> {
    let gate = gates.iter().find(|g| g.state == State::Short)?;
    let worst = gate
        .criteria
        .iter()
        .filter(|c| c.state == State::Short)
        .min_by(|a, b| a.margin.unwrap_or(0.0).total_cmp(&b.margin.unwrap_or(0.0)))?;
    let short = worst.margin.map_or(0.0, |m| -m * 100.0);
    Some(Limiting {
        gate: gate.id.clone(),
        criterion: worst.id.clone(),
        sentence: format!("{}: {} misses its limit by {short:.0} %", gate.name, worst.text),
        cause: worst.causes.first().cloned(),
    })
}

/// Hover operating point of an aircraft at a state of charge.
pub(crate) fn hover_point(a: &Aircraft, density: f64, charge: f64) -> Option<OperatingPoint> {
    powertrain::operating_point(a, &hover_thrusts(a, density)?, charge, density).ok()
}

/// The same with the discs at a height above the ground, m: every rotor speed gives more thrust by
/// [`ground_effect`], as is usual for rotors of fixed pitch. `None` below half a radius.
pub(crate) fn hover_point_near_ground(
    a: &Aircraft,
    density: f64,
    charge: f64,
    height: f64,
) -> Option<OperatingPoint> {
    let factor = ground_effect(0.5 * a.rotor.diameter, height)?;
    let thrusts: Vec<f64> = hover_thrusts(a, density)?.iter().map(|t| t / factor).collect();
    powertrain::operating_point(a, &thrusts, charge, density).ok()
}

/// Thrust of every rotor in hover, N.
fn hover_thrusts(a: &Aircraft, density: f64) -> Option<Vec<f64>> {
    let mass = mass_properties(&a.bodies);
    let weight = mass.mass * STANDARD_GRAVITY;
    let share = weight / a.stations.len().max(1) as f64;
    let speed = a.rotor.speed_for_thrust(share, 0.0, density)?;
    let reaction = a.rotor.torque_per_thrust(speed, density);
    control::hover_trim(a, &mass.centre, reaction, weight).ok().map(|trim| trim.thrusts)
}

/// A figure of the aircraft as flown in a record: without payload unless the record says it was
/// fitted, at the state of charge where the predicted hover has the measured bus voltage.
pub(crate) fn at_hover_voltage(
    ctx: &Context<'_>,
    record: &str,
    unit: &str,
    f: &(dyn Fn(&Aircraft, f64, f64) -> Option<f64> + Sync),
) -> Option<Estimate> {
    let flight = ctx.evidence.flights.iter().find(|f| f.meta.id == record)?;
    let voltage = flight.findings.estimate("hover.voltage")?.value;
    ctx.subject.estimate(unit, Some(Group::Full), &|aircraft, air| {
        let flown = as_flown(aircraft, &flight.meta);
        let density = air.usual.density;
        let thrusts = hover_thrusts(&flown, density)?;
        let over = |charge: f64| {
            // An infeasible point has too little charge.
            powertrain::operating_point(&flown, &thrusts, charge, density)
                .map_or(-voltage, |p| p.bus_voltage - voltage)
        };
        let (low, high) = (0.02, 1.0);
        let (below, above) = (over(low), over(high));
        if above <= -voltage {
            return None;
        }
        let end = if above <= 0.0 { high } else { low };
        f(&flown, density, root(over, (low, below), (high, above), 1e-12).unwrap_or(end))
    })
}
