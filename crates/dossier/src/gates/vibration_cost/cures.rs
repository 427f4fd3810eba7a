//! The cures in order: balance, tighten, stiffen, remount, move the hover speed. Each by itself, its effect recomputed
//! through today's filters and gains, with the interval that the numbers behind it leave.

use std::f64::consts::TAU;

use physics::aircraft::Aircraft;
use physics::loops::chain::rate_chain;
use physics::structure::isolator::transmissibility;
use physics::structure::{Mast, frame};

use super::left::{Cure, Doubt, Left, nothing};
use super::modes::Matched;
use super::noise::{Axis, Line};
use super::percent;
use crate::chart::{Shown, Table};
use crate::estimate::Estimate;
use crate::findings::{Findings, Source, SourceKind};
use crate::gates::context::Context;
use crate::gates::structure::modes_shown;
use crate::gates::vibration::worst_grade;

/// What tape usually leaves of 1/rev, and its standard uncertainty as a share (common practice, no source).
const TAPED: (f64, f64) = (0.25, 0.4);
/// The balance grade that is aimed at, mm/s.
const AIM: f64 = 6.3;
/// Damping ratio of an elastomer isolator, its standard uncertainty as a share, and that of the frequency that a chosen
/// stiffness comes to (common practice, no source).
const ISOLATOR_DAMPING: f64 = 0.2;
const DAMPING_DOUBT: f64 = 0.3;
const ISOLATOR_DOUBT: f64 = 0.1;
/// Standard uncertainty, as a share, of the knocks' density at low frequency over that seen at high frequency: what a blow
/// excites is rarely flat (our choice, no source).
const KNOCK_DOUBT: f64 = 0.3;
/// How many times as stiff a part is made.
const TIMES: f64 = 2.0;
/// Standard uncertainty, as a share, of the stiffness that a part gets (common practice, no source).
const STIFFER_DOUBT: f64 = 0.1;
/// An order nearer than this to a mode stands in its flank, as a share (the limit of gate structure).
const NEAR: f64 = 0.2;
/// How much farther away the hover speed is moved, as a share of the mode.
const AWAY: f64 = 0.15;
/// Damping ratio of a mode where neither file nor tap gives one (common practice, no source).
const MODE_DAMPING: f64 = 0.015;

/// What the cures look at.
pub(super) struct Sick<'a> {
    pub ctx: &'a Context<'a>,
    pub aircraft: &'a Aircraft,
    pub findings: &'a Findings,
    pub axes: &'a [Axis],
    pub peaks: &'a [Matched<'a>],
    /// Crossover that is required, rad/s.
    pub crossover: f64,
    /// Time constant of rotor speed, s.
    pub motor_lag: f64,
    /// Limit of the command noise.
    pub limit: f64,
}

/// Power, (rad/s)^2, and frequency, Hz, of a line that is changed.
type Changed<'f> = &'f dyn Fn(&Axis, &Line) -> (f64, f64);

impl Sick<'_> {
    /// Mean square at the command of the broad part of each axis and of each line, with its relative random error: each line
    /// at another power and frequency, and the broad parts at another mean square.
    fn parts(&self, line: Changed<'_>, broad: &dyn Fn(&Axis) -> f64) -> Vec<(f64, f64)> {
        self.axes
            .iter()
            .flat_map(|n| {
                let lines = n.lines.iter().map(|l| {
                    let (power, frequency) = line(n, l);
                    (n.of_line(power, frequency), n.line_error)
                });
                std::iter::once((broad(n), n.broad_error)).chain(lines)
            })
            .collect()
    }

    fn today(&self) -> Vec<(f64, f64)> {
        self.parts(&|_, l| same(l), &as_it_is)
    }

    /// What a change of lines leaves that depends on doubtful numbers: `line` gets a factor for each of them.
    fn left(&self, doubts: &[Doubt], line: &dyn Fn(&[f64], &Axis, &Line) -> (f64, f64)) -> Left {
        Left::of(&self.today(), doubts, &|k| self.parts(&|n, l| line(k, n, l), &as_it_is))
    }

    /// Relative standard uncertainty of an input; none where it is not stated.
    fn doubt_of(&self, key: &str) -> Option<f64> {
        self.ctx
            .subject
            .inputs()
            .iter()
            .find(|i| i.key == key && i.value != 0.0)
            .map(|i| (i.uncertainty / i.value).abs())
    }

    fn lines(&self, wanted: impl Fn(&Line) -> bool) -> bool {
        self.axes.iter().flat_map(|n| &n.lines).any(wanted)
    }
}

