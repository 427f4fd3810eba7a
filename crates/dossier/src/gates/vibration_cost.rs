//! What the gyro's noise costs at the motors, what would cure it, and which filters are left to do.
//!
//! Built on the newest flight whose raw gyro has a spectrum: its peaks are lines, what lies between them the broad
//! part. Above half the logging rate the broad part is continued at its mean level over the last third, which is said.

use std::f64::consts::{FRAC_PI_4, TAU};

use physics::aircraft::{Aircraft, Filter};
use physics::loops::filter_search::{self, Design, Found, NoiseLine, Search};
use physics::loops::noise;
use physics::mass::mass_properties;
use physics::{control, powertrain};
use signal::peaks;

use crate::chart::{Axis, Chart, Mark, Series, Shown, Style, Table};
use crate::findings::{Findings, Source, SourceKind, Spectrum};
use crate::gates::context::Context;
use crate::predict::{delay_budget, required_crossover};

/// Density used for the share of full thrust only, kg/m^3; the result is scaled to the prediction at the site.
const NOMINAL_DENSITY: f64 = 1.225;
/// A tracking notch and its line wander by so much in a steady hover, as a fraction (common practice, no source).
const WANDER: f64 = 0.03;

/// The gyro's noise of one axis as the filters see it.
struct AxisNoise {
    axis: usize,
    frequency: Vec<f64>,
    /// Density without the lines.
    broad: Vec<f64>,
    lines: Vec<NoiseLine>,
    kinds: Vec<Option<SourceKind>>,
    /// Motor command per demanded angular acceleration, s^2/rad.
    command: f64,
}

impl AxisNoise {
    fn density(&self, f: f64) -> f64 {
        let k = self.frequency.partition_point(|v| *v < f);
        match self.broad.get(k) {
            Some(v) => *v,
            None => {
                let tail = &self.broad[self.broad.len() * 2 / 3..];
                tail.iter().sum::<f64>() / tail.len().max(1) as f64
            }
        }
    }
}

fn command_factors(ctx: &Context<'_>, a: &Aircraft, band: (f64, f64)) -> Option<[f64; 3]> {
    let bare = a.without_payload();
    let mass = mass_properties(&bare.bodies);
    let n = a.stations.len().max(1) as f64;
    let full = powertrain::full_thrust(a, 0.5, NOMINAL_DENSITY).ok()?.total / n;
    let share = mass.mass * physics::STANDARD_GRAVITY / n;
    let speed = a.rotor.speed_for_thrust(share, 0.0, NOMINAL_DENSITY).unwrap_or(0.0);
    let reaction = a.rotor.torque_per_thrust(speed, NOMINAL_DENSITY);
    let mixer = control::mixer(&control::effectiveness(a, &mass.centre, reaction)).ok()?;
    let mut out = [0.0; 3];
    let mut own = 0.0;
    let imu = a.imu.as_ref()?;
    for (axis, o) in out.iter_mut().enumerate() {
        let most = (0..mixer.nrows()).map(|r| mixer[(r, axis + 1)].abs()).fold(0.0, f64::max);
        *o = mass.inertia[(axis, axis)] * most / full;
        let transfer = noise::gyro_to_command(a, axis).ok()?;
        own += (noise::rms(&transfer, &|_| imu.rate_noise.powi(2), band.0, band.1) * *o).powi(2);
    }
    // The prediction knows the site's air: one factor on full thrust.
    if let Some(p) = ctx.predicted("vibration.command_noise").filter(|p| p.value > 0.0 && own > 0.0) {
        let factor = (p.value / own.sqrt()).clamp(0.3, 3.0);
        out.iter_mut().for_each(|o| *o *= factor);
    }
    out.iter().all(|v| v.is_finite() && *v > 0.0).then_some(out)
}

