//! A criterion as a rule: predicted and measured intervals against the limit, the wrong side hatched.

use dossier::result::{CriterionResult, Sense, State};
use maud::{Markup, html};

use super::{c, number::Scale};

const WIDTH: f64 = 180.0;

/// The rule of one criterion: what is predicted above the line, what is measured on it.
pub(crate) fn criterion(criterion: &CriterionResult) -> Markup {
    let limit = criterion.limit.value;
    let predicted = criterion.predicted.as_ref();
    let measured = criterion.measured.as_ref();
    let mut low: f64 = limit.min(0.0);
    let mut high: f64 = limit.max(0.0);
    for e in predicted.iter().copied().chain(measured.iter().map(|m| &m.estimate)) {
        let (a, b) = e.interval();
        for v in [a, b] {
            if v.is_finite() {
                low = low.min(v.max(limit - 4.0 * limit.abs()));
                high = high.max(v.min(limit + 4.0 * limit.abs()));
            }
        }
    }
    let span = (high - low).max(f64::MIN_POSITIVE);
    high += 0.12 * span;
    if low < 0.0 {
        low -= 0.12 * span;
    }
    let x = move |v: f64| ((v - low) / (high - low)).clamp(0.0, 1.0) * (WIDTH - 4.0) + 2.0;
    let at = x(limit);
    let wrong = match criterion.limit.sense {
        Sense::AtMost => (at, WIDTH - 2.0),
        Sense::AtLeast => (2.0, at),
    };
    let scale = Scale::of(&criterion.limit.unit, limit, &criterion.id);
    let said = format!(
        "limit {}{}{}",
        scale.show(limit),
        predicted.map(|e| format!(", predicted {}", scale.estimate(e))).unwrap_or_default(),
        measured.map(|m| format!(", measured {}", scale.estimate(&m.estimate))).unwrap_or_default(),
    );
    html! {
        svg.rule viewBox="0 0 180 30" role="img" aria-label=(said) {
            (hatch(wrong.0, wrong.1, 4.0, 24.0))
            path.thin d=(format!("M2 24H{}", c(WIDTH - 2.0))) {}
            @if let Some(e) = predicted {
                @let (a, b) = e.interval();
                path.thin d=(format!("M{} 9H{}", c(x(a)), c(x(b)))) {}
                circle.hollow cx=(c(x(e.value))) cy="9" r="3.4" {}
            }
            @if let Some(m) = measured {
                @let (a, b) = m.estimate.interval();
                path class=(if criterion.state == State::Stale { "heavy broken" } else { "heavy" })
                    d=(format!("M{} 18H{}", c(x(a)), c(x(b)))) {}
                path.full d=(format!("M{} 13l5 5-5 5-5-5z", c(x(m.estimate.value)))) {}
            }
            path.limit d=(format!("M{} 2V28", c(at))) {}
        }
    }
}

/// The worst margin of a gate: a short rule that starts at the limit, to the right when inside it.
pub(crate) fn margin(margin: f64) -> Markup {
    let to = 45.0 + 42.0 * margin.clamp(-1.0, 1.0);
    html! {
        svg.rule.short-rule viewBox="0 0 90 16" aria-hidden="true" focusable="false" {
            (hatch(2.0, 45.0, 3.0, 13.0))
            path.thin d="M2 13H88" {}
            path class=(if margin < 0.0 { "heavy hot" } else { "heavy" }) d=(format!("M45 8H{}", c(to))) {}
            path.limit d="M45 1V15" {}
        }
    }
}

/// Slanted strokes between two abscissae: the side that is not allowed.
pub(crate) fn hatch(from: f64, to: f64, top: f64, bottom: f64) -> Markup {
    let mut d = String::new();
    let lean = (bottom - top) * 0.6;
    let mut x = from + 2.0;
    while x < to {
        // The stroke leans right and is cut where it would leave the band.
        let reach = (to - x).min(lean);
        d.push_str(&format!("M{} {}L{} {}", c(x), c(bottom), c(x + reach), c(bottom - reach / 0.6)));
        x += 6.0;
    }
    html! { path.hatch d=(d) {} }
}
