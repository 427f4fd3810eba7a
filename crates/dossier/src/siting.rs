//! Where the magnetometer can go: the survey of the models with the limits of the gates, its reason,
//! charts and table.

use std::f64::consts::TAU;

use physics::aircraft::Aircraft;
use physics::siting::{Candidate, Demand, Place, Survey, survey};
use physics::structure::diagram::Dwell;
use serde::Serialize;

use crate::chart::{Axis, Chart, Mark, Series, Style, Table};
use crate::gates::Context;
use crate::predict::required_crossover;
use crate::result::CheckResult;

/// A survey of sites with what it was held against.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Siting {
    /// Candidates, those that no other beats, and the recommended one.
    pub survey: Survey,
    /// Earth's horizontal field at the site, T.
    pub horizontal_field: f64,
    /// Battery current in hover with payload at half charge, A.
    pub hover_current: f64,
    /// Battery current at full thrust, A.
    pub full_current: f64,
    /// Limit of the heading error at hover current, rad.
    pub hover_limit: f64,
    /// Limit of the heading error at full current, rad.
    pub full_limit: f64,
    /// Least frequency of a mast, Hz.
    pub least_frequency: f64,
    /// Why the recommended site is recommended.
    pub reason: String,
    /// Leads as seen from the left: polylines of x and height, m, with their names.
    pub leads: Vec<(String, Vec<[f64; 2]>)>,
}

/// Limits by criterion id.
type LimitOf<'l> = dyn Fn(&str) -> Option<f64> + 'l;
/// Predicted figures by id.
type FigureOf<'f> = dyn Fn(&str) -> Option<f64> + 'f;

/// The survey for what `check` found.
///
/// # Errors
/// What it waits for, in words.
pub fn of_check(check: &CheckResult) -> Result<Siting, String> {
    let figure = |id: &str| check.figures.iter().find(|f| f.id == id).map(|f| f.estimate.value);
    let limit =
        |id: &str| check.gates.iter().flat_map(|g| &g.criteria).find(|c| c.id == id).map(|c| c.limit.value);
    of(&check.aircraft, &figure, &limit)
}

/// The survey for a gate.
pub(crate) fn of_context(ctx: &Context<'_>) -> Result<Siting, String> {
    let aircraft = &ctx.subject.resolved().aircraft;
    let figure = |id: &str| ctx.prediction.get(id).map(|e| e.value);
    let limit = |id: &str| ctx.limits.limit(id, aircraft).map(|l| l.value);
    of(aircraft, &figure, &limit)
}

fn of(aircraft: &Aircraft, figure: &FigureOf<'_>, limit: &LimitOf<'_>) -> Result<Siting, String> {
    let need = |id: &str, waits: &str| figure(id).ok_or_else(|| format!("waits for {waits}"));
    let power = "`motor`, `esc` and `battery` in the aircraft file";
    let demand = Demand {
        horizontal: need(
            "magnetic.horizontal_field",
            "`site.latitude` and `site.longitude` in dossier.toml",
        )?,
        hover_current: need("hover.half.payload.battery_current", power)?,
        full_current: need("full.full.battery_current", power)?,
        hover_limit: limit("sensing.heading-hover").unwrap_or(5f64.to_radians()),
        full_limit: limit("sensing.heading-full").unwrap_or(10f64.to_radians()),
        least_frequency: limit("structure.lowest-frequency").unwrap_or(5.0 * required_crossover(aircraft))
            / TAU,
        least_separation: limit("structure.mast-separation").unwrap_or(0.2),
        dwell: Dwell {
            low: need("structure.dwell_speed.low", "a hover that can be computed")? / TAU,
            high: need("structure.dwell_speed.high", "a hover that can be computed")? / TAU,
        },
    };
    let survey = survey(aircraft, &demand).map_err(|e| e.to_string())?;
    let reason = reason(&survey);
    let leads = aircraft
        .magnetic
        .leads
        .iter()
        .map(|l| (l.item.clone(), l.path.iter().map(|p| [p.x, -p.z]).collect()))
        .collect();
    Ok(Siting {
        survey,
        horizontal_field: demand.horizontal,
        hover_current: demand.hover_current,
        full_current: demand.full_current,
        hover_limit: demand.hover_limit,
        full_limit: demand.full_limit,
        least_frequency: demand.least_frequency,
        reason,
        leads,
    })
}

