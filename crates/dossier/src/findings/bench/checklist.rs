//! The list that is ticked before propellers go on: end points, fail-safe presets, first-flight limits.
//!
//! `low_stops`, `lost_link`, `low_battery`, `cut_power` are ticked with yes or no; `first.tilt`,
//! `first.rate`, `first.thrust`, `first.height` are entered as they were set. The date of a tick is
//! that of its record.

use super::Bench;
use super::spin_check;
use crate::cards::Basis;
use crate::chart::Table;
use crate::estimate::Estimate;
use crate::findings::context::Out;

const PRESET_RESTS: &[&str] = &["esc", "battery"];
const FIRST_RESTS: &[&str] = &["mass", "rotor", "motor", "esc", "battery", "station", "aircraft"];
const TEST: &str = "go through the card end-points, propellers off";
/// Ticks with what they mean.
const TICKS: [(&str, &str); 4] = [
    ("low_stops", "every motor stands at command zero"),
    ("lost_link", "a lost link does what is set"),
    ("low_battery", "a low battery does what is set"),
    ("cut_power", "the cut of power stops every motor, and they stay off"),
];

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    presets(bench, out);
    first(bench, out);
    if let Some(n) = bench.aircraft.map(|a| a.stations.len())
        && (1..=n).any(|i| bench.hand(&format!("start.{i}")).is_some())
    {
        spin_check::starts(bench, out, n);
    }
}

fn presets(bench: &Bench<'_>, out: &mut Out) {
    let (key, label) = ("presets.done", "fail-safe presets tried");
    let ticks: Vec<(&str, Option<bool>)> =
        TICKS.iter().map(|(k, what)| (*what, bench.hand(k).map(|(v, _)| v > 0.5))).collect();
    let of =
        |state: Option<bool>| -> Vec<&str> { ticks.iter().filter(|t| t.1 == state).map(|t| t.0).collect() };
    let (failed, open) = (of(Some(false)), of(None));
    let date = &bench.record.meta.date;
    out.tables.push(Table {
        id: "ticks".to_owned(),
        title: "The list".to_owned(),
        head: ["item", "ticked"].map(str::to_owned).to_vec(),
        rows: ticks
            .iter()
            .map(|(what, tick)| {
                let word = match tick {
                    Some(true) => format!("yes, {date}"),
                    Some(false) => format!("no, {date}"),
                    None => "not entered".to_owned(),
                };
                vec![(*what).to_owned(), word]
            })
            .collect(),
        note: String::new(),
    });
    if failed.is_empty() && !open.is_empty() {
        out.cannot_tell(key, label, open.join("; "), TEST, PRESET_RESTS);
        return;
    }
    let share = of(Some(true)).len() as f64 / TICKS.len() as f64;
    let e = Estimate::single(
        share,
        0.0,
        "1",
        bench.record.meta.origin.into(),
        &format!("record {}: list", bench.record.meta.id),
    );
    let text = if failed.is_empty() {
        "All of the list is ticked.".to_owned()
    } else {
        format!("Not so: {}.", failed.join("; "))
    };
    out.value(key, label, e, text, PRESET_RESTS);
}

fn first(bench: &Bench<'_>, out: &mut Out) {
    let (key, label) = ("first.ratio", "first-flight limits over those of the card, the widest");
    let Some(aircraft) = bench.aircraft else {
        out.cannot_tell(key, label, "the aircraft file", "give it", FIRST_RESTS);
        return;
    };
    let density = bench.density.map_or(1.225, |(d, _)| d);
    let limits = Basis::of(aircraft, density).first_flight();
    let all = [
        ("first.tilt", "tilt", limits.tilt),
        ("first.rate", "rate demand", limits.rate),
        ("first.thrust", "command", limits.thrust),
        ("first.height", "height", limits.height),
    ];
    let ratios: Vec<(&str, Option<f64>)> =
        all.iter().map(|(k, name, l)| (*name, bench.hand(k).map(|(v, _)| v / l.max(1e-9)))).collect();
    let missing: Vec<&str> = ratios.iter().filter(|r| r.1.is_none()).map(|r| r.0).collect();
    let widest =
        ratios.iter().filter_map(|(n, r)| r.map(|r| (*n, r))).reduce(|a, b| if b.1 > a.1 { b } else { a });
    match widest {
        Some((name, ratio)) if missing.is_empty() || ratio > 1.0 => {
            let source = format!("record {}: list", bench.record.meta.id);
            let e = Estimate::single(ratio, 0.0, "1", bench.record.meta.origin.into(), &source);
            out.value(key, label, e, format!("The {name} limit is the widest: {ratio:.2} of what the card end-points computes for this build."), FIRST_RESTS);
        }
        _ => {
            out.cannot_tell(
                key,
                label,
                format!("what was set for {}", missing.join(", ")),
                TEST,
                FIRST_RESTS,
            );
        }
    }
}
