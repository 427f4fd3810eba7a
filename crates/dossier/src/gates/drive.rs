//! Gate drive: do ESC and motor answer fast, evenly, over the full range?

use crate::chart::{Shown, Table};
use crate::estimate::{Contribution, Estimate};
use crate::gates::GateSpec;
use crate::gates::candidate::{self, Candidate};
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::{Answer, Found};
use crate::predict::Group;
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "drive",
    name: "Drive",
    question: "Do ESC and motor answer fast, evenly, over the full range?",
    closes_on: "a sweep and a step record (or sound) of each rotor",
    drafts,
    ledgers,
    shown,
};

const STEPS: &str = "a step record of each rotor: command with speed or thrust, 500 Hz or faster";
const SWEEPS: &str = "a sweep of each rotor up and down: command, voltage, speed and thrust";

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    let metric = |output| Some(Metric { output, group: Group::Loop, carry: Carry::Add });
    let response = || -> Vec<Candidate> {
        let mut c = candidate::delays(a);
        c.extend(candidate::rotor_inertia(a));
        c
    };
    let draft = |id, text, output: Option<&'static str>, key: &str, needs| Draft {
        id,
        text,
        metric: output.and_then(metric),
        predicted: output.and_then(|o| ctx.predicted(o)),
        measured: worst(ctx, key),
        compare: Compare::Interval,
        needs,
        note: None,
        candidates: if output.is_some() { response() } else { Vec::new() },
    };
    vec![
        draft(
            "drive.delay",
            "delay of the slowest drive at the required crossover",
            Some("drive.delay"),
            "step.delay",
            STEPS,
        ),
        draft(
            "drive.dead-time",
            "dead time of the slowest drive",
            Some("drive.dead_time"),
            "step.dead_time",
            STEPS,
        ),
        draft(
            "drive.lag-ratio",
            "time constant falling over rising, the worst drive",
            Some("lag.ratio"),
            "step.lag_ratio",
            STEPS,
        ),
        Draft {
            measured: thrust_spread(ctx),
            ..draft(
                "drive.thrust-spread",
                "full thrust, strongest less weakest drive over the mean",
                None,
                "",
                SWEEPS,
            )
        },
        draft(
            "drive.idle",
            "thrust at the usable minimum over full thrust, the worst drive",
            None,
            "sweep.idle_share",
            SWEEPS,
        ),
        draft(
            "drive.dead-top",
            "command without effect at the top, the worst drive",
            None,
            "sweep.dead_top",
            SWEEPS,
        ),
    ]
}

/// Stations without a figure that holds, in words.
fn missing(ctx: &Context<'_>, key: &str, list: &[(usize, Answer)]) -> Option<String> {
    let stations = ctx.subject.resolved().aircraft.stations.len();
    let holds =
        |n: usize| list.iter().any(|(m, a)| *m == n && matches!(a, Answer::Found(f) if f.stale.is_none()));
    let absent: Vec<String> = (1..=stations).filter(|n| !holds(*n)).map(|n| n.to_string()).collect();
    (!absent.is_empty()).then(|| format!("{key} of rotor {} is missing", absent.join(", ")))
}

/// The largest figure of all stations; partial where a station is missing. Without stations in the records the
/// newest record speaks, for its own rotor only.
fn worst(ctx: &Context<'_>, key: &str) -> Answer {
    let list = ctx.bench_by_station(key);
    if list.is_empty() {
        return match ctx.bench(key) {
            Answer::Found(mut f) => {
                f.partial = Some("the record does not say which rotor it is of (value `station`)".to_owned());
                Answer::Found(f)
            }
            other => other,
        };
    }
    let absent = missing(ctx, key, &list);
    let mut found: Option<Found> = None;
    let mut other = Answer::Nothing;
    for (_, answer) in list {
        match answer {
            Answer::Found(f) => {
                let better = found.as_ref().is_none_or(|w| match (w.stale.is_some(), f.stale.is_some()) {
                    (true, false) => true,
                    (false, true) => false,
                    _ => f.estimate.value > w.estimate.value,
                });
                if better {
                    found = Some(*f);
                }
            }
            other_answer => other = other_answer,
        }
    }
    match found {
        Some(mut f) => {
            if f.stale.is_none() {
                f.partial = absent;
            }
            Answer::Found(Box::new(f))
        }
        None => other,
    }
}