/// A position in words, mm.
pub fn place_words(c: &Candidate) -> String {
    let p = c.at * 1e3;
    let mast =
        if c.mast_height > 0.0 { format!(", mast of {:.0} mm", c.mast_height * 1e3) } else { String::new() };
    format!("{} at x {:.0}, y {:.0}, z {:.0} mm{mast}", c.place.words(), p.x, p.y, p.z)
        .replace('-', "\u{2212}")
}

fn angles(c: &Candidate) -> String {
    format!(
        "{:.1} deg at hover and {:.1} deg at full current",
        c.hover_error.to_degrees(),
        c.full_error.to_degrees()
    )
}

/// Why the recommended site was chosen, in two sentences at most.
fn reason(s: &Survey) -> String {
    let Some(best) = s.recommended.and_then(|i| s.candidates.get(i)) else {
        return "There is no candidate to choose from.".to_owned();
    };
    let place = place_words(best);
    if !best.misses.is_empty() {
        return format!(
            "No site meets every limit; {place} misses by least: {}. Twist the leads or bring their conductors together first.",
            best.misses.join("; ")
        );
    }
    let errors = angles(best);
    if best.mast_height > 0.0 {
        let low = s
            .candidates
            .iter()
            .filter(|c| matches!(c.place, Place::Bay | Place::ArmRoot))
            .min_by(|a, b| a.shortfall.total_cmp(&b.shortfall));
        let other = low.map_or(String::new(), |c| {
            format!(" The best place without a mast, {}, misses: {}.", place_words(c), c.misses.join("; "))
        });
        let frequency = best.mast_frequency.unwrap_or(0.0);
        let apart = 100.0 * best.separation.unwrap_or(0.0);
        format!(
            "The lowest mast that keeps the heading: {place}, with {errors}; at that height it stands at {frequency:.0} Hz, {apart:.0} % from what the rotors excite.{other}"
        )
    } else {
        format!("It needs no mast: {place}, with {errors}.")
    }
}

impl Siting {
    /// The recommended candidate.
    pub fn recommended(&self) -> Option<&Candidate> {
        self.survey.candidates.get(self.survey.recommended?)
    }

    /// Where the file puts it today.
    pub fn today(&self) -> Option<&Candidate> {
        self.survey.candidates.iter().find(|c| c.place == Place::Today)
    }

    /// Candidates worth a row: today's, those that meet every limit and that no other beats, the
    /// recommended one.
    pub fn listed(&self) -> Vec<&Candidate> {
        let mut rows: Vec<&Candidate> = self.today().into_iter().collect();
        let mut chosen = self.survey.front.clone();
        chosen.retain(|&i| self.survey.candidates.get(i).is_some_and(|c| c.misses.is_empty()));
        chosen.extend(self.survey.recommended);
        chosen.sort_unstable();
        chosen.dedup();
        rows.extend(chosen.into_iter().filter_map(|i| self.survey.candidates.get(i)));
        rows
    }

    /// Side view and trade.
    pub fn charts(&self) -> Vec<Chart> {
        vec![self.side_view(), self.trade()]
    }