fn same(l: &Line) -> (f64, f64) {
    (l.noise.power, l.middle())
}

fn as_it_is(n: &Axis) -> f64 {
    n.broad * n.broad
}

/// The table.
pub(super) fn table(s: &Sick<'_>, out: &mut Shown) {
    let today = s.today().iter().map(|p| p.0).sum::<f64>().max(0.0).sqrt();
    let all = [
        ("1. balance", balance(s)),
        ("2. tighten", tighten(s)),
        ("3. stiffen", stiffen(s)),
        ("4. remount the sensor", remount(s)),
        ("5. move the hover speed", move_speed(s)),
    ];
    out.tables.push(Table {
        id: "vibration-cures".to_owned(),
        title: "Cures, in this order".to_owned(),
        head: ["cure", "what it does", "command noise with it, r.m.s.", "change from today"]
            .map(str::to_owned)
            .to_vec(),
        rows: all
            .into_iter()
            .map(|(name, c)| {
                let (after, change) = match &c.leaves {
                    Some(l) => (l.rms.to_string(), l.change.to_string()),
                    None => ("-".to_owned(), "-".to_owned()),
                };
                let mostly = c.leaves.and_then(|l| l.mostly);
                let does = match mostly {
                    Some(m) => format!("{} (interval mostly from {m})", c.does),
                    None => c.does,
                };
                vec![name.to_owned(), does, after, change]
            })
            .collect(),
        note: format!(
            "Each by itself, recomputed through today's filters and gains, with standard uncertainties; filters come after \
             these. Today's {} is {} the limit of {}.",
            percent(today),
            if today <= s.limit { "inside" } else { "over" },
            percent(s.limit)
        ),
    });
}

fn balance(s: &Sick<'_>) -> Cure {
    let once = |l: &Line| l.kind == Some(SourceKind::Unbalance);
    if !s.lines(once) {
        return nothing("no 1/rev of a rotor stands out in the gyro: nothing to balance for it");
    }
    let flown = s.ctx.evidence.flights.iter().find(|f| f.meta.id == s.findings.record).map(|f| &f.meta.date);
    let grade = worst_grade(s.ctx).found().filter(|g| g.stale.is_none());
    let before = s.ctx.bench("balance.unbalance").found();
    let after = s.ctx.bench("balance.residual").found();
    let relative = |e: &Estimate| if e.value > 0.0 { e.uncertainty / e.value } else { 1.0 };
    let (keep, doubt, why) = match (grade, flown, before, after) {
        (Some(g), Some(date), Some(b), Some(a)) if g.date > *date && b.estimate.value > 0.0 => {
            let keep = (a.estimate.value / b.estimate.value).clamp(0.0, 1.0);
            let doubt = relative(&a.estimate).hypot(relative(&b.estimate));
            (keep, doubt, format!("to {:.0} %, as the balance run after this flight showed", 100.0 * keep))
        }
        (Some(g), ..) if g.estimate.value > AIM => (
            AIM / g.estimate.value,
            relative(&g.estimate),
            format!("from G {:.1} of the balance run to the aim, G {AIM}", g.estimate.value),
        ),
        (Some(g), ..) => {
            return nothing(&format!(
                "the rotors stand at G {:.1}, inside the aim of G {AIM}: no more to gain by tape",
                g.estimate.value
            ));
        }
        (None, ..) => {
            (TAPED.0, TAPED.1, "to a quarter, as tape usually does (common practice, no source)".to_owned())
        }
    };
    let left = s.left(&[Doubt::of("what balancing leaves", doubt)], &|k, _, l| {
        let (p, f) = same(l);
        (if once(l) { p * (keep * k[0]).powi(2) } else { p }, f)
    });
    Cure { does: format!("1/rev falls {why}"), leaves: Some(left) }
}

