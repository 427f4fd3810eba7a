//! Gate structure: do resonances stay clear of the rotors?

use std::f64::consts::TAU;

use physics::structure::Mount;
use physics::structure::diagram::{Dwell, least_separation, orders, separation as apart};

use crate::chart::{Axis, Chart, Mark, Series, Shown, Style, Table};
use crate::estimate::{Estimate, Origin};
use crate::gates::GateSpec;
use crate::gates::candidate::structure as candidate;
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::{Answer, Found};
use crate::predict::{Group, separation};
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "structure",
    name: "Structure",
    question: "Do resonances stay clear of the rotors?",
    closes_on: "taps on an arm, on the mast, and on the body with the sensor logged",
    drafts,
    ledgers,
    shown,
};

const TAP_ARM: &str = "a tap on an arm with the body held fast, accelerometer or sound";

/// Rotor speeds dwelt in: as flown where a flight shows it, else as predicted; each with its figure.
struct Band {
    low: Estimate,
    high: Estimate,
    flown: Option<String>,
}

impl Band {
    fn of(ctx: &Context<'_>) -> Option<Self> {
        let flown = |key: &str| ctx.flight(key).found().filter(|f| f.stale.is_none());
        if let (Some(low), Some(high)) = (flown("dwell.speed.low"), flown("dwell.speed.high")) {
            return Some(Self { low: low.estimate, high: high.estimate, flown: Some(low.record) });
        }
        let low = ctx.predicted("structure.dwell_speed.low")?;
        let high = ctx.predicted("structure.dwell_speed.high")?;
        Some(Self { low, high, flown: None })
    }
    fn dwell(&self) -> Dwell {
        Dwell { low: self.low.value / TAU, high: self.high.value / TAU }
    }
    fn words(&self) -> String {
        let d = self.dwell();
        match &self.flown {
            Some(r) => format!("rotors dwell at {:.1} to {:.1} rev/s (5 to 95 % of {r})", d.low, d.high),
            None => format!(
                "rotors dwell at {:.1} to {:.1} rev/s (predicted hover, without and with payload)",
                d.low, d.high
            ),
        }
    }
}

/// Frequency of a tap finding, Hz, whichever unit it is kept in.
fn in_hertz(e: &Estimate) -> Estimate {
    if e.unit == "rad/s" { e.scaled(1.0 / TAU, "Hz") } else { e.clone() }
}

/// Separation with the modes as measured: the tapped one as it is, its fellows in proportion, with the
/// uncertainties of the tap and of the band.
fn measured_separation(tap: &Found, modes: &[f64], fixed: f64, band: &Band, blades: u32) -> Option<Estimate> {
    let measured = in_hertz(&tap.estimate);
    let at = |f: f64, low: f64, high: f64| {
        let scaled: Vec<f64> = modes.iter().map(|m| m * f / fixed).collect();
        separation(&scaled, blades, Dwell { low, high })
    };
    let d = band.dwell();
    let value = at(measured.value, d.low, d.high)?;
    let slope = |g: &dyn Fn(f64) -> Option<f64>, h: f64| -> Option<f64> {
        let (p, m) = (g(h)?, g(-h)?);
        Some((p - m) / (2.0 * h))
    };
    let hz = 1e-3 * measured.value;
    let tapped = slope(&|h| at(measured.value + h, d.low, d.high), hz)?;
    let low = slope(&|h| at(measured.value, d.low + h, d.high), 1e-3 * d.low)?;
    let high = slope(&|h| at(measured.value, d.low, d.high + h), 1e-3 * d.high)?;
    let e = Estimate::combine(
        value,
        "1",
        &[(tapped, &measured), (low / TAU, &band.low), (high / TAU, &band.high)],
    );
    Some(e)
}

/// Predicted separation with the band as flown: the modes move with their inputs, the band does not.
fn predicted_separation(
    ctx: &Context<'_>,
    output: &str,
    modes: &[Estimate],
    band: &Band,
    blades: u32,
) -> Option<Estimate> {
    if band.flown.is_none() {
        return ctx.predicted(output);
    }
    let d = band.dwell();
    let nearest = modes.iter().min_by(|a, b| {
        least_separation(a.value, blades, d).0.total_cmp(&least_separation(b.value, blades, d).0)
    })?;
    let value = least_separation(nearest.value, blades, d).0;
    let h = 1e-3 * nearest.value;
    let at = |f: f64| least_separation(f, blades, d).0;
    let slope = (at(nearest.value + h) - at(nearest.value - h)) / (2.0 * h);
    Some(Estimate::combine(value, "1", &[(slope, nearest)]).with_origin(Origin::Computed))
}

