//! Charts and tables of the way home.

use physics::homeward::impact::THRESHOLDS;
use physics::homeward::link::CLEAR;

use super::{FADE_MARGIN, Homeward};
use crate::chart::{Axis, Chart, Mark, Series, Style, Table};

fn percent(v: Option<f64>) -> String {
    v.map_or("no way home".to_owned(), |v| {
        if v > 1.0 { "more than it holds".to_owned() } else { format!("{:.0}", 100.0 * v) }
    })
}

fn whole(v: Option<f64>, none: &str) -> String {
    v.map_or(none.to_owned(), |v| format!("{v:.0}"))
}

fn table(id: &str, title: &str, head: &[&str], rows: Vec<Vec<String>>, note: &str) -> Table {
    Table {
        id: id.to_owned(),
        title: title.to_owned(),
        head: head.iter().map(|h| (*h).to_owned()).collect(),
        rows,
        note: note.to_owned(),
    }
}

/// Direction of the way home in words.
fn course(from_wind: f64) -> String {
    let degrees = from_wind.to_degrees().round();
    let words = match degrees as i64 {
        0 => "into the wind",
        90 | 270 => "across",
        180 => "with the wind",
        _ => "",
    };
    format!("{degrees:.0} deg {words}").trim_end().to_owned()
}

impl Homeward {
    /// The link over distance. How far out is drawn from [`Homeward::outline`].
    pub fn charts(&self) -> Vec<Chart> {
        self.link_chart().into_iter().collect()
    }

    fn link_chart(&self) -> Option<Chart> {
        let l = self.link.as_ref()?;
        let x: Vec<f64> = l.budgets.iter().map(|b| b.distance).collect();
        let margin = l.budgets.iter().map(|b| b.margin).collect();
        let upright = l.budgets.iter().map(|b| b.margin + b.two_ray).collect();
        Some(Chart {
            id: "link".to_owned(),
            title: "Radio link over distance".to_owned(),
            caption: "Received power over the receiver's threshold, banked by 30 deg; the dips are where the ray from the ground works against the direct one.".to_owned(),
            x: Axis::log("distance", "m"),
            y: Axis::linear("margin", "dB"),
            series: vec![
                Series::new("direct ray alone", Style::Dashed, x.clone(), upright),
                Series::new("with the ground", Style::Line, x, margin),
            ],
            marks: vec![
                Mark::Limit { y: FADE_MARGIN, name: "planned fade margin".to_owned() },
                Mark::At { x: self.distance, name: "farthest".to_owned() },
            ],
        })
    }

    /// All tables.
    pub fn tables(&self) -> Vec<Table> {
        let mut all = vec![self.thresholds(), self.by_direction(), self.by_leg(), self.by_condition()];
        all.extend(self.link_table());
        all.extend(self.stop_table());
        all.push(self.choice_table());
        all.extend(self.parachute_table());
        all.push(self.impact_table());
        all
    }

    fn thresholds(&self) -> Table {
        let f = &self.failsafe;
        let volts = |v: Option<f64>| v.map_or(String::new(), |v| format!("{v:.2}"));
        let row = |what: &str, charge: String, volts: String| vec![what.to_owned(), charge, volts];
        let rows = vec![
            row("must turn home, farthest out into the wind", percent(self.need), volts(self.voltage[0])),
            row("turns home, as stated", format!("{:.0}", 100.0 * f.come_home_at), volts(self.voltage[1])),
            row("the same at rest", format!("{:.0}", 100.0 * f.come_home_at), format!("{:.2}", self.rest)),
            row("lands where it is, as stated", format!("{:.0}", 100.0 * f.land_now_at), String::new()),
        ];
        let climb = match self.climb_costs() {
            Some(c) if c > 0.0 => format!(
                " Climbing first costs {:.1} % of the charge more than staying at the height: do it for clearance and link, not for energy.",
                100.0 * c
            ),
            Some(c) => format!(" Climbing first saves {:.1} % of the charge.", -100.0 * c),
            None => String::new(),
        };
        table(
            "thresholds",
            "Thresholds",
            &["what", "charge, %", "voltage under load of a hover, V"],
            rows,
            &format!(
                "A voltage holds for its load: a threshold in volts without the load correction trips early in a climb and late at rest.{climb}"
            ),
        )
    }

