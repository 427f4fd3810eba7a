//! What the record's rate, channels and tap points cannot answer, in sentences.

use super::Outcome;
use super::context::{AXES, Context, Out};
use super::vibration::{quiet, turns};
use crate::record::Tap;

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let mut say = Vec::new();
    let (windows, _) = quiet(context);
    let vibration =
        ["accel.x", "rate_raw.x", "rate.x"].iter().find_map(|n| context.series(n).map(|s| (*n, s.rate())));
    if let Some((name, rate)) = vibration {
        let nyquist = 0.5 * rate;
        match turns(context, &windows) {
            Some((low, high)) => {
                if low < nyquist && high >= nyquist || low >= nyquist {
                    say.push(format!(
                        "1/rev (near {:.0} Hz) lies above the {nyquist:.0} Hz that {name} at {rate:.0} Hz shows: unbalance is folded or lost.",
                        0.5 * (low + high)
                    ));
                }
                if let Some(b) = context.known.blades {
                    let passage = f64::from(b) * 0.5 * (low + high);
                    if f64::from(b) * high >= nyquist {
                        say.push(format!(
                            "Blade passage (near {passage:.0} Hz) lies above the {nyquist:.0} Hz that {name} at {rate:.0} Hz shows: it is folded or lost."
                        ));
                    }
                }
                if (high - low) / high < 0.1 {
                    say.push(format!(
                        "Rotor speed kept between {low:.0} and {high:.0} Hz in the quiet stretches: rotor orders and fixed resonances cannot be told apart."
                    ));
                }
            }
            None => say.push(
                "Rotor speed is not logged: no spectral peak can be attributed, and thrust per speed and effectiveness stay open.".to_owned(),
            ),
        }
        if rate < 400.0 {
            say.push(format!(
                "{name} at {rate:.0} Hz: nothing above {nyquist:.0} Hz is seen, and without knowing the filter before the log what is seen may be folded."
            ));
        }
    }
    for (base, why) in [
        ("rate", "whether the filters' delay is in the steps cannot be told"),
        ("accel", "how much vibration a filter has hidden cannot be told"),
    ] {
        let open: Vec<String> = AXES
            .iter()
            .map(|(l, _)| format!("{base}.{l}"))
            .filter(|n| context.series(n).is_some() && context.tap(n).is_none())
            .collect();
        if !open.is_empty() {
            say.push(format!("The tap point of {} is not stated: {why}.", open.join(", ")));
        }
    }
    if context.rotor_series("command").is_some() {
        match context.tap("rotor.1.command") {
            Some(Tap::AfterMixing) => {}
            Some(Tap::BeforeMixing) => say.push(
                "The rotor command is tapped before mixing: saturation does not show in it.".to_owned(),
            ),
            _ => say.push(
                "The tap point of rotor.N.command is not stated: saturation cannot be told.".to_owned(),
            ),
        }
    } else {
        say.push(
            "No rotor command is logged: hover command, saturation, command noise and motor lag stay open."
                .to_owned(),
        );
    }
    if context.series("rate_demand.x").is_none() {
        say.push("No rate demand is logged: steps are not found, and the loop's response cannot be told from the pilot.".to_owned());
    }
    if context.series("rate_raw.x").is_none() {
        say.push("The gyro is logged on one side of the filters only: their delay and what they remove cannot be measured.".to_owned());
    }
    if context.series("attitude.w").is_none() {
        say.push("No attitude is logged: drift after a release cannot be told, as a gyro cannot show its own bias.".to_owned());
    }
    let stamps: Vec<&str> = context
        .record
        .meta
        .channels
        .iter()
        .filter(|c| c.stamp.is_none() && context.series(&c.name).is_some())
        .map(|c| c.name.as_str())
        .collect();
    if !stamps.is_empty() && context.record.meta.rate > 0.0 {
        say.push(format!(
            "What the time stamp means is not stated for {} channels: delays between channels are uncertain by up to one period ({:.1} ms).",
            stamps.len(),
            1e3 / context.record.meta.rate
        ));
    }
    let commanded =
        out.items.iter().any(|f| f.key == "drive.lag" && matches!(f.outcome, Outcome::CannotTell { .. }));
    if commanded && context.rotor_series("speed").is_some() && context.rotor_series("command").is_some() {
        say.push("Commands moved too little for the motors' lag to show.".to_owned());
    }
    out.cannot = say;
}