    fn side_view(&self) -> Chart {
        let mm = 1e3;
        let mut series: Vec<Series> = self
            .leads
            .iter()
            .map(|(name, points)| {
                let x = points.iter().map(|p| p[0] * mm).collect();
                Series::new(name, Style::Line, x, points.iter().map(|p| p[1] * mm).collect())
            })
            .collect();
        let of = |name: &str, style, keep: &dyn Fn(&Candidate) -> bool| {
            let kept: Vec<&Candidate> =
                self.survey.candidates.iter().filter(|c| c.place != Place::Today && keep(c)).collect();
            Series::new(
                name,
                style,
                kept.iter().map(|c| c.at.x * mm).collect(),
                kept.iter().map(|c| -c.at.z * mm).collect(),
            )
        };
        series.push(of("meets all limits", Style::Dots, &|c| c.misses.is_empty()));
        series.push(of("misses a limit", Style::Rings, &|c| !c.misses.is_empty()));
        series.retain(|s| !s.x.is_empty());
        let mut marks = Vec::new();
        for (c, name) in [(self.today(), "today"), (self.recommended(), "recommended")] {
            if let Some(c) = c {
                marks.push(Mark::Point { x: c.at.x * mm, y: -c.at.z * mm, name: name.to_owned() });
            }
        }
        Chart {
            id: "sites".to_owned(),
            title: "Sites for the magnetometer, from the side".to_owned(),
            caption: "Full dots meet every limit; the farther from the leads, the fuller the choice."
                .to_owned(),
            x: Axis::linear("forward of the reference", "mm"),
            y: Axis::linear("above the reference", "mm"),
            series,
            marks,
        }
    }

    fn trade(&self) -> Chart {
        let masts: Vec<&Candidate> =
            self.survey.candidates.iter().filter(|c| c.place == Place::Mast).collect();
        let heights: Vec<f64> = masts.iter().map(|c| c.mast_height * 1e3).collect();
        let deg = |f: &dyn Fn(&Candidate) -> f64| masts.iter().map(|c| f(c).to_degrees()).collect::<Vec<_>>();
        let mut series = vec![
            Series::new("full current", Style::Line, heights.clone(), deg(&|c| c.full_error)),
            Series::new("hover current", Style::Dashed, heights, deg(&|c| c.hover_error)),
        ];
        let meets: Vec<&&Candidate> = masts.iter().filter(|c| c.misses.is_empty()).collect();
        series.push(Series::new(
            "meets all limits",
            Style::Dots,
            meets.iter().map(|c| c.mast_height * 1e3).collect(),
            meets.iter().map(|c| c.full_error.to_degrees()).collect(),
        ));
        series.retain(|s| !s.x.is_empty());
        Chart {
            id: "mast".to_owned(),
            title: "Heading error over the height of the mast".to_owned(),
            caption: "The error falls with height; dots end where the mast becomes too slow or meets an order of the rotors."
                .to_owned(),
            x: Axis::linear("height of the mast", "mm"),
            y: Axis::linear("largest heading error", "deg"),
            series,
            marks: vec![
                Mark::Limit { y: self.full_limit.to_degrees(), name: "limit at full current".to_owned() },
                Mark::Limit { y: self.hover_limit.to_degrees(), name: "limit at hover current".to_owned() },
            ],
        }
    }

    /// The listed candidates as a table.
    pub fn table(&self) -> Table {
        let rows = self
            .listed()
            .into_iter()
            .map(|c| {
                let best = self.recommended() == Some(c);
                vec![
                    format!("{}{}", if best { "recommended: " } else { "" }, place_words(c)),
                    format!("{:.1}", c.hover_error.to_degrees()),
                    format!("{:.1}", c.full_error.to_degrees()),
                    c.mast_frequency.map_or("no mast".to_owned(), |f| format!("{f:.0}")),
                    c.separation.map_or(String::new(), |s| format!("{:.0}", 100.0 * s)),
                    if c.misses.is_empty() { "meets all".to_owned() } else { c.misses.join("; ") },
                ]
            })
            .collect();
        Table {
            id: "sites".to_owned(),
            title: "Sites that meet every limit and that no other beats".to_owned(),
            head: ["site", "hover, deg", "full, deg", "mast, Hz", "separation, %", "limits"]
                .map(str::to_owned)
                .to_vec(),
            rows,
            note: format!(
                "Currents {:.0} A in hover and {:.0} A at full, horizontal field of the earth {:.1} µT.",
                self.hover_current,
                self.full_current,
                self.horizontal_field * 1e6
            ),
        }
    }
}