    fn by_direction(&self) -> Table {
        let rows = self
            .directions
            .iter()
            .take(self.directions.len() / 2 + 1)
            .map(|d| {
                vec![
                    course(d.from_wind),
                    whole(d.reach, "no way home"),
                    whole(d.radius, "no way home"),
                    percent(d.need),
                    whole(d.decide, "no way home"),
                    d.best_speed.map_or(String::new(), |s| format!("{s:.1}")),
                ]
            })
            .collect();
        table(
            "directions",
            &format!("How far out, by direction of the way home, wind {:.0} m/s", self.wind),
            &[
                "way home",
                "reach at the come-home charge, m",
                "out and back, m",
                "need from farthest, %",
                "time to decide there, s",
                "best ground speed, m/s",
            ],
            rows,
            "Both sides are alike. Out and back begins with a full battery. Best ground speed: least energy per distance. A fixed ground speed wastes a tail wind: the airspeed it leaves is below that of least power, so that coming home with the wind can take more charge than against it.",
        )
    }

    fn by_leg(&self) -> Table {
        let total: f64 = self.legs.iter().map(|l| l.energy()).sum();
        let mut rows: Vec<Vec<String>> = self
            .legs
            .iter()
            .map(|l| {
                vec![
                    l.name.to_owned(),
                    format!("{:.0}", l.time),
                    format!("{:.1}", l.airspeed),
                    format!("{:.0}", l.power),
                    format!("{:.1}", l.energy() / 1e3),
                    format!("{:.0}", 100.0 * l.energy() / total.max(1e-9)),
                ]
            })
            .collect();
        let time: f64 = self.legs.iter().map(|l| l.time).sum();
        let ground = self.ground_gain.map_or(String::new(), |gain| {
            format!(
                " What the ground gives is left out of the landing: with the discs at 0.7 m a rotor of this size has {:.1} % more thrust (Cheeseman and Bennett 1955), on the safe side.",
                100.0 * (gain - 1.0)
            )
        });
        rows.push(vec![
            "sum".to_owned(),
            format!("{time:.0}"),
            String::new(),
            String::new(),
            format!("{:.1}", total / 1e3),
            "100".to_owned(),
        ]);
        table(
            "legs",
            &format!("The way home from {:.0} m into the wind", self.distance),
            &["leg", "time, s", "airspeed, m/s", "power, W", "energy, kJ", "share, %"],
            rows,
            &format!(
                "Wind grows with height by the one-seventh law from 10 m; descent is charged with the power of level flight.{ground}"
            ),
        )
    }

    fn by_condition(&self) -> Table {
        let rows = self
            .conditions
            .iter()
            .map(|c| {
                vec![
                    c.name.clone(),
                    percent(c.need),
                    c.voltage.map_or(String::new(), |v| format!("{v:.2}")),
                    c.why.clone().unwrap_or_else(|| whole(c.reach, "no way home")),
                ]
            })
            .collect();
        table(
            "conditions",
            "Cold and age, into the wind",
            &["battery", "must turn at, %", "voltage there, V", "reach at the come-home charge, m"],
            rows,
            "Share of the capacity that is left. Age: 80 % of the capacity and 1.5 times the resistance (common practice, no source).",
        )
    }

    fn link_table(&self) -> Option<Table> {
        let l = self.link.as_ref()?;
        let b = &l.farthest;
        let row = |what: &str, value: String| vec![what.to_owned(), value];
        let reach = |r: Option<f64>| r.map_or("to the horizon".to_owned(), |r| format!("{r:.0} m"));
        let rows = vec![
            row("free-space loss", format!("{:.1} dB", b.free_space)),
            row("ray from the ground", format!("{:+.1} dB", b.two_ray)),
            row("path exponent beyond free space", format!("{:.1} dB", b.excess)),
            row("antennas, bank of 30 deg", format!("{:.1} dB", b.antenna)),
            row("received", format!("{:.1} dBm", b.received)),
            row("margin over the receiver's threshold", format!("{:.1} dB", b.margin)),
            row("share of the time below it by fading", format!("{:.2} %", 100.0 * b.outage)),
            row("clearance over the first Fresnel zone", format!("{:.2} (wanted {CLEAR})", b.fresnel)),
            row("planned margin first missed, banked", reach(l.reach)),
            row("planned margin first missed, level", reach(l.reach_level)),
            row("horizon over a smooth earth", format!("{:.1} km", l.horizon / 1e3)),
        ];
        Some(table(
            "link-budget",
            &format!("Radio link at {:.0} m", b.distance),
            &["part", "value"],
            rows,
            "Over flat ground without obstacles; a range record at reduced power says what this place does.",
        ))
    }

