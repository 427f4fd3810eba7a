//! Velocity and heave beside their predictions: what tilt and thrust make of them over frequency, and climb steps.

use std::f64::consts::TAU;

use physics::STANDARD_GRAVITY;
use physics::loops::Complex;
use physics::loops::chain::RateChain;
use physics::loops::effect::Lift;
use physics::loops::hold::Vertical;
use physics::loops::outer::Outer;
use physics::loops::response::Step;
use physics::mass::mass_properties;

use super::chain_of;
use super::sheet::flown_chart;
use crate::chart::{Chart, Series, Style, Table};
use crate::estimate::Estimate;
use crate::gates::Context;
use crate::predict::{outer, vertical};

/// The loops of today's file, without payload on a full battery.
pub(crate) struct Slow {
    chain: RateChain,
    outer: Outer,
    heave: (Vertical, Lift),
}

impl Slow {
    /// None where the file has no velocity loop or its powertrain cannot be computed.
    pub(crate) fn of(ctx: &Context<'_>) -> Option<Self> {
        let a = ctx.subject.resolved().aircraft.without_payload();
        let density = ctx.subject.air().usual.density;
        let share = mass_properties(&a.bodies).mass * STANDARD_GRAVITY / a.stations.len().max(1) as f64;
        let outer = outer(&a, 0, density).filter(|o| o.velocity > 0.0)?;
        Some(Self { chain: chain_of(&a, 0, density)?, outer, heave: vertical(&a, share, density)? })
    }

    /// Predicted step of the climb demand.
    pub(crate) fn climb_step(&self) -> Option<Step> {
        let gain = self.heave.0.climb.0;
        let span = 8.0 / gain.max(1e-3);
        self.heave.0.climb_step(&self.chain, self.outer.delay, span, span / 300.0).ok()
    }

    fn velocity_at(&self, s: Complex<f64>) -> Complex<f64> {
        self.chain.attitude_closed_at(self.outer.attitude, s) / (s + self.outer.drag)
    }

    fn heave_at(&self, s: Complex<f64>) -> Complex<f64> {
        let (vertical, lift) = &self.heave;
        self.chain.thrust_at(s) * (STANDARD_GRAVITY * lift.relative) / (s + vertical.decay)
    }

    /// The newest flight's charts of both responses, with the prediction over them.
    pub(super) fn charts(&self, ctx: &Context<'_>) -> Vec<Chart> {
        let mut out = Vec::new();
        for stem in ["velocity-response", "heave-response"] {
            for what in ["gain", "phase", "coherence"] {
                let Some(mut chart) = flown_chart(ctx, &format!("{stem}-{what}")) else { continue };
                let x = chart.series.iter().find(|s| s.style == Style::Line).map(|s| s.x.clone());
                if let Some(x) = x.filter(|_| what != "coherence") {
                    let y = x
                        .iter()
                        .map(|f| {
                            let s = Complex::new(0.0, TAU * f);
                            let at = if stem.starts_with("velocity") {
                                self.velocity_at(s)
                            } else {
                                self.heave_at(s)
                            };
                            if what == "gain" {
                                return 20.0 * at.norm().log10();
                            }
                            let phase = at.arg().to_degrees();
                            if phase > 90.0 { phase - 360.0 } else { phase }
                        })
                        .collect();
                    chart.series.push(Series::new("predicted", Style::Dashed, x, y));
                }
                out.push(chart);
            }
        }
        out
    }
}

/// A figure in the unit it is shown in: the factor from SI, the unit, decimals.
type Shown = (f64, &'static str, usize);

fn cell(e: Option<&Estimate>, (times, unit, digits): Shown) -> String {
    match e {
        Some(e) if e.uncertainty > 0.0 => {
            format!("{:.digits$} ± {:.digits$} {unit}", times * e.value, times * e.uncertainty)
        }
        Some(e) => format!("{:.digits$} {unit}", times * e.value),
        None => "-".to_owned(),
    }
}

/// Responses and climb steps as flown beside their predictions; none where no flight shows any.
pub(crate) fn table(ctx: &Context<'_>, slow: Option<&Slow>) -> Option<Table> {
    let exact = |value: f64, unit: &str| Estimate::exact(value, unit, crate::estimate::Origin::Computed);
    let step = slow.and_then(Slow::climb_step).map(|s| s.figures());
    let of_step = |value: Option<f64>, unit: &str| value.map(|v| exact(v, unit));
    let told = |id: &str| ctx.prediction.get(id).cloned();
    let (percent, ratio, rate): (Shown, Shown, Shown) = ((100.0, "%", 0), (1.0, "", 3), (1.0, "1/s", 3));
    let (ms, seconds, gain): (Shown, Shown, Shown) = ((1e3, "ms", 0), (1.0, "s", 2), (1.0, "m/s^2", 2));
    let rows: [(&str, &str, Option<Estimate>, Shown); 13] = [
        (
            "velocity response: acceleration had over that asked for",
            "velocity.response.gain",
            Some(exact(1.0, "1")),
            ratio,
        ),
        ("velocity response: total delay", "velocity.response.delay", told("outer.velocity_delay"), ms),
        ("velocity response: decay by drag", "velocity.response.decay", told("outer.velocity_decay"), rate),
        (
            "velocity by tilt alone: acceleration had over that asked for",
            "velocity.by_tilt.gain",
            Some(exact(1.0, "1")),
            ratio,
        ),
        ("velocity by tilt alone: total delay", "velocity.by_tilt.delay", told("outer.velocity_delay"), ms),
        (
            "heave response: acceleration per share of the hover's thrust",
            "heave.gain",
            told("heave.gain"),
            gain,
        ),
        ("heave response: total delay", "heave.delay", told("heave.delay"), ms),
        ("heave response: vertical damping", "heave.decay", told("heave.decay"), rate),
        ("climb step: overshoot", "climb.step.overshoot", of_step(step.map(|s| s.overshoot), "1"), percent),
        (
            "climb step: overshoot on stopping",
            "climb.step.stop_overshoot",
            of_step(step.map(|s| s.overshoot), "1"),
            percent,
        ),
        ("climb step: rise 10 to 90 %", "climb.step.rise", of_step(step.and_then(|s| s.rise), "s"), seconds),
        (
            "climb step: settling within 5 %",
            "climb.step.settling",
            of_step(step.and_then(|s| s.settling), "s"),
            seconds,
        ),
        ("climb step: error left at the end", "climb.step.steady", None, percent),
    ];
    let rows: Vec<Vec<String>> = rows
        .into_iter()
        .filter_map(|(name, key, predicted, shown)| {
            let flown = ctx.flight(key).found()?;
            let stale = if flown.stale.is_some() { ", stale" } else { "" };
            Some(vec![
                name.to_owned(),
                cell(predicted.as_ref(), shown),
                format!("{}{stale}", cell(Some(&flown.estimate), shown)),
                flown.record,
            ])
        })
        .collect();
    (!rows.is_empty()).then(|| Table {
        id: "slow".to_owned(),
        title: "Velocity, heave and climb steps".to_owned(),
        head: ["figure", "predicted", "flown", "record"].map(str::to_owned).to_vec(),
        rows,
        note: "Predicted without payload on a full battery, linear: drag at 3 m/s, thrust in climb as in descent. By tilt alone: whatever \
               answered the velocity, a pilot say, is in the tilt and biases it."
            .to_owned(),
    })
}
