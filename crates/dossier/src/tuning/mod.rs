//! Choice of gains: rate, then attitude, velocity and position, from what is predicted and, where a flight has shown it,
//! from the plant as measured.
//!
//! Roll and pitch get the same gains. The plant is that of roll and of pitch, each at the corners of what is not known
//! (loop gain over charge and payload and its own uncertainty, total delay twice its standard uncertainty either way).

mod corners;
mod outer;
mod plants;
mod sheet;
mod show;
mod slow;
mod yaw;

use physics::loops::chain::RateChain;
use physics::loops::margins::margins;
use physics::loops::search::{self, Bound, Cell, Gains, Limits, Noise, Plants, logarithmic};
use serde::Serialize;

pub use self::outer::OuterChoice;
use self::plants::Family;
pub(crate) use self::plants::{chain_of, voltage_factor};
pub use self::sheet::{LoopSheet, Swing, sheet};
pub(crate) use self::slow::{Slow, table as slow_table};
pub use self::yaw::{YawStudy, yaw};
use crate::chart::Shown;
use crate::gates::Context;
use crate::predict::required_crossover;

/// One stop on the way from today's gains.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stop {
    /// Gains to fly.
    pub gains: Gains,
    /// Figures expected there.
    pub expected: Cell,
    /// What the flight must show before the next stop.
    pub show: String,
}

/// The choice.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tuning {
    /// What the plants rest on, in words.
    pub basis: String,
    /// Whether a flight has shown the plant.
    pub measured: bool,
    /// Crossover that this size asks for, rad/s.
    pub required: f64,
    /// Today's gains with their figures over all plants.
    pub today: Cell,
    /// The gains to recommend, where any keep the limits.
    pub recommended: Option<Cell>,
    /// Way from today's to the recommended ones.
    pub path: Vec<Stop>,
    /// Delay, s, that must go before the required crossover is reached; none where it is reached or where delay is not what binds.
    pub save: Option<f64>,
    /// Where the delay is spent, largest first: stage and seconds.
    pub spent: Vec<(String, f64)>,
    /// Attitude, velocity and position gains that go with the recommended rate gains.
    pub outer: Option<OuterChoice>,
    /// Verdict in a sentence or two.
    pub verdict: String,
    /// Charts and tables.
    pub shown: Shown,
}

/// Gains judged in p, in i.
const P_COUNT: usize = 34;
const I_COUNT: usize = 26;
/// Frequencies.
const POINTS: usize = 180;
/// Gains within so much of the fastest crossover count as equal.
const NEAR: f64 = 0.03;

/// The limits of gate rate as the search wants them.
fn limits(ctx: &Context<'_>) -> Limits {
    let aircraft = &ctx.subject.resolved().aircraft;
    let of = |id: &str| ctx.limits.limit(id, aircraft).map(|l| l.value);
    let ratio = |db: f64| 10f64.powf(db / 20.0);
    let base = Limits::default();
    Limits {
        phase_margin: of("rate.phase-margin").unwrap_or(base.phase_margin),
        gain_up: of("rate.gain-margin-up").map_or(base.gain_up, ratio),
        gain_down: of("rate.gain-margin-down").map_or(base.gain_down, ratio),
        sensitivity: of("rate.peak-sensitivity").unwrap_or(base.sensitivity),
        overshoot: of("rate.overshoot").unwrap_or(base.overshoot),
        // A step of 100 deg/s asks for p times 1.75 rad/s at once.
        saturation: ctx
            .prediction
            .get("authority.x")
            .map(|e| e.value)
            .into_iter()
            .chain(ctx.prediction.get("authority.y").map(|e| e.value))
            .fold(f64::INFINITY, f64::min)
            / 1.745,
        noise: of("vibration.command-noise").unwrap_or(base.noise),
    }
}

/// Grid of gains about what this size asks for and what is flown today.
fn grid(required: f64, today: &Gains) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let top = (2.2 * required).max(1.3 * today.p);
    let bottom = (0.25 * required).min(0.7 * today.p.max(1e-3));
    let p = logarithmic(bottom, top, P_COUNT);
    let most = (0.9 * required * required).max(1.6 * today.i);
    let least = (0.02 * required * required).min(0.6 * today.i.max(1e-3));
    let i = logarithmic(least, most, I_COUNT);
    let mut d = vec![0.0, 0.15, 0.3];
    if today.d > 0.0 && d.iter().all(|v| (v - today.d).abs() > 1e-9) {
        d.push(today.d);
        d.sort_by(f64::total_cmp);
    }
    (p, i, d)
}