    fn stop_table(&self) -> Option<Table> {
        let [calm, behind, fence] = self.stop?;
        let rows = vec![
            vec!["way to stop in calm air".to_owned(), format!("{calm:.1}")],
            vec!["way to stop with the wind behind".to_owned(), format!("{behind:.1}")],
            vec!["how far inside its line a fence must act".to_owned(), format!("{fence:.1}")],
        ];
        Some(table(
            "stopping",
            &format!("Stopping from {:.1} m/s", self.failsafe.plan.speed),
            &["what", "distance, m"],
            rows,
            "The fence adds 1 s until it is noticed and 5 m of position error (common practice, no source).",
        ))
    }

    fn choice_table(&self) -> Table {
        let rows = self
            .choices
            .iter()
            .map(|c| {
                vec![
                    c.name.clone(),
                    c.rotors.to_string(),
                    format!("{:.2}", c.mass),
                    format!("{:.2}", c.span),
                    c.endurance.map_or("does not hover".to_owned(), |t| format!("{:.1}", t / 60.0)),
                    format!("{} of {}", c.with_yaw, c.rotors),
                    format!("{} of {}", c.turning, c.rotors),
                ]
            })
            .collect();
        table(
            "choices",
            "A parachute or more rotors: which single losses are survived",
            &["choice", "rotors", "mass, kg", "span, m", "hover, min", "yaw held", "turning"],
            rows,
            "Same rotor, drive and battery. Statics at half charge, a tenth of the roll and pitch authority left; whether the first second is survived is for a rehearsal. Longer or more arms are not in the mass. A parachute comes down where the wind takes it and needs its height; more rotors help against the loss of one drive, not of battery or controller.",
        )
    }

    fn parachute_table(&self) -> Option<Table> {
        let d = self.parachute.as_ref()?;
        let row = |what: &str, value: String| vec![what.to_owned(), value];
        let rows = vec![
            row("descent", format!("{:.1} m/s", d.descent)),
            row("least height for it", format!("{:.0} m", d.least_height)),
            row("speed of the fall when it opens", format!("{:.1} m/s", d.opening_speed)),
            row("drift from the height of the way home", format!("{:.0} m", d.drift)),
            row("energy at the ground, drift included", format!("{:.0} J", d.energy)),
            row("arrives as from a drop of", format!("{:.2} m", d.as_drop)),
        ];
        Some(table(
            "parachute",
            "Parachute",
            &["figure", "value"],
            rows,
            "Height and energy count, not the canopy: below its least height it is ballast.",
        ))
    }

    fn impact_table(&self) -> Table {
        let i = &self.impact;
        let mut rows = vec![
            vec![
                format!("fall from {:.0} m", self.failsafe.plan.height),
                format!("{:.0}", i.fall),
                format!("terminal speed {:.1} m/s", i.terminal),
            ],
            vec![
                "power lost on the way home, wind behind".to_owned(),
                format!("{:.0}", i.energy),
                format!(
                    "{:.1} m/s at {:.0} deg, {:.0} m on",
                    i.throw.speed,
                    i.throw.angle.to_degrees(),
                    i.throw.distance
                ),
            ],
        ];
        if let Some(p) = &self.parachute {
            rows.push(vec!["under the parachute".to_owned(), format!("{:.0}", p.energy), String::new()]);
        }
        rows.extend(THRESHOLDS.iter().map(|t| {
            vec![format!("for comparison: {}", t.meaning), format!("{:.0}", t.energy), t.source.to_owned()]
        }));
        table(
            "impact",
            "Energy at impact",
            &["what", "energy, J", "remark"],
            rows,
            &format!(
                "{:.2} kg, {:.2} m across. Keep people {:.0} m away to every side of the path: the throw, 2 s to cut the power, half the span; critical area {:.0} m² (JARUS SORA, annex F). As much room as it is high is the usual least (common practice, no source). Which threshold applies, and whether to fly at all, is for local rules.",
                i.mass, i.size, i.distance, i.area
            ),
        )
    }
}