/// Lines and broad part of one spectrum.
fn split(spectrum: &Spectrum, sources: &[Source], axis: usize, command: f64, low: f64) -> AxisNoise {
    let resolution = spectrum.frequency.get(1).copied().unwrap_or(1.0);
    let floor = peaks::floor(&spectrum.density, 24);
    let mut broad = spectrum.density.clone();
    let (mut lines, mut kinds) = (Vec::new(), Vec::new());
    for p in spectrum.peaks.iter().filter(|p| p.frequency > low) {
        let source = sources.iter().find(|s| s.name == p.attribution);
        let band = (p.frequency * (1.0 - WANDER), p.frequency * (1.0 + WANDER));
        // The peak's own bins fall to the floor around it.
        let reach = (6.0 * resolution).max(0.04 * p.frequency);
        for ((f, v), base) in spectrum.frequency.iter().zip(&mut broad).zip(&floor) {
            if (f - p.frequency).abs() <= reach {
                *v = v.min(*base);
            }
        }
        lines.push(NoiseLine {
            name: format!("{:.0} Hz, {}", p.frequency, p.attribution),
            band,
            power: p.rms * p.rms,
            order: source.filter(|s| !s.folded && s.kind != SourceKind::CannotTell).and_then(|s| s.order),
        });
        kinds.push(source.map(|s| s.kind));
    }
    AxisNoise { axis, frequency: spectrum.frequency.clone(), broad, lines, kinds, command }
}

/// R.m.s. at the command by source through today's filters: broad part, then each line.
fn through(a: &Aircraft, n: &AxisNoise, band: (f64, f64)) -> Option<(f64, Vec<f64>)> {
    let transfer = noise::gyro_to_command(a, n.axis).ok()?;
    let broad = noise::rms(&transfer, &|f| n.density(f), band.0, band.1) * n.command;
    let lines = n
        .lines
        .iter()
        .map(|l| (l.power * transfer(TAU * 0.5 * (l.band.0 + l.band.1)).norm_sqr()).sqrt() * n.command)
        .collect();
    Some((broad, lines))
}

/// Newest flight with a spectrum of the raw gyro.
fn newest<'a>(ctx: &'a Context<'_>) -> Option<(&'a str, &'a Findings)> {
    ctx.evidence
        .flights
        .iter()
        .rev()
        .find(|f| f.findings.spectra.iter().any(|s| s.channel.starts_with("rate_raw.")))
        .map(|f| (f.meta.id.as_str(), &f.findings))
}

fn percent(v: f64) -> String {
    format!("{:.3} %", 100.0 * v)
}

/// Charts and tables of the gate.
pub(super) fn shown(ctx: &Context<'_>) -> Shown {
    let mut out = Shown::default();
    let a = &ctx.subject.resolved().aircraft;
    let Some((record, findings)) = newest(ctx) else { return out };
    sources(findings, record, &mut out);
    let Some(imu) = &a.imu else { return out };
    let crossover = required_crossover(a);
    let half = 0.5 / imu.sample_period;
    let band = ((3.0 * crossover / TAU).min(0.5 * half), half);
    let Some(factors) = command_factors(ctx, a, band) else { return out };
    let axes: Vec<AxisNoise> = ["x", "y", "z"]
        .iter()
        .enumerate()
        .filter_map(|(k, letter)| {
            let s = findings.spectra.iter().find(|s| s.channel == format!("rate_raw.{letter}"))?;
            Some(split(s, &findings.sources, k, factors[k], band.0))
        })
        .collect();
    let parts: Vec<(&AxisNoise, f64, Vec<f64>)> =
        axes.iter().filter_map(|n| through(a, n, band).map(|(b, l)| (n, b, l))).collect();
    if parts.is_empty() {
        return out;
    }
    let square = |p: &(&AxisNoise, f64, Vec<f64>)| p.1 * p.1 + p.2.iter().map(|v| v * v).sum::<f64>();
    let total: f64 = parts.iter().map(square).sum();
    let seen_to = axes.iter().filter_map(|n| n.frequency.last().copied()).fold(0.0, f64::max);
    ledger(&parts, total, band, seen_to, a, record, &mut out);
    cures(ctx, a, &parts, total, &mut out);
    // The noisier of roll and pitch gets its part of the limit.
    let Some(worst) = parts.iter().filter(|p| p.0.axis < 2).max_by(|p, q| square(p).total_cmp(&square(q)))
    else {
        return out;
    };
    let limit = ctx.limits.limit("vibration.command-noise", a).map_or(0.01, |l| l.value);
    let part = (square(worst) / total.max(1e-300)).sqrt().clamp(0.3, 1.0);
    let thrust = mass_properties(&a.without_payload().bodies).mass * physics::STANDARD_GRAVITY
        / a.stations.len().max(1) as f64;
    let speed = a.rotor.speed_for_thrust(thrust, 0.0, NOMINAL_DENSITY).unwrap_or(0.0);
    let Ok(lag) = powertrain::motor_lag(a, speed, NOMINAL_DENSITY) else { return out };
    let braking = a.esc.as_ref().is_some_and(|e| e.braking);
    let density = |f: f64| worst.0.density(f);
    let search = Search {
        aircraft: a,
        axis: worst.0.axis,
        motor_lag: if braking { lag.braked } else { lag.freewheeling },
        crossover,
        phase_margin: FRAC_PI_4,
        density: &density,
        lines: &worst.0.lines,
        band,
        command: worst.0.command,
        limit: limit * part,
    };
    if let Ok(found) = filter_search::search(&search) {
        trade(a, &found, limit * part, worst.0, seen_to, &mut out);
    }
    out
}

