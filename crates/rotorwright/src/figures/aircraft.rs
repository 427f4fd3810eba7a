//! The aircraft drawn to scale: from above with the nose up, and from the left with the nose to the left.

use dossier::result::CheckResult;
use maud::{Markup, html};
use physics::Vec3;
use physics::aircraft::{Aircraft, Body, Spin, Station};

use super::{c, number::Scale};

const LEFT: f64 = 78.0;
const AREA: f64 = 430.0;
const WIDTH: f64 = 830.0;

/// Extent of the aircraft, m: least and greatest of each axis, discs included.
fn extent(aircraft: &Aircraft) -> ([f64; 3], [f64; 3]) {
    let radius = aircraft.rotor.diameter / 2.0;
    let mut low = [0.0_f64; 3];
    let mut high = [0.0_f64; 3];
    let mut take = |at: &Vec3, reach: [f64; 3]| {
        for i in 0..3 {
            low[i] = low[i].min(at[i] - reach[i]);
            high[i] = high[i].max(at[i] + reach[i]);
        }
    };
    for s in &aircraft.stations {
        take(&s.at, [radius, radius, 0.02 * radius]);
    }
    for b in &aircraft.bodies {
        take(&b.at, [0.0; 3]);
    }
    (low, high)
}

fn mm(metres: f64) -> String {
    let text = format!("{:.0} mm", metres * 1e3);
    if text.starts_with("-0 ") { "0 mm".to_owned() } else { text.replace('-', "−") }
}

fn kg(mass: f64) -> String {
    Scale::of("kg", mass, "mass").show(mass)
}

/// Name of an item without the place of its station: "motor and propeller, front right" is one of four.
fn common<'a>(item: &'a str, stations: &[Station]) -> &'a str {
    match item.split_once(", ") {
        Some((name, place)) if stations.iter().any(|s| s.place == place) => name,
        _ => item,
    }
}

/// Items that carry a label: equal items are named once.
fn labels(bodies: &[Body], stations: &[Station]) -> Vec<(usize, String)> {
    let mut out: Vec<(usize, String)> = Vec::new();
    let alike =
        |a: &Body, b: &Body| common(&a.item, stations) == common(&b.item, stations) && a.mass == b.mass;
    for (i, b) in bodies.iter().enumerate() {
        if bodies[..i].iter().any(|earlier| alike(earlier, b)) {
            continue;
        }
        let same: Vec<usize> = (i..bodies.len()).filter(|&j| alike(&bodies[j], b)).collect();
        let named = same.iter().copied().max_by(|&p, &q| {
            (bodies[p].at.y + 0.3 * bodies[p].at.x).total_cmp(&(bodies[q].at.y + 0.3 * bodies[q].at.x))
        });
        let count = if same.len() > 1 { format!("{} × ", same.len()) } else { String::new() };
        let payload = if b.payload { ", payload" } else { "" };
        out.push((
            named.unwrap_or(i),
            format!("{}, {count}{}{payload}", common(&b.item, stations), kg(b.mass)),
        ));
    }
    out
}

/// Spreads positions so that neighbours keep a distance, in the order given (ascending).
pub(crate) fn spread(wanted: &[f64], gap: f64, top: f64, bottom: f64) -> Vec<f64> {
    let mut at = wanted.to_vec();
    for i in 0..at.len() {
        let least = if i == 0 { top } else { at[i - 1] + gap };
        at[i] = at[i].max(least);
    }
    let mut most = bottom;
    for y in at.iter_mut().rev() {
        *y = y.min(most);
        most = *y - gap;
    }
    at
}

/// Mark of the centre of gravity: a circle in four quarters, two of them filled.
fn gravity_mark(x: f64, y: f64) -> Markup {
    html! {
        g.gravity transform=(format!("translate({} {})", c(x), c(y))) {
            circle.paper r="8" {}
            path.hotfull d="M0 0V-8A8 8 0 0 1 8 0zM0 0V8A8 8 0 0 1-8 0z" {}
            circle.hotline r="8" {}
            path.hotline d="M-13 0h26M0-13v26" {}
        }
    }
}

