//! Where the vibration comes from: every source with its evidence, and an account that adds up.
//!
//! 1. Orders: what stands still when the signal is turned back by the rotors' measured angle belongs to a rotor, also
//!    when it is folded. The strongest order is named, taken out of the signal, and the search goes on with what is left.
//! 2. Fixed lines: peaks of what is left that stay while the rotor speed moves are structure or mount.
//! 3. Looseness: what is left is impulsive (kurtosis of short blocks).
//! 4. Control: a steady line in the control band that the rotors' own thrust explains.
//! 5. Clipping: samples at the end of the range.
//!
//! "Cannot tell" is the answer where the speed did not vary enough, is not known, or the rate is too low; it names the
//! short flight that would tell. Thresholds are our choice, tried on synthesised flights with planted sources (the
//! confusion table stands in docs/validation.md).

mod bias;
mod control;
mod data;
mod fixed;
mod impulsive;
mod ledger;
mod map;
mod modes;
mod orders;
mod time_map;

use serde::Serialize;

pub(super) use self::control::driven;
use self::data::Group;
use super::context::{Context, Out};

/// Kind of a source of vibration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SourceKind {
    /// 1/rev of a rotor: unbalance, or blades that do not track.
    Unbalance,
    /// Blade passage or its double.
    BladePassage,
    /// Another order of a rotor.
    Order,
    /// A resonance of the airframe.
    Structure,
    /// A resonance of the sensor on its mount.
    Mount,
    /// Parts that knock.
    Looseness,
    /// An oscillation of a control loop.
    Control,
    /// The sensor's range is exceeded.
    Clipping,
    /// Not told.
    CannotTell,
}

/// A source of vibration as found in one record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Source {
    /// Kind.
    pub kind: SourceKind,
    /// Rotors, from 1; several where they cannot be told apart.
    pub rotors: Vec<usize>,
    /// Order, where it is one.
    pub order: Option<u32>,
    /// Whether it is seen folded.
    pub folded: bool,
    /// Frequencies at which it is seen, Hz.
    pub seen: (f64, f64),
    /// True frequency, Hz, where it is folded.
    pub true_frequency: Option<f64>,
    /// Channel in which it is strongest.
    pub channel: String,
    /// R.m.s. there, in the channel's unit.
    pub rms: f64,
    /// Name for people: "1/rev of rotor 2 (unbalance)".
    pub name: String,
    /// What speaks for it, with numbers.
    pub evidence: String,
    /// Where it cannot be told: the short test that would tell.
    pub would_tell: Option<String>,
}

impl Source {
    /// Whether a peak at a frequency, Hz, may be this source, `slack` Hz either way, in a channel at `rate`, Hz. An order
    /// stands where the rotors turn in the windows the peak is from: `turns`, rev/s.
    pub(super) fn covers(&self, frequency: f64, slack: f64, turns: Option<(f64, f64)>, rate: f64) -> bool {
        let (low, high) = match (self.order, turns) {
            (Some(order), Some(turns)) => orders::seen(order, turns, rate),
            _ => self.seen,
        };
        let broad = matches!(self.kind, SourceKind::Looseness | SourceKind::Clipping) || self.rms == 0.0;
        // A folded line that sweeps over much of the band makes no peak, and lies everywhere.
        let folded = self.order.zip(turns).is_some_and(|(o, t)| f64::from(o) * t.1 > 0.5 * rate);
        let smeared = folded && high - low > 0.15 * rate;
        !broad && !smeared && frequency >= low - slack && frequency <= high + slack
    }
}

/// Density for a speed that only says where to look, kg/m^3 (ISO 2533, sea level).
const SEA_LEVEL: f64 = 1.225;
const RESTS: &[&str] = &["rotor", "imu", "mass", "structure", "motor"];

/// What the attribution makes of a record: sources, and what the ledger and the map need.
pub(super) fn run(context: &Context<'_>, out: &mut Out) -> Vec<Source> {
    let mut sources: Vec<Source> = Vec::new();
    let windows = context.airborne();
    let mut unseen: Option<Source> = None;
    for base in ["accel", if context.series("rate_raw.x").is_some() { "rate_raw" } else { "rate" }] {
        let Some(mut group) = Group::new(context, base, &windows) else { continue };
        unseen = unseen.or_else(|| unseen_orders(context, &group));
        let mut own = Vec::new();
        let clipped = impulsive::clipping(context, &group);
        let found = orders::find(context, &mut group);
        own.extend(found.iter().cloned());
        // Clipping makes lines of its own: no peak of a clipped channel is a resonance.
        if clipped.is_none() {
            own.extend(fixed::find(&group, &found));
        }
        own.extend(impulsive::looseness(&group, clipped.is_some()));
        own.extend(clipped);
        if base.starts_with("rate") {
            let control = control::find(context, &group, &windows);
            // What the loop itself makes is not a structure.
            own.retain(|s| {
                !control.iter().any(|c| {
                    c.kind == SourceKind::Control
                        && matches!(
                            s.kind,
                            SourceKind::Structure | SourceKind::Mount | SourceKind::CannotTell
                        )
                        && s.seen.0 <= 2.2 * c.seen.1
                })
            });
            own.extend(control);
        }
        if base == "accel" {
            bias::run(context, &group, out);
        }
        modes::note(context.known.aircraft.as_ref(), &mut own);
        ledger::run(&group, &own, out);
        map::run(context, &group, &own, out);
        time_map::run(context, &group, &windows, out);
        for s in own {
            merge(&mut sources, s);
        }
    }
    sources.extend(unseen);
    say(context, &sources, out);
    sources
}