fn sources(findings: &Findings, record: &str, out: &mut Shown) {
    if findings.sources.is_empty() {
        return;
    }
    out.tables.push(Table {
        id: "vibration-sources".to_owned(),
        title: "Sources of vibration".to_owned(),
        head: vec!["source".to_owned(), "evidence".to_owned(), "what would tell more".to_owned()],
        rows: findings
            .sources
            .iter()
            .map(|s| vec![s.name.clone(), s.evidence.clone(), s.would_tell.clone().unwrap_or_default()])
            .collect(),
        note: format!("From record {record}."),
    });
    out.charts.extend(findings.charts.iter().filter(|c| c.id.starts_with("speed-map")).cloned());
    out.tables.extend(findings.tables.iter().filter(|t| t.id.starts_with("noise-")).cloned());
}

fn ledger(
    parts: &[(&AxisNoise, f64, Vec<f64>)],
    total: f64,
    band: (f64, f64),
    seen_to: f64,
    a: &Aircraft,
    record: &str,
    out: &mut Shown,
) {
    let mut rows: Vec<(String, f64)> = Vec::new();
    for (n, broad, lines) in parts {
        let axis = ["roll", "pitch", "yaw"].get(n.axis).unwrap_or(&"");
        rows.push((format!("{axis}: broad noise"), broad * broad));
        for (l, v) in n.lines.iter().zip(lines) {
            rows.push((format!("{axis}: {}", l.name), v * v));
        }
    }
    rows.sort_by(|x, y| y.1.total_cmp(&x.1));
    let small: f64 = rows.iter().skip(12).map(|r| r.1).sum();
    rows.truncate(12);
    if small > 0.0 {
        rows.push(("smaller ones together".to_owned(), small));
    }
    let mut table: Vec<Vec<String>> = rows
        .iter()
        .map(|(name, p)| {
            vec![name.clone(), percent(p.sqrt()), format!("{:.1} %", 100.0 * p / total.max(1e-300))]
        })
        .collect();
    table.push(vec!["sum".to_owned(), percent(total.sqrt()), "100.0 %".to_owned()]);
    // By band: what lies in the control band's neighbourhood, around 1/rev, and above.
    let loss = match (&a.motor, &a.battery) {
        (Some(m), Some(b)) => {
            let voltage = 3.7 * f64::from(b.series);
            let resistance = m.resistance + a.esc.as_ref().map_or(0.0, |e| e.resistance);
            format!(
                " On a winding of {:.0} mohm at {voltage:.1} V it makes at most {:.2} W of copper loss in each motor.",
                1e3 * resistance,
                filter_search::copper_loss(total.sqrt(), voltage, resistance)
            )
        }
        _ => String::new(),
    };
    let unseen = if seen_to < 0.98 * band.1 {
        format!(
            " The record shows up to {seen_to:.0} Hz; above, to the gyro's {:.0} Hz, the broad part is continued at its last level and lines are not seen.",
            band.1
        )
    } else {
        String::new()
    };
    out.tables.push(Table {
        id: "command-noise".to_owned(),
        title: "Noise at the motor command, by source".to_owned(),
        head: vec!["source".to_owned(), "r.m.s. of full command".to_owned(), "share of the mean square".to_owned()],
        rows: table,
        note: format!(
            "Raw gyro of record {record} through today's filters and gains, {:.0} Hz and up. Mean squares add up.{loss}{unseen}",
            band.0
        ),
    });
}

