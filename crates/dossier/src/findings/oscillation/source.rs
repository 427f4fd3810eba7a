//! What makes an oscillation: which loop, the structure, a rotor; and what calms it.
//!
//! A loop oscillates where its gain, by the aircraft file, has turned by half a circle at a size near one: its neutral
//! stability. The innermost loop at work for which that holds at the line is named. What the rotors' thrust does not
//! explain is no loop ([`crate::findings::attribution`]). Phases are of small motion: a command at its end leaves the
//! frequency nearly as it is, as a limit turns no phase.

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
    cure: String,
}

impl Candidate {
    /// How far its phase is from half a circle, rad.
    fn off(&self) -> f64 {
        (-self.gain).arg()
    }
    fn fits(&self) -> bool {
        self.off().abs() <= PHASE && self.gain.norm() >= SIZE
    }
    fn words(&self) -> String {
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
    let mut out = vec![Candidate { name: "rate loop", gain: rate, cure }];
    let outer: Outer = outer(aircraft, axis, AIR).unwrap_or_default();
    let asked = |stem: &str| context.record.channels.keys().any(|c| c.starts_with(stem));
    let attitude = asked("attitude_demand") || asked("rate_demand");
    if axis < 2 && outer.attitude > 0.0 && attitude {
        let gain = chain.attitude_gain_at(outer.attitude, s);
        let most = 0.25 * required_crossover(aircraft).max(margins.crossover);
        out.push(Candidate {
            name: "attitude loop",
            gain,
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
                cure: format!(
                    "Position loop: lower its gain from {:.2} 1/s to a quarter of the velocity gain or less.",
                    outer.position
                ),
            });
        }
    }
    Some(out)
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
    if let Some(c) = all.iter().find(|c| c.fits()) {
        let text = format!(
            "{f:.2} Hz is near the neutral stability of the {}: {}.{by_thrust} {} {thrust}",
            c.name,
            c.words(),
            c.cure
        );
        out.words(key, label, c.name, text, RESTS);
        return;
    }
    let seen: Vec<String> = all.iter().map(|c| format!("{} {}", c.name, c.words())).collect();
    let missing = format!(
        "a loop that is near neutral stability at {f:.2} Hz ({}):{by_thrust} gusts near the crossover, a pilot, or a plant unlike the file's",
        seen.join("; ")
    );
    out.cannot_tell(key, label, missing, test, RESTS);
}