/// Orders that a record cannot show: the speed is neither logged nor found in it, and blade passage, at the speed that
/// carries the weight or at the fastest looked for, lies too near half the rate or above. Silence would pass for quiet.
fn unseen_orders(context: &Context<'_>, group: &Group) -> Option<Source> {
    if group.speed != data::Speed::Unknown {
        return None;
    }
    let blades = f64::from(group.blades.unwrap_or(2).max(1));
    let (turns, why) = match hover_turns(context) {
        Some(n) => (n, "computed for hover"),
        None => (signal::orders_speed::Search::default().range.1, "the fastest looked for"),
    };
    let passage = blades * turns;
    if group.nyquist() > 1.2 * passage {
        return None;
    }
    Some(Source {
        kind: SourceKind::CannotTell,
        rotors: Vec::new(),
        order: None,
        folded: false,
        seen: (0.0, group.nyquist()),
        true_frequency: None,
        channel: group.channel(0),
        rms: 0.0,
        name: "cannot tell: whether the rotors shake it".to_owned(),
        evidence: format!(
            "The rotor speed is not logged and does not show in the record with confidence, and {:.0} Hz shows nothing above {:.0} Hz, \
             while blade passage lies near {passage:.0} Hz ({turns:.0} rev/s, {why}): an order may be folded anywhere, or smeared into what passes for noise.",
            group.rate,
            group.nyquist()
        ),
        would_tell: Some(format!(
            "log the raw accelerometer at {:.0} Hz or more with every rotor's speed in a hover of 10 s",
            (3.0 * passage / 100.0).ceil() * 100.0
        )),
    })
}

/// Rotor speed that carries the weight at sea level, rev/s.
fn hover_turns(context: &Context<'_>) -> Option<f64> {
    let a = context.known.aircraft.as_ref()?;
    let weight = context.known.mass?.0 * physics::STANDARD_GRAVITY;
    let share = weight / a.stations.len().max(1) as f64;
    let turns = a.rotor.speed_for_thrust(share, 0.0, SEA_LEVEL)? / std::f64::consts::TAU;
    (turns.is_finite() && turns > 0.0).then_some(turns)
}

/// The same source seen by accelerometer and gyro is one source; it stands with the accelerometer.
fn merge(sources: &mut Vec<Source>, new: Source) {
    let near = |a: &Source, b: &Source| {
        let (fa, fb) = (0.5 * (a.seen.0 + a.seen.1), 0.5 * (b.seen.0 + b.seen.1));
        (fa - fb).abs() < 0.04 * fa.max(fb) + 1.5
    };
    for s in sources.iter_mut() {
        let same = s.kind == new.kind
            && s.order == new.order
            && match s.kind {
                SourceKind::Unbalance | SourceKind::Order => {
                    s.rotors.iter().any(|r| new.rotors.contains(r)) || s.rotors.is_empty()
                }
                SourceKind::BladePassage | SourceKind::Looseness => true,
                SourceKind::Clipping => s.channel.get(..4) == new.channel.get(..4),
                SourceKind::Structure | SourceKind::Mount | SourceKind::CannotTell | SourceKind::Control => {
                    near(s, &new)
                }
            };
        if same {
            s.evidence = format!("{} Also in {}, {} r.m.s.", s.evidence, new.channel, short(new.rms));
            // The one that separates the rotors better speaks.
            if !new.rotors.is_empty() && (new.rotors.len() < s.rotors.len() || s.rotors.is_empty()) {
                s.rotors = new.rotors;
                s.name = new.name;
            } else if matches!(s.kind, SourceKind::BladePassage | SourceKind::Unbalance) {
                for r in new.rotors {
                    if !s.rotors.contains(&r) && s.kind == SourceKind::BladePassage {
                        s.rotors.push(r);
                    }
                }
                s.rotors.sort_unstable();
            }
            return;
        }
    }
    sources.push(new);
}

/// A number for a sentence.
fn short(v: f64) -> String {
    if v >= 10.0 {
        format!("{v:.1}")
    } else if v >= 0.1 {
        format!("{v:.2}")
    } else {
        format!("{v:.2e}")
    }
}

fn say(context: &Context<'_>, sources: &[Source], out: &mut Out) {
    let (key, label) = ("vibration.sources", "where the vibration comes from");
    let named: Vec<&Source> = sources.iter().filter(|s| s.kind != SourceKind::CannotTell).collect();
    if named.is_empty() && sources.is_empty() {
        if context.series("accel.x").is_none() && context.series("rate.x").is_none() {
            out.cannot_tell(
                key,
                label,
                "the accelerometer or the gyro",
                "log the raw gyro and accelerometer at 1 kHz or more in a hover of 10 s",
                RESTS,
            );
        } else {
            out.words(
                key,
                label,
                "no source stands out",
                "No order, resonance, knock or oscillation rises above the noise in the air.",
                RESTS,
            );
        }
        return;
    }
    if named.is_empty() {
        let (missing, test) = sources.first().map_or((String::new(), String::new()), |s| {
            (s.evidence.clone(), s.would_tell.clone().unwrap_or_default())
        });
        out.cannot_tell(key, label, missing.trim_end_matches('.').to_owned(), test, RESTS);
        return;
    }
    let answer: Vec<&str> = named.iter().map(|s| s.name.as_str()).collect();
    let text: Vec<String> = sources.iter().map(|s| format!("{}: {}", s.name, s.evidence)).collect();
    out.words(key, label, &answer.join("; "), text.join(" "), RESTS);
}