/// Frequencies of all arm patterns, with the fixed root's first.
fn arm_modes(ctx: &Context<'_>) -> Vec<(String, Estimate)> {
    ctx.prediction
        .figures
        .iter()
        .filter(|f| f.id.starts_with("structure.arm."))
        .map(|f| (f.name.clone(), f.estimate.clone()))
        .collect()
}

fn tapped(ctx: &Context<'_>, key: &str, make: &dyn Fn(&Found) -> Option<Estimate>) -> Answer {
    match ctx.bench(key) {
        Answer::Found(f) => match make(&f) {
            Some(e) => Context::derived(&f, e),
            None => Answer::CannotTell(format!(
                "{}: the part tapped is not described in the aircraft file",
                f.record
            )),
        },
        other => other,
    }
}

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    let blades = a.rotor.blades;
    let band = Band::of(ctx);
    let modes: Vec<Estimate> = arm_modes(ctx).into_iter().map(|m| m.1).collect();
    let values: Vec<f64> = modes.iter().map(|m| m.value).collect();
    let fixed = ctx.prediction.get("structure.arm.opposed").map(|e| e.value);
    let note = |what: &str| band.as_ref().map(|b| format!("{what}{}", b.words()));
    let metric = |output, carry| Some(Metric { output, group: Group::Structure, carry });
    let below = |e: &Option<Estimate>| e.as_ref().is_some_and(|e| e.value < 0.25);
    let mut out = Vec::new();

    let predicted =
        band.as_ref().and_then(|b| predicted_separation(ctx, "structure.arm_separation", &modes, b, blades));
    let measured = tapped(ctx, "tap.arm.frequency", &|f| {
        measured_separation(f, &values, fixed?, band.as_ref()?, blades)
    });
    let short = below(&predicted) || matches!(&measured, Answer::Found(f) if f.estimate.value < 0.25);
    out.push(Draft {
        id: "structure.arm-separation",
        text: "arm modes from 1/rev and blade passage, least separation where the rotors dwell",
        metric: metric("structure.arm_separation", Carry::Add),
        predicted,
        measured,
        compare: Compare::Interval,
        needs: TAP_ARM,
        note: note("the tapped arm carries its fellows' patterns in proportion; "),
        candidates: band.as_ref().map_or_else(Vec::new, |b| candidate::arm(ctx, b.dwell(), short)),
    });

    if a.structure.mast.is_some() {
        let mast: Vec<Estimate> = ctx.predicted("structure.mast.frequency").into_iter().collect();
        let predicted = band
            .as_ref()
            .and_then(|b| predicted_separation(ctx, "structure.mast_separation", &mast, b, blades));
        let measured = tapped(ctx, "tap.mast.frequency", &|f| {
            let hz = in_hertz(&f.estimate).value;
            measured_separation(f, &[hz], hz, band.as_ref()?, blades)
        });
        let short = below(&predicted) || matches!(&measured, Answer::Found(f) if f.estimate.value < 0.25);
        out.push(Draft {
            id: "structure.mast-separation",
            text: "mast from 1/rev and blade passage where the rotors dwell",
            metric: metric("structure.mast_separation", Carry::Add),
            predicted,
            measured,
            compare: Compare::Interval,
            needs: "a tap on the mast with its sensor on, accelerometer or sound",
            note: note(""),
            candidates: band.as_ref().map_or_else(Vec::new, |b| candidate::mast(ctx, b.dwell(), short)),
        });
    }
    out.push(Draft {
        id: "structure.lowest-frequency",
        text: "lowest natural frequency of arm, mast and plate",
        metric: metric("structure.lowest_frequency", Carry::Scale),
        predicted: ctx.predicted("structure.lowest_frequency"),
        measured: lowest(ctx),
        compare: Compare::Interval,
        needs: "taps on an arm, and on the mast and the plate where there are any",
        note: None,
        candidates: candidate::stiffer(a),
    });
    mount(ctx, &mut out);
    out.push(Draft {
        id: "structure.twist",
        text: "turn of the thrust axis at full thrust, from arm and root",
        metric: metric("structure.twist", Carry::Scale),
        predicted: ctx.predicted("structure.twist"),
        // The tapped root carries the figure; thrust and section are computed.
        measured: tapped(ctx, "tap.arm.frequency", &|_| ctx.predicted("structure.twist")),
        compare: Compare::Interval,
        needs: TAP_ARM,
        note: Some(
            "computed with the root stiffness that the tap shows; a clamp with play is not in it".to_owned(),
        ),
        candidates: candidate::stiffer(a),
    });
    out
}

