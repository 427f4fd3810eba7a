//! Changes that might remove a shortfall: the catalogue of physical causes.
//!
//! Each candidate knows the value of today, the value that good practice reaches (its reference,
//! with the basis said), and how far today's value departs from it in units of the usual spread.
//! A cause is the more likely the more its value departs from what is usual, and the more of the
//! shortfall its removal takes away.

use physics::aircraft::{Aircraft, Filter};

use crate::gates::context::Context;
use crate::predict::{delay_budget, required_crossover, rotor_centre};
use crate::result::{ChangeClass, KeyChange};

/// A change with one free size, or a fixed one.
pub struct Candidate {
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
pub fn round3(v: f64) -> f64 {
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
    let shown = move |v: f64| format!("{} {unit}", round3(v / factor)).trim().to_owned();
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
        words: Box::new(move |v| format!("{}: {} -> {}", keys.join(", "), shown(current), shown(v))),
        fixed: false,
        test,
    }
}

/// ESC, protocol, sensor and computation delays.
pub fn delays(a: &Aircraft) -> Vec<Candidate> {
    let mut out = Vec::new();
    let mut add = |name, key: &str, current: f64, reference: f64, spread: f64, test| {
        if current > reference {
            out.push(scalar(Scalar {
                name,
                class: ChangeClass::Hardware,
                keys: vec![key.to_owned()],
                unit: "ms",
                factor: 1e-3,
                current,
                reference,
                departure: (current - reference) / spread,
                basis: "a quick drive or sensor reaches (common practice, no source)".to_owned(),
                test,
            }));
        }
    };
    let step = "a step record of one motor: command and rotor speed at 1 kHz or faster";
    if let Some(e) = &a.esc {
        add("ESC dead time", "esc.dead_time", e.dead_time, 1.0e-3, 1.5e-3, step);
        add("ESC update period", "esc.update_period", e.update_period, 0.5e-3, 1.0e-3, step);
        add("input protocol's period", "esc.protocol_period", e.protocol_period, 0.1e-3, 1.0e-3, step);
    }
    if let Some(i) = &a.imu {
        let test = "a record of raw gyro beside an external reference";
        add("sensor delay", "imu.delay", i.delay, 0.5e-3, 1.0e-3, test);
    }
    if let Some(l) = &a.rate_loop {
        let test = "a record of raw gyro and motor command at the loop's rate";
        add("computation delay", "loop.rate.delay", l.delay, 0.3e-3, 1.0e-3, test);
    }
    out
}

/// Rotor inertia: the motor lag.
pub fn rotor_inertia(a: &Aircraft) -> Option<Candidate> {
    let j = a.rotor.inertia;
    (j > 0.0).then(|| {
        scalar(Scalar {
            name: "rotor inertia (motor lag)",
            class: ChangeClass::Hardware,
            keys: vec!["rotor.inertia".to_owned()],
            unit: "kg m^2",
            factor: 1.0,
            current: j,
            reference: 0.75 * j,
            departure: 0.5,
            basis: "a lighter blade of the same size reaches about three quarters (common practice, no source)"
                .to_owned(),
            test: "a step record of one motor: the lag",
        })
    })
}

/// Filters in the gyro path.
pub fn filters(a: &Aircraft) -> Vec<Candidate> {
    let tb = delay_budget(a);
    let mut out = Vec::new();
    for (k, f) in a.filters.iter().enumerate() {
        let n = k + 1;
        match *f {
            Filter::LowPass { order, cutoff } => {
                // Delay at low frequency of a Butterworth low-pass: 1/(2 pi fc) times 1, sqrt 2, 2, 2.613.
                let shape = match order {
                    1 => 1.0,
                    2 => std::f64::consts::SQRT_2,
                    3 => 2.0,
                    _ => 2.613,
                };
                let reference = shape / (std::f64::consts::TAU * 0.1 * tb);
                if reference > cutoff {
                    out.push(scalar(Scalar {
                        name: "gyro low-pass",
                        class: ChangeClass::Filter,
                        keys: vec![format!("filter.{n}.cutoff")],
                        unit: "Hz",
                        factor: 1.0,
                        current: cutoff,
                        reference,
                        departure: (reference / cutoff).ln() / 1.5f64.ln(),
                        basis: "cut-off that spends a tenth of the delay this size allows".to_owned(),
                        test: "a hover record of raw gyro: what the filter has to remove",
                    }));
                }
            }
            Filter::Notch { centre, width, .. } => {
                let reference = 0.25 * centre;
                if width > reference {
                    out.push(scalar(Scalar {
                        name: "gyro notch",
                        class: ChangeClass::Filter,
                        keys: vec![format!("filter.{n}.width")],
                        unit: "Hz",
                        factor: 1.0,
                        current: width,
                        reference,
                        departure: (width / reference).ln() / 1.5f64.ln(),
                        basis: "a quarter of its centre (common practice, no source)".to_owned(),
                        test: "a hover record of raw gyro: how wide the peak is",
                    }));
                }
            }
        }
    }
    out
}

