//! What moves the thrust margin and how far it reaches: payload, height of the site, heat.

use physics::aircraft::{Aircraft, Body, Shape};
use physics::mass::mass_properties;
use physics::powertrain;
use physics::{STANDARD_GRAVITY, Vec3};

use crate::chart::{Axis, Chart, Mark, Series, Shown, Style, Table};
use crate::gates::context::Context;
use crate::predict::SiteAir;
use crate::programme::Site;

/// Hotter than the usual day, K (common practice, no source).
const HOT: f64 = 20.0;
/// Highest site asked for, m.
const HIGHEST: f64 = 5000.0;
/// Air temperatures asked for, K.
const COLDEST: f64 = 253.15;
const HOTTEST: f64 = 323.15;
/// Change of air temperature with height, K/m (ISO 2533).
const LAPSE: f64 = -6.5e-3;

/// Full thrust over weight at reserve charge against what the worst-corner criterion asks for.
struct Margin<'a> {
    aircraft: &'a Aircraft,
    site: &'a Site,
    reserve: f64,
    limit: f64,
}

/// How far a margin is kept.
enum Reach {
    /// Not even at the start.
    Nowhere,
    /// Up to a value.
    To(f64),
    /// To the end of what was asked.
    Throughout,
}

impl Margin<'_> {
    fn at(&self, aircraft: &Aircraft, density: f64) -> Option<f64> {
        powertrain::full_thrust(aircraft, self.reserve, density).ok().map(|f| f.total / weight(aircraft))
    }

    fn at_site(&self, elevation: f64, temperature: f64) -> Option<f64> {
        let mut there = self.site.clone();
        (there.elevation, there.temperature) = (elevation, temperature);
        let air = SiteAir::of(&there).usual;
        self.at(&self.aircraft.in_air(air.temperature), air.density)
    }

    /// At a height, on a day so much hotter than the usual one.
    fn at_height(&self, elevation: f64, hotter: f64) -> Option<f64> {
        self.at_site(elevation, self.site.temperature + LAPSE * (elevation - self.site.elevation) + hotter)
    }

    /// Where a margin that falls along x meets the limit.
    fn reach(&self, low: f64, high: f64, margin: impl Fn(f64) -> Option<f64>) -> Option<Reach> {
        if margin(low)? < self.limit {
            return Some(Reach::Nowhere);
        }
        if margin(high)? >= self.limit {
            return Some(Reach::Throughout);
        }
        let (mut low, mut high) = (low, high);
        for _ in 0..20 {
            let middle = 0.5 * (low + high);
            if margin(middle)? >= self.limit { low = middle } else { high = middle }
        }
        Some(Reach::To(low))
    }

    fn asked(&self) -> Mark {
        Mark::Limit { y: self.limit, name: format!("asked for: {:.2}", self.limit) }
    }
}

/// Charts and the table of what the margin stands.
pub(super) fn shown(ctx: &Context<'_>, reserve: f64) -> Shown {
    let a = &ctx.subject.resolved().aircraft;
    let air = ctx.subject.air();
    let mut shown = Shown::default();
    let Some(limit) = ctx.limits.limit("sizing.worst-corner", a) else { return shown };
    let margin = Margin { aircraft: a, site: ctx.subject.site(), reserve, limit: limit.value };
    let mut rows = Vec::new();
    payload(&mut shown, &mut rows, &margin, &air);
    height(&mut shown, &mut rows, &margin);
    heat(&mut shown, &mut rows, &margin);
    if !rows.is_empty() {
        shown.tables.push(Table {
            id: "margin-reach".to_owned(),
            title: "How far the thrust margin reaches".to_owned(),
            head: ["at reserve charge".to_owned(), format!("{:.2} x weight is kept", margin.limit)].to_vec(),
            rows,
            note: "Cells as warm as the aircraft file says, whatever the air; a stated limit of the winding is taken in the air asked about, its cooling less in thin air (density to the power 0.618, Hilpert 1933).".to_owned(),
        });
    }
    shown
}

fn weight(a: &Aircraft) -> f64 {
    mass_properties(&a.bodies).mass * STANDARD_GRAVITY
}

fn row(name: &str, reach: &Reach, unit: &str, digits: usize, ends: [&str; 2]) -> Vec<String> {
    let words = match reach {
        Reach::Nowhere => ends[0].to_owned(),
        Reach::To(x) => format!("up to {x:.digits$} {unit}"),
        Reach::Throughout => ends[1].to_owned(),
    };
    vec![name.to_owned(), words]
}

