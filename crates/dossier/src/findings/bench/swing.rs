//! Swings on two or three wires: moments of inertia.
//!
//! Hand values, lengths in m, masses in kg: `wires` (2 or 3), `separation` (two wires) or `radius`
//! (three), `length`, `mass` (of what swings, without the wires; the aircraft's own where not stated),
//! `wire_mass` (all of them), `platform` (moment of inertia of a platform, measured alone) and
//! `platform_mass`; and for each axis swung about, `z.time.1`, `z.time.2`, ... for `z.swings` full
//! swings each, and `z.amplitude`. In place of counted times a channel `rate.x`, `rate.y` or `rate.z`.

use physics::STANDARD_GRAVITY;
use physics::mass::mass_properties;
use signal::pendulum::{self, Pendulum, Period};
use signal::{robust, timebase};

use super::{Bench, pieces};
use crate::chart::{Axis, Chart, Series, Style, Table};
use crate::findings::context::Out;

/// Sections of the aircraft file that a moment of inertia rests on.
const RESTS: &[&str] = &["mass", "geometry", "weighed"];
/// How well a person stops a watch, s (common practice, no source).
const THUMB: f64 = 0.1;
const TEST: &str = "hang the aircraft level on two equal wires, the axis in question upright, its centre of gravity in the \
                    middle; twist it by 10 deg, let go, and time three runs of 20 full swings, or log the rate about the upright axis";

/// A length or mass with its standard uncertainty.
type Known = (f64, f64);

struct Hung {
    wires: f64,
    radius: Known,
    length: Known,
    mass: Known,
    wire_mass: Known,
    platform: Known,
}

impl Hung {
    fn pendulum(&self, moved: usize, by: f64) -> Pendulum {
        let at = |k: usize, (v, u): Known| if k == moved { v + by * u } else { v };
        Pendulum {
            mass: at(0, self.mass),
            radius: at(1, self.radius),
            length: at(2, self.length),
            wire_mass: at(3, self.wire_mass),
            gravity: STANDARD_GRAVITY,
        }
    }
}

fn hung(bench: &Bench<'_>, out: &mut Out) -> Option<Hung> {
    let wires = bench.hand("wires").map_or(2.0, |w| w.0);
    let radius = match (bench.hand("separation"), bench.hand("radius")) {
        (Some((d, u)), None) => Some((0.5 * d, 0.5 * u)),
        (None, Some(r)) => Some(r),
        _ => None,
    };
    let own = bench.aircraft.map(|a| (mass_properties(&a.bodies).mass, 0.0)).map(|(m, _)| (m, 0.01 * m));
    let platform_mass = bench.hand("platform_mass").unwrap_or((0.0, 0.0));
    let mass = bench.hand("mass").or(own).map(|(m, u)| (m + platform_mass.0, u.hypot(platform_mass.1)));
    let (Some(radius), Some(length), Some(mass)) = (radius, bench.hand("length"), mass) else {
        let missing: Vec<&str> = [
            (radius.is_none(), "separation (two wires) or radius (three), one of them"),
            (bench.hand("length").is_none(), "length of the wires"),
            (mass.is_none(), "mass"),
        ]
        .into_iter()
        .filter_map(|(m, words)| m.then_some(words))
        .collect();
        out.cannot_tell("swing.z.inertia", "moment of inertia", missing.join(", "), TEST, RESTS);
        return None;
    };
    if ![radius.0, length.0, mass.0].iter().all(|v| *v > 0.0) || !(wires == 2.0 || wires == 3.0) {
        out.cannot_tell(
            "swing.z.inertia",
            "moment of inertia",
            "lengths and a mass above zero, on 2 or 3 wires",
            TEST,
            RESTS,
        );
        return None;
    }
    let zero = (0.0, 0.0);
    Some(Hung {
        wires,
        radius,
        length,
        mass,
        wire_mass: bench.hand("wire_mass").unwrap_or(zero),
        platform: bench.hand("platform").unwrap_or(zero),
    })
}