/// Strongest less weakest full thrust over the mean. What all stations share (load cell's scale, density) cancels.
fn thrust_spread(ctx: &Context<'_>) -> Answer {
    let key = "sweep.full_thrust";
    let list = ctx.bench_by_station(key);
    let absent = missing(ctx, "full thrust", &list);
    let mut found: Vec<Found> = Vec::new();
    let mut other = Answer::Nothing;
    for (_, answer) in list {
        match answer {
            Answer::Found(f) => found.push(*f),
            cannot => other = cannot,
        }
    }
    let by_value = |a: &&Found, b: &&Found| a.estimate.value.total_cmp(&b.estimate.value);
    let (Some(low), Some(high)) = (found.iter().min_by(by_value), found.iter().max_by(by_value)) else {
        return other;
    };
    if found.len() < 2 {
        return other;
    }
    let mean = found.iter().map(|f| f.estimate.value).sum::<f64>() / found.len() as f64;
    let difference = high.estimate.minus(&low.estimate);
    let contributions = difference
        .contributions
        .iter()
        .map(|c| Contribution { sensitivity: c.sensitivity / mean, ..c.clone() })
        .collect();
    let origin = found.iter().map(|f| f.estimate.origin).max().unwrap_or(high.estimate.origin);
    let estimate = Estimate::new(difference.value / mean, "1", origin, contributions);
    let stale = found.iter().find_map(|f| f.stale.clone());
    let partial = stale.is_none().then_some(absent).flatten();
    let record = format!("{}, {}", low.record, high.record);
    Answer::Found(Box::new(Found { estimate, record, stale, partial, ..high.clone() }))
}

fn ledgers(_: &Context<'_>) -> Vec<Ledger> {
    Vec::new()
}

/// Stations side by side, and what their spread costs in trim and authority.
fn shown(ctx: &Context<'_>) -> Shown {
    let keys: [(&str, &str, f64, usize); 7] = [
        ("step.dead_time", "dead time, ms", 1e3, 2),
        ("step.lag_up", "lag up, ms", 1e3, 1),
        ("step.lag_down", "lag down, ms", 1e3, 1),
        ("step.crossover", "reachable crossover, rad/s", 1.0, 1),
        ("sweep.full_thrust", "full thrust, N", 1.0, 2),
        ("sweep.ct", "C_T", 1.0, 4),
        ("sweep.usable_minimum", "usable minimum, %", 100.0, 1),
    ];
    let columns: Vec<Vec<(usize, Answer)>> = keys.iter().map(|k| ctx.bench_by_station(k.0)).collect();
    let stations = &ctx.subject.resolved().aircraft.stations;
    let mut rows = Vec::new();
    for (i, s) in stations.iter().enumerate() {
        let mut row = vec![format!("{} {}", i + 1, s.place)];
        let mut any = false;
        for ((_, _, factor, digits), column) in keys.iter().zip(&columns) {
            let cell = column.iter().find(|c| c.0 == i + 1).and_then(|c| match &c.1 {
                Answer::Found(f) => Some((f.estimate.value, f.estimate.uncertainty, f.stale.is_some())),
                _ => None,
            });
            row.push(match cell {
                Some((v, u, stale)) => {
                    any = true;
                    let mark = if stale { " (stale)" } else { "" };
                    format!("{:.digits$} ± {:.digits$}{mark}", v * factor, 2.0 * u * factor)
                }
                None => "not measured".to_owned(),
            });
        }
        if any {
            rows.push(row);
        }
    }
    let mut out = Shown::default();
    if rows.is_empty() {
        return out;
    }
    let mut head = vec!["rotor".to_owned()];
    head.extend(keys.iter().map(|k| k.1.to_owned()));
    let note = cost(&columns[4]).unwrap_or_default();
    out.tables.push(Table {
        id: "drive-stations".to_owned(),
        title: "Drives side by side".to_owned(),
        head,
        rows,
        note: format!("± is the 95 % interval. {note}").trim().to_owned(),
    });
    out
}

/// What a spread of full thrust costs: the weakest drive needs more command in hover and sets the authority.
fn cost(column: &[(usize, Answer)]) -> Option<String> {
    let values: Vec<f64> = column
        .iter()
        .filter_map(|c| match &c.1 {
            Answer::Found(f) if f.stale.is_none() => Some(f.estimate.value),
            _ => None,
        })
        .collect();
    if values.len() < 2 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(format!(
        "For the same thrust the command's thrust share of the weakest drive is {:.1} % higher and that of the strongest \
         {:.1} % lower than the mean: that much of the command goes into trim. Full thrust and the authority about an \
         axis are those of the weakest: {:.1} % below the mean.",
        100.0 * (mean / low - 1.0),
        100.0 * (1.0 - mean / high),
        100.0 * (1.0 - low / mean)
    ))
}
