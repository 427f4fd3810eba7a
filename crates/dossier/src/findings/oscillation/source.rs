//! What makes an oscillation: which loop, the structure, a rotor; and what calms it.
//!
//! A loop oscillates where its gain, by the aircraft file, has turned by half a circle at a size near one: its neutral
//! stability. Where that holds at the line for one loop at work, that one is named; where it holds for several, the
//! innermost if it is unstable by itself (an outer loop then only shows it), else all of them with the flight that tells them
//! apart. What the rotors' thrust does not explain is no loop ([`crate::findings::attribution`]). Phases are of small
//! motion: a command at its end leaves the frequency nearly as it is, as a limit turns no phase. A log that is too slow for
//! the rate loop's neutral stability folds it onto a lower line.

use std::f64::consts::{PI, TAU};

use physics::loops::Complex;
use physics::loops::chain::RateChain;
use physics::loops::outer::Outer;

use super::RESTS;
use crate::findings::attribution::driven;
use crate::findings::context::{AXES, Context, Out};
use crate::findings::vibration::turns;
use crate::predict::{outer, required_crossover};
use crate::tuning::chain_of;

/// How far a loop's phase may be from half a circle, rad (20 deg), and how small its gain: what delays and gains of an
/// aircraft file may be wrong by. Our choice.
const PHASE: f64 = 0.35;
const SIZE: f64 = 0.55;
/// Peak of the loop inside, at the line, that an outer loop is credited with: what is more is the inner one's own oscillation,
/// which the outer one only shows. Our choice.
const PEAK: f64 = 2.0;
/// How far the rate loop may oscillate from its neutral stability by the file, as a ratio either way, where it is looked for
/// folded. Our choice.
const NEAR: f64 = 1.3;
/// Beyond this ratio of measured to explained angular acceleration the rotors did not make the line; a line of the loops
/// lies below the second figure.
const NOT_DRIVEN: f64 = 2.0;
const DRIVEN: f64 = 1.5;
/// Air that the loops are computed in, kg/m^3: it moves the motor's lag by little.
const AIR: f64 = 1.2;

/// A line to be explained.
pub(super) struct Line<'w> {
    /// Axis of the gyro; none for a line in the velocity.
    pub(super) axis: Option<usize>,
    /// Frequency, Hz.
    pub(super) frequency: f64,
    /// Rate of the record, Hz.
    pub(super) rate: f64,
    /// Where it was seen.
    pub(super) windows: &'w [(f64, f64)],
}

/// A loop at a line.
struct Candidate {
    name: &'static str,
    gain: Complex<f64>,
    /// Response of the closed loop inside it at the line, as a size; 1 without one.
    inside: f64,
    /// Whether it is stable by itself, the loops inside it closed.
    stable: bool,
    /// What it would be logged at, where it folds onto the line, Hz.
    folds_from: Option<f64>,
    cure: String,
    /// Flight that tells it from the others, as a clause.
    test: &'static str,
}

impl Candidate {
    /// How far its phase is from half a circle, rad.
    fn off(&self) -> f64 {
        (-self.gain).arg()
    }
    fn fits(&self) -> bool {
        self.folds_from.is_some()
            || self.off().abs() <= PHASE && self.gain.norm() * (PEAK / self.inside).min(1.0) >= SIZE
    }
    fn words(&self) -> String {
        if let Some(f) = self.folds_from {
            return format!(
                "its neutral stability at {f:.1} Hz by the aircraft file is logged too slowly and folds to there"
            );
        }
        format!(
            "gain {:.2} and phase {:.0} deg there by the aircraft file",
            self.gain.norm(),
            // From -270 to 90, so that neutral stability reads as -180.
            (self.off() - PI).to_degrees()
        )
    }
}

