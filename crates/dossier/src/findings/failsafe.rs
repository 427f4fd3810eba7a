//! Fail-safes as flown: how late each acted, whether the charge was known, what was left, how quickly a pilot took over.
//!
//! A lost link is where `link.on` falls below a half; it acted where `mode` first changes while it is lost or within
//! 30 s. A low battery is where `battery.charge`, the aircraft's own estimate, falls below `failsafe.come_home_at` with
//! the link there. A take-over is where `pilot.override` rises. What no channel shows can be entered by hand with the
//! record, in seconds from its first row: `link.lost.1`, `link.acted.1`, `battery.trigger`, `battery.acted`,
//! `pilot.switch.1`, `pilot.acted.1`.
//!
//! Truth of the charge: what was in it (`charge_at_start` by hand, full where not stated) less the counted current over the
//! capacity as stated or measured; with `charge_put_back` by hand (A s) the count is put right by what the charger gave.

use physics::aircraft::Aircraft;
use physics::homeward::Failsafe;
use physics::powertrain::{BatteryModel, open_circuit_voltage};

use super::context::{Context, Out, Series};
use crate::chart::Table;

/// What the times rest on.
const TIMES: &[&str] = &["failsafe"];
/// What the charges rest on.
const CHARGES: &[&str] = &["failsafe", "battery"];
/// Longest time until an action counts as one, s.
const PATIENCE: f64 = 30.0;
/// Uncertainty of a stated capacity, relative: 3 % as a half-width.
const CAPACITY: f64 = 0.03 / 1.732;

/// A trigger and when it acted.
#[derive(Debug, Clone, Copy)]
struct Event {
    at: f64,
    acted: Option<f64>,
}

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let channels = ["link.on", "mode", "pilot.override"];
    let by_hand = ["link.", "battery.trigger", "battery.acted", "pilot."];
    let asked = channels.iter().any(|c| context.series(c).is_some())
        || context.record.meta.values.keys().any(|k| by_hand.iter().any(|h| k.starts_with(h)));
    // A flight that tried no fail-safe says nothing about them, and need not say that it cannot.
    if !asked {
        return;
    }
    let aircraft = context.known.aircraft.as_ref();
    let Some((a, f)) = aircraft.and_then(|a| Some((a, a.safety.failsafe?))) else {
        let test = "state [failsafe] in the aircraft file";
        out.cannot_tell(
            "failsafe.link.late",
            "lost link, later than stated",
            "failsafe in the aircraft file",
            test,
            TIMES,
        );
        return;
    };
    let mut rows = Vec::new();
    links(context, out, &f, &mut rows);
    take_over(context, out, &mut rows);
    battery(context, out, (a, &f), &mut rows);
    if !rows.is_empty() {
        out.tables.push(Table {
            id: "failsafes".to_owned(),
            title: "Fail-safes as flown".to_owned(),
            head: ["what", "at, s", "acted after, s", "stated, s"].map(str::to_owned).to_vec(),
            rows,
            note: "Times from the first row of the record.".to_owned(),
        });
    }
}

/// Instants where a channel crosses a level, downwards or upwards.
fn crossings(series: &Series, level: f64, falling: bool) -> Vec<f64> {
    let beyond = |v: f64| if falling { v < level } else { v >= level };
    series
        .values
        .windows(2)
        .zip(series.time.iter().skip(1))
        .filter(|(w, _)| !beyond(w[0]) && beyond(w[1]))
        .map(|(_, t)| *t)
        .collect()
}

/// First change of a channel after an instant, within a time.
fn changed(series: &Series, after: f64, within: f64) -> Option<f64> {
    let before = series.time.partition_point(|t| *t < after).saturating_sub(1);
    let was = *series.values.get(before)?;
    series
        .time
        .iter()
        .zip(&series.values)
        .skip(before)
        .take_while(|(t, _)| **t <= after + within)
        .find(|(t, v)| **t >= after && (**v - was).abs() > 0.5)
        .map(|(t, _)| *t)
}

/// A value entered by hand.
fn hand(context: &Context<'_>, key: &str) -> Option<f64> {
    context.record.meta.values.get(key).map(|v| v.value)
}

/// Events entered by hand, numbered from 1.
fn noted(context: &Context<'_>, trigger: &str, acted: &str) -> Vec<Event> {
    (1..)
        .map_while(|n| {
            let at = hand(context, &format!("{trigger}.{n}"))?;
            Some(Event { at, acted: hand(context, &format!("{acted}.{n}")) })
        })
        .collect()
}

/// Uncertainty of a time between two rows, s.
fn grain(context: &Context<'_>) -> f64 {
    let period = context.series("mode").map_or(0.2, |s| s.period);
    period / 6.0_f64.sqrt()
}

