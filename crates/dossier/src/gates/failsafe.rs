//! Gate fail-safe: does it come home on low battery and lost link?

use crate::gates::candidate;
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::Answer;
use crate::gates::{GateSpec, nothing_shown};
use crate::predict::Group;
use crate::result::Ledger;

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "fail-safe",
    name: "Fail-safe",
    question: "Does it come home on low battery and lost link?",
    closes_on: "a flight that ends by its low battery, three lost links and a take-over; a discharge and a range record behind it",
    drafts,
    ledgers,
    shown: nothing_shown,
};

const HOME: &str = "a flight with mode, battery.charge, battery.current and position logged that the low battery turns home and that lands";
const LINK: &str = "a flight with link.on and mode logged in which the sender is switched off three times";

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let only =
        |id, text, measured, needs| Draft::measured_only(id, text, measured, Compare::Interval, needs, None);
    vec![
        Draft {
            id: "fail-safe.charge-left",
            text: "charge left at the landing",
            metric: Some(Metric { output: "homeward.left", group: Group::Homeward, carry: Carry::Add }),
            predicted: ctx.predicted("homeward.left"),
            measured: ctx.flight("failsafe.charge_left"),
            compare: Compare::Interval,
            needs: HOME,
            note: None,
            candidates: candidate::homeward(ctx),
        },
        only(
            "fail-safe.charge-error",
            "error of the remaining charge at the trigger",
            ctx.flight_magnitude("failsafe.charge_error"),
            HOME,
        )
        .noted(outside("the gauge of the controller: its capacity, its current sensor, its voltage without the load correction; a discharge record tells which, and the whole error is what mending it buys")),
        Draft {
            id: "fail-safe.energy",
            text: "energy above the reserve at the trigger over that needed to come home into the wind",
            metric: Some(Metric {
                output: "homeward.energy_ratio",
                group: Group::Homeward,
                carry: Carry::Scale,
            }),
            predicted: ctx.predicted("homeward.energy_ratio"),
            measured: energy(ctx),
            compare: Compare::Interval,
            needs: HOME,
            note: ctx
                .wind
                .is_none()
                .then(|| "predicted in calm air: the requirement states no wind".to_owned()),
            candidates: candidate::homeward(ctx),
        },
        late(
            ctx,
            ("fail-safe.low-battery", "low battery: acted later than stated"),
            ("homeward.low_battery_time", "failsafe.battery.late"),
            HOME,
        ),
        late(
            ctx,
            ("fail-safe.lost-link", "lost link: acted later than stated, the worst"),
            ("homeward.lost_link_time", "failsafe.link.late"),
            LINK,
        ),
        Draft {
            compare: Compare::Central,
            ..only(
                "fail-safe.in-a-row",
                "lost links that it acted on, in a row",
                ctx.flight("failsafe.link.row"),
                LINK,
            )
        }
        .noted(outside("receiver and controller: what the receiver puts out without a link, and what the controller takes for one; try it on the bench without propellers, then three times in flight")),
        only(
            "fail-safe.take-over",
            "safety pilot: switch until the mode has changed",
            ctx.flight("failsafe.takeover"),
            "a flight with pilot.override and mode logged in which the pilot takes over",
        )
        .noted(outside("receiver and controller: the period of the channel with the switch, its filter, the conditions that a mode waits for")),
    ]
}

/// What limits a figure that no input of the aircraft file moves.
fn outside(what: &str) -> Option<String> {
    Some(format!("no input of the aircraft file moves it; it rests with {what}"))
}

/// Time beyond the stated one: what is stated may be what is wrong.
fn late(
    ctx: &Context<'_>,
    (id, text): (&'static str, &'static str),
    (output, measured): (&'static str, &'static str),
    needs: &'static str,
) -> Draft {
    Draft {
        id,
        text,
        metric: Some(Metric { output, group: Group::Homeward, carry: Carry::Beyond }),
        predicted: None,
        measured: ctx.flight(measured),
        compare: Compare::Interval,
        needs,
        note: Some(
            "the time beyond the stated one is the controller's own: its check's period and filter; either shorten it there, or state what it takes and see what that costs"
                .to_owned(),
        ),
        candidates: candidate::stated_time(ctx, output, ctx.flight(measured).found().map(|f| f.estimate.value)),
    }
}

/// As flown; where it was flown nearer or in calmer air than it is to come home from, it can fail but not meet.
fn energy(ctx: &Context<'_>) -> Answer {
    let mut answer = ctx.flight("failsafe.energy_ratio");
    let Answer::Found(f) = &mut answer else { return answer };
    if f.stale.is_some() {
        return answer;
    }
    let Some(flight) = ctx.evidence.flights.iter().find(|r| r.meta.id == f.record) else { return answer };
    let stated = ctx.subject.resolved().aircraft.safety.failsafe;
    let carries = ctx.subject.resolved().aircraft.bodies.iter().any(|b| b.payload);
    let mut lacks = Vec::new();
    match (flight.findings.estimate("failsafe.distance"), stated) {
        (Some(d), Some(s)) if d.value < 0.9 * s.farthest => {
            lacks.push(format!("flown from {:.0} m, {:.0} m are stated as farthest", d.value, s.farthest));
        }
        (None, _) => lacks.push("position was not logged: from how far is not known".to_owned()),
        _ => {}
    }
    match (flight.meta.values.get("wind"), ctx.wind) {
        (Some(w), Some(asked)) if w.value < 0.9 * asked => {
            lacks.push(format!("flown in {:.1} m/s of wind, the requirement states {asked:.1} m/s", w.value));
        }
        (None, _) => lacks.push("the wind is not noted: --value wind='6 m/s +- 1 m/s' at import".to_owned()),
        _ => {}
    }
    if carries && !crate::check::payload_fitted(&flight.meta) {
        lacks.push("flown without the payload".to_owned());
    }
    if !lacks.is_empty() {
        f.partial = Some(format!("{}: {}", f.record, lacks.join("; ")));
    }
    answer
}

/// Energy from the farthest point home, leg by leg, is on the page of the way home; here what the charge is for.
fn ledgers(ctx: &Context<'_>) -> Vec<Ledger> {
    use crate::result::LedgerLine;
    let a = &ctx.subject.resolved().aircraft;
    let (Some(f), Some(b)) = (a.safety.failsafe, a.battery.as_ref()) else { return Vec::new() };
    let Some(need) = ctx.predicted("homeward.need") else { return Vec::new() };
    let exact = |v: f64| crate::estimate::Estimate::exact(v, "1", crate::estimate::Origin::Stated);
    let home = need.minus(&exact(b.reserve));
    let line = |name: &str, value: crate::estimate::Estimate, note: &str| LedgerLine {
        name: name.to_owned(),
        share: value.value,
        value,
        note: note.to_owned(),
    };
    let spare = exact(f.come_home_at).minus(&need);
    let flown = exact(1.0 - f.come_home_at);
    vec![Ledger {
        id: "charge".to_owned(),
        title: "What the charge is for, farthest out into the wind".to_owned(),
        sum: exact(1.0),
        allowance: None,
        lines: vec![
            line("flown before it turns home", flown, "1 less failsafe.come_home_at"),
            line(
                "spare at the trigger",
                spare,
                "what is left of the trigger over the need; below zero it turns too late",
            ),
            line("to come home and land", home, "into the wind, with payload"),
            line("reserve", exact(b.reserve), "battery.reserve"),
        ],
    }]
}
