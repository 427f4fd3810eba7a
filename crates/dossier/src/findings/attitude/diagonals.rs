//! Hard diagonals: which cells of stick and frequency were flown, and how long a rotor stood at a limit meanwhile.
//!
//! The demanded tilt over that of full stick is the deflection. Along each of the two diagonals a swing runs from one
//! zero crossing to the next; its peak gives the deflection and the side, its length half a period. It counts where the
//! deflection is 80 % or more, the frequency 0.2 to 2 Hz and the other diagonal has little of it. A cell is one of four
//! sides, two halves of the deflection and three even parts of the frequency's logarithm (our choice: 24 cells).

use std::collections::BTreeSet;

use super::super::context::{Context, Out};
use super::{Flown, RESTS};
use crate::record::Tap;

/// Deflections: from, middle, and up to (a little above full stick for the noise of a pilot's hand).
const DEFLECTION: (f64, f64, f64) = (0.80, 0.90, 1.05);
/// Frequencies, Hz, and their parts.
const FREQUENCY: (f64, f64) = (0.2, 2.0);
const PARTS: usize = 3;
/// Share of the other diagonal at a peak: tan 22.5 deg, halfway to a pure roll or pitch.
const ASIDE: f64 = 0.414;
/// How long after a swing a limit still counts as its, s.
const AFTER: f64 = 0.3;
const SIDES: [&str; 4] = ["forward right", "back left", "forward left", "back right"];
const CELLS: usize = SIDES.len() * 2 * PARTS;

struct Swing {
    from: f64,
    to: f64,
    cell: (usize, usize, usize),
}

pub(super) fn run(context: &Context<'_>, flown: &Flown, out: &mut Out) {
    let (key, label) = ("diagonal.share", "hard diagonals flown");
    let test =
        "fly the four diagonals at 80 to 100 % stick, from 0.2 to 2 Hz, in attitude command (card attitude)";
    let full =
        context.known.aircraft.as_ref().and_then(|a| a.attitude_loop.as_ref()).and_then(|l| l.full_tilt);
    let Some(full) = full.filter(|f| *f > 0.0) else {
        let missing = "loop.attitude.full_tilt in the aircraft file: what full stick asks for";
        out.cannot_tell(key, label, missing, test, RESTS);
        return;
    };
    let swings = swings(flown, full);
    let cells: BTreeSet<_> = swings.iter().map(|s| s.cell).collect();
    if cells.is_empty() {
        let missing = "excitation: no diagonal swing of 80 % stick or more between 0.2 and 2 Hz";
        out.cannot_tell(key, label, missing, test, RESTS);
        return;
    }
    let share = cells.len() as f64 / CELLS as f64;
    let by_side: Vec<String> = SIDES
        .iter()
        .enumerate()
        .map(|(k, name)| format!("{name} {} of {}", cells.iter().filter(|c| c.0 == k).count(), 2 * PARTS))
        .collect();
    let text = format!(
        "{} of {CELLS} cells of side, deflection (80 to 90, 90 to 100 %) and frequency (0.2 to 2 Hz in three): {}.",
        cells.len(),
        by_side.join(", ")
    );
    // Counted, not measured: a swing at the edge of a cell could fall into the next.
    let e = context.estimate("diagonal cells", share, 0.5 / CELLS as f64, "1");
    out.value(key, label, e, text, RESTS);
    saturation(context, &swings, out);
}

fn swings(flown: &Flown, full: f64) -> Vec<Swing> {
    let mut all = Vec::new();
    for s in &flown.stretches {
        let forward: Vec<f64> = s.demand[1].iter().map(|p| -p / full).collect();
        let right: Vec<f64> = s.demand[0].iter().map(|r| r / full).collect();
        let turn = |sign: f64| -> Vec<f64> {
            forward
                .iter()
                .zip(&right)
                .map(|(f, r)| (f + sign * r) * std::f64::consts::FRAC_1_SQRT_2)
                .collect()
        };
        let diagonals = [turn(1.0), turn(-1.0)];
        for (d, along) in diagonals.iter().enumerate() {
            let across = &diagonals[1 - d];
            let mut begin = 0;
            for k in 1..along.len() {
                if along[k] * along[k - 1] > 0.0 || along[k - 1] == 0.0 && along[k] == 0.0 {
                    continue;
                }
                // A half swing lies between two crossings; the one that the stretch begins in has only one.
                let span = (k - begin) as f64 * flown.period;
                let peak = (begin..k).max_by(|a, b| along[*a].abs().total_cmp(&along[*b].abs()));
                if let (Some(peak), true) = (peak, begin > 0)
                    && let Some(cell) = cell(d, along[peak], across[peak], 0.5 / span)
                {
                    let at = |k: usize| s.start + k as f64 * flown.period;
                    all.push(Swing { from: at(begin), to: at(k), cell });
                }
                begin = k;
            }
        }
    }
    all
}

fn cell(diagonal: usize, along: f64, across: f64, frequency: f64) -> Option<(usize, usize, usize)> {
    let size = along.hypot(across);
    if !(DEFLECTION.0..=DEFLECTION.2).contains(&size) || across.abs() > ASIDE * along.abs() {
        return None;
    }
    if !(FREQUENCY.0..=FREQUENCY.1).contains(&frequency) {
        return None;
    }
    let part = (frequency / FREQUENCY.0).ln() / (FREQUENCY.1 / FREQUENCY.0).ln() * PARTS as f64;
    let side = 2 * diagonal + usize::from(along < 0.0);
    Some((side, usize::from(size >= DEFLECTION.1), (part as usize).min(PARTS - 1)))
}

fn saturation(context: &Context<'_>, swings: &[Swing], out: &mut Out) {
    let (key, label) = ("diagonal.saturation", "longest saturation in hard diagonals");
    let rests = &["mass", "rotor", "motor", "esc", "battery", "loop.rate", "loop.attitude"];
    let test = "log every rotor's command after mixing";
    let Some(all) = context.rotor_series("command") else {
        out.cannot_tell(key, label, "the channels rotor.N.command", test, rests);
        return;
    };
    if context.tap("rotor.1.command") != Some(Tap::AfterMixing) {
        let missing = "the tap point of rotor.N.command: after mixing";
        out.cannot_tell(key, label, missing, test, rests);
        return;
    }
    let period = all.iter().map(|s| s.period).fold(0.0, f64::max);
    let names: Vec<String> = (1..=all.len()).map(|i| format!("rotor.{i}.command")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut windows: Vec<(f64, f64)> = Vec::new();
    let mut spans: Vec<(f64, f64)> = swings.iter().map(|s| (s.from, s.to + AFTER)).collect();
    spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (from, to) in spans {
        match windows.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(to),
            _ => windows.push((from, to)),
        }
    }
    let Some(joint) = context.joint(&names, &windows) else {
        out.cannot_tell(key, label, "rotor commands without gaps in the diagonals", test, rests);
        return;
    };
    let low = context.known.usable_minimum + 1e-3;
    let (longest, episodes) = super::super::limits::longest_at_limit(&joint, low);
    let e = context.estimate("longest saturation in diagonals", longest, 0.5 * period, "s");
    let text = format!(
        "In {} hard swings, {:.0} s of flight, some rotor stood at an end of its command {episodes} times.",
        swings.len(),
        Context::length(&windows)
    );
    out.value(key, label, e, text, rests);
}
