//! A rehearsal for the terminal.

use dossier::rehearse::Rehearsal;
use dossier::result::Sense;

use super::WIDTH;
use super::table::{Table, heading, paragraph};

/// A figure as people read it.
fn shown(v: f64, unit: &str) -> String {
    match unit {
        _ if !v.is_finite() => "-".to_owned(),
        "1" => format!("{:.1} %", 100.0 * v),
        "rad" => format!("{:.1} deg", v.to_degrees()),
        _ => format!("{v:.2} {unit}"),
    }
}

/// The answer; `kept` is where the worst flight is.
pub fn rehearsal(r: &Rehearsal, kept: Option<&str>) -> String {
    let mut out =
        heading(&format!("Build {}, card {}: {} flights rehearsed", r.build, r.ask.card, r.flown), '=');
    out.push_str(&paragraph(r.label, "", 0, WIDTH));
    let wind = r.ask.wind.map_or("light air".to_owned(), |w| format!("{w:.1} m/s of wind with its gusts"));
    let payload = if r.ask.payload { "payload on" } else { "without payload" };
    let faults = if r.faults.is_empty() { "nothing fails".to_owned() } else { r.faults.join("; ") };
    out.push_str(&paragraph(&format!("{wind}, {payload}, {faults}; seed {}.", r.ask.seed), "", 0, WIDTH));
    out.push_str(&paragraph(&r.flown_on.join(" "), "", 0, WIDTH));
    out.push('\n');
    out.push_str(&paragraph(
        &format!(
            "{:.1} ± {:.1} % pass; lost {} of {}. Worst is flight {}: {}.",
            100.0 * r.pass,
            200.0 * r.pass_error,
            r.lost,
            r.flown,
            r.worst,
            r.worst_why
        ),
        "",
        0,
        WIDTH,
    ));
    if let (n, Some(why)) = &r.refused {
        out.push_str(&paragraph(&format!("{n} could not be flown, the first: {why}"), "", 0, WIDTH));
    }
    out.push('\n');
    let mut table = Table::new(&["figure", "5 %", "half", "95 %", "limit", "inside"]);
    for f in &r.figures {
        let limit = f.limit.as_ref().map_or(String::new(), |l| {
            let sign = if l.sense == Sense::AtMost { "≤" } else { "≥" };
            format!("{sign} {}", shown(l.value, &l.unit))
        });
        let inside = f.inside.map_or(String::new(), |s| format!("{:.1} %", 100.0 * s));
        let [low, half, high] = f.quantiles.map(|v| shown(v, f.unit));
        table.row([f.name.to_owned(), low, half, high, limit, inside].iter().map(String::as_str));
    }
    out.push_str(&table.render(WIDTH));
    let decide: Vec<String> = r
        .figures
        .iter()
        .filter(|f| !f.inputs.is_empty())
        .map(|f| {
            let inputs: Vec<String> = f.inputs.iter().map(|(key, c)| format!("{key} ({c:+.2})")).collect();
            format!("{}: {}", f.name, inputs.join(", "))
        })
        .collect();
    if !decide.is_empty() {
        out.push('\n');
        out.push_str(&paragraph("Inputs that decide (rank correlation over the flights):", "", 0, WIDTH));
        for line in decide {
            out.push_str(&paragraph(&line, "", 2, WIDTH));
        }
    }
    if let Some(id) = kept {
        out.push('\n');
        out.push_str(&paragraph(
            &format!("The worst flight is kept as {id}, outside the records: rotorwright show DIR {id}."),
            "",
            0,
            WIDTH,
        ));
    }
    out
}