/// Period about an axis: by hand, or of the trace of its rate where that axis turns most.
fn period(bench: &Bench<'_>, axis: &str) -> Option<(Period, &'static str)> {
    let times: Vec<(f64, f64)> = (1..=50).map_while(|i| bench.hand(&format!("{axis}.time.{i}"))).collect();
    if !times.is_empty() {
        let swings = bench.hand(&format!("{axis}.swings")).map_or(1.0, |s| s.0);
        let stated = times.iter().map(|t| t.1).fold(0.0, f64::max);
        let error = if stated > 0.0 { stated } else { THUMB };
        let values: Vec<f64> = times.iter().map(|t| t.0).collect();
        let mut p = pendulum::counted(&values, swings, error).ok()?;
        p.amplitude = bench.hand(&format!("{axis}.amplitude")).map_or(0.0, |a| a.0);
        return Some((p, "timed by hand"));
    }
    let size = |a: &str| bench.channel(&format!("rate.{a}")).and_then(robust::rms).unwrap_or(0.0);
    let own = size(axis);
    if own <= 0.0 || ["x", "y", "z"].iter().any(|a| *a != axis && size(a) > own) {
        return None;
    }
    let rate = bench.channel(&format!("rate.{axis}"))?;
    let series = timebase::regularise(&bench.record.time, &[rate]).ok()?;
    let longest = series.stretches.iter().max_by_key(|s| s.len())?;
    let mut p = pendulum::traced(longest.channels.first()?, series.period).ok()?;
    if p.explained < 0.8 {
        return None;
    }
    // Mean amplitude of the period, not of the first swing.
    p.amplitude = p.amplitude.max(0.0);
    Some((p, "from the trace of the rate"))
}

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let Some(hung) = hung(bench, out) else { return };
    let computed = bench.aircraft.map(|a| mass_properties(&a.bodies).inertia);
    let loaded = crate::check::payload_fitted(&bench.record.meta);
    let mut rows = Vec::new();
    for (k, axis) in ["x", "y", "z"].iter().enumerate() {
        let Some((p, how)) = period(bench, axis) else { continue };
        let inertia = |pendulum: &Pendulum, t: f64| {
            pendulum.inertia_corrected(t, p.amplitude, p.damping) - hung.platform.0
        };
        let central = hung.pendulum(9, 0.0);
        let value = inertia(&central, p.period);
        if !(value > 0.0 && value.is_finite()) {
            out.cannot_tell(
                &format!("swing.{axis}.inertia"),
                &format!("moment of inertia about {axis}"),
                "a moment above zero: the platform's own is taken for larger than the whole",
                TEST,
                RESTS,
            );
            continue;
        }
        let shift = |moved: usize| {
            0.5 * (inertia(&hung.pendulum(moved, 1.0), p.period)
                - inertia(&hung.pendulum(moved, -1.0), p.period))
        };
        let timed = 0.5 * (inertia(&central, p.period + p.error) - inertia(&central, p.period - p.error));
        let effects = [
            ("period", timed),
            ("mass that swings", shift(0)),
            ("place of the wires", shift(1)),
            ("length of the wires", shift(2)),
            ("mass of the wires", shift(3)),
            ("platform", -hung.platform.1),
        ];
        let own_source = format!("period about {axis}");
        let named: Vec<(&str, f64)> = effects
            .iter()
            .map(|(n, e)| (if *n == "period" { own_source.as_str() } else { *n }, *e))
            .collect();
        let e = pieces::several(bench, value, "kg m^2", &named);
        let against = computed.map_or(String::new(), |i| {
            let c = i[(k, k)];
            format!(
                " The sum of the items in the aircraft file gives {c:.4} kg m^2, {:+.1} % off.",
                100.0 * (c / value - 1.0)
            )
        });
        let text = format!(
            "Period {:.4} s ± {:.4} s ({how}) on {} wires {:.3} m long, {:.3} m from the axis; amplitude, wires and damping corrected for.{against} \
             {}",
            p.period,
            2.0 * p.error,
            hung.wires,
            hung.length.0,
            hung.radius.0,
            if loaded {
                "It was swung with the payload on, and stays beside the predictions."
            } else {
                "It takes the place of the computed one in every prediction."
            }
        );
        rows.push(vec![
            (*axis).to_owned(),
            format!("{:.4}", p.period),
            format!("{value:.5}"),
            format!("{:.5}", 2.0 * e.uncertainty),
            computed.map_or("—".to_owned(), |i| format!("{:.5}", i[(k, k)])),
        ]);
        let key = format!("swing.{axis}.inertia");
        out.value(&key, &format!("moment of inertia about {axis}"), e, text, RESTS);
        // Predictions add the payload to what was swung without it.
        if !loaded {
            out.replaces(&key, &format!("weighed.inertia_{axis}"));
        }
        chart(bench, out, axis, &p);
    }
    if rows.is_empty() {
        out.cannot_tell("swing.z.inertia", "moment of inertia", "times of swings (z.time.1 with z.swings) or a trace of the rate that one decaying oscillation explains", TEST, RESTS);
        return;
    }
    out.tables.push(Table {
        id: "swings".to_owned(),
        title: "Moments of inertia".to_owned(),
        head: ["axis", "period, s", "measured, kg m^2", "±, kg m^2", "computed, kg m^2"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        note: "Computed from the mass items of the aircraft file as it is; ± is the 95 % interval."
            .to_owned(),
    });
}

fn chart(bench: &Bench<'_>, out: &mut Out, axis: &str, p: &Period) {
    let Some(rate) = bench.channel(&format!("rate.{axis}")) else { return };
    let n = rate.len();
    let stride = n.div_ceil(1200).max(1);
    let pick = |v: &[f64], scale: f64| -> Vec<f64> { v.iter().step_by(stride).map(|x| x * scale).collect() };
    out.charts.push(Chart {
        id: format!("swing-{axis}"),
        title: format!("Swing about {axis}"),
        caption: format!("One decaying oscillation of {:.3} s should explain the whole trace; beats or a drift mean that it also sways.", p.period),
        x: Axis::linear("time", "s"),
        y: Axis::linear("rate", "deg/s"),
        series: vec![Series::new("rate", Style::Line, pick(&bench.record.time, 1.0), pick(rate, 180.0 / std::f64::consts::PI))],
        marks: Vec::new(),
    });
}