fn tighten(s: &Sick<'_>) -> Cure {
    if !s.findings.sources.iter().any(|s| s.kind == SourceKind::Looseness) {
        return nothing("nothing knocks in this record");
    }
    let Some(imu) = &s.aircraft.imu else { return nothing("imu in the aircraft file is missing") };
    let half = 0.5 / imu.sample_period;
    let from = (3.0 * s.crossover / TAU).min(0.5 * half);
    let doubts = [
        Doubt::of("the gyro's own noise", s.doubt_of("imu.rate_noise").unwrap_or(0.0)),
        Doubt::of("how strong the knocks are at low frequency", KNOCK_DOUBT),
    ];
    let left = Left::of(&s.today(), &doubts, &|k| {
        let own = (imu.rate_noise * k[0]).powi(2);
        s.parts(&|_, l| same(l), &|n| {
            let knocks = k[1] * (n.high_level() - own).max(0.0);
            let rest = |f: f64| (n.density(f) - knocks).max(own.min(n.density(f)));
            n.of_density(&rest, (from, half)).powi(2)
        })
    });
    Cure {
        does: "knocks stop: their level at high frequency goes from all of the broad part".to_owned(),
        leaves: Some(left),
    }
}

/// Frequency of a mode over today's with its root so many times as stiff (or its section deeper: a fifth at 2), by the
/// model of its part; by the square root where no model stands behind it.
fn stiffer(a: &Aircraft, mode: Option<&str>, times: f64) -> (f64, String) {
    let plain = (times.sqrt(), "twice the stiffness".to_owned());
    let Some(mode) = mode else { return plain };
    if let Some(pattern) = mode.strip_prefix("arm: ") {
        let of = |a: &Aircraft| {
            frame::arms(a).ok()?.patterns().into_iter().find(|p| p.name == pattern).map(|p| p.frequency)
        };
        let bare = a.without_payload();
        let mut changed = bare.clone();
        let Some(arm) = changed.structure.arm.as_mut() else { return plain };
        // What gives most of the two: a root twice as stiff, or a section a fifth deeper.
        arm.root_stiffness *= times;
        let mut deeper = bare.clone();
        let depth = 1.0 + 0.2 * (times - 1.0);
        if let Some(arm) = deeper.structure.arm.as_mut() {
            match &mut arm.section {
                physics::structure::Section::Tube { outer, .. } => *outer *= depth,
                physics::structure::Section::Rectangle { height, .. } => *height *= depth,
            }
        }
        let ratio = |a: &Aircraft| Some(of(a)? / of(&bare)?);
        return match (ratio(&changed), ratio(&deeper)) {
            (Some(r), Some(d)) if r >= d => (r, "the arm's root twice as stiff".to_owned()),
            (_, Some(d)) => (d, "the arm's section a fifth deeper".to_owned()),
            _ => plain,
        };
    }
    if mode == "mast"
        && let Some(mast) = &a.structure.mast
    {
        let firm = Mast { root_stiffness: times * mast.root_stiffness, ..mast.clone() };
        if let (Some(was), Some(is)) = (mast.frequency(), firm.frequency()) {
            return (is / was, "the mast's foot twice as stiff".to_owned());
        }
    }
    plain
}