/// A dimension line between two points along x or y, with arrow ticks and its length.
fn dimension(a: (f64, f64), b: (f64, f64), text: &str) -> Markup {
    let upright = (a.0 - b.0).abs() < 1e-6;
    let (mx, my) = ((a.0 + b.0) / 2.0, (a.1 + b.1) / 2.0);
    html! {
        g.dimension {
            path.thin d=(format!("M{} {}L{} {}", c(a.0), c(a.1), c(b.0), c(b.1))) {}
            @for (x, y) in [a, b] {
                path.tick d=(format!("M{} {}l8-8", c(x - 4.0), c(y + 4.0))) {}
            }
            @if upright {
                text.small transform=(format!("translate({} {}) rotate(-90)", c(mx - 5.0), c(my))) text-anchor="middle" { (text) }
            } @else {
                text.small x=(c(mx)) y=(c(my - 5.0)) text-anchor="middle" { (text) }
            }
        }
    }
}

fn leaders(points: &[(f64, f64, String)], x: f64, top: f64, bottom: f64) -> Markup {
    let mut points = points.to_vec();
    points.sort_by(|a, b| a.1.total_cmp(&b.1));
    let at = spread(&points.iter().map(|p| p.1).collect::<Vec<_>>(), 18.0, top, bottom);
    html! {
        @for (p, y) in points.iter().zip(&at) {
            path.leader d=(format!("M{} {}L{} {}H{}", c(p.0), c(p.1), c(x - 22.0), c(*y), c(x - 4.0))) {}
            text.small x=(c(x)) y=(c(y + 4.0)) { (p.2) }
        }
    }
}

/// Names of a station's number, with the rotor below it in a coaxial pair.
fn numbers(stations: &[Station], i: usize) -> String {
    match stations.iter().position(|s| s.below == Some(i)) {
        Some(lower) => format!("{} over {}", i + 1, lower + 1),
        None => format!("{}", i + 1),
    }
}

fn rotor_from_above(aircraft: &Aircraft, i: usize, x: f64, y: f64, s: f64, prefix: &str) -> Markup {
    let station = &aircraft.stations[i];
    let lower = station.below.is_some();
    let radius = aircraft.rotor.diameter / 2.0 * s;
    let arc = radius * if lower { 0.52 } else { 0.8 };
    let id = format!("{prefix}-arc-{}", i + 1);
    // Both arcs run from left to right so that the word stands upright: over the top the way is
    // clockwise, under the hub it is counter-clockwise. The word reads in the direction of rotation.
    let sweep = if station.spin == Spin::Cw { 1 } else { 0 };
    let toward = if station.spin == Spin::Cw { 1.0 } else { -1.0 };
    let cant = station.axis.xy().norm();
    // The name stands on the side that the arrow of the cant leaves free.
    let side = if cant > 1e-4 { if station.axis.x > 0.0 { 1.0 } else { -1.0 } } else { toward };
    html! {
        circle class=(if lower { "disc broken" } else { "disc" }) cx=(c(x)) cy=(c(y))
            r=(c(if lower { radius * 0.95 } else { radius })) {}
        path id=(id) class="arc" d=(format!("M{} {}A{r} {r} 0 0 {sweep} {} {}", c(x - arc), c(y), c(x + arc), c(y), r = c(arc))) {}
        text.small.spin dy=(if station.spin == Spin::Cw { "-4" } else { "12" }) {
            textPath href={ "#" (id) } startOffset="50%" text-anchor="middle" { (station.spin.word()) " \u{2192}" }
        }
        circle.hub cx=(c(x)) cy=(c(y)) r="4" {}
        @if !lower {
            text.small text-anchor="middle" x=(c(x)) y=(c(y + side * 24.0 + 4.0)) {
                (numbers(&aircraft.stations, i)) " " (station.place)
            }
        }
        @if cant > 1e-4 {
            @let (ux, uy) = (station.axis.y / cant, -station.axis.x / cant);
            @let (tx, ty) = (x + ux * 30.0, y + uy * 30.0);
            path.cant d=(format!(
                "M{} {}L{} {}M{} {}L{} {}L{} {}",
                c(x), c(y), c(tx), c(ty),
                c(tx - ux * 7.0 - uy * 4.0), c(ty - uy * 7.0 + ux * 4.0), c(tx), c(ty),
                c(tx - ux * 7.0 + uy * 4.0), c(ty - uy * 7.0 - ux * 4.0)
            )) {}
            text.small x=(c(tx + ux * 6.0)) y=(c(ty + uy * 10.0 + 4.0)) text-anchor=(if ux < 0.0 { "end" } else { "start" }) {
                (format!("{:.1} deg", cant.asin().to_degrees()))
            }
        }
    }
}