/// Loops at work at a line, the innermost first.
fn candidates(context: &Context<'_>, line: &Line<'_>) -> Option<Vec<Candidate>> {
    let aircraft = context.known.aircraft.as_ref()?;
    let w = TAU * line.frequency;
    let s = Complex::new(0.0, w);
    let axis = line.axis.unwrap_or(0);
    let chain: RateChain = chain_of(aircraft, axis, AIR)?;
    let rate = chain.loop_gain(w);
    let down = |gain: f64| format!("{:.0} %", 100.0 * (0.5 / gain.max(0.5)).min(0.7));
    let margins = chain.margins();
    let (p, i, _) = chain.gains();
    let turned = (i / (p * w)).atan();
    let cure = if turned > PHASE {
        format!(
            "Rate loop: lower i to a fifth of p squared or less; it alone turns the phase by {:.0} deg there.",
            turned.to_degrees()
        )
    } else {
        format!(
            "Rate loop: lower p and d to {} of today's, i with them; the cure that costs no speed is less delay in its chain.",
            down(rate.norm())
        )
    };
    let test = "lower p by a third: if the line weakens or goes, it is the rate loop";
    let mut out = vec![Candidate {
        name: "rate loop",
        gain: rate,
        inside: 1.0,
        stable: margins.stable,
        folds_from: None,
        cure,
        test,
    }];
    // The same at any gain: of one at which the loop is stable.
    let neutral = if margins.stable {
        margins.neutral_stability
    } else {
        chain.clone().scaled(0.1).margins().neutral_stability
    };
    let direct = out.iter().any(Candidate::fits);
    if let Some(from) = slow_log(neutral / TAU, line).filter(|_| !direct) {
        out.push(Candidate {
            name: "rate loop, folded by the log",
            gain: rate,
            inside: 1.0,
            stable: margins.stable,
            folds_from: Some(from),
            cure: format!("Log the gyro at {:.0} Hz or more and fly again; rate loop: lower p and d by a third, i with them.", 5.0 * from),
            test: "log the gyro faster: a folded line moves",
        });
    }
    let outer: Outer = outer(aircraft, axis, AIR).unwrap_or_default();
    let asked = |stem: &str| context.record.channels.keys().any(|c| c.starts_with(stem));
    let attitude = asked("attitude_demand") || asked("rate_demand");
    if axis < 2 && outer.attitude > 0.0 && attitude {
        let gain = chain.attitude_gain_at(outer.attitude, s);
        // Margins are dear and of use near neutral stability alone.
        let near = |gain: Complex<f64>| (-gain).arg().abs() <= PHASE && gain.norm() >= SIZE;
        let most = 0.25 * required_crossover(aircraft).max(margins.crossover);
        out.push(Candidate {
            name: "attitude loop",
            gain,
            inside: chain.closed_at(s).norm(),
            stable: !near(gain) || chain.attitude_margins(outer.attitude).stable,
            folds_from: None,
            test: "lower the attitude gain by a third: if the line weakens or goes, it is the attitude loop",
            cure: format!(
                "Attitude loop: lower its gain from {:.1} to {:.1} 1/s or less (half of what oscillates, and at most a quarter of the rate crossover).",
                outer.attitude,
                (0.5 * outer.attitude / gain.norm().max(1e-9)).min(most)
            ),
        });
        let velocity = asked("velocity_demand") || asked("position_demand");
        if outer.velocity > 0.0 && velocity {
            let gain = chain.velocity_gain_at(&outer, s);
            out.push(Candidate {
                name: "velocity loop",
                gain,
                inside: chain.attitude_closed_at(outer.attitude, s).norm(),
                stable: !near(gain) || chain.velocity_margins(&outer).stable,
                folds_from: None,
                test: "lower the velocity gain by a third: if the line weakens or goes, it is the velocity loop",
                cure: format!(
                    "Velocity loop: lower its gain from {:.2} to {:.2} 1/s or less (half of what oscillates, and at most a quarter of the attitude gain), its integral with it; or shorten the delay of the velocity, {:.0} ms.",
                    outer.velocity,
                    (0.5 * outer.velocity / gain.norm().max(1e-9)).min(0.25 * outer.attitude),
                    1e3 * outer.delay
                ),
            });
        }
        if outer.velocity > 0.0 && outer.position > 0.0 && asked("position_demand") {
            let gain = chain.position_gain_at(&outer, s);
            out.push(Candidate {
                name: "position loop",
                gain,
                inside: chain.velocity_closed_at(&outer, s).norm(),
                stable: true,
                folds_from: None,
                test: "hold velocity in place of position: if the line goes, it is the position loop",
                cure: format!(
                    "Position loop: lower its gain from {:.2} 1/s to a quarter of the velocity gain or less.",
                    outer.position
                ),
            });
        }
    }
    Some(out)
}

/// The rate loop's neutral stability, Hz, where the log is too slow for it and folds it onto the line.
fn slow_log(neutral: f64, line: &Line<'_>) -> Option<f64> {
    let half = 0.5 * line.rate;
    if line.axis.is_none() || !(neutral.is_finite() && neutral > 0.0 && NEAR * neutral > half) {
        return None;
    }
    const STEPS: i32 = 60;
    let fold = |f: f64| (f - line.rate * (f / line.rate).round()).abs();
    (-STEPS..=STEPS)
        .map(|k| neutral * NEAR.powf(f64::from(k) / f64::from(STEPS)))
        .filter(|f| *f > half)
        .any(|f| (fold(f) - line.frequency).abs() < 0.5)
        .then_some(neutral)
}