/// The lowest tapped frequency; partial while a part that is described has not been tapped.
fn lowest(ctx: &Context<'_>) -> Answer {
    let a = &ctx.subject.resolved().aircraft;
    let parts = [
        ("tap.arm.frequency", a.structure.arm.is_some(), "arm"),
        ("tap.mast.frequency", a.structure.mast.is_some(), "mast"),
        ("tap.plate.frequency", a.structure.plate.is_some(), "plate"),
    ];
    let mut least: Option<Found> = None;
    let mut missing = Vec::new();
    for (key, there, name) in parts {
        if !there {
            continue;
        }
        match ctx.bench(key) {
            Answer::Found(f) if f.stale.is_none() => {
                if least.as_ref().is_none_or(|l| in_hertz(&f.estimate).value < in_hertz(&l.estimate).value) {
                    least = Some(*f);
                }
            }
            Answer::Found(f) => {
                missing.push(format!("the {name} was tapped before it changed"));
                least.get_or_insert(*f);
            }
            _ => missing.push(format!("the {name} was not tapped")),
        }
    }
    match least {
        None => Answer::Nothing,
        Some(mut f) => {
            f.estimate = in_hertz(&f.estimate).scaled(TAU, "rad/s");
            if f.stale.is_none() && !missing.is_empty() {
                f.partial = Some(missing.join("; "));
            }
            Answer::Found(Box::new(f))
        }
    }
}

/// The sensor's mount; nothing is asked of a hard one.
fn mount(ctx: &Context<'_>, out: &mut Vec<Draft>) {
    let a = &ctx.subject.resolved().aircraft;
    if a.structure.mount == Some(Mount::Hard) {
        return;
    }
    let needs = if a.structure.mount.is_none() {
        "structure.mount in the aircraft file: hard, or soft with its frequency"
    } else {
        "a tap on the body with the sensor logged raw"
    };
    let metric = |output, carry| Some(Metric { output, group: Group::Structure, carry });
    let lowest_rev = Band::of(ctx).map(|b| b.low);
    out.push(Draft {
        id: "structure.mount-frequency",
        text: "natural frequency of the sensor's mount",
        metric: metric("structure.mount_frequency", Carry::Scale),
        predicted: ctx.predicted("structure.mount_frequency"),
        measured: tapped(ctx, "tap.mount.frequency", &|f| Some(in_hertz(&f.estimate).scaled(TAU, "rad/s"))),
        compare: Compare::Interval,
        needs,
        note: None,
        candidates: candidate::mount(ctx),
    });
    out.push(Draft {
        id: "structure.mount-ratio",
        text: "mount's natural frequency over the lowest 1/rev",
        metric: metric("structure.mount_ratio", Carry::Scale),
        predicted: ctx.predicted("structure.mount_ratio"),
        measured: tapped(ctx, "tap.mount.frequency", &|f| {
            Some(in_hertz(&f.estimate).scaled(TAU, "rad/s").over(lowest_rev.as_ref()?, "1"))
        }),
        compare: Compare::Interval,
        needs,
        note: None,
        candidates: candidate::mount(ctx),
    });
}

fn ledgers(_: &Context<'_>) -> Vec<Ledger> {
    Vec::new()
}

/// One mode of the diagram: name, frequency, whether it was tapped.
pub(super) struct Mode {
    /// Name.
    pub name: String,
    /// Hz.
    pub frequency: Estimate,
    /// Whether a tap stands behind it.
    pub tapped: bool,
}

