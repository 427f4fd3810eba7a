//! The choice as words, tables and the plane of gains.

use physics::loops::search::{Bound, Cell, Gains, Limits};

use super::{OuterChoice, Tuning, outer};
use crate::chart::{Axis, Chart, Mark, Series, Shown, Style, Table};

/// What a flight at a stop must show before the next.
pub(super) fn must_show(expected: &Cell, limits: &Limits) -> String {
    let over =
        if expected.overshoot.is_finite() { expected.overshoot.max(0.05) + 0.05 } else { limits.overshoot };
    format!(
        "overshoot at most {:.0} %, at most one half-cycle after a release, motors no hotter, crossover near {:.1} rad/s",
        100.0 * over,
        expected.crossover
    )
}

fn gains_words(g: &Gains) -> String {
    format!("p {:.1} 1/s, i {:.0} 1/s^2, d {:.2}", g.p, g.i, g.d)
}

pub(super) fn verdict(
    today: &Cell,
    recommended: Option<&Cell>,
    required: f64,
    save: Option<f64>,
    spent: &[(String, f64)],
) -> String {
    let now = match today.broken {
        None => "Today's rate gains keep every limit over all plants.".to_owned(),
        Some(b) => format!("Today's rate gains break the limit on {} at a corner.", b.words()),
    };
    let Some(best) = recommended else {
        return format!("{now} No gains keep every limit: shorten the delay first{}.", lines(save, spent));
    };
    let then = format!("Recommended: {}, crossover {:.1} rad/s.", gains_words(&best.gains), best.crossover);
    if best.crossover >= required {
        format!("{now} {then}")
    } else {
        let why = match save {
            Some(_) => format!("shorten the delay{}", lines(save, spent)),
            None => "another limit than delay stands in the way: thrust at hand or noise".to_owned(),
        };
        format!(
            "{now} {then} This size asks for {required:.1} rad/s, which no gains reach within the limits: {why}."
        )
    }
}

fn lines(save: Option<f64>, spent: &[(String, f64)]) -> String {
    let Some(save) = save else { return String::new() };
    let able: Vec<String> = spent
        .iter()
        .filter(|(_, d)| *d >= 0.5 * save)
        .take(3)
        .map(|(name, d)| format!("{name} {:.1} ms", 1e3 * d))
        .collect();
    let from = if able.is_empty() { "no single stage has so much".to_owned() } else { able.join(", ") };
    format!(" by {:.1} ms (largest lines: {from})", 1e3 * save)
}

pub(super) fn shown(t: &Tuning, cells: &[Cell], p: &[f64], i: &[f64], limits: &Limits) -> Shown {
    let mut out = Shown::default();
    let depth = t.recommended.as_ref().map_or(t.today.gains.d, |c| c.gains.d);
    if let Some(chart) = plane(t, cells, p, i, depth) {
        out.charts.push(chart);
    }
    out.tables.push(figures(t, limits));
    if t.path.len() > 1 || t.path.first().is_some_and(|s| s.gains != t.today.gains) {
        out.tables.push(path(t));
    }
    if let Some(o) = &t.outer {
        out.tables.push(outer_table(o));
    }
    out
}

