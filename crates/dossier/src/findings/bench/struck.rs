//! What a tap says about the part that was struck: its name, and for an arm the stiffness of its root.
//!
//! In the lowest pattern of four arms or more neighbours swing against each other and the hub stays, whether
//! the body hangs, stands or is held: it is the arm on a fixed root. With bending stiffness and tip mass as in
//! the aircraft file the root's stiffness follows from that frequency.

use physics::structure::frame;

use super::super::context::Out;
use super::Bench;
use crate::findings::Outcome;

/// Doubt of the arm's own bending stiffness, relative: lay-up and batch (common practice, no source).
const BENDING: f64 = 0.10;
/// Doubt of the mass at its tip, relative.
const TIP: f64 = 0.01;

const ARM: &[&str] = &["structure.arm", "mass", "rotor", "station"];

/// The parts by the hand-entered word that names them, with the sections they rest on.
const PARTS: [(&str, &[&str]); 3] = [
    ("mast", &["structure.mast"]),
    ("plate", &["structure.plate", "mass"]),
    ("mount", &["structure.mount", "imu"]),
];

/// Names the part that was struck (`mast = 1`, `plate = 1` or `mount = 1` among the hand-entered values;
/// else an arm) and adds the arm's root.
pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let part = PARTS.iter().find(|(word, _)| bench.hand(word).is_some_and(|v| v.0 > 0.5));
    if let Some((word, rests)) = part {
        for item in out.items.iter_mut().filter(|i| i.key == "tap.arm.frequency") {
            item.key = format!("tap.{word}.frequency");
            item.label = format!("lowest natural frequency of the {word}");
            item.rests_on = rests.iter().map(|s| (*s).to_owned()).collect();
        }
        return;
    }
    for item in out.items.iter_mut().filter(|i| i.key == "tap.arm.frequency") {
        item.rests_on = ARM.iter().map(|s| (*s).to_owned()).collect();
    }
    let Some(frequency) = out.items.iter().find(|i| i.key == "tap.arm.frequency") else { return };
    let Outcome::Value { estimate } = &frequency.outcome else { return };
    let estimate = estimate.clone();
    let Some(beam) = bench.aircraft.and_then(|a| frame::arm_beam(a).ok()) else { return };
    let (key, label) = ("tap.arm.root_stiffness", "rotational stiffness of the arm's root");
    let hertz =
        if estimate.unit == "rad/s" { estimate.value / std::f64::consts::TAU } else { estimate.value };
    let Some(k) = beam.root_stiffness_for(hertz) else {
        out.cannot_tell(
            key,
            label,
            format!(
                "an arm that can be as fast as {hertz:.0} Hz: on a stiff root the file's arm would be slower"
            ),
            "check length, section, Young's modulus and the mass at the hub in the aircraft file",
            ARM,
        );
        return;
    };
    let relative = estimate.uncertainty / estimate.value.abs().max(1e-30);
    let mut variance = 0.0;
    for (f, ei, tip) in [(relative, 0.0, 0.0), (0.0, BENDING, 0.0), (0.0, 0.0, TIP)] {
        let at = |sign: f64| {
            let mut b = beam;
            b.stiffness *= 1.0 + sign * ei;
            b.tip_mass *= 1.0 + sign * tip;
            b.root_stiffness_for(hertz * (1.0 + sign * f))
        };
        let effect = match (at(1.0), at(-1.0)) {
            (Some(p), Some(m)) => 0.5 * (p - m),
            (Some(x), None) | (None, Some(x)) => x - k,
            (None, None) => k,
        };
        variance += effect * effect;
    }
    let text = format!(
        "From {hertz:.1} Hz with the arm's bending stiffness ({:.0} N m², trusted to 10 %) and {:.0} g at its tip.",
        beam.stiffness,
        beam.tip_mass * 1e3
    );
    let e = bench.estimate("root stiffness of the arm", k, variance.sqrt(), "N m/rad");
    out.value(key, label, e, text, ARM);
    out.replaces(key, "structure.arm.root_stiffness");
}