/// Hover endurance and margin against payload.
fn payload(shown: &mut Shown, rows: &mut Vec<Vec<String>>, margin: &Margin<'_>, air: &SiteAir) {
    let a = margin.aircraft;
    let bare = a.without_payload();
    let empty = weight(&bare) / STANDARD_GRAVITY;
    let stated = weight(a) / STANDARD_GRAVITY - empty;
    let Ok(full) = powertrain::full_thrust(&bare, 1.0, air.usual.density) else { return };
    let room = full.total / (1.3 * STANDARD_GRAVITY) - empty;
    if room.is_nan() || room <= 0.0 {
        return;
    }
    let with = |mass: f64| {
        let mut loaded = bare.clone();
        let shape = Shape::Point;
        loaded.bodies.push(Body {
            item: "payload".to_owned(),
            mass,
            at: Vec3::zeros(),
            shape,
            payload: true,
        });
        loaded
    };
    let worst = |mass: f64| margin.at(&with(mass), air.worst.density);
    let masses: Vec<f64> = (0..=12).map(|k| room * f64::from(k) / 12.0).collect();
    let endurance = |mass: f64| {
        let loaded = with(mass);
        let n = loaded.stations.len().max(1);
        let thrusts = vec![weight(&loaded) / n as f64; n];
        powertrain::endurance(&loaded, &thrusts, air.usual.density, 1.0).ok().map(|e| e.time / 60.0)
    };
    let mut marks = Vec::new();
    if stated > 0.0 {
        marks.push(Mark::At { x: stated, name: "stated payload".to_owned() });
    }
    let reach = margin.reach(0.0, room, worst);
    if let Some(Reach::To(most)) = reach {
        marks.push(Mark::At { x: most, name: format!("most that keeps the margin, {most:.2} kg") });
    }
    let line = |name: &str, of: &dyn Fn(f64) -> Option<f64>| {
        let (x, y): (Vec<f64>, Vec<f64>) = masses.iter().map_while(|m| Some((*m, of(*m)?))).unzip();
        Series::new(name, Style::Line, x, y)
    };
    let mut chart = |id: &str, title: &str, caption: &str, y: Axis, series: Series, marks: Vec<Mark>| {
        if series.x.len() > 2 {
            shown.charts.push(Chart {
                id: id.to_owned(),
                title: title.to_owned(),
                caption: caption.to_owned(),
                x: Axis::linear("payload", "kg"),
                y,
                series: vec![series],
                marks,
            });
        }
    };
    chart(
        "payload-endurance",
        "Hover endurance against payload",
        "Each further kilogram costs less time than the one before, until the control margin is gone at once.",
        Axis::linear("hover endurance", "min"),
        line("from full charge", &endurance),
        marks.clone(),
    );
    marks.push(margin.asked());
    chart(
        "payload-margin",
        "Thrust margin against payload",
        "At reserve charge in the worst corner of the site; where the line meets the limit is the most payload that keeps the margin.",
        Axis::linear("full thrust over weight", ""),
        line("worst corner", &worst),
        marks,
    );
    if let Some(reach) = reach {
        let most = format!("beyond {room:.2} kg");
        rows.push(row("payload, in the worst corner", &reach, "kg", 2, ["not even without payload", &most]));
    }
}

/// Margin against the height of the site.
fn height(shown: &mut Shown, rows: &mut Vec<Vec<String>>, margin: &Margin<'_>) {
    let heights: Vec<f64> = (0..=10).map(|k| HIGHEST * f64::from(k) / 10.0).collect();
    let days = [("usual day", Style::Line, 0.0), ("20 K hotter", Style::Dashed, HOT)];
    let mut marks = vec![margin.asked()];
    let mut series = Vec::new();
    for (name, style, hotter) in days {
        let (x, y): (Vec<f64>, Vec<f64>) =
            heights.iter().filter_map(|h| Some((*h, margin.at_height(*h, hotter)?))).unzip();
        if x.len() < 2 {
            return;
        }
        series.push(Series::new(name, style, x, y));
        let Some(reach) = margin.reach(0.0, HIGHEST, |h| margin.at_height(h, hotter)) else { continue };
        if let Reach::To(h) = reach {
            marks.push(Mark::At { x: h, name: format!("highest site, {name}: {h:.0} m") });
        }
        let ends = ["not even at sea level", "beyond 5,000 m"];
        rows.push(row(&format!("height of the site, {name}"), &reach, "m", 0, ends));
    }
    shown.charts.push(Chart {
        id: "height-margin".to_owned(),
        title: "Thrust margin against the height of the site".to_owned(),
        caption: "Thin air takes full thrust, heat takes it further; where a line meets the limit is the highest site that keeps the margin, at reserve charge and with payload.".to_owned(),
        x: Axis::linear("elevation", "m"),
        y: Axis::linear("full thrust over weight", ""),
        series,
        marks,
    });
}

/// Margin against the temperature of the air.
fn heat(shown: &mut Shown, rows: &mut Vec<Vec<String>>, margin: &Margin<'_>) {
    let site = margin.site;
    let mut places = vec![("at the site", Style::Line, site.elevation)];
    if let Some(highest) = site.highest.filter(|h| *h > site.elevation) {
        places.push(("at its highest", Style::Dashed, highest));
    }
    let temperatures: Vec<f64> =
        (0..=7).map(|k| COLDEST + f64::from(k) * (HOTTEST - COLDEST) / 7.0).collect();
    let mut marks = vec![margin.asked()];
    let mut series = Vec::new();
    for (name, style, elevation) in places {
        let (x, y): (Vec<f64>, Vec<f64>) =
            temperatures.iter().filter_map(|t| Some((t - 273.15, margin.at_site(elevation, *t)?))).unzip();
        if x.len() < 2 {
            return;
        }
        series.push(Series::new(name, style, x, y));
        let kept = margin.reach(COLDEST, HOTTEST, |t| margin.at_site(elevation, t));
        let Some(kept) = kept else { continue };
        let reach = if let Reach::To(t) = kept { Reach::To(t - 273.15) } else { kept };
        if let Reach::To(t) = reach {
            marks.push(Mark::At { x: t, name: format!("hottest air {name}: {t:.0} °C") });
        }
        let ends = ["not even at -20 °C", "beyond 50 °C"];
        rows.push(row(&format!("temperature of the air, {name} ({elevation:.0} m)"), &reach, "°C", 0, ends));
    }
    shown.charts.push(Chart {
        id: "heat-margin".to_owned(),
        title: "Thrust margin against the temperature of the air".to_owned(),
        caption: "Warm air is thin air; cells and windings are left as warm as the aircraft file says. At reserve charge and with payload.".to_owned(),
        x: Axis::linear("air temperature", "°C"),
        y: Axis::linear("full thrust over weight", ""),
        series,
        marks,
    });
}
