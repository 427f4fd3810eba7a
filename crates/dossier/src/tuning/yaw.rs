//! Yaw: what the rotors' drag gives, what cant adds or takes, and the cant to build.

use std::f64::consts::FRAC_PI_6;

use physics::STANDARD_GRAVITY;
use physics::control::{CantCase, Canted, cant_of, canted, reversal};
use physics::mass::mass_properties;
use physics::powertrain;
use serde::Serialize;

use crate::chart::{Axis, Chart, Mark, Series, Shown, Style, Table};
use crate::gates::Context;

/// Size of the yaw step that must not saturate, rad/s: that of the flight card (60 deg/s).
const STEP: f64 = 2.0 * FRAC_PI_6;
/// Share of the lift that a cant may cost at most (common practice, no source): 8.1 deg.
const LOST: f64 = 0.01;
/// Cants looked at, deg, either way, and their spacing.
const WIDEST_DEG: f64 = 12.0;
const SPACING_DEG: f64 = 0.5;
/// How true a cant is built, rad (1 deg: the limit of gate structure on the twist of a thrust axis).
const BUILT: f64 = 0.017_453;

/// Yaw over cant, with payload at reserve charge.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct YawStudy {
    /// Upright rotors: the rotors' drag alone.
    pub upright: Canted,
    /// As the file has it; none where the rotors are canted unlike each other.
    pub today: Option<Canted>,
    /// All cants looked at, from against the reaction to with it.
    pub curve: Vec<Canted>,
    /// Cant against the reaction at which yaw is gone and beyond which it is reversed, rad, below zero.
    pub reversal: Option<f64>,
    /// Yaw acceleration that is needed, rad/s^2.
    pub needed: f64,
    /// Why so much.
    pub needed_words: String,
    /// The cant to build.
    pub recommended: Canted,
    /// Whether it gives what is needed.
    pub enough: bool,
    /// Why it.
    pub reason: String,
    /// Curves and table.
    pub shown: Shown,
}

/// Studies the cant; says what is missing where it cannot.
///
/// # Errors
/// The key that is missing, or why there is no trim, in words.
pub fn yaw(ctx: &Context<'_>) -> Result<YawStudy, String> {
    let a = &ctx.subject.resolved().aircraft;
    let density = ctx.subject.air().usual.density;
    let mass = mass_properties(&a.bodies);
    let weight = mass.mass * STANDARD_GRAVITY;
    let share = weight / a.stations.len().max(1) as f64;
    let speed = a.rotor.speed_for_thrust(share, 0.0, density).unwrap_or(0.0);
    let reserve = a.battery().map_err(|e| e.to_string())?.reserve;
    let full = powertrain::full_thrust(a, reserve, density).map_err(|e| e.to_string())?;
    let max: Vec<f64> = full.point.rotors.iter().map(|r| r.thrust).collect();
    let min = vec![0.0; max.len()];
    let case = CantCase {
        centre: mass.centre,
        inertia: mass.inertia,
        reaction_per_thrust: a.rotor.torque_per_thrust(speed, density),
        weight,
        max_thrust: &max,
        min_thrust: &min,
    };
    let at = |cant: f64| canted(a, &case, cant).map_err(|e| e.to_string());
    let count = (WIDEST_DEG / SPACING_DEG) as i32;
    // A cant that costs too much lift to trim ends the curve and is no error.
    let curve: Vec<Canted> =
        (-count..=count).filter_map(|k| at((f64::from(k) * SPACING_DEG).to_radians()).ok()).collect();
    let upright = at(0.0)?;
    let cants: Vec<f64> = a.stations.iter().map(cant_of).collect();
    let alike = cants.iter().all(|c| (c - cants[0]).abs() < 1e-6);
    let today = alike.then(|| at(cants[0]).ok()).flatten();
    let (needed, needed_words) = needed(ctx);
    let allowed = |c: &&Canted| c.cant >= 0.0 && c.lost_lift <= LOST;
    let first = curve.iter().filter(allowed).find(|c| c.acceleration >= needed);
    let enough = first.is_some();
    let recommended = *first.or_else(|| curve.iter().rfind(allowed)).unwrap_or(&upright);
    let reversal = reversal(a, &case);
    let mut study = YawStudy {
        upright,
        today,
        curve,
        reversal,
        needed,
        needed_words,
        recommended,
        enough,
        reason: String::new(),
        shown: Shown::default(),
    };
    study.reason = reason(&study);
    study.shown = shown(&study);
    Ok(study)
}