/// The region of p and i at one derivative gain.
fn plane(t: &Tuning, cells: &[Cell], p: &[f64], i: &[f64], depth: f64) -> Option<Chart> {
    let slice: Vec<&Cell> = cells.iter().filter(|c| (c.gains.d - depth).abs() < 1e-9).collect();
    if slice.len() < p.len() * i.len() {
        return None;
    }
    let at = |m: usize, n: usize| slice.get(n * p.len() + m).copied();
    let (mut x, mut low, mut high) = (Vec::new(), Vec::new(), Vec::new());
    let mut named: Vec<Bound> = Vec::new();
    let mut marks = Vec::new();
    let mut name = |bound: Option<Bound>, gx: f64, gy: f64| {
        if let Some(b) = bound
            && !named.contains(&b)
        {
            named.push(b);
            marks.push(Mark::Point { x: gx, y: gy, name: format!("edge: {}", b.words()) });
        }
    };
    let mut last_column = None;
    for m in 0..p.len() {
        let allowed: Vec<usize> =
            (0..i.len()).filter(|&n| at(m, n).is_some_and(|c| c.broken.is_none())).collect();
        let (Some(&first), Some(&last)) = (allowed.first(), allowed.last()) else { continue };
        x.push(p[m]);
        low.push(i[first]);
        high.push(i[last]);
        name(at(m, last + 1).and_then(|c| if last + 1 < i.len() { c.broken } else { None }), p[m], i[last]);
        last_column = Some((m, first));
    }
    if let Some((m, n)) = last_column
        && m + 1 < p.len()
    {
        name(at(m + 1, n).and_then(|c| c.broken), p[m], i[n]);
    }
    let mut series = Vec::new();
    if x.len() > 1 {
        series.push(Series::band("all limits kept", x, low, high));
    }
    let mut way = vec![t.today.gains];
    way.extend(t.path.iter().map(|s| s.gains));
    if way.len() > 1 {
        series.push(Series::new(
            "path",
            Style::Thin,
            way.iter().map(|g| g.p).collect(),
            way.iter().map(|g| g.i).collect(),
        ));
        for (k, g) in way.iter().enumerate().skip(1).take(way.len().saturating_sub(2)) {
            marks.push(Mark::Point { x: g.p, y: g.i, name: format!("{k}") });
        }
    }
    series.push(Series::new("today", Style::Rings, vec![t.today.gains.p], vec![t.today.gains.i]));
    if let Some(c) = &t.recommended {
        series.push(Series::new("recommended", Style::Dots, vec![c.gains.p], vec![c.gains.i]));
    }
    Some(Chart {
        id: "gain-plane".to_owned(),
        title: format!("Rate gains of roll and pitch, d = {depth:.2}"),
        caption: "Inside the band every limit holds for every plant that the uncertainty allows; each edge is named by the \
                  limit that binds there."
            .to_owned(),
        x: Axis::log("proportional gain", "1/s"),
        y: Axis::log("integral gain", "1/s^2"),
        series,
        marks,
    })
}

fn figures(t: &Tuning, limits: &Limits) -> Table {
    let db =
        |v: f64| if v.is_finite() { format!("{:.1} dB", 20.0 * v.log10()) } else { "no limit".to_owned() };
    let row = |name: &str, c: &Cell| {
        vec![
            name.to_owned(),
            format!("{:.1}", c.gains.p),
            format!("{:.0}", c.gains.i),
            format!("{:.2}", c.gains.d),
            format!("{:.1}", c.crossover),
            format!("{:.0} deg", c.phase_margin.to_degrees()),
            db(c.gain_up),
            db(c.gain_down),
            format!("{:.2}", c.sensitivity),
            if c.overshoot.is_finite() { format!("{:.0} %", 100.0 * c.overshoot) } else { "-".to_owned() },
            c.broken.map_or_else(|| "none".to_owned(), |b| b.words().to_owned()),
        ]
    };
    let mut rows = vec![row("today", &t.today)];
    if let Some(c) = &t.recommended {
        rows.push(row("recommended", c));
    }
    rows.push(vec![
        "limit".to_owned(),
        if limits.saturation.is_finite() { format!("{:.1}", limits.saturation) } else { "-".to_owned() },
        "-".to_owned(),
        "-".to_owned(),
        format!("{:.1} asked", t.required),
        format!("{:.0} deg", limits.phase_margin.to_degrees()),
        db(limits.gain_up),
        db(limits.gain_down),
        format!("{:.2}", limits.sensitivity),
        format!("{:.0} %", 100.0 * limits.overshoot),
        String::new(),
    ]);
    let head = [
        "gains",
        "p, 1/s",
        "i, 1/s^2",
        "d",
        "crossover, rad/s",
        "phase margin",
        "gain up",
        "gain down",
        "peak sensitivity",
        "overshoot",
        "broken",
    ];
    Table {
        id: "gains".to_owned(),
        title: "Rate gains of roll and pitch".to_owned(),
        head: head.iter().map(|s| (*s).to_owned()).collect(),
        rows,
        note: format!(
            "Worst over all plants; the crossover is the nominal one. Rests on {}. {}",
            t.basis, t.verdict
        ),
    }
}

