//! Filters for what remains: the trade of lag against noise, the recommended set, and a notch for each measured peak.

use physics::aircraft::{Aircraft, Filter};
use physics::loops::filter_search::{self, Design, Found, Search};

use super::percent;
use crate::chart::{Axis, Chart, Mark, Series, Shown, Style, Table};
use crate::predict::delay_budget;

/// A notch for each measured line by itself: centre, width, depth, milliseconds, and what it brings.
pub(super) fn notches(search: &Search<'_>, axis: &str, out: &mut Shown) {
    let Ok(all) = filter_search::line_notches(search) else { return };
    if all.is_empty() {
        return;
    }
    let rows = search
        .lines
        .iter()
        .zip(&all)
        .map(|(line, n)| match &n.notch {
            Some(c) => vec![
                line.name.clone(),
                c.order
                    .map_or_else(|| format!("{:.1}", c.centre), |o| format!("{o}/rev, now {:.1}", c.centre)),
                format!("{:.1}", c.width),
                format!("{:.1}", -20.0 * c.depth.log10()),
                format!("{:.2}", 1e3 * c.delay),
                format!("{} → {}", percent(n.before), percent(n.after)),
            ],
            None => vec![
                line.name.clone(),
                "none can stand there".to_owned(),
                "-".to_owned(),
                "-".to_owned(),
                "-".to_owned(),
                percent(n.before),
            ],
        })
        .collect();
    out.tables.push(Table {
        id: "peak-notches".to_owned(),
        title: format!("A notch for each measured peak, {axis}"),
        head: [
            "peak",
            "centre, Hz",
            "width to -3 dB, Hz",
            "depth over its band, dB",
            "lag at crossover, ms",
            "command noise of this axis",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
        note: format!(
            "Each by itself on top of today's filters: the narrowest that takes nine tenths off the line where it stands; one that follows a rotor by its telemetry \
             is allowed {:.1} % of error. None is made below twice the crossover or above 0.45 of the sample rate.",
            100.0 * filter_search::TRACKING_ERROR
        ),
    });
}

fn words(d: &Design) -> String {
    let mut parts: Vec<String> = d
        .notches
        .iter()
        .map(|n| {
            let what = n.order.map_or_else(
                || format!("notch {:.0} Hz", n.centre),
                |o| format!("notch following {o}/rev (now {:.0} Hz)", n.centre),
            );
            format!("{what}, {:.0} Hz wide, to {:.2} at the line, {:.2} ms", n.width, n.depth, 1e3 * n.delay)
        })
        .collect();
    parts.push(
        d.low_pass
            .map_or_else(|| "no low-pass".to_owned(), |(o, f)| format!("low-pass {f:.0} Hz, order {o}")),
    );
    parts.join("; ")
}

/// The trade as a curve with today's and the recommended set.
pub(super) fn trade(a: &Aircraft, found: &Found, limit: f64, axis: &str, seen_to: f64, out: &mut Shown) {
    let allowance = 0.2 * delay_budget(a);
    let ms = |d: &Design| 1e3 * d.delay;
    let shown: Vec<&Design> =
        found.front.iter().filter(|d| d.delay < 4.0 * allowance.max(found.today.delay)).collect();
    let mut marks = vec![
        Mark::Limit { y: 100.0 * limit, name: format!("limit, {axis}'s part") },
        Mark::At { x: 1e3 * allowance, name: "allowance of the filters".to_owned() },
        Mark::Point { x: ms(&found.today), y: 100.0 * found.today.noise, name: "today".to_owned() },
    ];
    if let Some(r) = &found.recommended {
        marks.push(Mark::Point { x: ms(r), y: 100.0 * r.noise, name: "recommended".to_owned() });
    }
    out.charts.push(Chart {
        id: "filter-trade".to_owned(),
        title: format!("Filters, {axis}: lag at crossover against noise at the motors"),
        caption: "No filter set lies below the line; the recommended one is where the line first falls under the limit.".to_owned(),
        x: Axis::linear("lag of all filters at the required crossover", "ms"),
        y: Axis::log("motor command noise, r.m.s.", "%"),
        series: vec![Series::new(
            "best sets",
            Style::Line,
            shown.iter().map(|d| ms(d)).collect(),
            shown.iter().map(|d| 100.0 * d.noise).collect(),
        )],
        marks,
    });
    let today: Vec<String> = a
        .filters
        .iter()
        .map(|f| match f {
            Filter::LowPass { order, cutoff } => format!("low-pass {cutoff:.0} Hz, order {order}"),
            Filter::Notch { centre, width, .. } => format!("notch {centre:.0} Hz, {width:.0} Hz wide"),
        })
        .collect();
    let row = |name: &str, set: String, d: &Design| {
        vec![name.to_owned(), set, format!("{:.2}", ms(d)), percent(d.noise)]
    };
    let mut rows =
        vec![row("today", if today.is_empty() { "none".to_owned() } else { today.join("; ") }, &found.today)];
    let note = match (&found.recommended, &found.quietest) {
        (Some(r), _) => {
            rows.push(row("recommended", words(r), r));
            "Least lag with the noise under its limit and 45 deg of phase margin left at today's gains.".to_owned()
        }
        (None, Some(q)) => {
            rows.push(row("quietest that the loop bears", words(q), q));
            "No set brings the noise under its limit and leaves 45 deg of phase margin at today's gains: cure the hardware first.".to_owned()
        }
        (None, None) => "With today's gains the loop bears no filter at 45 deg of phase margin: lower the delay or the gains, and cure the hardware first.".to_owned(),
    };
    let unseen = 1.0 / a.imu.as_ref().map_or(1.0, |i| i.sample_period) * 0.5;
    let hidden = if seen_to < 0.98 * unseen {
        format!(
            " What lies above {seen_to:.0} Hz is not in the record: log the raw gyro at its own rate before trusting a cut-off above that."
        )
    } else {
        String::new()
    };
    out.tables.push(Table {
        id: "filter-sets".to_owned(),
        title: format!("Filter sets, {axis}"),
        head: vec!["set".to_owned(), "filters".to_owned(), "lag at crossover, ms".to_owned(), "command noise".to_owned()],
        rows,
        note: format!("{note}{hidden} Notches by bilinear transform with centre and width pre-warped; the audio-cookbook form of the same numbers is narrower."),
    });
}