/// Yaw acceleration for a step of yaw that does not saturate, and why: what gate sizing asks for, and more where the yaw
/// gain does.
fn needed(ctx: &Context<'_>) -> (f64, String) {
    let a = &ctx.subject.resolved().aircraft;
    let asked = ctx.limits.limit("sizing.yaw-acceleration", a);
    let floor = asked.as_ref().map_or(0.0, |l| l.value);
    match a.rate_loop.as_ref().map(|l| l.p[2]).filter(|p| p * STEP > floor) {
        Some(p) => {
            let step = STEP.to_degrees();
            let words = format!(
                "a yaw step of {step:.0} deg/s that does not saturate at the stated yaw gain of {p:.1} 1/s"
            );
            (p * STEP, words)
        }
        None => (floor, "what gate sizing asks for".to_owned()),
    }
}

fn degrees(cant: f64) -> String {
    let d = cant.to_degrees();
    if d.abs() < 1e-9 {
        "upright".to_owned()
    } else if d > 0.0 {
        format!("{d:.1} deg with the reaction")
    } else {
        format!("{:.1} deg against the reaction", -d)
    }
}

fn reason(s: &YawStudy) -> String {
    let best = &s.recommended;
    let need =
        format!("{:.1} rad/s^2 are needed, with payload at reserve charge, for {}", s.needed, s.needed_words);
    let drag = format!("The rotors' drag alone gives {:.1} rad/s^2; {need}.", s.upright.acceleration);
    let told = if best.cant <= 0.0 && s.enough {
        " Build the rotors upright: cant would only cost lift.".to_owned()
    } else if s.enough {
        format!(
            " Build {}: the least that gives it ({:.1} rad/s^2), for {:.2} % of lift and {:.2} % more hover power.",
            degrees(best.cant),
            best.acceleration,
            100.0 * best.lost_lift,
            100.0 * best.more_power
        )
    } else {
        format!(
            " No cant up to {:.0} % of lift lost gives it: {} gives {:.1} rad/s^2. Lower the yaw gain, bring mass inwards, or \
             take a propeller with more torque for its thrust.",
            100.0 * LOST,
            degrees(best.cant),
            best.acceleration
        )
    };
    let now = match &s.today {
        Some(t) if (t.cant - best.cant).abs() < 1e-6 => " It is built so.".to_owned(),
        Some(t) => format!(
            " Today's is {}, with {:.1} rad/s^2 for {:.2} % of lift.",
            degrees(t.cant),
            t.acceleration,
            100.0 * t.lost_lift
        ),
        None => " Today the rotors are canted unlike each other.".to_owned(),
    };
    let turned = s.reversal.map_or_else(String::new, |r| {
        let near = s.today.is_some_and(|t| (t.cant - r).abs() < BUILT);
        format!(
            " Against the reaction yaw is gone at {:.1} deg and reversed beyond{}.",
            -r.to_degrees(),
            if near { ": today's cant is within a degree of it, and yaw may have either sign" } else { "" }
        )
    });
    format!("{drag}{told}{now}{turned}")
}

