//! Gate velocity: does it hold and follow?

use crate::chart::Shown;
use crate::estimate::Estimate;
use crate::gates::attitude::{POINTS, join, over, with_prediction};
use crate::gates::candidate::structure as siting;
use crate::gates::candidate::{self, Candidate};
use crate::gates::context::Context;
use crate::gates::criterion::{Carry, Compare, Draft, Metric};
use crate::gates::evidence::{Answer, Found};
use crate::gates::{GateSpec, rate, sensing};
use crate::predict::{Group, outer};
use crate::result::{Ledger, LedgerLine};
use crate::tuning::{Slow, chain_of, slow_table};

/// The gate.
pub(super) const GATE: GateSpec = GateSpec {
    id: "velocity",
    name: "Velocity",
    question: "Does it hold and follow?",
    closes_on: "a flight with velocity steps of 3 m/s, and one that holds place and height in wind",
    drafts,
    ledgers,
    shown,
};

const STEPS: &str = "velocity steps of 3 m/s forward, back, left and right, with velocity, its demand and the attitude demand logged";
const HOLD: &str = "a hold of place and height for 30 s or more with position and position_demand logged, and the wind noted";

fn drafts(ctx: &Context<'_>) -> Vec<Draft> {
    let a = &ctx.subject.resolved().aircraft;
    let loops = |with_compass: bool| -> Vec<Candidate> {
        let mut c = candidate::velocity(a);
        if with_compass {
            c.extend(siting::compass(ctx));
        }
        c
    };
    let draft = |id, text, output, measured, needs, candidates| Draft {
        id,
        text,
        metric: Some(Metric { output, group: Group::Outer, carry: Carry::Add }),
        predicted: ctx.predicted(output),
        measured,
        compare: Compare::Interval,
        needs,
        note: None,
        candidates,
    };
    vec![
        draft(
            "velocity.gain",
            "velocity gain over the attitude gain",
            "outer.velocity_ratio",
            gain_ratio(ctx),
            STEPS,
            loops(false),
        ),
        Draft {
            note: Some(
                "measured: from gain, integral and delay of the velocity loop, the delay of the attitude response and the \
                 heading error as measured; the attitude's own gain is taken as one at these frequencies"
                    .to_owned(),
            ),
            ..draft(
                "velocity.phase-margin",
                "phase margin of the velocity loop after the heading error",
                "outer.velocity_margin_turned",
                margin(ctx),
                "velocity steps of 3 m/s, a sweep of the stick in attitude command, and a magnetic record",
                loops(true),
            )
        },
        draft(
            "velocity.overshoot",
            "overshoot of velocity steps of 3 m/s from a standing start",
            "outer.velocity_overshoot",
            ctx.flight("velocity.step.overshoot"),
            STEPS,
            loops(false),
        ),
        held(ctx, "velocity.position", "95 % of the distance from the place held", "hold.position", "outer.hold_position"),
        held(ctx, "velocity.height", "95 % of the error of the height held", "hold.height", "outer.hold_height"),
    ]
}

/// A hold: where the wind is not noted it can fail but not meet.
fn held(ctx: &Context<'_>, id: &'static str, text: &'static str, key: &str, output: &'static str) -> Draft {
    let mut measured = ctx.flight(key);
    let mut note = None;
    if let Answer::Found(f) = &mut measured {
        let flight = ctx.evidence.flights.iter().find(|r| r.meta.id == f.record);
        match flight.and_then(|r| r.meta.values.get("wind")) {
            Some(w) => {
                note = Some(format!("flown in a mean wind of {:.1} m/s", w.value));
                // Calmer air than asked for proves less; a tenth is within what an anemometer tells.
                if let Some(asked) = ctx.wind.filter(|a| w.value < 0.9 * a)
                    && f.stale.is_none()
                {
                    f.partial = Some(format!(
                        "a hold in the wind that the requirement states, {asked:.1} m/s: {} flew in {:.1} m/s",
                        f.record, w.value
                    ));
                }
            }
            None if f.stale.is_none() => {
                f.partial = Some(format!(
                    "the wind that {} flew in: give it at import, --value wind='6 m/s +- 1 m/s'",
                    f.record
                ));
            }
            None => {}
        }
    }
    Draft {
        id,
        text,
        metric: Some(Metric { output, group: Group::Outer, carry: Carry::Scale }),
        predicted: ctx.predicted(output),
        measured,
        compare: Compare::Interval,
        needs: HOLD,
        note,
        candidates: candidate::hold(&ctx.subject.resolved().aircraft),
    }
}

fn gain_ratio(ctx: &Context<'_>) -> Answer {
    let gain = match ctx.flight("velocity.gain") {
        Answer::Found(f) => *f,
        other => return other,
    };
    match rate::least_of(ctx, ["attitude.x.gain", "attitude.y.gain"]) {
        Answer::Found(inner) => over(&gain, &inner, "1"),
        _ => Answer::CannotTell(format!(
            "{} shows the velocity gain alone; to tell, fly in attitude command with rate_demand logged",
            gain.record
        )),
    }
}

/// The parts of the margin, as measured.
struct Parts {
    gain: Found,
    integral: Found,
    delay: Found,
    lag: Found,
    heading: Option<Found>,
}