/// All modes, tapped where they were, else computed.
pub(super) fn modes_shown(ctx: &Context<'_>) -> Vec<Mode> {
    let tap = |key: &str| ctx.bench(key).found().filter(|f| f.stale.is_none()).map(|f| in_hertz(&f.estimate));
    let mut all = Vec::new();
    let arm_tap = tap("tap.arm.frequency");
    let fixed = ctx.prediction.get("structure.arm.opposed").cloned();
    for (name, e) in arm_modes(ctx) {
        match (&arm_tap, &fixed) {
            (Some(t), Some(f)) if f.value > 0.0 => {
                all.push(Mode { name, frequency: t.scaled(e.value / f.value, "Hz"), tapped: true });
            }
            _ => all.push(Mode { name, frequency: e, tapped: false }),
        }
    }
    for (part, name) in [("mast", "mast"), ("plate", "plate"), ("mount", "sensor's mount")] {
        let predicted = match part {
            "mount" => ctx.predicted("structure.mount_frequency").map(|e| e.scaled(1.0 / TAU, "Hz")),
            _ => ctx.predicted(&format!("structure.{part}.frequency")),
        };
        match (tap(&format!("tap.{part}.frequency")), predicted) {
            (Some(t), _) => all.push(Mode { name: name.to_owned(), frequency: t, tapped: true }),
            (None, Some(p)) => all.push(Mode { name: name.to_owned(), frequency: p, tapped: false }),
            (None, None) => {}
        }
    }
    all
}

fn shown(ctx: &Context<'_>) -> Shown {
    let Some(band) = Band::of(ctx) else { return Shown::default() };
    let modes = modes_shown(ctx);
    if modes.is_empty() {
        return Shown::default();
    }
    let a = &ctx.subject.resolved().aircraft;
    let d = band.dwell();
    let fastest =
        ctx.prediction.get("full.full.speed").map_or(1.4 * d.high, |e| e.value / TAU).max(1.1 * d.high);
    Shown {
        charts: vec![diagram(&modes, a.rotor.blades, d, fastest)],
        tables: vec![table(&modes, a.rotor.blades, &band)],
    }
}

/// The rotor-speed diagram: order lines as rays, modes as bands.
fn diagram(modes: &[Mode], blades: u32, d: Dwell, fastest: f64) -> Chart {
    let top = modes.iter().map(|m| m.frequency.value).fold(f64::from(blades) * fastest, f64::max);
    let mut series = Vec::new();
    for m in modes {
        let half = (2.0 * m.frequency.uncertainty).max(0.004 * top);
        let (low, high) = (m.frequency.value - half, m.frequency.value + half);
        // The part and its frequency: the table below has the whole name.
        let part = m.name.split(':').next().unwrap_or_default();
        let name = format!("{part} {:.0} Hz", m.frequency.value);
        series.push(Series::band(&name, vec![0.0, fastest], vec![low; 2], vec![high; 2]));
    }
    for (order, name) in orders(blades) {
        // A ray ends where the diagram does.
        let end = fastest.min(1.05 * top / order);
        series.push(Series::new(name, Style::Line, vec![0.0, end], vec![0.0, order * end]));
    }
    Chart {
        id: "rotor-speed".to_owned(),
        title: "Rotor-speed diagram".to_owned(),
        caption: "Between the two upright lines, where the rotors dwell, no ray of 1/rev or blade passage should come near a band; a run-up passes them all and may."
            .to_owned(),
        x: Axis::linear("rotor speed", "rev/s"),
        y: Axis::linear("frequency", "Hz"),
        series,
        marks: vec![
            Mark::At { x: d.low, name: "dwell from".to_owned() },
            Mark::At { x: d.high, name: "dwell to".to_owned() },
        ],
    }
}

fn table(modes: &[Mode], blades: u32, band: &Band) -> Table {
    let d = band.dwell();
    let names = orders(blades);
    let mut head = vec!["mode".to_owned(), "frequency, Hz".to_owned()];
    head.extend(names.iter().map(|(_, n)| format!("{n}, %")));
    let rows = modes
        .iter()
        .map(|m| {
            let f = m.frequency.value;
            let mut row = vec![
                if m.tapped { format!("{} (tapped)", m.name) } else { m.name.clone() },
                format!("{f:.0} ± {:.0}", m.frequency.uncertainty),
            ];
            row.extend(names.iter().map(|(o, _)| format!("{:.0}", 100.0 * apart(f, *o, d))));
            row
        })
        .collect();
    Table {
        id: "separation".to_owned(),
        title: "Separation of every mode from every order".to_owned(),
        head,
        rows,
        note: format!(
            "{}; separation is |order's frequency / mode's frequency - 1|, zero where a ray meets a band.",
            band.words()
        )
        .replace(" - ", " \u{2212} "),
    }
}