fn shown(s: &YawStudy) -> Shown {
    let deg = |v: &dyn Fn(&Canted) -> f64| -> (Vec<f64>, Vec<f64>) {
        s.curve.iter().map(|c| (c.cant.to_degrees(), v(c))).unzip()
    };
    let point =
        |name: &str, c: &Canted, v: f64| Mark::Point { x: c.cant.to_degrees(), y: v, name: name.to_owned() };
    let marked = |f: &dyn Fn(&Canted) -> f64| -> Vec<Mark> {
        let same = s.today.is_some_and(|t| (t.cant - s.recommended.cant).abs() < 1e-6);
        let mut marks = vec![point(
            if same { "recommended and today" } else { "recommended" },
            &s.recommended,
            f(&s.recommended),
        )];
        marks.extend(s.today.filter(|_| !same).map(|t| point("today", &t, f(&t))));
        marks
    };
    let axis = || Axis::linear("cant, below zero against the reaction", "deg");
    let (x, y) = deg(&|c| c.acceleration);
    let mut marks = marked(&|c| c.acceleration);
    marks.push(Mark::Limit { y: s.needed, name: "needed".to_owned() });
    marks
        .extend(s.reversal.map(|r| Mark::At { x: r.to_degrees(), name: "reversed left of here".to_owned() }));
    let yaw = Chart {
        id: "cant-yaw".to_owned(),
        title: "Yaw over cant".to_owned(),
        caption:
            "With the reaction every degree adds yaw; against it yaw first goes, and comes back reversed."
                .to_owned(),
        x: axis(),
        y: Axis::linear("yaw acceleration", "rad/s^2"),
        series: vec![Series::new("available", Style::Line, x, y)],
        marks,
    };
    let (x, lost) = deg(&|c| 100.0 * c.lost_lift);
    let (_, power) = deg(&|c| 100.0 * c.more_power);
    let mut marks = marked(&|c| 100.0 * c.lost_lift);
    marks.push(Mark::Limit { y: 100.0 * LOST, name: "most that is given".to_owned() });
    let cost = Chart {
        id: "cant-cost".to_owned(),
        title: "What a cant costs".to_owned(),
        caption: "Lost lift grows with the square of the cant, yaw with the cant itself: the first degrees are nearly free."
            .to_owned(),
        x: axis(),
        y: Axis::linear("share", "%"),
        series: vec![
            Series::new("lift lost", Style::Line, x.clone(), lost),
            Series::new("more hover power", Style::Dashed, x, power),
        ],
        marks,
    };
    Shown { charts: vec![yaw, cost], tables: vec![table(s)] }
}

fn table(s: &YawStudy) -> Table {
    let row = |name: &str, c: &Canted| {
        vec![
            name.to_owned(),
            degrees(c.cant),
            format!("{:.1} mm", 1e3 * c.yaw_per_thrust),
            format!("{:.1}{}", c.acceleration, if c.yaw_per_thrust < 0.0 { ", reversed" } else { "" }),
            format!("{:.2} %", 100.0 * c.lost_lift),
            format!("{:.2} %", 100.0 * c.more_power),
        ]
    };
    let near = |deg: f64| s.curve.iter().find(|c| (c.cant.to_degrees() - deg).abs() < 1e-6);
    let mut rows = vec![row("rotors' drag alone", &s.upright)];
    rows.extend(s.today.as_ref().map(|t| row("today", t)));
    rows.push(row("recommended", &s.recommended));
    rows.extend(near(-4.0).map(|c| row("the other sense", c)));
    rows.extend(near(8.0).map(|c| row("more of it", c)));
    Table {
        id: "cant".to_owned(),
        title: "Cant and yaw".to_owned(),
        head: ["", "cant", "yaw per thrust", "yaw acceleration, rad/s^2", "lift lost", "more hover power"]
            .iter()
            .map(|h| (*h).to_owned())
            .collect(),
        rows,
        note: "Worse side, with lift, roll and pitch held, payload on, reserve charge. Yaw per thrust is moment over thrust in \
               the sense of a rotor's reaction, the weakest rotor. Wakes of canted rotors on the frame are left out. A cant that \
               reverses yaw makes the first hop spin up: check the sign with the propellers off."
            .to_owned(),
    }
}