/// Gains of the rate loop, roll and pitch together.
pub fn gains(a: &Aircraft) -> Vec<Candidate> {
    let Some(l) = &a.rate_loop else { return Vec::new() };
    let wc = required_crossover(a);
    let test = "rate steps at the lower gain";
    let pair = |what: &str| vec![format!("loop.rate.{what}.x"), format!("loop.rate.{what}.y")];
    let p = l.p[0].max(l.p[1]);
    let i = l.i[0].max(l.i[1]);
    let mut out = Vec::new();
    if p > 0.0 {
        let reference = if p > wc { 0.7 * wc } else { 1.2 * wc };
        out.push(scalar(Scalar {
            name: if p > reference { "rate gain p too high for the delay" } else { "rate gain p low" },
            class: ChangeClass::Gain,
            keys: pair("p"),
            unit: "1/s",
            factor: 1.0,
            current: p,
            reference,
            departure: (p / reference).ln().abs() / 1.3f64.ln(),
            basis: format!("the crossover that this size asks for is {wc:.1} rad/s; gain to try"),
            test,
        }));
    }
    let reference = 0.15 * wc * p;
    if i > reference && reference > 0.0 {
        out.push(scalar(Scalar {
            name: "rate gain i too high",
            class: ChangeClass::Gain,
            keys: pair("i"),
            unit: "1/s^2",
            factor: 1.0,
            current: i,
            reference,
            departure: (i / reference).ln() / 1.5f64.ln(),
            basis: "costs 8.5 deg at the required crossover with p as it is".to_owned(),
            test,
        }));
    }
    out
}

/// Parts that set the thrust margin.
pub fn thrust(a: &Aircraft) -> Vec<Candidate> {
    let mut out = Vec::new();
    if let Some(b) = &a.battery {
        let ah = b.capacity / 3600.0 / f64::from(b.parallel.max(1));
        let reference = 0.016 / ah;
        if b.cell_resistance > reference {
            out.push(scalar(Scalar {
                name: "battery resistance",
                class: ChangeClass::Hardware,
                keys: vec!["battery.cell_resistance".to_owned()],
                unit: "mohm",
                factor: 1e-3,
                current: b.cell_resistance,
                reference,
                departure: (b.cell_resistance / reference).ln() / 1.3f64.ln(),
                basis: "sound cells have about 16 mohm Ah (common practice, no source)".to_owned(),
                test: "a discharge with a current step: voltage drop per ampere",
            }));
        }
    }
    if let Some(spacing) = least_spacing(a) {
        let d = a.rotor.diameter;
        let j = a.rotor.inertia;
        let reference = spacing / 1.05;
        if reference > d {
            out.push(Candidate {
                name: "propeller too small".to_owned(),
                class: ChangeClass::Hardware,
                current: d,
                reference,
                departure: (reference / d).ln() / 1.07f64.ln(),
                why: format!(
                    "rotor.diameter is {:.3} m; the arms leave room for {reference:.3} m with 5 % between the discs",
                    d
                ),
                // Blades of one shape: inertia grows with the fifth power of the diameter.
                edits: Box::new(move |v| {
                    let v = round3(v);
                    vec![
                        KeyChange { key: "rotor.diameter".to_owned(), value: quoted(v, "m") },
                        KeyChange {
                            key: "rotor.inertia".to_owned(),
                            value: quoted(round3(j * (v / d).powi(5)), "kg m^2"),
                        },
                    ]
                }),
                words: Box::new(move |v| {
                    format!("rotor.diameter: {:.3} m -> {:.3} m, same blade shape (inertia with its fifth power)", d, round3(v))
                }),
                fixed: false,
                test: "a static sweep: thrust against rotor speed",
            });
        }
    }
    if let Some(m) = &a.motor {
        let per_volt = std::f64::consts::TAU / 60.0;
        out.push(scalar(Scalar {
            name: "motor velocity constant low",
            class: ChangeClass::Hardware,
            keys: vec!["motor.kv".to_owned()],
            unit: "rpm/V",
            factor: per_volt,
            current: m.kv,
            reference: 1.15 * m.kv,
            departure: 0.4,
            basis: "one winding step up (common practice, no source)".to_owned(),
            test: "a static sweep: rotor speed against voltage",
        }));
    }
    out
}

