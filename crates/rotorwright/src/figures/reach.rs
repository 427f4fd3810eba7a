//! How far out it may fly, seen from above: home in the middle, the wind from the top, everything to one scale.

use std::f64::consts::FRAC_1_SQRT_2;

use dossier::homeward::{Homeward, Reach};
use maud::{Markup, html};

use super::c;

const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 600.0;
const HOME: (f64, f64) = (300.0, 318.0);
const RADIUS: f64 = 250.0;

/// Step of the distance rings, m: 1, 2 or 5 times a power of ten, two to five rings in all.
fn step(far: f64) -> f64 {
    let decade = 10f64.powf((far / 2.0).log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|k| k * decade).find(|s| far / s >= 2.0).unwrap_or(decade)
}

/// A distance for its label.
fn far_words(metres: f64) -> String {
    if metres >= 1000.0 {
        format!("{} km", c((metres / 100.0).round() / 10.0))
    } else {
        format!("{metres:.0} m")
    }
}

/// Pieces of an outline: a direction without a way home breaks it; a whole one is closed.
fn pieces(outline: &[Reach], of: fn(&Reach) -> Option<f64>, at: &dyn Fn(f64, f64) -> (f64, f64)) -> String {
    let mut out = String::new();
    let whole = !outline.is_empty() && outline.iter().all(|r| of(r).is_some());
    let mut drawing = false;
    for r in outline {
        match of(r) {
            Some(distance) => {
                let (x, y) = at(distance, r.from_wind);
                out.push_str(&format!("{}{} {}", if drawing { "L" } else { "M" }, c(x), c(y)));
                drawing = true;
            }
            None => drawing = false,
        }
    }
    if whole {
        out.push('Z');
    }
    out
}

/// The drawing.
pub(crate) fn drawing(h: &Homeward) -> Markup {
    let all = || h.outline.iter().flat_map(|r| [r.reach, r.radius]).flatten();
    let far = all().fold(1.2 * h.distance, f64::max).max(1.0);
    let scale = RADIUS / far;
    // A way home into the wind begins downwind of home: below it, the wind being at the top.
    let at = |distance: f64, from_wind: f64| {
        (HOME.0 - scale * distance * from_wind.sin(), HOME.1 + scale * distance * from_wind.cos())
    };
    let rings: Vec<f64> = {
        let by = step(far);
        (1..=(far / by) as u32).map(|k| by * f64::from(k)).collect()
    };
    let ends = |of: fn(&Reach) -> Option<f64>| {
        let at_angle = |index: usize| h.outline.get(index).and_then(of);
        [at_angle(0), at_angle(h.outline.len() / 2), at_angle(h.outline.len() / 4)]
    };
    let words = |d: Option<f64>| d.map_or("none".to_owned(), far_words);
    let [into, with, across] = ends(|r| r.reach);
    let charge = 100.0 * h.failsafe.come_home_at;
    let told = format!(
        "At {charge:.0} % of the charge it still comes home from {} downwind (the way home straight into the wind), {} upwind and {} across; {} are stated as farthest.",
        words(into),
        words(with),
        words(across),
        far_words(h.distance)
    );
    let key = |y: f64, class: &str, dash: Option<&str>, text: &str| {
        html! {
            path class=(class) stroke-dasharray=[dash] d=(format!("M16 {}h34", c(y))) {}
            text.small x="58" y=(c(y + 4.0)) { (text) }
        }
    };
    let still = format!("still home at {charge:.0} %");
    html! {
        svg.drawing.plan viewBox=(format!("0 0 {} {}", c(WIDTH), c(HEIGHT))) role="img" aria-labelledby="reach-title reach-desc" {
            title id="reach-title" { "How far out, seen from above" }
            desc id="reach-desc" { (told) }
            @for r in &rings {
                circle.chain fill="none" cx=(c(HOME.0)) cy=(c(HOME.1)) r=(c(r * scale)) {}
                text.small x=(c(HOME.0 + FRAC_1_SQRT_2 * r * scale + 3.0)) y=(c(HOME.1 - FRAC_1_SQRT_2 * r * scale - 3.0)) { (far_words(*r)) }
            }
            path.thin stroke-dasharray="7 3" d=(pieces(&h.outline, |r| r.radius, &at)) {}
            path.hotline d=(pieces(&h.outline, |r| r.reach, &at)) {}
            circle.thin stroke-dasharray="2 2.5" cx=(c(HOME.0)) cy=(c(HOME.1)) r=(c(h.distance * scale)) {}
            circle.meets cx=(c(HOME.0)) cy=(c(HOME.1)) r="4" {}
            text.small x=(c(HOME.0 + 8.0)) y=(c(HOME.1 + 16.0)) { "home" }
            @if h.wind > 0.0 {
                path.cant fill="none" d=(format!("M{} 12v34m-7 -11l7 11 7 -11", c(HOME.0))) {}
                text.view x=(c(HOME.0 + 14.0)) y="30" { (format!("wind {:.0} m/s at 10 m", h.wind)) }
            } @else {
                text.view x=(c(HOME.0 - 40.0)) y="30" { "calm air" }
            }
            (key(22.0, "hotline", None, &still))
            (key(42.0, "thin", Some("7 3"), "out and back, full"))
            (key(62.0, "thin", Some("2 2.5"), "farthest, as stated"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn regress_rings_are_few_and_round() {
        for (far, expected) in [(90.0, 20.0), (400.0, 200.0), (1234.0, 500.0), (5200.0, 2000.0), (99.0, 20.0)]
        {
            let by = step(far);
            assert!((2.0..5.0).contains(&(far / by).floor()), "{far} {by}");
            assert!((by - expected).abs() < 1e-9, "{far} {by}");
        }
    }
}