fn row(what: String, e: &Event, stated: Option<f64>) -> Vec<String> {
    let number = |v: Option<f64>, none: &str| v.map_or(none.to_owned(), |v| format!("{v:.2}"));
    vec![what, format!("{:.2}", e.at), number(e.acted.map(|t| t - e.at), "did not act"), number(stated, "")]
}

fn links(context: &Context<'_>, out: &mut Out, f: &Failsafe, rows: &mut Vec<Vec<String>>) {
    let mut events = noted(context, "link.lost", "link.acted");
    if events.is_empty()
        && let Some(link) = context.series("link.on")
    {
        // A loss that ends before its time is nothing to act on.
        let lost = crossings(link, 0.5, true);
        let back = crossings(link, 0.5, false);
        events = lost
            .into_iter()
            .filter(|t| {
                let until = back.iter().find(|b| *b > t).copied().unwrap_or(f64::INFINITY);
                until - t > f.lost_link_time + 0.5
            })
            .map(|at| Event { at, acted: context.series("mode").and_then(|m| changed(m, at, PATIENCE)) })
            .collect();
    }
    let (key, label) = ("failsafe.link.late", "lost link: acted later than stated, the worst");
    let test = "switch the sender off in flight three times, with link.on and mode logged, or note link.lost.1 and link.acted.1";
    if events.is_empty() {
        let missing = if context.series("link.on").is_none() {
            "the channel link.on, or link.lost.1 by hand".to_owned()
        } else {
            format!("a lost link of more than {:.1} s", f.lost_link_time + 0.5)
        };
        out.cannot_tell(key, label, missing.clone(), test, TIMES);
        out.cannot_tell("failsafe.link.row", "lost links that it acted on, in a row", missing, test, TIMES);
        return;
    }
    if context.series("mode").is_none() && events.iter().all(|e| e.acted.is_none()) {
        out.cannot_tell(key, label, "the channel mode, or link.acted.1 by hand", test, TIMES);
        return;
    }
    rows.extend(
        events
            .iter()
            .enumerate()
            .map(|(k, e)| row(format!("lost link {}", k + 1), e, Some(f.lost_link_time))),
    );
    let late: Vec<f64> = events.iter().filter_map(|e| Some(e.acted? - e.at - f.lost_link_time)).collect();
    let missed = events.len() - late.len();
    let in_row = events.iter().rev().take_while(|e| e.acted.is_some()).count();
    let text = format!(
        "{} lost links, {} acted on; {:.1} s are stated.",
        events.len(),
        late.len(),
        f.lost_link_time
    );
    let worst = late.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if missed > 0 {
        // Not to act at all is as late as was waited for.
        let e = context.estimate("lost link", PATIENCE, 0.0, "s");
        out.value(key, label, e, format!("{text} {missed} not acted on within {PATIENCE:.0} s."), TIMES);
    } else {
        let e = context.estimate("lost link", worst, grain(context), "s");
        out.value(key, label, e, text.clone(), TIMES);
    }
    let e = context.estimate("lost links in a row", in_row as f64, 0.0, "1");
    out.value("failsafe.link.row", "lost links that it acted on, in a row", e, text, TIMES);
}

fn take_over(context: &Context<'_>, out: &mut Out, rows: &mut Vec<Vec<String>>) {
    let mut events = noted(context, "pilot.switch", "pilot.acted");
    if events.is_empty()
        && let Some(switch) = context.series("pilot.override")
    {
        events = crossings(switch, 0.5, false)
            .into_iter()
            .map(|at| Event { at, acted: context.series("mode").and_then(|m| changed(m, at, PATIENCE)) })
            .collect();
    }
    let (key, label) = ("failsafe.takeover", "safety pilot: switch until the mode has changed, the worst");
    let test = "take over once on the way home, with pilot.override and mode logged";
    if events.is_empty() {
        out.cannot_tell(
            key,
            label,
            "a take-over: pilot.override that rises, or pilot.switch.1 by hand",
            test,
            TIMES,
        );
        return;
    }
    rows.extend(events.iter().map(|e| row("take-over".to_owned(), e, None)));
    if context.series("mode").is_none() && events.iter().all(|e| e.acted.is_none()) {
        out.cannot_tell(key, label, "the channel mode, or pilot.acted.1 by hand", test, TIMES);
        return;
    }
    let worst = events.iter().map(|e| e.acted.map_or(PATIENCE, |t| t - e.at)).fold(0.0, f64::max);
    let text = format!("{} take-overs.", events.len());
    out.value(key, label, context.estimate("take-over", worst, grain(context), "s"), text, TIMES);
}