/// The heaviest item, lighter.
pub fn lighter(ctx: &Context<'_>) -> Option<Candidate> {
    let a = &ctx.subject.resolved().aircraft;
    let body = a.bodies.iter().max_by(|x, y| x.mass.total_cmp(&y.mass))?;
    let item = body.item.clone();
    let key = ctx.keys.mass(&item)?;
    let current = body.mass;
    let weighed = tolerance(ctx, &format!("{key}.mass"));
    Some(Candidate {
        name: format!("mass: {item}"),
        class: ChangeClass::Hardware,
        current,
        reference: 0.85 * current,
        departure: 0.4,
        why: format!("the heaviest item, {item}, has {current:.3} kg"),
        edits: Box::new(move |v| {
            vec![KeyChange { key: format!("{key}.mass"), value: format!("\"{} kg{weighed}\"", round3(v)) }]
        }),
        words: Box::new(move |v| format!("{item}: {current:.3} kg -> {:.3} kg", round3(v))),
        fixed: false,
        test: "weigh the aircraft",
    })
}

/// Least distance between two hubs that do not share an axis, m.
fn least_spacing(a: &Aircraft) -> Option<f64> {
    let mut least = f64::INFINITY;
    for (i, s) in a.stations.iter().enumerate() {
        for t in &a.stations[i + 1..] {
            let d = (s.at - t.at).xy().norm();
            if d > 1e-3 {
                least = least.min(d);
            }
        }
    }
    least.is_finite().then_some(least)
}

/// Items moved to bring the centre of gravity under the rotors' centre, of the aircraft with its
/// payload or without.
///
/// The more of the offset an item's own place makes, the more likely it is the cause; an item that
/// does not make it can still balance it, and ranks by how little it has to travel.
pub fn moves(ctx: &Context<'_>, loaded: bool) -> Vec<Candidate> {
    let whole = &ctx.subject.resolved().aircraft;
    let a = if loaded { whole.clone() } else { whole.without_payload() };
    let total: f64 = a.bodies.iter().map(|b| b.mass).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let rotors = rotor_centre(&a);
    let centre = a.bodies.iter().map(|b| b.at * b.mass).sum::<physics::Vec3>() / total;
    let offset = (centre - rotors).xy();
    if offset.norm() < 1e-6 {
        return Vec::new();
    }
    let arm = crate::predict::mean_arm(&a);
    let direction = offset / offset.norm();
    let mut out = Vec::new();
    for body in &a.bodies {
        let Some(key) = ctx.keys.mass(&body.item) else { continue };
        let needed = offset.norm() * total / body.mass.max(1e-9);
        if needed > 0.5 * arm {
            continue;
        }
        let share = body.mass * (body.at - rotors).xy().dot(&direction) / (total * offset.norm());
        let makes_it = share > 0.3;
        let (item, at) = (body.item.clone(), body.at);
        let place = move |v: f64| at - physics::Vec3::new(direction.x, direction.y, 0.0) * v;
        let mm = |v: f64| (v * 1e4).round() / 10.0;
        let role = if makes_it {
            format!("{item} makes {:.0} % of that", 100.0 * share)
        } else {
            format!("{item} has {:.0} % of the mass and can balance it", 100.0 * body.mass / total)
        };
        let tolerances = placement(ctx, &key);
        out.push(Candidate {
            name: if makes_it { format!("{item} off-centre") } else { format!("offset not balanced by {item}") },
            class: ChangeClass::Hardware,
            current: 0.0,
            reference: needed,
            departure: if makes_it { 1.0 + share.min(2.0) } else { 0.1 * arm / needed.max(1e-6) }.min(3.0),
            why: format!(
                "the centre of gravity stands {:.1} mm off the rotors' centre; {role}",
                offset.norm() * 1e3,
            ),
            edits: Box::new({
                let key = key.clone();
                move |v| {
                    let p = place(v);
                    let [x, y, z] = [0, 1, 2].map(|k| {
                        let tolerance = tolerances.get(k).map_or("", String::as_str);
                        format!("\"{} mm{tolerance}\"", mm(p[k]))
                    });
                    vec![KeyChange { key: format!("{key}.at"), value: format!("[{x}, {y}, {z}]") }]
                }
            }),
            words: Box::new(move |v| {
                let p = place(v);
                format!(
                    "move {item} by {:.1} mm: from ({}, {}) mm to ({}, {}) mm",
                    v * 1e3,
                    mm(at.x),
                    mm(at.y),
                    mm(p.x),
                    mm(p.y)
                )
            }),
            fixed: false,
            test: "weigh on three points",
        });
    }
    out
}