/// The cures in order, each by itself, with what it leaves.
fn cures(
    ctx: &Context<'_>,
    a: &Aircraft,
    parts: &[(&AxisNoise, f64, Vec<f64>)],
    total: f64,
    out: &mut Shown,
) {
    let of = |wanted: &dyn Fn(Option<SourceKind>) -> bool| -> f64 {
        parts
            .iter()
            .flat_map(|(n, _, lines)| n.kinds.iter().zip(lines))
            .filter(|(k, _)| wanted(**k))
            .map(|(_, v)| v * v)
            .sum()
    };
    let broad: f64 = parts.iter().map(|p| p.1 * p.1).sum();
    let named: Vec<SourceKind> =
        newest(ctx).map(|(_, f)| f.sources.iter().map(|s| s.kind).collect()).unwrap_or_default();
    let mut rows = Vec::new();
    let mut add = |cure: &str, does: String, left: f64| {
        rows.push(vec![
            cure.to_owned(),
            does,
            format!("{} → {}", percent(total.sqrt()), percent(left.max(0.0).sqrt())),
        ]);
    };
    let once = of(&|k| k == Some(SourceKind::Unbalance));
    if once > 0.0 {
        let ratio = balanced_ratio(ctx);
        let (keep, why) = ratio
            .map_or((0.25, "to a quarter, as tape usually does (common practice, no source)"), |r| {
                (r, "to what the balance run left")
            });
        add("balance", format!("1/rev falls {why}"), total - once * (1.0 - keep * keep));
    }
    if named.contains(&SourceKind::Looseness) {
        let own: f64 = a.imu.as_ref().map_or(0.0, |imu| {
            parts
                .iter()
                .filter_map(|(n, _, _)| {
                    let t = noise::gyro_to_command(a, n.axis).ok()?;
                    let half = 0.5 / imu.sample_period;
                    Some(
                        (noise::rms(&t, &|_| imu.rate_noise.powi(2), half.min(20.0), half) * n.command)
                            .powi(2),
                    )
                })
                .sum()
        });
        add(
            "tighten",
            "knocks stop: the broad part falls to the gyro's own noise".to_owned(),
            total - broad + own.min(broad),
        );
    }
    let structural = of(&|k| matches!(k, Some(SourceKind::Structure | SourceKind::Mount)));
    if structural > 0.0 {
        // Twice the stiffness moves a mode up by sqrt 2; what the same force makes there falls as 1/k.
        add(
            "stiffen",
            "twice the stiffness halves what the same force bends".to_owned(),
            total - structural * 0.75,
        );
    }
    let lines: f64 = parts.iter().flat_map(|p| p.2.iter()).map(|v| v * v).sum();
    if lines > 0.3 * total
        && let Some(row) = remount(a, parts, total)
    {
        add("remount the sensor", row.0, row.1);
    }
    if let Some((name, factor)) = crossing(ctx) {
        add(
            "move the hover speed",
            format!("{name}: 15 % away from it the resonance answers with {factor:.2} of today's"),
            total - structural.max(once) * (1.0 - factor * factor).max(0.0),
        );
    }
    if rows.is_empty() {
        return;
    }
    out.tables.push(Table {
        id: "vibration-cures".to_owned(),
        title: "Cures, in this order".to_owned(),
        head: vec!["cure".to_owned(), "what it does".to_owned(), "command noise, r.m.s.".to_owned()],
        rows,
        note: "Each by itself, recomputed through today's filters and gains; filters come after these."
            .to_owned(),
    });
}

