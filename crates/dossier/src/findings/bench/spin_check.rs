//! Propellers off, one motor at a time: order, sense, and the command from which each turns.
//!
//! Order and sense are seen by eye: `seen.N.station` is the number of the station whose motor turned
//! on output N, `seen.N.spin` its sense from above. The start command is entered (`start.N`) or found
//! where speed and command are logged: the least command from which on the speed stays above a tenth
//! of its largest for half a second. A bare motor starts earlier than one with its propeller, so the
//! figure does not replace the usable minimum of the aircraft file.

use super::Bench;
use crate::chart::Table;
use crate::estimate::{Contribution, Estimate};
use crate::findings::context::Out;

const RESTS: &[&str] = &["station", "aircraft", "motor", "esc"];
const START_RESTS: &[&str] = &["motor", "esc"];
const TEST: &str = "spin the missing ones by the card spin-check, propellers off";
/// Half a second of steady turning.
const STEADY: f64 = 0.5;
/// Reading of a start command raised in steps of 1 %: a standard uncertainty of half a step over root 3.
const STEP: f64 = 0.003;

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let origin = bench.record.meta.origin.into();
    let source = format!("record {}: by eye", bench.record.meta.id);
    let labels = [
        ("order.confirmed", "every output turns the motor of its station"),
        ("direction.confirmed", "every motor turns as the file says"),
    ];
    let Some(aircraft) = bench.aircraft.filter(|a| !a.stations.is_empty()) else {
        for (key, label) in labels {
            out.cannot_tell(
                key,
                label,
                "the stations of the aircraft file",
                "give layout or stations",
                RESTS,
            );
        }
        return;
    };
    let n = aircraft.stations.len();
    let mut rows = Vec::new();
    let (mut wrong, mut missing) = ([Vec::new(), Vec::new()], [Vec::new(), Vec::new()]);
    for (i, expected) in aircraft.stations.iter().enumerate() {
        let station = bench.hand(&format!("seen.{}.station", i + 1)).map(|(v, _)| v);
        let spin = bench.hand(&format!("seen.{}.spin", i + 1)).map(|(v, _)| v);
        match station {
            Some(s) if (s - (i + 1) as f64).abs() < 0.5 => {}
            Some(s) => wrong[0].push(format!("output {} turns the motor of station {s:.0}", i + 1)),
            None => missing[0].push((i + 1).to_string()),
        }
        // The sense is that of the motor that turned; the file has it by station.
        let at =
            station.and_then(|s| aircraft.stations.get((s as usize).wrapping_sub(1))).unwrap_or(expected);
        match spin {
            Some(s) if s * at.spin.reaction_sign() > 0.0 => {}
            Some(_) => wrong[1].push(format!("output {} turns against the file", i + 1)),
            None => missing[1].push((i + 1).to_string()),
        }
        rows.push(vec![
            (i + 1).to_string(),
            format!("{} {}, {}", i + 1, expected.place, expected.spin.word()),
            station.map_or("–".to_owned(), |s| {
                let place =
                    aircraft.stations.get((s as usize).wrapping_sub(1)).map_or("?", |t| t.place.as_str());
                format!("{s:.0} {place}")
            }),
            spin.map_or("–", |s| if s > 0.0 { "ccw" } else { "cw" }).to_owned(),
        ]);
    }
    out.tables.push(Table {
        id: "outputs".to_owned(),
        title: "Outputs, as the file says and as seen".to_owned(),
        head: ["output", "station and sense in the file", "seen at station", "seen sense"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        note: String::new(),
    });
    for (k, (key, label)) in labels.into_iter().enumerate() {
        if !wrong[k].is_empty() {
            let text = format!("Seen by eye: {}.", wrong[k].join("; "));
            out.value(key, label, Estimate::single(0.0, 0.0, "1", origin, &source), text, RESTS);
        } else if missing[k].is_empty() {
            let text = format!("All {n} outputs seen by eye, one at a time.");
            out.value(key, label, Estimate::single(1.0, 0.0, "1", origin, &source), text, RESTS);
        } else {
            let text = format!("what was seen on output {}", missing[k].join(", "));
            out.cannot_tell(key, label, text, TEST, RESTS);
        }
    }
    starts(bench, out, n);
}

/// Start commands of all motors, entered or found.
pub(super) fn starts(bench: &Bench<'_>, out: &mut Out, n: usize) {
    let (key, label) = ("start.spread", "spread of the start commands");
    let found: Vec<Option<(f64, f64)>> = (1..=n).map(|i| start(bench, i)).collect();
    let given: Vec<(usize, f64, f64)> =
        found.iter().enumerate().filter_map(|(i, s)| s.map(|(v, u)| (i + 1, v, u))).collect();
    let missing: Vec<String> =
        (1..=n).filter(|i| !given.iter().any(|g| g.0 == *i)).map(|i| i.to_string()).collect();
    let ends = given
        .iter()
        .copied()
        .reduce(|a, b| if b.1 < a.1 { b } else { a })
        .zip(given.iter().copied().reduce(|a, b| if b.1 > a.1 { b } else { a }));
    let Some((low, high)) = ends.filter(|_| missing.is_empty()) else {
        let what = format!("the start command of output {}", missing.join(", "));
        out.cannot_tell(
            key,
            label,
            what,
            "note from which command each motor turns steadily: start.1=\"4 %\"",
            START_RESTS,
        );
        return;
    };
    let part = |i: usize, sign: f64, u: f64| Contribution {
        source: format!("record {}: start of output {i}", bench.record.meta.id),
        sensitivity: sign,
        uncertainty: u,
    };
    let e = Estimate::new(
        high.1 - low.1,
        "1",
        bench.record.meta.origin.into(),
        vec![part(high.0, 1.0, high.2), part(low.0, -1.0, low.2)],
    );
    let text = format!(
        "Output {} starts at {:.1} %, output {} at {:.1} %. More apart, and the ends of their command differ.",
        low.0,
        100.0 * low.1,
        high.0,
        100.0 * high.1
    );
    out.value(key, label, e, text, START_RESTS);
}

fn start(bench: &Bench<'_>, i: usize) -> Option<(f64, f64)> {
    if let Some((v, u)) = bench.hand(&format!("start.{i}")) {
        return Some((v, if u > 0.0 { u } else { STEP }));
    }
    let command = bench.channel(&format!("rotor.{i}.command"))?;
    let speed = bench.channel(&format!("rotor.{i}.speed"))?;
    let time = &bench.record.time;
    let largest = speed.iter().copied().filter(|v| v.is_finite()).fold(0.0, f64::max);
    let turning = |k: usize| speed.get(k).is_some_and(|v| *v > 0.1 * largest);
    let mut least: Option<f64> = None;
    let mut since: Option<usize> = None;
    for k in 0..time.len().min(command.len()) {
        if !turning(k) {
            since = None;
            continue;
        }
        let from = *since.get_or_insert(k);
        if time[k] - time[from] >= STEADY && command[k].is_finite() {
            least = Some(least.map_or(command[k], |l| l.min(command[k])));
        }
    }
    least.filter(|_| largest > 0.0).map(|l| (l, STEP))
}