/// Stated tolerances of an item's place, as they stand behind the values: how well it can be placed
/// does not change when it is moved.
fn placement(ctx: &Context<'_>, key: &str) -> Vec<String> {
    ["x", "y", "z"].map(|axis| tolerance(ctx, &format!("{key}.at.{axis}"))).to_vec()
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

/// Spins and cant: what turns yaw the wrong way or weakens it.
pub fn yaw(ctx: &Context<'_>) -> Vec<Candidate> {
    let a = &ctx.subject.resolved().aircraft;
    let mut out = Vec::new();
    for (i, s) in a.stations.iter().enumerate() {
        for (j, t) in a.stations.iter().enumerate().skip(i + 1) {
            if s.spin == t.spin {
                continue;
            }
            let edits = ctx.keys.exchange_spins(&a.stations, i, j);
            let (si, sj) = (s.place.clone(), t.place.clone());
            // Of two exchanges that would do alike, the one that gives the layout's own spins.
            let usual = ctx.keys.usual_spins_after(&a.stations, i, j);
            out.push(Candidate {
                name: format!("spins of {si} and {sj} exchanged"),
                class: ChangeClass::Configuration,
                current: 0.0,
                reference: 1.0,
                departure: if usual { 11.0 } else { 10.0 },
                why: format!(
                    "{si} turns {} and {sj} turns {}; exchanged back, yaw can be commanded alone",
                    s.spin.word(),
                    t.spin.word()
                ),
                edits: Box::new(move |_| edits.clone()),
                words: Box::new(move |_| format!("exchange the spins of {si} and {sj}")),
                fixed: true,
                test: "spin check, propellers off, one motor at a time",
            });
        }
    }
    if let Some(edits) = ctx.keys.reverse_cant() {
        out.push(Candidate {
            name: "cant against the reaction torque".to_owned(),
            class: ChangeClass::Configuration,
            current: 0.0,
            reference: 1.0,
            departure: 12.0,
            why: "the rotors lean against their reaction torque, so the two yaw moments oppose".to_owned(),
            edits: Box::new(move |_| edits.clone()),
            words: Box::new(|_| "lean the rotors with their reaction torque".to_owned()),
            fixed: true,
            test: "look along each arm: which way the thrust axis leans",
        });
    }
    let cant = a.stations.iter().map(|s| (-s.axis.z).clamp(-1.0, 1.0).acos()).fold(0.0, f64::max);
    let reference = 6f64.to_radians();
    if cant < reference {
        let keys = ctx.keys.clone();
        let shown = |v: f64| (v.to_degrees() * 10.0).round() / 10.0;
        out.push(Candidate {
            name: "little cant".to_owned(),
            class: ChangeClass::Hardware,
            current: cant,
            reference,
            departure: 0.6,
            why: format!("the rotors lean by {:.1} deg; 6 deg costs half a per cent of lift", cant.to_degrees()),
            edits: Box::new(move |v| keys.cant(shown(v))),
            words: Box::new(move |v| format!("cant: {} deg -> {} deg, with the reaction torque", shown(cant), shown(v))),
            fixed: false,
            test: "a yaw step in flight",
        });
    }
    out
}

/// Unbalance of the rotors.
pub fn unbalance(a: &Aircraft) -> Option<Candidate> {
    let u = a.rotor.unbalance;
    (u > 0.0).then(|| {
        scalar(Scalar {
            name: "rotor unbalance",
            class: ChangeClass::Hardware,
            keys: vec!["rotor.unbalance".to_owned()],
            unit: "g mm",
            factor: 1e-6,
            current: u,
            reference: 0.25 * u,
            departure: 1.5,
            basis: "balancing with tape leaves about a quarter (common practice, no source)".to_owned(),
            test: "a balance run on one motor",
        })
    })
}