/// Residual over original unbalance of the worst rotor with a finished balance run.
fn balanced_ratio(ctx: &Context<'_>) -> Option<f64> {
    let before = ctx.bench("balance.unbalance").found()?.estimate.value;
    let after = ctx.bench("balance.residual").found()?.estimate.value;
    (before > 0.0).then(|| (after / before).clamp(0.0, 1.0))
}

/// Isolator that halves the lowest line at least: its frequency, what it leaves, what it costs the loop.
fn remount(a: &Aircraft, parts: &[(&AxisNoise, f64, Vec<f64>)], total: f64) -> Option<(String, f64)> {
    const DAMPING: f64 = 0.2;
    let lowest = parts
        .iter()
        .flat_map(|(n, _, v)| n.lines.iter().zip(v))
        .filter(|(_, v)| *v * *v > 0.02 * total)
        .map(|(l, _)| l.band.0)
        .fold(f64::INFINITY, f64::min);
    let crossover = required_crossover(a);
    let natural = 0.5 * lowest;
    if !natural.is_finite() {
        return None;
    }
    // Transmissibility of a damped isolator (Harris' Shock and Vibration Handbook, ch. 2).
    let transmitted = |f: f64| {
        let r = f / natural;
        let t = 1.0 + (2.0 * DAMPING * r).powi(2);
        t / ((1.0 - r * r).powi(2) + (2.0 * DAMPING * r).powi(2))
    };
    let taken: f64 = parts
        .iter()
        .flat_map(|(n, _, v)| n.lines.iter().zip(v))
        .map(|(l, v)| v * v * (1.0 - transmitted(0.5 * (l.band.0 + l.band.1))))
        .sum();
    // Lag of the same transfer at crossover.
    let r = crossover / (TAU * natural);
    let lag = ((2.0 * DAMPING * r / (1.0 - r * r)).atan() - (2.0 * DAMPING * r).atan()) / crossover;
    let per_mass = (TAU * natural).powi(2);
    let room = TAU * natural >= 5.0 * crossover;
    let text = format!(
        "isolator at {natural:.0} Hz, damping {DAMPING}: {:.2} N/m for each gram on it; costs the loop {:.2} ms at crossover{}",
        1e-3 * per_mass,
        1e3 * lag,
        if room { "" } else { ", and lies too near the loop: below five crossovers do not" }
    );
    Some((text, total - taken))
}

/// A resonance within 20 % of an order in hover, and what 15 % more distance makes of the answer.
fn crossing(ctx: &Context<'_>) -> Option<(String, f64)> {
    let (_, f) = newest(ctx)?;
    let modes = f.sources.iter().filter(|s| matches!(s.kind, SourceKind::Structure | SourceKind::Mount));
    for m in modes {
        let mode = 0.5 * (m.seen.0 + m.seen.1);
        for o in f.sources.iter().filter(|s| s.order.is_some() && !s.folded) {
            let r = 0.5 * (o.seen.0 + o.seen.1) / mode;
            if (r - 1.0).abs() < 0.2 {
                let answer = |r: f64| 1.0 / ((1.0 - r * r).powi(2) + (0.03 * r).powi(2)).sqrt();
                let away = if r < 1.0 { r - 0.15 } else { r + 0.15 };
                return Some((
                    format!("{} stands near {}", o.name, m.name),
                    (answer(away) / answer(r)).min(1.0),
                ));
            }
        }
    }
    None
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

fn trade(a: &Aircraft, found: &Found, limit: f64, noise: &AxisNoise, seen_to: f64, out: &mut Shown) {
    let allowance = 0.2 * delay_budget(a);
    let ms = |d: &Design| 1e3 * d.delay;
    let shown: Vec<&Design> =
        found.front.iter().filter(|d| d.delay < 4.0 * allowance.max(found.today.delay)).collect();
    let axis = ["roll", "pitch", "yaw"].get(noise.axis).unwrap_or(&"");
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