/// A rotor whose 1/rev, 2/rev or blade passage folds onto the line, in words.
fn folded(context: &Context<'_>, line: &Line<'_>) -> Option<String> {
    let (low, high) = turns(context, line.windows)?;
    let half = 0.5 * line.rate;
    let fold = |f: f64| (f - line.rate * (f / line.rate).round()).abs();
    [1, 2, context.known.blades.unwrap_or(2)].into_iter().find_map(|order| {
        let (a, b) = (f64::from(order) * low, f64::from(order) * high);
        if b <= half || b - a > half {
            return None;
        }
        let (from, to) = (fold(a).min(fold(b)), fold(a).max(fold(b)));
        (from - 0.5..=to + 0.5)
            .contains(&line.frequency)
            .then(|| format!("{order}/rev at {a:.0} to {b:.0} Hz"))
    })
}

/// Names what makes the line and what calms it, or says what would tell.
pub(super) fn report(
    context: &Context<'_>,
    line: &Line<'_>,
    key: &str,
    label: &str,
    thrust: &str,
    out: &mut Out,
) {
    let f = line.frequency;
    let test = "fly the same hover with p lowered by a third, and again with the attitude gain lowered by a third: the loop whose gain moves or calms the line makes it; tap arm and mount with the rotors off";
    if let Some(order) = folded(context, line) {
        let text = format!(
            "A rotor's {order} is logged too slowly and folds onto {f:.1} Hz. Balance the rotor, and log the gyro faster; no gain cures it. {thrust}"
        );
        out.words(key, label, "rotor line", text, RESTS);
        return;
    }
    let ratio = line.axis.and_then(|axis| driven(context, line.windows, axis, f));
    if let Some(r) = ratio.filter(|r| *r > NOT_DRIVEN) {
        let name = line.axis.and_then(|a| AXES.get(a)).map_or("", |a| a.1);
        let text = format!(
            "{} about {name} at {f:.1} Hz: no loop turns the aircraft so. An arm, the mount of the sensor or a loose part swings there: stiffen or isolate it, else a \
             notch at {f:.0} Hz; a lower p only feeds it less. Tap arm and mount with the rotors off. {thrust}",
            if r.is_finite() {
                format!("The gyro shows {r:.1} times the angular acceleration that the rotors' thrust makes")
            } else {
                "The rotors do not move with what the gyro shows".to_owned()
            }
        );
        out.words(key, label, "structure", text, RESTS);
        return;
    }
    let Some(all) = candidates(context, line) else {
        let missing = "the loops in the aircraft file: IMU, ESC, motor, rate loop";
        out.cannot_tell(key, label, missing, test, RESTS);
        return;
    };
    let by_thrust = match ratio {
        Some(r) if r <= DRIVEN => format!(" The rotors' thrust explains the turning ({r:.1} times)."),
        Some(r) => format!(" Something else pushes as well ({r:.1} times what the rotors' thrust makes)."),
        None => String::new(),
    };
    let mut near: Vec<&Candidate> = all.iter().filter(|c| c.fits()).collect();
    if near.first().is_some_and(|c| !c.stable) {
        near.truncate(1);
    }
    let parts = |of: &dyn Fn(&Candidate) -> String, by: &str| {
        near.iter().map(|c| of(c)).collect::<Vec<String>>().join(by)
    };
    if !near.is_empty() {
        let names = parts(&|c| c.name.to_owned(), " or ");
        let is = if near.len() > 1 {
            let tests = parts(&|c| c.test.to_owned(), "; ");
            format!(
                " Which of them makes it this flight does not tell. To tell, the outer one first: {tests}."
            )
        } else {
            String::new()
        };
        let why = parts(&|c| format!("{} ({})", c.name, c.words()), " and of the ");
        let cures = parts(&|c| c.cure.clone(), " ");
        let text =
            format!("{f:.2} Hz is near the neutral stability of the {why}.{by_thrust}{is} {cures} {thrust}");
        out.words(key, label, &names, text, RESTS);
        return;
    }
    let seen: Vec<String> = all.iter().map(|c| format!("{} {}", c.name, c.words())).collect();
    let missing = format!(
        "a loop that is near neutral stability at {f:.2} Hz ({}):{by_thrust} gusts near the crossover, a pilot, or a plant unlike the file's",
        seen.join("; ")
    );
    out.cannot_tell(key, label, missing, test, RESTS);
}
