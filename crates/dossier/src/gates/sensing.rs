//! Gate sensing: are inertial sensor, magnetometer and receiver in a quiet place?

use crate::chart::Shown;
use crate::estimate::Estimate;
use crate::gates::GateSpec;
use crate::gates::candidate::structure as candidate;
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::Answer;
use crate::predict::Group;
use crate::result::Ledger;
use crate::siting;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "sensing",
    name: "Sensing",
    question: "Are inertial sensor, magnetometer and receiver in a quiet place?",
    closes_on: "a restrained run-up with magnetometer, current and raw accelerometer; a reception record",
    drafts,
    ledgers,
    shown,
};

const RUN_UP: &str = "a restrained run-up to full current with magnetometer and battery current";

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let mut out = Vec::new();
    let note = ctx
        .evidence
        .benches
        .iter()
        .rev()
        .find_map(|b| b.findings.get("magnetic.linearity"))
        .map(|f| f.text.clone());
    for (id, text, output, current) in [
        (
            "sensing.heading-hover",
            "largest heading error at hover current",
            "sensing.heading_hover",
            "hover.half.payload.battery_current",
        ),
        (
            "sensing.heading-full",
            "largest heading error at full current",
            "sensing.heading_full",
            "full.full.battery_current",
        ),
    ] {
        out.push(Draft {
            id,
            text,
            metric: Some(Metric { output, group: Group::Sensing, carry: Carry::Scale }),
            predicted: ctx.predicted(output),
            measured: heading(ctx, current),
            compare: Compare::Interval,
            needs: RUN_UP,
            note: note.clone(),
            candidates: candidate::compass(ctx),
        });
    }
    out.push(Draft::measured_only(
        "sensing.signal-loss",
        "satellite signal lost with motors and radio on",
        ctx.bench("reception.loss"),
        Compare::Interval,
        "a reception record: satellite signal with motors and radio off, then on",
        None,
    ));
    let either = |bench: &str, flight: &str| match ctx.bench(bench) {
        Answer::Found(f) => Answer::Found(f),
        other => match ctx.flight(flight) {
            Answer::Nothing => other,
            flown => flown,
        },
    };
    let raw = "a restrained run-up or a flight with the accelerometer logged raw, and imu.accel_range";
    out.push(Draft::measured_only(
        "sensing.clipped",
        "share of accelerometer samples at the end of the range",
        either("run_up.clipped", "clipping.accel"),
        Compare::Central,
        raw,
        None,
    ));
    out.push(Draft::measured_only(
        "sensing.accel-peak",
        "largest accelerometer value over its range",
        either("run_up.accel_peak", "clipping.accel_peak"),
        Compare::Central,
        raw,
        None,
    ));
    out
}

/// Heading error from the measured field per ampere, the computed current and the earth's field.
pub(super) fn heading(ctx: &Context<'_>, current: &str) -> Answer {
    let found = match ctx.bench("magnetic.per_ampere") {
        Answer::Found(f) => *f,
        other => return other,
    };
    let (Some(current), Some(earth)) =
        (ctx.prediction.get(current), ctx.prediction.get("magnetic.horizontal_field"))
    else {
        return Answer::CannotTell(
            "the field per ampere alone: site.latitude and site.longitude in dossier.toml, and motor, esc and battery in the aircraft file make it an angle".to_owned(),
        );
    };
    let ratio = found.estimate.times(current, "T").over(earth, "1");
    let value = if ratio.value < 1.0 { ratio.value.asin() } else { std::f64::consts::PI };
    // d asin(r) = dr/sqrt(1 - r^2); near one the slope is held where it is steep.
    let slope = 1.0 / (1.0 - ratio.value.powi(2)).max(0.01).sqrt();
    Context::derived(&found, Estimate::combine(value, "rad", &[(slope, &ratio)]))
}

fn ledgers(ctx: &Context<'_>) -> Vec<Ledger> {
    ctx.ledger(
        "magnetic",
        "Horizontal field of the leads per ampere of battery current",
        "magnetic.lead.",
        "magnetic.per_ampere",
        None,
        &|_, _| "part along the sum".to_owned(),
    )
    .into_iter()
    .collect()
}

fn shown(ctx: &Context<'_>) -> Shown {
    match siting::of_context(ctx) {
        Ok(s) => Shown { charts: s.charts(), tables: vec![s.table()] },
        Err(_) => Shown::default(),
    }
}