/// Both views at one scale.
pub(crate) fn drawing(check: &CheckResult, prefix: &str) -> Markup {
    let aircraft = &check.aircraft;
    let (low, high) = extent(aircraft);
    let wide = (high[1] - low[1]).max(high[0] - low[0]).max(1e-3);
    let s = AREA / wide;
    let radius = aircraft.rotor.diameter / 2.0;
    let top = 52.0;
    let page = |at: &Vec3| (LEFT + (at.y - low[1]) * s, top + (high[0] - at.x) * s);
    let bottom = top + (high[0] - low[0]) * s;
    let right = LEFT + (high[1] - low[1]) * s;
    let heaviest = aircraft.bodies.iter().map(|b| b.mass).fold(0.0, f64::max).max(1e-9);
    let disc_of = |mass: f64| 24.0 * (mass / heaviest).max(0.0).sqrt();
    let gravity = Vec3::from(check.centre_of_gravity);
    let labelled = labels(&aircraft.bodies, &aircraft.stations);

    let hubs: Vec<(f64, f64)> = aircraft.stations.iter().map(|s| page(&s.at)).collect();
    let span = |values: &mut dyn Iterator<Item = f64>| {
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)))
    };
    let (hub_left, hub_right) = span(&mut hubs.iter().map(|h| h.0));
    let (hub_top, hub_bottom) = span(&mut hubs.iter().map(|h| h.1));

    // Side view: nose to the left, z down.
    let side_top = bottom + 96.0;
    let side = |at: &Vec3| (LEFT + (high[0] - at.x) * s, side_top + (at.z - low[2]) * s + 30.0);
    let side_bottom = side(&Vec3::new(0.0, 0.0, high[2])).1.max(side_top + 60.0);
    let height = side_bottom + 74.0;
    let hub = aircraft.stations.iter().map(|s| s.at.z).fold(f64::INFINITY, f64::min);
    let above: Vec<(f64, f64, String)> = labelled
        .iter()
        .map(|(i, text)| {
            let (x, y) = page(&aircraft.bodies[*i].at);
            (x, y, text.clone())
        })
        .chain(std::iter::once({
            let (x, y) = page(&gravity);
            (x, y, format!("centre of gravity, x {}, y {}", mm(gravity.x), mm(gravity.y)))
        }))
        .collect();
    let turns = |spin: Spin| aircraft.stations.iter().filter(|s| s.spin == spin).count();

    html! {
        svg.drawing viewBox=(format!("0 0 {} {}", c(WIDTH), c(height))) role="img" aria-labelledby=(format!("{prefix}-title {prefix}-desc")) {
            title id=(format!("{prefix}-title")) { (aircraft.name) " from above and from the left" }
            desc id=(format!("{prefix}-desc")) {
                (aircraft.stations.len()) " rotors of " (mm(aircraft.rotor.diameter)) ", " (turns(Spin::Cw))
                " turning clockwise and " (turns(Spin::Ccw)) " counter-clockwise seen from above, hub to hub "
                (mm(aircraft.hub_to_hub())) "; centre of gravity at x " (mm(gravity.x)) ", y " (mm(gravity.y)) ", z " (mm(gravity.z)) "."
            }
            text.view x=(c(LEFT - 60.0)) y="18" { "From above, nose up" }
            text.small x=(c(WIDTH - 8.0)) y="18" text-anchor="end" {
                "hub to hub " (mm(aircraft.hub_to_hub())) " at most; both views at one scale; area of a mass shows its mass"
            }
            // Arms, discs, masses.
            @let centre = page(&Vec3::zeros());
            @for h in &hubs { path.arm d=(format!("M{} {}L{} {}", c(centre.0), c(centre.1), c(h.0), c(h.1))) {} }
            path.chain d=(format!("M{x} {}V{}M{} {y}H{}", c(top - 14.0), c(bottom + 8.0), c(LEFT - 8.0), c(right + 8.0), x = c(centre.0), y = c(centre.1))) {}
            @for b in &aircraft.bodies {
                @let (x, y) = page(&b.at);
                circle class=(if b.payload { "mass broken" } else { "mass" }) cx=(c(x)) cy=(c(y)) r=(c(disc_of(b.mass))) {}
            }
            @for (i, h) in hubs.iter().enumerate() { (rotor_from_above(aircraft, i, h.0, h.1, s, prefix)) }
            @let (gx, gy) = page(&gravity);
            (leaders(&above, right + 46.0, top, bottom))
            (gravity_mark(gx, gy))
            // Dimensions.
            @if hubs.len() > 1 {
                path.witness d=(format!("M{a} {}V{y}M{b} {}V{y}", c(hub_bottom), c(hub_bottom), a = c(hub_left), b = c(hub_right), y = c(bottom + 30.0))) {}
                (dimension((hub_left, bottom + 26.0), (hub_right, bottom + 26.0), &mm((hub_right - hub_left) / s)))
                path.witness d=(format!("M{} {a}H{x}M{} {b}H{x}", c(hub_left), c(hub_left), a = c(hub_top), b = c(hub_bottom), x = c(LEFT - 26.0))) {}
                (dimension((LEFT - 22.0, hub_top), (LEFT - 22.0, hub_bottom), &mm((hub_bottom - hub_top) / s)))
            }
            path.witness d=(format!("M{a} {}V{y}M{b} {}V{y}", c(bottom - radius * s), c(bottom - radius * s), a = c(LEFT), b = c(right), y = c(bottom + 56.0))) {}
            (dimension((LEFT, bottom + 52.0), (right, bottom + 52.0), &format!("{} over the discs", mm((right - LEFT) / s))))
            @if let Some(h) = hubs.iter().min_by(|a, b| (a.0 + a.1).total_cmp(&(b.0 + b.1))) {
                path.witness d=(format!("M{a} {y0}V{y1}M{b} {y0}V{y1}", a = c(h.0 - radius * s), b = c(h.0 + radius * s), y0 = c(h.1), y1 = c(h.1 - radius * s - 14.0))) {}
                (dimension((h.0 - radius * s, h.1 - radius * s - 10.0), (h.0 + radius * s, h.1 - radius * s - 10.0), &format!("rotor {}", mm(aircraft.rotor.diameter))))
            }
            // From the left.
            text.view x=(c(LEFT - 60.0)) y=(c(side_top)) { "From the left, nose to the left" }
            @let origin = side(&Vec3::zeros());
            path.chain d=(format!("M{} {y}H{}", c(LEFT - 12.0), c(right + 12.0), y = c(origin.1))) {}
            text.small x=(c(right + 16.0)) y=(c(origin.1 + 4.0)) { "reference, z = 0" }
            @for st in &aircraft.stations {
                @let (x, y) = side(&st.at);
                @let lean = st.axis.x * radius * s;
                @let flat = -st.axis.z * radius * s;
                path.arm d=(format!("M{} {}L{} {}", c(origin.0), c(origin.1), c(x), c(y))) {}
                path.blade d=(format!("M{} {}L{} {}", c(x - flat), c(y - lean), c(x + flat), c(y + lean))) {}
                circle.hub cx=(c(x)) cy=(c(y)) r="3" {}
            }
            @for b in &aircraft.bodies {
                @let (x, y) = side(&b.at);
                circle class=(if b.payload { "mass broken" } else { "mass" }) cx=(c(x)) cy=(c(y)) r=(c(disc_of(b.mass))) {}
            }
            @let (gx, gy) = side(&gravity);
            (gravity_mark(gx, gy))
            path.leader d=(format!("M{} {}L{} {}H{}", c(gx), c(gy), c(right + 24.0), c(side_bottom + 16.0), c(right + 42.0))) {}
            text.small x=(c(right + 46.0)) y=(c(side_bottom + 20.0)) {
                "centre of gravity " (mm((gravity.z - hub).abs()))
                @if gravity.z >= hub { " below the hubs" } @else { " above the hubs" }
            }
            (dimension((LEFT, side_bottom + 48.0), (LEFT + 0.1 * s, side_bottom + 48.0), "100 mm"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::spread;

    #[test]
    fn labels_keep_their_distance_and_stay_inside() {
        let at = spread(&[10.0, 11.0, 12.0, 95.0], 18.0, 0.0, 100.0);
        assert!(at.windows(2).all(|w| w[1] - w[0] >= 18.0 - 1e-9), "{at:?}");
        assert!(at[0] >= 0.0 && at[3] <= 100.0, "{at:?}");
    }
}