fn path(t: &Tuning) -> Table {
    let rows = t
        .path
        .iter()
        .enumerate()
        .map(|(k, s)| {
            vec![
                format!("{}", k + 1),
                format!("{:.1}", s.gains.p),
                format!("{:.0}", s.gains.i),
                format!("{:.2}", s.gains.d),
                s.expected
                    .broken
                    .map_or_else(|| "inside all limits".to_owned(), |b| format!("outside: {}", b.words())),
                s.show.clone(),
            ]
        })
        .collect();
    Table {
        id: "gain-path".to_owned(),
        title: "Steps from today's gains".to_owned(),
        head: ["flight", "p, 1/s", "i, 1/s^2", "d", "expected", "must show before the next"]
            .iter()
            .map(|s| (*s).to_owned())
            .collect(),
        rows,
        note: "No gain changes by more than a quarter from one flight to the next (common practice, no source). Open space, \
               distance, a second person, a hand on the way back to the last gains; local rules and licensed practice decide."
            .to_owned(),
    }
}

fn outer_table(o: &OuterChoice) -> Table {
    let mut rows = vec![
        vec![
            "attitude".to_owned(),
            format!("{:.2}", o.gains.attitude),
            format!(
                "step overshoot {:.1} % (at most 5 %); at most a quarter of the rate crossover",
                100.0 * o.overshoot
            ),
        ],
        vec![
            "velocity".to_owned(),
            format!("{:.2}", o.gains.velocity),
            format!(
                "phase margin {:.0} deg (at least 60, for 45 after a heading error of 15); at most a quarter of the attitude gain",
                o.velocity_margin.to_degrees()
            ),
        ],
        vec![
            "position".to_owned(),
            format!("{:.2}", o.gains.position),
            "a quarter of the velocity gain".to_owned(),
        ],
        vec![
            "all closed, cut at the motor command".to_owned(),
            String::new(),
            format!(
                "phase margin {:.0} deg, gain margin up {:.1} dB",
                o.motor_phase_margin.to_degrees(),
                20.0 * o.motor_gain_up.log10()
            ),
        ],
    ];
    if let Some(b) = &o.bandwidth {
        rows.push(vec![
            "attitude response".to_owned(),
            String::new(),
            format!(
                "bandwidth {:.1} rad/s, phase delay {:.0} ms",
                b.attitude_response(),
                1e3 * b.phase_delay
            ),
        ]);
    }
    if let Some(r) = &o.rejection {
        rows.push(vec![
            "disturbances of attitude".to_owned(),
            String::new(),
            format!("rejected up to {:.1} rad/s, peak {:.1} dB", r.bandwidth, 20.0 * r.peak.log10()),
        ]);
    }
    let (bandwidth, delay) = outer::handling_limits(1.0);
    Table {
        id: "outer-gains".to_owned(),
        title: "Outer loops with the recommended rate gains".to_owned(),
        head: ["loop", "gain, 1/s", "what it gives"].iter().map(|s| (*s).to_owned()).collect(),
        rows,
        note: format!(
            "In this order, each only after the flight has confirmed the one before. Level 1 of ADS-33E at a diagonal of 1 m: \
             bandwidth at least {bandwidth:.1} rad/s, phase delay at most {:.0} ms; scaled by Froude with the root of the \
             diagonal.",
            1e3 * delay
        ),
    }
}
