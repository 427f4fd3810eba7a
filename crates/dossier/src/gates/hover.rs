//! Gate hover: does it hover as computed?

use crate::estimate::{Contribution, Estimate};
use crate::gates::candidate;
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::Answer;
use crate::gates::{GateSpec, at_hover_voltage};
use crate::predict::Group;
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "hover",
    name: "Hover",
    question: "Does it hover as computed?",
    closes_on: "a tethered first hop, a flight, a note of the case temperature",
    drafts,
    ledgers,
    shown: super::nothing_shown,
};

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    let (ratio, sigma, compared) = command(ctx);
    let power = || {
        let mut c = candidate::thrust(a);
        c.extend(candidate::lighter(ctx));
        c
    };
    let share = |id, text, output, key| Draft {
        id,
        text,
        metric: Some(Metric { output, group: Group::Hover, carry: Carry::Add }),
        predicted: ctx.predicted(output),
        measured: ctx.flight_magnitude(key),
        compare: Compare::Interval,
        needs: "a steady hover of 10 s with rotor speeds or commands",
        note: Some(
            "a share shows uneven lift; an off-centre mass, a weak rotor and a twisted motor look the same"
                .to_owned(),
        ),
        candidates: candidate::moves(ctx, false),
    };
    vec![
        Draft {
            id: "hover.command",
            text: "hover command against the prediction at the measured bus voltage, relative",
            metric: None,
            predicted: None,
            measured: ratio,
            compare: Compare::Interval,
            needs: "a steady hover of 10 s with motor commands and battery voltage",
            note: compared,
            candidates: Vec::new(),
        },
        Draft {
            id: "hover.command-sigma",
            text: "the same difference over its standard uncertainty",
            metric: None,
            predicted: None,
            measured: sigma,
            compare: Compare::Central,
            needs: "a steady hover of 10 s with motor commands and battery voltage",
            note: None,
            candidates: Vec::new(),
        },
        share(
            "hover.roll-share",
            "lift right against left, relative to the mean",
            "trim.roll_share",
            "hover.roll_share",
        ),
        share(
            "hover.pitch-share",
            "lift front against rear, relative to the mean",
            "trim.pitch_share",
            "hover.pitch_share",
        ),
        Draft {
            id: "hover.yaw-trim",
            text: "yaw trim, as a share of the yaw authority",
            metric: None,
            predicted: None,
            measured: yaw_trim(ctx),
            compare: Compare::Interval,
            needs: "a steady hover of 10 s with rotor speeds or commands",
            note: None,
            candidates: Vec::new(),
        },
        Draft {
            id: "hover.saturation",
            text: "share of hover samples with a rotor at an end of its command",
            metric: Some(Metric { output: "sizing.hover_share", group: Group::Full, carry: Carry::Scale }),
            predicted: None,
            measured: ctx.flight("saturation.hover"),
            compare: Compare::Central,
            needs: "a steady hover with motor commands after mixing",
            note: None,
            candidates: power(),
        },
        Draft {
            id: "hover.case-temperature",
            text: "motor case after five minutes of hover",
            metric: None,
            predicted: None,
            measured: ctx.evidence.note("case_temperature", &ctx.today, &["motor", "rotor", "mass"]),
            compare: Compare::Interval,
            needs: "a note: case_temperature after five minutes of hover",
            note: None,
            candidates: Vec::new(),
        },
    ]
}

/// Yaw trim of the hover over the predicted yaw authority.
fn yaw_trim(ctx: &Context<'_>) -> Answer {
    let trim = match ctx.flight_magnitude("hover.yaw_trim") {
        Answer::Found(f) => *f,
        other => return other,
    };
    match ctx.prediction.get("authority.yaw_share") {
        Some(room) if room.value > 0.0 => {
            let share = trim.estimate.over(room, "1");
            Context::derived(&trim, share)
        }
        _ => Answer::CannotTell(
            "the yaw authority is not predicted: motor, esc and battery are needed".to_owned(),
        ),
    }
}

/// Relative difference of measured and predicted hover command, the same in standard
/// uncertainties, and the sentence that names both.
fn command(ctx: &Context<'_>) -> (Answer, Answer, Option<String>) {
    let measured = match ctx.flight("hover.command") {
        Answer::Found(f) => *f,
        other => return (other.clone(), other, None),
    };
    let Some(predicted) = at_hover_voltage(ctx, &measured.record, "1", &hover_command) else {
        let why = "the hover command cannot be predicted for this record: motor, esc and battery in the aircraft file and battery.voltage in the record are needed";
        let a = Answer::CannotTell(why.to_owned());
        return (a.clone(), a, None);
    };
    let ratio = measured.estimate.over(&predicted, "1");
    let difference = (ratio.value - 1.0).abs();
    // The criterion holds the measurement against the central prediction; whether the prediction's
    // own uncertainty explains the difference is the next criterion's question.
    let own = measured.estimate.uncertainty / predicted.value;
    let relative = Estimate::new(
        difference,
        "1",
        measured.estimate.origin,
        vec![Contribution {
            source: format!("record {}: hover command", measured.record),
            sensitivity: 1.0,
            uncertainty: own,
        }],
    );
    let sigmas = if ratio.uncertainty > 0.0 { difference / ratio.uncertainty } else { f64::INFINITY };
    let sigma = Estimate::exact(sigmas, "1", measured.estimate.origin);
    let main = predicted.dominant().map_or(String::new(), |(s, share)| {
        format!("; {s} makes {:.0} % of the prediction's variance", share * 100.0)
    });
    let text = format!(
        "measured {:.4}, predicted {:.4} ± {:.4} at the measured bus voltage{main}",
        measured.estimate.value, predicted.value, predicted.uncertainty
    );
    (Context::derived(&measured, relative), Context::derived(&measured, sigma), Some(text))
}

fn hover_command(a: &physics::aircraft::Aircraft, density: f64, charge: f64) -> Option<f64> {
    let point = crate::gates::hover_point(a, density, charge)?;
    let n = point.rotors.len();
    (n > 0).then(|| point.rotors.iter().map(|r| r.command).sum::<f64>() / n as f64)
}

fn ledgers(_: &Context<'_>) -> Vec<Ledger> {
    Vec::new()
}
