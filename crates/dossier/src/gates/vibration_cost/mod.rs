//! What the gyro's noise costs at the motors, what would cure it, and which filters are left to do.
//!
//! Built on the newest flight whose raw gyro has a spectrum: its peaks are lines, what lies between them the broad
//! part. Above half the logging rate the broad part is continued at its mean level over the last third, which is said.
//! Where no flight has the raw gyro, that is said as well.

mod cures;
mod left;
mod modes;
mod noise;
mod trade;

use std::f64::consts::{FRAC_PI_4, TAU};

use physics::loops::filter_search::{self, Search};
use physics::mass::mass_properties;
use physics::powertrain;

use crate::chart::{Shown, Table};
use crate::findings::Findings;
use crate::gates::context::Context;
use crate::predict::required_crossover;

/// The flight to look at: the newest with a spectrum of the raw gyro, else the newest with any.
fn newest<'a>(ctx: &'a Context<'_>) -> Option<(&'a Findings, bool)> {
    let flights = || ctx.evidence.flights.iter().rev().map(|f| &f.findings);
    let raw = |f: &&Findings| f.spectra.iter().any(|s| s.channel.starts_with("rate_raw."));
    flights().find(raw).map(|f| (f, true)).or_else(|| flights().next().map(|f| (f, false)))
}

fn percent(v: f64) -> String {
    let v = 100.0 * v;
    if v >= 0.1 { format!("{v:.3} %") } else { format!("{v:.4} %") }
}

/// A table that says what stands in the way.
fn cannot(missing: &str, tell: &str, out: &mut Shown) {
    out.tables.push(Table {
        id: "vibration-cannot".to_owned(),
        title: "What cannot be told".to_owned(),
        head: ["question", "answer", "what would tell"].map(str::to_owned).to_vec(),
        rows: vec![vec![
            "noise at the motors, cures, filters".to_owned(),
            format!("cannot tell: {missing}"),
            tell.to_owned(),
        ]],
        note: String::new(),
    });
}

/// Charts and tables of the gate.
pub(super) fn shown(ctx: &Context<'_>) -> Shown {
    let mut out = Shown::default();
    let a = &ctx.subject.resolved().aircraft;
    let Some((findings, raw)) = newest(ctx) else { return out };
    let record = findings.record.as_str();
    sources(findings, record, &mut out);
    let peaks = modes::all(ctx, findings);
    modes::shown(ctx, &peaks, &mut out);
    if !raw {
        let missing = format!(
            "{record} has no raw gyro (rate_raw): behind the filters a peak shows what they leave, not what they must take out"
        );
        cannot(&missing, "log the gyro before the filters at its own rate in a hover of 10 s", &mut out);
        return out;
    }
    let Some(imu) = &a.imu else {
        cannot("`imu` is missing in the aircraft file", "state the gyro's sample rate", &mut out);
        return out;
    };
    let crossover = required_crossover(a);
    let half = 0.5 / imu.sample_period;
    let band = ((3.0 * crossover / TAU).min(0.5 * half), half);
    let density = ctx.subject.air().usual.density;
    let axes = noise::command_factors(a, density)
        .map(|factors| noise::axes(a, findings, &factors, 1.0 / imu.sample_period, band))
        .unwrap_or_default();
    if axes.is_empty() {
        let missing = "motor, ESC, battery, rotor, masses and rate gains carry the gyro's noise to the command, and one is not stated";
        cannot(missing, "state it in the aircraft file", &mut out);
        return out;
    }
    let seen_to = axes.iter().map(noise::Axis::seen_to).fold(0.0, f64::max);
    if seen_to <= band.0 {
        let missing = format!(
            "{record} shows the raw gyro up to {seen_to:.0} Hz, and the control band ends at {:.0} Hz",
            band.0
        );
        cannot(&missing, "log the raw gyro at its own rate in a hover of 10 s", &mut out);
        return out;
    }
    noise::tables(a, &axes, findings, record, band, &mut out);
    let thrust = mass_properties(&a.without_payload().bodies).mass * physics::STANDARD_GRAVITY
        / a.stations.len().max(1) as f64;
    let speed = a.rotor.speed_for_thrust(thrust, 0.0, density).unwrap_or(0.0);
    let Ok(lag) = powertrain::motor_lag(a, speed, density) else { return out };
    let braking = a.esc.as_ref().is_some_and(|e| e.braking);
    let motor_lag = if braking { lag.braked } else { lag.freewheeling };
    let limit = ctx.limits.limit("vibration.command-noise", a).map_or(0.01, |l| l.value);
    let sick =
        cures::Sick { ctx, aircraft: a, findings, axes: &axes, peaks: &peaks, crossover, motor_lag, limit };
    cures::table(&sick, &mut out);
    // The noisier of roll and pitch gets its part of the limit.
    let total: f64 = axes.iter().map(noise::Axis::square).sum();
    let worst = axes.iter().filter(|n| n.axis < 2).max_by(|p, q| p.square().total_cmp(&q.square()));
    let Some(worst) = worst else { return out };
    let part = (worst.square() / total.max(1e-300)).sqrt().clamp(0.3, 1.0);
    let of = |f: f64| worst.density(f);
    let lines = worst.noise_lines();
    let search = Search {
        aircraft: a,
        axis: worst.axis,
        motor_lag,
        crossover,
        phase_margin: FRAC_PI_4,
        density: &of,
        lines: &lines,
        band,
        command: worst.command,
        limit: limit * part,
    };
    trade::notches(&search, worst.name(), &mut out);
    if let Ok(found) = filter_search::search(&search) {
        trade::trade(a, &found, limit * part, worst.name(), seen_to, &mut out);
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
