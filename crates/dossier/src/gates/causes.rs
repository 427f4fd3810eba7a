//! From a shortfall to its causes: every candidate is tried end to end.
//!
//! For each candidate the criterion is recomputed with the value that good practice reaches. If
//! that removes the shortfall, the least change that does is found; its value is rounded as it
//! would be written, and the effect is computed with exactly that value. Candidates rank by
//! departure from what is usual times the share of the shortfall they remove; gains come last.

use std::collections::BTreeSet;

use rayon::prelude::*;

use crate::estimate::Estimate;
use crate::gates::candidate::Candidate;
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Draft, Metric, inside, margin};
use crate::gates::evidence::covers;
use crate::gates::metric_of;
use crate::predict::{Group, Subject};
use crate::result::{Cause, ChangeClass, Effect, KeyChange, Limit};

/// Causes of one shortfall, and the test that separates the first two where they fit alike.
pub(super) struct Verdict {
    /// Up to three causes.
    pub causes: Vec<Cause>,
    /// The separating test.
    pub separating_test: Option<String>,
}

struct Tried<'c> {
    candidate: &'c Candidate,
    value: f64,
    /// Whether the reference removes the whole shortfall.
    removes: bool,
    /// Margin that the reference leaves.
    margin: f64,
    score: f64,
}

/// Evidence of each gate: its name and the sections it rests on.
pub(super) type Rests = [(String, BTreeSet<String>)];

/// Finds the causes of a shortfall.
pub(super) fn causes(ctx: &Context<'_>, draft: &Draft, limit: &Limit, rests: &Rests) -> Verdict {
    let none = Verdict { causes: Vec::new(), separating_test: None };
    let Some(metric) = draft.metric else { return none };
    let Some((figure, measured)) = draft.figure() else { return none };
    let Some(today) = ctx.prediction.get(metric.output).map(|e| e.value) else { return none };
    let shift = |after: f64| -> f64 {
        if !measured {
            return after;
        }
        match metric.carry {
            Carry::Scale if scales(today) => figure.value * after / today,
            Carry::Beyond => figure.value + today - after,
            Carry::Scale | Carry::Add => figure.value + after - today,
        }
    };
    let value_at = |edits: &[KeyChange]| -> Option<(f64, Limit)> {
        let (after, changed) = ctx.subject.nominal_with(edits, &[metric.group])?;
        let after = after.get(metric.output)?;
        let limit = ctx.limits.limit(draft.id, &changed).unwrap_or_else(|| limit.clone());
        Some((shift(after), limit))
    };
    let shortfall = -margin(figure.value, limit);
    if shortfall <= 0.0 {
        return none;
    }
    let mut tried: Vec<Tried<'_>> = draft
        .candidates
        .par_iter()
        .filter_map(|c| {
            let (at_reference, lim) = value_at(&(c.edits)(c.reference))?;
            let gain = margin(at_reference, &lim) + shortfall;
            if !gain.is_finite() || gain <= 0.02 * shortfall {
                return None;
            }
            let removes = inside(at_reference, &lim);
            Some(Tried {
                candidate: c,
                value: c.reference,
                removes,
                margin: gain - shortfall,
                score: c.departure * (gain / shortfall).min(1.0),
            })
        })
        .collect();
    tried.sort_by(|a, b| {
        let last = |t: &Tried<'_>| t.candidate.class == ChangeClass::Gain;
        last(a)
            .cmp(&last(b))
            .then(b.score.total_cmp(&a.score))
            .then_with(|| a.candidate.name.cmp(&b.candidate.name))
    });
    tried.truncate(3);
    tried.par_iter_mut().filter(|t| t.removes && !t.candidate.fixed).for_each(|t| {
        t.value = least(t.candidate, &value_at, -shortfall, t.margin);
    });
    let separating_test = match tried.as_slice() {
        [a, b, ..] if b.score > 0.8 * a.score && a.candidate.class != ChangeClass::Gain => Some(format!(
            "{} and {} fit alike; the cheapest measurement that separates them: {}",
            a.candidate.name, b.candidate.name, a.candidate.test
        )),
        _ => None,
    };
    // Only the inputs that matter need a sensitivity at the changed aircraft.
    let Some(full) = ctx.prediction.get(metric.output) else { return none };
    let total = full.uncertainty.powi(2);
    let keys: Vec<&str> = full
        .contributions
        .iter()
        .filter(|k| k.effect().powi(2) > 1e-3 * total)
        .map(|k| k.source.as_str())
        .take(10)
        .collect();
    let before = ctx.subject.predict_by(&[metric.group], &keys);
    let Some(before) = before.get(metric.output) else { return none };
    let shortage = Shortage { draft, metric, limit, keys: &keys, before, rests };
    let causes = tried.par_iter().filter_map(|t| cause(ctx, &shortage, t)).collect();
    Verdict { causes, separating_test }
}

/// Value of a criterion and its limit with some keys changed.
type ValueAt<'v> = dyn Fn(&[KeyChange]) -> Option<(f64, Limit)> + Sync + 'v;

