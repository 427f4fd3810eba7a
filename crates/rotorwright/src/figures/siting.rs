//! Sites for the magnetometer on the side view: leads, battery, radio, candidates, the recommended one.

use dossier::siting::Siting;
use maud::{Markup, html};
use physics::Vec3;
use physics::aircraft::{Aircraft, Shape};
use physics::siting::{Candidate, Place};

use super::aircraft::spread;
use super::c;

const WIDTH: f64 = 830.0;
const LEFT: f64 = 40.0;
const AREA: f64 = 520.0;
const TOP: f64 = 44.0;

/// What the view must hold, m: x and z of hubs, bodies, leads and candidates.
fn extent(aircraft: &Aircraft, siting: &Siting) -> ([f64; 2], [f64; 2]) {
    let mut x = [f64::INFINITY, f64::NEG_INFINITY];
    let mut z = x;
    let mut take = |p: &Vec3| {
        x = [x[0].min(p.x), x[1].max(p.x)];
        z = [z[0].min(p.z), z[1].max(p.z)];
    };
    aircraft.stations.iter().for_each(|s| take(&s.at));
    siting.survey.candidates.iter().for_each(|s| take(&s.at));
    for b in &aircraft.bodies {
        let half = match b.shape {
            Shape::Box { sides } => Vec3::from(sides) * 0.5,
            _ => Vec3::zeros(),
        };
        take(&(b.at + half));
        take(&(b.at - half));
    }
    for l in &aircraft.magnetic.leads {
        l.path.iter().for_each(&mut take);
    }
    (x, z)
}

/// A candidate's place for its label.
fn label(s: &Candidate, what: &str) -> String {
    format!("{what}: {:.1} deg at full current", s.full_error.to_degrees())
}

/// The side view, nose to the left, z down, with everything to one scale.
pub(crate) fn drawing(aircraft: &Aircraft, siting: &Siting) -> Markup {
    let (x, z) = extent(aircraft, siting);
    let s = (AREA / (x[1] - x[0]).max(0.05)).min(360.0 / (z[1] - z[0]).max(0.05));
    let page = |p: &Vec3| (LEFT + (x[1] - p.x) * s, TOP + (p.z - z[0]) * s);
    let right = LEFT + (x[1] - x[0]) * s;
    let bottom = TOP + (z[1] - z[0]) * s;
    let height = bottom + 70.0;
    let boxes: Vec<(&str, f64, f64, f64, f64, bool)> = aircraft
        .bodies
        .iter()
        .filter_map(|b| match b.shape {
            Shape::Box { sides } => {
                let (px, py) = page(&(b.at + Vec3::new(sides[0] * 0.5, 0.0, -sides[2] * 0.5)));
                Some((b.item.as_str(), px, py, sides[0] * s, sides[2] * s, b.payload))
            }
            _ => None,
        })
        .collect();
    let recommended = siting.recommended();
    let today = siting.today();
    let foot = aircraft.magnetic.siting.as_ref().and_then(|r| r.mast_foot);
    let mut notes: Vec<(f64, f64, String)> = Vec::new();
    for (name, px, py, w, h, _) in &boxes {
        notes.push((px + w, py + 0.5 * h, (*name).to_owned()));
    }
    for l in &aircraft.magnetic.leads {
        if let Some(p) = l.path.get(l.path.len() / 2) {
            let (px, py) = page(p);
            // Leads to the arms lie over each other from the side: one name is enough.
            if !notes.iter().any(|n| (n.0 - px).abs() < 2.0 && (n.1 - py).abs() < 2.0) {
                notes.push((px, py, format!("lead {}", l.item)));
            }
        }
    }
    for (site, what) in [(recommended, "recommended"), (today, "today")] {
        if let Some(site) = site {
            let (px, py) = page(&site.at);
            notes.push((px, py, label(site, what)));
        }
    }
    let radio = aircraft.magnetic.siting.as_ref().and_then(|r| r.radio);
    if let Some(r) = radio {
        let (px, py) = page(&r);
        notes.push((px, py, "radio's antenna".to_owned()));
    }
    notes.sort_by(|a, b| a.1.total_cmp(&b.1));
    let at = spread(&notes.iter().map(|n| n.1).collect::<Vec<_>>(), 17.0, TOP - 10.0, bottom + 20.0);
    html! {
        svg.drawing viewBox=(format!("0 0 {} {}", c(WIDTH), c(height))) role="img" aria-labelledby="siting-title siting-desc" {
            title id="siting-title" { "Sites for the magnetometer on " (aircraft.name) }
            desc id="siting-desc" { (siting.reason) }
            text.view x=(c(LEFT - 20.0)) y="18" { "From the left, nose to the left" }
            @let origin = page(&Vec3::zeros());
            path.chain d=(format!("M{} {y}H{}", c(LEFT - 16.0), c(right + 16.0), y = c(origin.1))) {}
            @for (_, px, py, w, h, payload) in &boxes {
                rect class=(if *payload { "mass broken" } else { "mass" }) x=(c(*px)) y=(c(*py)) width=(c(*w)) height=(c(*h)) {}
            }
            @for st in &aircraft.stations {
                @let (px, py) = page(&st.at);
                path.arm d=(format!("M{} {}L{} {}", c(origin.0), c(origin.1), c(px), c(py))) {}
                circle.hub cx=(c(px)) cy=(c(py)) r="3" {}
            }
            @for l in &aircraft.magnetic.leads {
                @let points: Vec<String> = l.path.iter().map(|p| { let (px, py) = page(p); format!("{} {}", c(px), c(py)) }).collect();
                path.hotline d=(format!("M{}", points.join("L"))) {}
            }
            @if let (Some(f), Some(site)) = (foot, recommended.filter(|r| r.mast_height > 0.0)) {
                @let (a, b) = (page(&f), page(&site.at));
                path.arm d=(format!("M{} {}L{} {}", c(a.0), c(a.1), c(b.0), c(b.1))) {}
            }
            @for site in siting.survey.candidates.iter().filter(|s| s.place != Place::Today) {
                @let (px, py) = page(&site.at);
                circle class=(if site.misses.is_empty() { "meets" } else { "misses" }) cx=(c(px)) cy=(c(py)) r="3.2" {}
            }
            @if let Some(r) = radio {
                @let (px, py) = page(&r);
                path.hotline d=(format!("M{} {}l8 -14M{} {}l-8 -14M{} {}v-8", c(px), c(py), c(px), c(py), c(px), c(py))) {}
            }
            @if let Some(site) = today {
                @let (px, py) = page(&site.at);
                path.thin d=(format!("M{} {}l6 6 6 -6 -6 -6z", c(px - 6.0), c(py))) {}
            }
            @if let Some(site) = recommended {
                @let (px, py) = page(&site.at);
                circle.hotline cx=(c(px)) cy=(c(py)) r="8" {}
            }
            @for (n, y) in notes.iter().zip(&at) {
                path.leader d=(format!("M{} {}L{} {}H{}", c(n.0), c(n.1), c(right + 20.0), c(*y), c(right + 36.0))) {}
                text.small x=(c(right + 40.0)) y=(c(*y + 4.0)) { (n.2) }
            }
            path.thin d=(format!("M{} {}h{}", c(LEFT), c(bottom + 44.0), c(0.1 * s))) {}
            text.small x=(c(LEFT)) y=(c(bottom + 60.0)) { "100 mm" }
        }
    }
}