/// Charge against time: counted from the current.
struct Count {
    time: Vec<f64>,
    charge: Vec<f64>,
    /// Relative uncertainty of what was counted.
    error: f64,
}

impl Count {
    fn of(context: &Context<'_>, a: &Aircraft) -> Result<Self, &'static str> {
        let current = context.series("battery.current").ok_or("the channel battery.current")?;
        let capacity = a.battery.as_ref().map(|b| b.capacity).ok_or("battery in the aircraft file")?;
        let first = hand(context, "charge_at_start").unwrap_or(1.0);
        let mut charge = vec![0.0];
        for (t, i) in current.time.windows(2).zip(current.values.windows(2)) {
            let last = charge.last().copied().unwrap_or(0.0);
            charge.push(last + 0.5 * (i[0] + i[1]) * (t[1] - t[0]));
        }
        let counted = charge.last().copied().unwrap_or(0.0);
        let given = hand(context, "charge_put_back").filter(|q| *q > 0.0 && counted > 0.0);
        let scale = given.map_or(1.0, |q| q / counted);
        Ok(Self {
            time: current.time.to_vec(),
            charge: charge.iter().map(|q| first - scale * q / capacity).collect(),
            error: if given.is_some() { 0.01 } else { CAPACITY },
        })
    }

    fn at(&self, t: f64) -> Option<f64> {
        let k = self.time.partition_point(|s| *s < t).min(self.time.len().checked_sub(1)?);
        self.charge.get(k).copied()
    }
}

/// Charge at which a cell at rest has a voltage.
fn charge_of(a: &Aircraft, cell: f64) -> Option<f64> {
    let chemistry = a.battery.as_ref()?.chemistry;
    let over = |s: f64| open_circuit_voltage(chemistry, s) - cell;
    physics::root::root(over, (0.0, over(0.0)), (1.0, over(1.0)), 1e-6)
}

fn battery(
    context: &Context<'_>,
    out: &mut Out,
    (a, f): (&Aircraft, &Failsafe),
    rows: &mut Vec<Vec<String>>,
) {
    let event = hand(context, "battery.trigger")
        .map(|at| Event { at, acted: hand(context, "battery.acted") })
        .or_else(|| {
            let estimate = context.series("battery.charge")?;
            let at = *crossings(estimate, f.come_home_at, true).first()?;
            Some(Event { at, acted: context.series("mode").and_then(|m| changed(m, at, PATIENCE)) })
        });
    let (key, label) = ("failsafe.battery.late", "low battery: acted later than stated");
    let test = "fly on until the low battery turns it home and let it land, with battery.charge, mode and battery.current logged";
    let Some(event) = event else {
        let missing = if context.series("battery.charge").is_none() {
            "the channel battery.charge: the aircraft's own estimate".to_owned()
        } else {
            format!("a charge that falls through {:.0} %", 100.0 * f.come_home_at)
        };
        for (key, label) in [
            (key, label),
            ("failsafe.charge_error", "estimate of the charge less the truth, at the trigger"),
            ("failsafe.charge_left", "charge left at the landing"),
            ("failsafe.energy_ratio", "charge above the reserve at the trigger over that used to come home"),
        ] {
            out.cannot_tell(key, label, missing.clone(), test, TIMES);
        }
        return;
    };
    rows.push(row("low battery".to_owned(), &event, Some(f.low_battery_time)));
    match event.acted {
        Some(t) => {
            let e = context.estimate("low battery", t - event.at - f.low_battery_time, grain(context), "s");
            out.value(key, label, e, format!("{:.1} s are stated.", f.low_battery_time), TIMES);
        }
        None if context.series("mode").is_some() => {
            let e = context.estimate("low battery", PATIENCE, 0.0, "s");
            out.value(key, label, e, format!("It did not act within {PATIENCE:.0} s."), TIMES);
        }
        None => out.cannot_tell(key, label, "the channel mode, or battery.acted by hand", test, TIMES),
    }
    let count = match Count::of(context, a) {
        Ok(c) => c,
        Err(missing) => {
            out.cannot_tell("failsafe.charge_left", "charge left at the landing", missing, test, CHARGES);
            return;
        }
    };
    charges(context, out, (a, f), &event, &count);
}

fn charges(
    context: &Context<'_>,
    out: &mut Out,
    (a, f): (&Aircraft, &Failsafe),
    event: &Event,
    count: &Count,
) {
    let Some((truth, last)) = count.at(event.at).zip(count.charge.last().copied()) else { return };
    let first = count.charge.first().copied().unwrap_or(1.0);
    let error = |used: f64| (used * count.error).hypot(0.005);
    let (key, label) = ("failsafe.charge_error", "estimate of the charge less the truth, at the trigger");
    let said = context.series("battery.charge").and_then(|s| s.at(event.at));
    match said {
        Some(said) => {
            let e = context.estimate("charge error", said - truth, error(first - truth), "1");
            let voltage = by_voltage(context, a, event.at);
            let model = voltage.map_or(String::new(), |v| {
                format!(" Voltage with the stated resistance taken off says {:.0} %.", 100.0 * v)
            });
            let text = format!(
                "It said {:.1} % where {:.1} % were left by the counted current.{model}",
                100.0 * said,
                100.0 * truth
            );
            out.value(key, label, e, text, CHARGES);
            if let Some(v) = voltage {
                let e =
                    context.estimate("charge by voltage", v - truth, error(first - truth).hypot(0.02), "1");
                let label = "charge by voltage less the counted one, at the trigger";
                out.value(
                    "failsafe.voltage_error",
                    label,
                    e,
                    "What a threshold in volts under load would have known.",
                    CHARGES,
                );
            }
        }
        None => out.cannot_tell(
            key,
            label,
            "the channel battery.charge: the aircraft's own estimate",
            "log it",
            CHARGES,
        ),
    }
    let landed = height_at_end(context).is_none_or(|h| h < 1.0);
    if !landed {
        let missing = "a landing: the record ends in the air";
        out.cannot_tell(
            "failsafe.charge_left",
            "charge left at the landing",
            missing,
            "log until it stands",
            CHARGES,
        );
        return;
    }
    let e = context.estimate("charge left", last, error(first - last), "1");
    out.value("failsafe.charge_left", "charge left at the landing", e, "By the counted current.", CHARGES);
    let used = truth - last;
    let away = distance(context, event.at);
    if used > 0.0 {
        let reserve = a.battery.as_ref().map_or(0.2, |b| b.reserve);
        let ratio = (truth - reserve) / used;
        let e = context.estimate(
            "energy ratio",
            ratio,
            (error(first - truth) / used).hypot(ratio * count.error),
            "1",
        );
        let from = away.map_or(String::new(), |d| format!(" from {d:.0} m"));
        let text = format!(
            "{:.1} % of the charge were used to come home{from} and land; {:.0} % are the reserve.",
            100.0 * used,
            100.0 * reserve
        );
        let label = "charge above the reserve at the trigger over that used to come home";
        out.value("failsafe.energy_ratio", label, e, text, CHARGES);
    }
    if let Some(d) = away {
        let e = context.estimate("distance at the trigger", d, 2.0, "m");
        let text = format!("{:.0} m are stated as farthest.", f.farthest);
        out.value("failsafe.distance", "distance from home at the trigger", e, text, TIMES);
    }
    if let Some(h) = lowest(context, event) {
        let e = context.estimate("least height", h, 1.0, "m");
        let label = "least height on the way home, before the descent";
        out.value("failsafe.height", label, e, format!("{:.0} m are stated.", f.plan.height), TIMES);
    }
}

/// Charge from the voltage with the stated resistance taken off, over the two seconds about an instant.
fn by_voltage(context: &Context<'_>, a: &Aircraft, at: f64) -> Option<f64> {
    let model = BatteryModel::of(a.battery.as_ref()?).ok()?;
    let mean = |name: &str| context.series(name)?.mean(at - 1.0, at + 1.0);
    let (volts, amps) = (mean("battery.voltage")?, mean("battery.current")?);
    charge_of(a, (volts + model.steady_resistance() * amps) / model.series)
}

fn height<'c>(context: &'c Context<'_>) -> Option<(&'c Series, f64)> {
    context.series("height").map(|s| (s, 1.0)).or_else(|| context.series("position.z").map(|s| (s, -1.0)))
}

fn height_at_end(context: &Context<'_>) -> Option<f64> {
    let (s, sign) = height(context)?;
    s.values.last().map(|v| sign * v)
}

/// Distance from where the record begins, m.
fn distance(context: &Context<'_>, at: f64) -> Option<f64> {
    let of = |name: &str| {
        let s = context.series(name)?;
        Some(s.at(at)? - hand(context, &format!("home.{}", &name[9..])).unwrap_or(0.0))
    };
    Some(of("position.x")?.hypot(of("position.y")?))
}

/// Least height while it is more than 10 m from home, from the action on.
fn lowest(context: &Context<'_>, event: &Event) -> Option<f64> {
    let (s, sign) = height(context)?;
    let (time, values) = s.slice(event.acted?, f64::INFINITY);
    time.iter()
        .zip(values)
        .filter(|(t, _)| distance(context, **t).is_some_and(|d| d > 10.0))
        .map(|(_, v)| sign * v)
        .min_by(f64::total_cmp)
}
