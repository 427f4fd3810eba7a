//! Everything about the loops on one sheet: the choice of gains, where the time goes, responses, margins over battery,
//! command and payload, steps, yaw. The command `loops` and the page of the workbench both show it.

use std::f64::consts::{FRAC_PI_4, TAU};

use physics::loops::chain::RateChain;
use physics::loops::gains::crossover_at_phase_margin;
use physics::loops::{ledger, response};
use serde::Serialize;

use super::corners::corners;
use super::slow::{self, Slow};
use super::{Tuning, YawStudy, chain_of, tune, yaw};
use crate::chart::{Chart, Series, Style, Table};
use crate::findings::Outcome;
use crate::gates::Context;
use crate::predict::required_crossover;

/// The sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct LoopSheet {
    /// The choice of gains.
    pub gains: Option<Tuning>,
    /// What keeps it from being made.
    pub gains_wait_for: Option<String>,
    /// Cant and yaw.
    pub yaw: Option<YawStudy>,
    /// What keeps it from being studied.
    pub yaw_waits_for: Option<String>,
    /// What a stage of the chain costs in crossover, and the margins of the rate loop over what it meets.
    pub tables: Vec<Table>,
    /// Gain, phase and coherence of the rate loops, of velocity and of heave, predicted and as flown.
    pub responses: Vec<Chart>,
    /// Steps of rate, predicted, identified and as flown.
    pub steps: Vec<Chart>,
    /// Oscillations of the flights, the newest first.
    pub oscillations: Vec<Swing>,
}

/// An oscillation of a flight.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Swing {
    /// Record.
    pub record: String,
    /// What swings: roll, pitch, yaw, velocity.
    pub name: String,
    /// What makes it; that it cannot be told.
    pub made_by: String,
    /// Size, then why it is thought so and what calms it.
    pub text: String,
}

/// Oscillations that any flight shows.
fn oscillations(ctx: &Context<'_>) -> Vec<Swing> {
    let mut out = Vec::new();
    for flight in ctx.evidence.flights.iter().rev() {
        for item in &flight.findings.items {
            let Some(of) = item.key.strip_prefix("oscillation.").filter(|k| !k.contains('.')) else {
                continue;
            };
            let Some(size) = flight.findings.estimate(&item.key) else { continue };
            let source = flight.findings.get(&format!("oscillation.{of}.source"));
            let made_by = match source.map(|s| &s.outcome) {
                Some(Outcome::Words { answer }) => answer.clone(),
                _ => "cannot tell".to_owned(),
            };
            let size = match of {
                "velocity" => format!("{:.2} m/s r.m.s.", size.value),
                _ => format!("{:.1} deg/s r.m.s.", size.value.to_degrees()),
            };
            out.push(Swing {
                record: flight.meta.id.clone(),
                name: item.label.clone(),
                made_by,
                text: format!("{size} {} {}", item.text, source.map_or("", |s| s.text.as_str())),
            });
        }
    }
    out
}

/// Of the build that the gates are judged for.
pub fn sheet(ctx: &Context<'_>) -> LoopSheet {
    let apart = |r: Result<_, String>| match r {
        Ok(v) => (Some(v), None),
        Err(why) => (None, Some(why)),
    };
    let (gains, gains_wait_for) = apart(tune(ctx));
    let (yaw, yaw_waits_for) = match yaw(ctx) {
        Ok(y) => (Some(y), None),
        Err(why) => (None, Some(why)),
    };
    let aircraft = ctx.subject.resolved().aircraft.without_payload();
    let density = ctx.subject.air().usual.density;
    let chains: Vec<RateChain> = (0..2).filter_map(|axis| chain_of(&aircraft, axis, density)).collect();
    let mut tables: Vec<Table> =
        chains.first().and_then(|c| bought(c, required_crossover(&aircraft))).into_iter().collect();
    tables.extend(corners(ctx));
    let slow = Slow::of(ctx);
    tables.extend(slow::table(ctx, slow.as_ref()));
    let mut responses = responses(ctx, &chains);
    responses.extend(slow.iter().flat_map(|s| s.charts(ctx)));
    LoopSheet {
        gains,
        gains_wait_for,
        yaw,
        yaw_waits_for,
        tables,
        responses,
        oscillations: oscillations(ctx),
        steps: chains.iter().filter_map(|c| rate_steps(ctx, c, required_crossover(&aircraft))).collect(),
    }
}