/// Least change that meets the limit, a little beyond it so that it is met after rounding.
///
/// The margin is followed by false position (the Illinois rule: Dowell and Jarratt 1971), with halving where the
/// figure does not exist or the rule is slow.
fn least(c: &Candidate, value_at: &ValueAt<'_>, at_current: f64, at_reference: f64) -> f64 {
    let value = |t: f64| c.current + t * (c.reference - c.current);
    let over = |t: f64| value_at(&(c.edits)(value(t))).map(|(v, l)| (margin(v, &l), inside(v, &l)));
    let (mut low, mut high) = ((0.0, Some(at_current)), (1.0, Some(at_reference)));
    let mut kept: i32 = 0;
    for _ in 0..12 {
        let width = high.0 - low.0;
        if width < 1.0 / 4096.0 {
            break;
        }
        let cut = match (low.1, high.1) {
            (Some(l), Some(h)) if kept.abs() < 3 && h - l > 0.0 => (l / (l - h)).clamp(0.02, 0.98),
            _ => 0.5,
        };
        let t = low.0 + cut * width;
        let found = over(t).filter(|f| f.0.is_finite());
        if found.is_some_and(|f| f.1) {
            high = (t, found.map(|f| f.0));
            kept = (kept + 1).max(1);
            if kept > 1 {
                low.1 = low.1.map(|m| 0.5 * m);
            }
        } else {
            low = (t, found.map(|f| f.0));
            kept = (kept - 1).min(-1);
            if kept < -1 {
                high.1 = high.1.map(|m| 0.5 * m);
            }
        }
    }
    // A tenth of the way further, so that the change does not stand on the edge.
    value((high.0 + 0.1 * (1.0 - high.0)).min(1.0))
}

/// Whether a ratio to this value means something: nothing scales from zero.
fn scales(value: f64) -> bool {
    value.is_normal()
}

/// What all causes of one shortfall share.
struct Shortage<'s> {
    draft: &'s Draft,
    metric: Metric,
    limit: &'s Limit,
    /// Inputs that matter for the metric.
    keys: &'s [&'s str],
    /// The metric today, with the sensitivities to those inputs.
    before: &'s Estimate,
    rests: &'s Rests,
}

fn cause(ctx: &Context<'_>, shortage: &Shortage<'_>, tried: &Tried<'_>) -> Option<Cause> {
    let Shortage { draft, metric, limit, keys, before, rests } = *shortage;
    let c = tried.candidate;
    let edits = (c.edits)(tried.value);
    let changed = ctx.subject.with_edits(&edits).ok()?;
    let (figure, measured) = draft.figure()?;
    let after = changed.predict_by(&[metric.group], keys);
    let after = after.get(metric.output)?;
    let difference = after.minus(before);
    let (before, after, difference) = if measured {
        let expected = match metric.carry {
            Carry::Scale if scales(before.value) => figure.times(&after.over(before, "1"), &figure.unit),
            Carry::Beyond => figure.minus(&difference),
            Carry::Scale | Carry::Add => figure.plus(&difference),
        };
        let difference = expected.minus(figure);
        (figure.clone(), expected, difference)
    } else {
        (before.clone(), after.clone(), difference)
    };
    let limit_after =
        ctx.limits.limit(draft.id, &changed.resolved().aircraft).unwrap_or_else(|| limit.clone());
    let meets = inside(after.value, &limit_after);
    Some(Cause {
        name: c.name.clone(),
        why: c.why.clone(),
        class: c.class,
        change: (c.words)(tried.value),
        effect: Effect { before, after, difference, meets },
        makes_stale: makes_stale(&edits, rests),
        breaks: breaks(ctx, &changed, draft.id),
        edits,
    })
}

/// Section of the aircraft file that a key belongs to.
pub(crate) fn section(key: &str) -> &str {
    let mut parts = key.split('.');
    match parts.next().unwrap_or_default() {
        "aircraft" | "station" => "geometry",
        "loop" => match parts.next() {
            Some("attitude") => "loop.attitude",
            Some("velocity") => "loop.velocity",
            Some("position") => "loop.position",
            _ => "loop.rate",
        },
        "structure" => match parts.next() {
            Some("mast") => "structure.mast",
            Some("plate") => "structure.plate",
            Some("mount") => "structure.mount",
            _ => "structure.arm",
        },
        other => other,
    }
}

fn makes_stale(edits: &[KeyChange], rests: &Rests) -> Vec<String> {
    rests
        .iter()
        .filter(|(_, sections)| {
            edits.iter().any(|e| sections.iter().any(|rests| covers(rests, section(&e.key))))
        })
        .map(|(gate, _)| gate.clone())
        .collect()
}

/// Criteria that the change pushes over their limit, judged on the central prediction.
fn breaks(ctx: &Context<'_>, changed: &Subject, but: &str) -> Vec<String> {
    let before = |output: &str| ctx.prediction.get(output).map(|e| e.value);
    let after = changed.nominal(&Group::ALL);
    let (now, then) = (&ctx.subject.resolved().aircraft, &changed.resolved().aircraft);
    ctx.limits
        .ids()
        .filter(|id| *id != but)
        .filter_map(|id| {
            let output = metric_of(id)?;
            let (lb, la) = (ctx.limits.limit(id, now)?, ctx.limits.limit(id, then)?);
            // A figure that exists no longer is lost too: an unstable loop has no overshoot.
            let lost = after.get(output).is_none_or(|a| !inside(a, &la));
            (inside(before(output)?, &lb) && lost).then(|| id.to_owned())
        })
        .collect()
}