fn stiffen(s: &Sick<'_>) -> Cure {
    let structural = |l: &Line| matches!(l.kind, Some(SourceKind::Structure | SourceKind::Mount));
    if !s.lines(structural) {
        return nothing("no resonance stands out in the gyro");
    }
    let peak_of = |l: &Line| {
        s.peaks.iter().min_by(|a, b| {
            let off = |p: &Matched<'_>| (p.frequency - l.middle()).abs();
            off(a).total_cmp(&off(b))
        })
    };
    let change = |l: &Line, times: f64| {
        let mode = peak_of(l).filter(|p| p.fits.len() == 1).and_then(|p| p.fits.first());
        stiffer(s.aircraft, mode.map(|m| m.0.as_str()), times)
    };
    let mut words: Vec<String> = Vec::new();
    for l in s.axes.iter().flat_map(|n| &n.lines).filter(|l| structural(l)) {
        let (ratio, how) = change(l, TIMES);
        let name = peak_of(l).map_or("resonance", |p| p.source.name.as_str());
        let text = format!("{how}: {name} moves to {:.0} Hz", ratio * l.middle());
        if !words.contains(&text) {
            words.push(text);
        }
    }
    // Under the same broad force the variance of a mode's velocity goes with 1/(c m), c = 2 zeta m w: with the inverse of
    // its frequency (Crandall and Mark 1963, Random Vibration in Mechanical Systems, ch. 2; from memory).
    let doubts = [Doubt::of("how much stiffer it becomes", STIFFER_DOUBT)];
    let left = s.left(&doubts, &|k, _, l| {
        let (p, f) = same(l);
        if structural(l) {
            let ratio = change(l, TIMES * k[0]).0;
            (p / ratio, f * ratio)
        } else {
            (p, f)
        }
    });
    Cure { does: words.join("; "), leaves: Some(left) }
}

/// An isolator at half of the lowest line that counts, if that is five crossovers or more.
fn remount(s: &Sick<'_>) -> Cure {
    let total: f64 = s.axes.iter().map(Axis::square).sum();
    // What the loop itself makes, and what no source is known of, is not the isolator's to take.
    let outside = |l: &Line| {
        l.kind.is_some_and(|k| !matches!(k, SourceKind::Control | SourceKind::CannotTell | SourceKind::Mount))
    };
    let lowest = s
        .axes
        .iter()
        .flat_map(|n| &n.lines)
        .filter(|l| outside(l) && l.at_command * l.at_command > 0.02 * total)
        .map(|l| l.noise.band.0)
        .fold(f64::INFINITY, f64::min);
    if !lowest.is_finite() {
        return nothing(
            "no order or resonance carries 2 % of it: broad noise is the sensor's own, and an isolator leaves it",
        );
    }
    let natural = 0.5 * lowest;
    let least = 5.0 * s.crossover / TAU;
    if natural < least {
        return nothing(&format!(
            "no room for an isolator: five crossovers are {least:.0} Hz, half of the lowest line {natural:.0} Hz"
        ));
    }
    let doubts = [
        Doubt::of("the isolator's frequency", ISOLATOR_DOUBT),
        Doubt::of("the isolator's damping", DAMPING_DOUBT),
    ];
    let left = s.left(&doubts, &|k, _, l| {
        let (p, f) = same(l);
        let t = transmissibility(f / (natural * k[0]), ISOLATOR_DAMPING * k[1]);
        (p * t * t, f)
    });
    let per_gram = 1e-3 * (TAU * natural).powi(2);
    let sag = physics::STANDARD_GRAVITY / (TAU * natural).powi(2);
    let cost = match rate_chain(s.aircraft, 0, s.motor_lag, 0.0) {
        Ok(chain) => {
            let (hard, soft) = (chain.margins(), chain.with_isolator(natural, ISOLATOR_DAMPING).margins());
            format!(
                "the roll loop's phase margin goes from {:.1} to {:.1} deg and its gain margin from {:.1} to {:.1} dB",
                hard.phase_margin.to_degrees(),
                soft.phase_margin.to_degrees(),
                decibels(hard.gain_margin_up),
                decibels(soft.gain_margin_up)
            )
        }
        Err(e) => format!("what it costs the loop waits for {e}"),
    };
    Cure {
        does: format!(
            "isolator at {natural:.0} Hz, damping {ISOLATOR_DAMPING}: {per_gram:.1} N/m for each gram on it, a sag of {:.2} mm; {cost}",
            1e3 * sag
        ),
        leaves: Some(left),
    }
}

fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

/// Gain of a mode for a force at the frequency ratio r.
fn answer(r: f64, damping: f64) -> f64 {
    1.0 / (1.0 - r * r).hypot(2.0 * damping * r)
}

fn move_speed(s: &Sick<'_>) -> Cure {
    let orders: Vec<&Source> = s.findings.sources.iter().filter(|o| o.order.is_some() && !o.folded).collect();
    if orders.is_empty() {
        return nothing("no order of a rotor is seen, so no crossing is");
    }
    let damping = s.aircraft.structure.arm.as_ref().map_or(MODE_DAMPING, |a| a.damping).max(1e-3);
    let middle = |o: &Source| 0.5 * (o.seen.0 + o.seen.1);
    // Modes that are computed or were tapped, and resonances that the record shows.
    let mut modes: Vec<(String, f64, f64)> = modes_shown(s.ctx)
        .into_iter()
        .filter(|m| m.frequency.value > 0.0)
        .map(|m| (m.name, m.frequency.value, m.frequency.uncertainty / m.frequency.value))
        .collect();
    modes.extend(s.peaks.iter().filter(|p| p.source.kind != SourceKind::CannotTell).map(|p| {
        let wide = (p.source.seen.1 - p.source.seen.0).abs() / (12f64.sqrt() * p.frequency.max(1.0));
        ("a resonance of the record".to_owned(), p.frequency, wide)
    }));
    let nearest = orders
        .iter()
        .flat_map(|o| modes.iter().map(move |m| (*o, m, middle(o) / m.1)))
        .min_by(|a, b| (a.2 - 1.0).abs().total_cmp(&(b.2 - 1.0).abs()));
    let Some((order, mode, r)) = nearest else {
        return nothing("no mode is known that an order could cross: describe [structure], or tap");
    };
    if (r - 1.0).abs() >= NEAR {
        return nothing(&format!(
            "the nearest crossing, {} at {:.0} Hz and {} at {:.0} Hz, is {:.0} % away: far enough",
            order.name,
            middle(order),
            mode.0,
            mode.1,
            100.0 * (r - 1.0).abs()
        ));
    }
    let away = if r < 1.0 { r - AWAY } else { r + AWAY };
    let speed = away / r;
    let gain_at =
        |mode_moved: f64, damping: f64| answer(away / mode_moved, damping) / answer(r / mode_moved, damping);
    let gain = gain_at(1.0, damping);
    // The force of an unbalance grows with the square of speed, that of the blades with thrust, which stays.
    let force = if order.order == Some(1) { speed * speed } else { 1.0 };
    let stated = s.doubt_of("structure.arm.damping").filter(|d| *d > 0.0).unwrap_or(DAMPING_DOUBT);
    let wide = (order.seen.1 - order.seen.0).abs() / (12f64.sqrt() * middle(order).max(1.0));
    let doubts = [
        Doubt::of("where mode and order stand", mode.2.hypot(wide)),
        Doubt::of("the mode's damping", stated),
    ];
    let left = s.left(&doubts, &|k, _, l| {
        let (p, f) = same(l);
        let gain = gain_at(k[0], damping * k[1].max(0.1));
        match l.noise.order {
            Some(o) if Some(o) == order.order => (p * (gain * force).powi(2), f * speed),
            Some(1) => (p * speed.powi(4), f * speed),
            Some(_) => (p, f * speed),
            None => (p, f),
        }
    });
    Cure {
        does: format!(
            "{} at {:.0} Hz stands {:.0} % from {} at {:.0} Hz (damping {:.1} %): hover at {:.2} of today's speed, for instance with a propeller of {:.2} \
             times the diameter and the same coefficients, and the mode answers with {gain:.2} of today's",
            order.name,
            middle(order),
            100.0 * (r - 1.0).abs(),
            mode.0,
            mode.1,
            100.0 * damping,
            speed,
            speed.powf(-0.5),
        ),
        leaves: Some(left),
    }
}
