//! Drives ranked by what they are worth: the crossover that the rate loop of one build reaches with each.
//!
//! Milliseconds alone mislead: a lag takes away gain as well as phase, a dead time phase alone. Every record is
//! judged in the same build's chain, whatever build or setting it was made with.

use std::path::Path;

use physics::aircraft::Aircraft;
use serde::Serialize;

use crate::check::Opened;
use crate::diagnostic::{Diagnostic, Diagnostics};
use crate::estimate::{Estimate, Origin};
use crate::findings::{Findings, Outcome, drive_chain};
use crate::record::{Kind, RecordMeta};

/// Several drives side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DriveRanking {
    /// Build in whose rate loop they are judged.
    pub build: String,
    /// Best first; those that cannot be ranked last.
    pub drives: Vec<RankedDrive>,
    /// Whether every place is clear of its uncertainty.
    pub clear: bool,
    /// The ranking in a sentence.
    pub verdict: String,
}

/// One record of a drive.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RankedDrive {
    /// Record.
    pub record: String,
    /// Its kind: step or sound.
    pub kind: Kind,
    /// Its build.
    pub build: String,
    /// Rotor station.
    pub station: Option<usize>,
    /// What was different from the build; empty for the build as it is.
    pub setting: String,
    /// Measured or simulated.
    pub origin: Origin,
    /// Reachable crossover, rad/s.
    pub crossover: Option<Estimate>,
    /// Crossover less that of the next in rank.
    pub ahead: Option<Estimate>,
    /// Whether that difference is clear of zero at 95 %.
    pub clear: bool,
    /// Dead time, s.
    pub dead_time: Option<Estimate>,
    /// Time constant of a rising command, s.
    pub lag_up: Option<Estimate>,
    /// Time constant of a falling command, s.
    pub lag_down: Option<Estimate>,
    /// What keeps it from being ranked.
    pub cannot: Option<String>,
}

impl RankedDrive {
    /// What the record is of, for people: the setting or the build as it is, and the rotor.
    pub fn name(&self) -> String {
        let what =
            if self.setting.is_empty() { format!("{} as it is", self.build) } else { self.setting.clone() };
        self.station.map_or(what.clone(), |n| format!("{what}, rotor {n}"))
    }
}

/// Ranks step and sound records in the loop of `opened`'s build. `seen` are the records with their findings.
///
/// # Errors
/// A record of another kind.
pub fn rank(opened: &Opened, seen: &[(&RecordMeta, &Findings)]) -> Result<DriveRanking, Diagnostics> {
    for (meta, _) in seen {
        if !matches!(meta.kind, Kind::Step | Kind::Sound) {
            let message = format!("{} is a {} record and no drive", meta.id, meta.kind.word());
            return Err(Diagnostic::error(Path::new("records"), message)
                .help("drives are compared by step and sound records")
                .into());
        }
    }
    let aircraft = &opened.subject.resolved().aircraft;
    let mut drives: Vec<RankedDrive> = seen.iter().map(|(m, f)| drive(aircraft, m, f)).collect();
    let place = |d: &RankedDrive| d.crossover.as_ref().map_or(f64::NEG_INFINITY, |c| c.value);
    drives.sort_by(|a, b| place(b).total_cmp(&place(a)).then_with(|| a.record.cmp(&b.record)));
    for k in 1..drives.len() {
        let (Some(a), Some(b)) = (&drives[k - 1].crossover, &drives[k].crossover) else { continue };
        let ahead = a.minus(b);
        drives[k - 1].clear = ahead.value > 2.0 * ahead.uncertainty;
        drives[k - 1].ahead = Some(ahead);
    }
    let ranked = drives.iter().filter(|d| d.crossover.is_some()).count();
    let clear = ranked == drives.len() && drives.iter().all(|d| d.ahead.is_none() || d.clear);
    let verdict = verdict(&drives, ranked);
    Ok(DriveRanking { build: opened.build.clone(), drives, clear, verdict })
}

fn drive(aircraft: &Aircraft, meta: &RecordMeta, f: &Findings) -> RankedDrive {
    let figure = |key: &str| f.estimate(key).cloned();
    let (dead, up, down) = (figure("step.dead_time"), figure("step.lag_up"), figure("step.lag_down"));
    let crossover = match (&dead, &up, &down) {
        (Some(dead), Some(up), Some(down)) => {
            drive_chain::crossover(aircraft, dead, &drive_chain::mean_lag(up, down)).ok_or_else(|| {
                "the build's rate loop: [imu], [esc] and [loop.rate] must be in its aircraft file, and leave 45 deg"
                    .to_owned()
            })
        }
        _ => Err(["step.dead_time", "step.lag_up", "step.lag_down"]
            .iter()
            .find_map(|k| match f.get(k).map(|i| (&i.label, &i.outcome)) {
                Some((label, Outcome::CannotTell { missing, .. })) => Some(format!("{label}: {missing}")),
                None => Some(format!("the record shows no {k}")),
                _ => None,
            })
            .unwrap_or_default()),
    };
    RankedDrive {
        record: meta.id.clone(),
        kind: meta.kind,
        build: meta.build.clone(),
        station: meta.values.get("station").map(|v| v.value).filter(|n| *n >= 1.0).map(|n| n as usize),
        setting: meta.setting.clone(),
        origin: meta.origin.into(),
        ahead: None,
        clear: false,
        dead_time: dead,
        lag_up: up,
        lag_down: down,
        cannot: crossover.as_ref().err().cloned(),
        crossover: crossover.ok(),
    }
}

/// Who leads, and whether that is sure.
fn verdict(drives: &[RankedDrive], ranked: usize) -> String {
    let Some(first) = drives.first().filter(|d| d.crossover.is_some()) else {
        return "None of them can be ranked.".to_owned();
    };
    let rest = match drives.len() - ranked {
        0 => String::new(),
        1 => " One cannot be ranked.".to_owned(),
        n => format!(" {n} cannot be ranked."),
    };
    let Some(ahead) = &first.ahead else {
        return format!("Only {} can be ranked.{rest}", first.name());
    };
    // All that the first is not clear of share its place.
    let best = first.crossover.as_ref();
    let level = drives
        .iter()
        .skip(1)
        .filter_map(|d| d.crossover.as_ref())
        .take_while(|c| {
            best.is_some_and(|b| {
                let d = b.minus(c);
                d.value <= 2.0 * d.uncertainty
            })
        })
        .count();
    let lead = format!("{:.1} ± {:.1} rad/s", ahead.value, 2.0 * ahead.uncertainty);
    if level == 0 {
        format!("{} leads by {lead} of reachable crossover: clear of the uncertainty.{rest}", first.name())
    } else {
        format!(
            "{} leads by {lead}, which is within the uncertainty: {level} more may be as good.{rest}",
            first.name()
        )
    }
}
