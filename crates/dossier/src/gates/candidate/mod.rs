//! Changes that might remove a shortfall: the catalogue of physical causes.
//!
//! Each candidate knows the value of today, the value that good practice reaches (its reference,
//! with the basis said), and how far today's value departs from it in units of the usual spread.
//! A cause is the more likely the more its value departs from what is usual, and the more of the
//! shortfall its removal takes away.

mod geometry;
mod homeward;
mod loops;
mod outer;
mod parts;
pub(super) mod structure;

pub(super) use self::geometry::{moves, payload_nearer, yaw};
pub(super) use self::homeward::{homeward, stated_time};
pub(super) use self::loops::{delays, filters, gains, rotor_inertia};
pub(super) use self::outer::{attitude_gain, hold, velocity};
pub(super) use self::parts::{lighter, thrust, unbalance};

use crate::gates::context::Context;
use crate::result::{ChangeClass, KeyChange};

/// A change with one free size, or a fixed one.
pub(super) struct Candidate {
    /// Cause in a few words.
    pub name: String,
    /// Class.
    pub class: ChangeClass,
    /// Value of today.
    pub current: f64,
    /// Value that good practice reaches.
    pub reference: f64,
    /// How far today's value departs from it, in usual spreads.
    pub departure: f64,
    /// Why it is suspected, with numbers.
    pub why: String,
    /// The edits for a value between today's and the reference.
    pub edits: Box<dyn Fn(f64) -> Vec<KeyChange> + Send + Sync>,
    /// The change in words, for a value.
    pub words: Box<dyn Fn(f64) -> String + Send + Sync>,
    /// Whether only the reference itself makes sense (a switch).
    pub fixed: bool,
    /// Cheapest measurement that would confirm this cause.
    pub test: &'static str,
}

/// Rounds to three significant digits.
fn round3(v: f64) -> f64 {
    if v == 0.0 || !v.is_finite() {
        return 0.0;
    }
    let scale = 10f64.powi(2 - v.abs().log10().floor() as i32);
    (v * scale).round() / scale
}

fn quoted(v: f64, unit: &str) -> String {
    if unit.is_empty() { format!("{v}") } else { format!("\"{v} {unit}\"") }
}

/// Numbers of a scalar candidate that differ from case to case.
struct Scalar {
    name: &'static str,
    class: ChangeClass,
    keys: Vec<String>,
    unit: &'static str,
    factor: f64,
    current: f64,
    reference: f64,
    departure: f64,
    basis: String,
    test: &'static str,
}

/// A key (or several alike) moved to another value.
fn scalar(s: Scalar) -> Candidate {
    let Scalar { name, class, keys, unit, factor, current, reference, departure, basis, test } = s;
    // Inertias of small parts read better in kg mm².
    let (read_factor, read_unit) = if unit == "kg m^2" { (1e-6, "kg mm²") } else { (factor, unit) };
    let shown = move |v: f64| format!("{} {read_unit}", round3(v / read_factor)).trim().to_owned();
    Candidate {
        name: name.to_owned(),
        class,
        current,
        reference,
        departure,
        why: format!("{} is {}; {basis}: {}", keys[0], shown(current), shown(reference)),
        edits: Box::new({
            let keys = keys.clone();
            move |v| {
                keys.iter()
                    .map(|key| KeyChange { key: key.clone(), value: quoted(round3(v / factor), unit) })
                    .collect()
            }
        }),
        words: Box::new(move |v| format!("{}: {} → {}", keys.join(", "), shown(current), shown(v))),
        fixed: false,
        test,
    }
}

/// Stated absolute tolerance of an input, as `" +- 1 mm"`; empty where there is none.
fn tolerance(ctx: &Context<'_>, key: &str) -> String {
    let inputs = &ctx.subject.resolved().inputs;
    let Some(input) = inputs.iter().find(|i| i.key == key && !i.assumed) else { return String::new() };
    match input.text.split_once("+-") {
        Some((_, t)) if !t.contains('%') => format!(" +- {}", t.trim().trim_end_matches('"')),
        _ => String::new(),
    }
}