/// What one millisecond less, and each stage taken out whole, buys in crossover at a phase margin of 45 deg.
fn bought(chain: &RateChain, required: f64) -> Option<Table> {
    const STEP: f64 = 1e-4;
    let at = |time: f64| crossover_at_phase_margin(&chain.clone().with_delay_at("motor", time), FRAC_PI_4);
    let fastest = at(0.0)?;
    let per_millisecond = (at(-STEP)? - at(STEP)?) / (2.0 * STEP) * 1e-3;
    let mut rows: Vec<Vec<String>> = ledger::ledger(chain, fastest)
        .into_iter()
        .filter(|l| l.delay > 5e-5)
        .map(|l| {
            // Taken out as its delay at that crossover.
            let gained = at(-l.delay).map_or_else(|| "-".to_owned(), |w| format!("{:+.1}", w - fastest));
            vec![
                l.name,
                format!("{:.2}", 1e3 * l.delay),
                format!("{:.1}", (l.delay * fastest).to_degrees()),
                gained,
            ]
        })
        .collect();
    rows.push(vec![
        "one millisecond, anywhere".to_owned(),
        "1.00".to_owned(),
        format!("{:.1}", (1e-3 * fastest).to_degrees()),
        format!("{per_millisecond:+.1}"),
    ]);
    Some(Table {
        id: "bought".to_owned(),
        title: "What less delay buys, roll".to_owned(),
        head: ["stage", "delay, ms", "phase, deg", "crossover gained, rad/s"]
            .iter()
            .map(|h| (*h).to_owned())
            .collect(),
        rows,
        note: format!(
            "At a phase margin of 45 deg with today's ratio of integral to proportional gain this chain reaches {fastest:.1} rad/s; \
             this size asks for {required:.1}. A stage's gain is that of taking its whole delay out."
        ),
    })
}

/// The response charts of the newest flight that has them, with today's prediction over them; without one the prediction
/// alone is not drawn, as the ledger says it all.
fn responses(ctx: &Context<'_>, chains: &[RateChain]) -> Vec<Chart> {
    let mut out = Vec::new();
    for (chain, letter) in chains.iter().zip(['x', 'y']) {
        for what in ["gain", "phase", "coherence"] {
            let id = format!("loop-{letter}-{what}");
            let Some(mut chart) = flown_chart(ctx, &id) else { continue };
            let reach = chart.series.iter().flat_map(|s| s.x.iter().copied()).filter(|x| *x > 0.0);
            let (low, high) = reach.fold((f64::INFINITY, 0.0f64), |(l, h), x| (l.min(x), h.max(x)));
            if what != "coherence" && low < high {
                const POINTS: usize = 80;
                let x: Vec<f64> =
                    (0..=POINTS).map(|k| low * (high / low).powf(k as f64 / POINTS as f64)).collect();
                let y = x
                    .iter()
                    .map(|f| match what {
                        "gain" => 20.0 * chain.loop_gain(TAU * f).norm().log10(),
                        _ => chain.phase(TAU * f).to_degrees(),
                    })
                    .collect();
                chart.series.push(Series::new("predicted", Style::Dashed, x, y));
            }
            out.push(chart);
        }
    }
    out
}

pub(super) fn flown_chart(ctx: &Context<'_>, id: &str) -> Option<Chart> {
    ctx.evidence.flights.iter().rev().find_map(|f| f.findings.charts.iter().find(|c| c.id == id)).cloned()
}

/// Rate steps of one axis as flown, the identified loop's own and the predicted one.
fn rate_steps(ctx: &Context<'_>, chain: &RateChain, required: f64) -> Option<Chart> {
    let letter = ['x', 'y', 'z'].get(chain.axis)?;
    let mut chart = flown_chart(ctx, &format!("loop-{letter}-steps"))?;
    let end = chart.series.iter().flat_map(|s| s.x.last().copied()).fold(0.0, f64::max);
    let span = end.max(2.0 / required);
    if chain.margins().stable
        && let Ok(step) = response::step_seen(&|s| chain.closed_seen_at(s), span, span / 200.0)
    {
        let x = (0..step.value.len()).map(|k| k as f64 * step.dt).collect();
        let y = step.value.iter().map(|v| 100.0 * v).collect();
        chart.series.push(Series::new("predicted", Style::Dashed, x, y));
        chart.caption.push_str(
            " Dashed: the prediction of today's file on a full battery, as the controller sees the rate.",
        );
    }
    Some(chart)
}