impl Parts {
    fn of(ctx: &Context<'_>) -> Result<Self, Answer> {
        let get = |answer: Answer| match answer {
            Answer::Found(f) => Ok(*f),
            other => Err(other),
        };
        Ok(Self {
            gain: get(ctx.flight("velocity.gain"))?,
            integral: get(ctx.flight("velocity.integral"))?,
            delay: get(ctx.flight("velocity.delay"))?,
            lag: get(ctx.flight_worst(&["attitude.x.lag", "attitude.y.lag"]))?,
            heading: sensing::heading(ctx, "hover.half.payload.battery_current").found(),
        })
    }

    /// Crossover of (gain + integral/s)/s, rad/s.
    fn crossover(gain: f64, integral: f64) -> f64 {
        (0.5 * (gain.powi(2) + (gain.powi(4) + 4.0 * integral.powi(2)).sqrt())).sqrt()
    }

    /// Margin, rad, of gain, integral, delay, lag and heading error.
    fn margin(v: [f64; 5]) -> f64 {
        let wc = Self::crossover(v[0], v[1]);
        std::f64::consts::FRAC_PI_2 - (v[1] / (v[0] * wc)).atan() - wc * (v[2] + v[3]) - v[4]
    }

    fn values(&self) -> [f64; 5] {
        let turned = self.heading.as_ref().map_or(0.0, |h| h.estimate.value);
        [&self.gain, &self.integral, &self.delay, &self.lag]
            .map(|f| f.estimate.value)
            .into_iter()
            .chain([turned])
            .enumerate()
            .fold([0.0; 5], |mut all, (k, v)| {
                all[k] = v;
                all
            })
    }

    fn found(&self) -> Found {
        let values = self.values();
        let slope = |k: usize| {
            let step = 1e-4 * values[k].abs().max(1e-3);
            let at = |sign: f64| {
                let mut v = values;
                v[k] += sign * step;
                Self::margin(v)
            };
            (at(1.0) - at(-1.0)) / (2.0 * step)
        };
        let mut parts: Vec<(usize, &Found)> =
            vec![(0, &self.gain), (1, &self.integral), (2, &self.delay), (3, &self.lag)];
        parts.extend(self.heading.iter().map(|h| (4, h)));
        let terms: Vec<(f64, &Estimate)> = parts.iter().map(|(k, f)| (slope(*k), &f.estimate)).collect();
        let origin = parts.iter().map(|(_, f)| f.estimate.origin).max().unwrap_or(self.gain.estimate.origin);
        let mut found = self.gain.clone();
        found.estimate = Estimate::combine(Self::margin(values), "rad", &terms).with_origin(origin);
        for (_, f) in parts.iter().skip(1) {
            join(&mut found, f);
        }
        if self.heading.is_none() {
            found.partial =
                Some("the heading error was not measured: a magnetic record would tell".to_owned());
        }
        found
    }
}

fn margin(ctx: &Context<'_>) -> Answer {
    match Parts::of(ctx) {
        Ok(parts) => Answer::Found(Box::new(parts.found())),
        Err(other) => other,
    }
}

fn shown(ctx: &Context<'_>) -> Shown {
    let a = ctx.subject.resolved().aircraft.without_payload();
    let density = ctx.subject.air().usual.density;
    let predicted = outer(&a, 0, density).filter(|o| o.velocity > 0.0).and_then(|outer| {
        let span = 6.0 / outer.velocity;
        chain_of(&a, 0, density)?.velocity_step(&outer, span, span / POINTS).ok()
    });
    let slow = Slow::of(ctx);
    let mut all = with_prediction(ctx, "velocity-steps", predicted);
    let climb = slow.as_ref().and_then(Slow::climb_step);
    all.charts.extend(with_prediction(ctx, "climb-steps", climb).charts);
    all.tables.extend(slow_table(ctx, slow.as_ref()));
    all
}

/// Where the phase of the velocity loop goes at its crossover, as measured.
fn ledgers(ctx: &Context<'_>) -> Vec<Ledger> {
    let Ok(parts) = Parts::of(ctx) else { return Vec::new() };
    let values = parts.values();
    let wc = Parts::crossover(values[0], values[1]);
    let quarter = std::f64::consts::FRAC_PI_2;
    let spent = (values[1] / (values[0] * wc)).atan();
    let kept = Estimate::combine(spent, "rad", &[(spent / values[1].max(1e-9), &parts.integral.estimate)]);
    let mut lines = vec![
        ("Integral", kept, "atan(integral / (gain x crossover))"),
        ("Delay of the velocity", parts.delay.estimate.scaled(wc, "rad"), "crossover x delay"),
        (
            "Attitude behind its demand",
            parts.lag.estimate.scaled(wc, "rad"),
            "crossover x delay at low frequency",
        ),
    ];
    if let Some(h) = &parts.heading {
        lines.push(("Heading error at hover current", h.estimate.clone(), "turns what is asked for"));
    }
    let sum = lines.iter().skip(1).fold(lines[0].1.clone(), |sum, l| sum.plus(&l.1));
    let total = sum.value.max(1e-12);
    let limit = ctx.limits.limit("velocity.phase-margin", &ctx.subject.resolved().aircraft);
    vec![Ledger {
        id: "velocity-phase".to_owned(),
        title: format!("Phase spent by the velocity loop at its crossover of {wc:.2} rad/s, of 90 deg"),
        lines: lines
            .into_iter()
            .map(|(name, value, note)| LedgerLine {
                name: name.to_owned(),
                share: value.value / total,
                note: note.to_owned(),
                value,
            })
            .collect(),
        sum,
        allowance: limit.map(|l| quarter - l.value),
    }]
}