/// Chooses gains for the build; says what is missing where there is no rate loop to choose for.
///
/// # Errors
/// The key or the figure that is missing, in words.
pub fn tune(ctx: &Context<'_>) -> Result<Tuning, String> {
    choose(ctx, true)
}

/// The same without the outer loops, which are dear.
///
/// # Errors
/// As [`tune`].
pub(crate) fn tune_rate(ctx: &Context<'_>) -> Result<Tuning, String> {
    choose(ctx, false)
}

fn choose(ctx: &Context<'_>, with_outer: bool) -> Result<Tuning, String> {
    let aircraft = ctx.subject.resolved().aircraft.without_payload();
    let family = Family::new(ctx, &aircraft)?;
    let required = required_crossover(&aircraft);
    let limits = limits(ctx);
    let today_gains = family.today;
    let centre = required.max(today_gains.p).max(1.0);
    let plants = Plants::new(&family.chains, centre, POINTS)
        .ok_or_else(|| "a rate loop with gains in the aircraft file".to_owned())?;
    let (noise, noise_basis) = plants::noise(ctx, &aircraft, &today_gains);
    let (p, i, d) = grid(required, &today_gains);
    let cells = plants.sweep(&p, &i, &d, &limits, &noise);
    let today = plants.judge(today_gains, &limits, &noise);
    let recommended =
        search::fastest(&cells, NEAR).and_then(|c| confirmed(&plants, &family.chains, c, &limits, &noise));
    let reached = recommended.as_ref().is_some_and(|c| c.crossover >= required);
    let save = if reached {
        None
    } else {
        let coarse = |v: &[f64]| -> Vec<f64> { v.iter().step_by(3).copied().collect() };
        search::delay_to_save(
            &plants,
            (&coarse(&p), &coarse(&i), &[today_gains.d]),
            &limits,
            &noise,
            required,
        )
    };
    let path: Vec<Stop> = recommended
        .as_ref()
        .map(|c| {
            search::path(&today_gains, &c.gains)
                .into_iter()
                .map(|gains| {
                    let expected = plants.judge(gains, &limits, &noise);
                    Stop { gains, show: show::must_show(&expected, &limits), expected }
                })
                .collect()
        })
        .unwrap_or_default();
    let outer = recommended.as_ref().filter(|_| with_outer).and_then(|c| {
        let delay = aircraft.velocity_loop.as_ref().map_or(0.0, |l| l.delay);
        outer::choose(&family.chains, &c.gains, c.crossover, delay)
    });
    let spent = family.spent.clone();
    let verdict = show::verdict(&today, recommended.as_ref(), required, save, &spent);
    let mut tuning = Tuning {
        basis: format!("{}; {noise_basis}", family.basis),
        measured: family.measured,
        required,
        today,
        recommended,
        path,
        save,
        spent,
        outer,
        verdict,
        shown: Shown::default(),
    };
    tuning.shown = show::shown(&tuning, &cells, &p, &i, &limits);
    Ok(tuning)
}

/// The cell with its figures confirmed by the exact margins of every plant, slowed by a few percent where the grid was too
/// kind.
fn confirmed(
    plants: &Plants,
    chains: &[RateChain],
    cell: &Cell,
    limits: &Limits,
    noise: &Noise,
) -> Option<Cell> {
    let mut gains = cell.gains;
    for _ in 0..6 {
        let exact = chains.iter().all(|c| {
            let c = c.clone().with_gains(gains.p, gains.i, gains.d);
            let m = margins(&|w| c.loop_gain(w), gains.p / 100.0, gains.p * 60.0, c.integrators());
            m.stable
                && m.phase_margin >= limits.phase_margin
                && m.gain_margin_up >= limits.gain_up
                && m.gain_margin_down >= limits.gain_down
                && m.peak_sensitivity <= limits.sensitivity
        });
        let judged = plants.judge(gains, limits, noise);
        if exact && judged.broken.is_none() {
            return Some(judged);
        }
        gains.p *= 0.985;
        gains.i *= 0.97;
    }
    None
}

/// Name of a bound, for people.
pub fn bound_words(bound: Bound) -> &'static str {
    bound.words()
}
