//! Fixed peaks against the modes that the aircraft file computes.
//!
//! Here by frequency alone, to a stated share; gate vibration holds them against the computed intervals and the taps.

use physics::aircraft::Aircraft;
use physics::structure::{Mast, Mount, Plate, frame};

use super::{Source, SourceKind};

/// A beam of stated section on a stated root is good to about this share of its frequency (our choice).
const NEAR: f64 = 0.12;

fn computed(aircraft: &Aircraft) -> Vec<(String, f64)> {
    let s = &aircraft.structure;
    let mut out: Vec<(String, f64)> = frame::arms(aircraft)
        .map(|a| a.patterns().iter().map(|p| (format!("arms, {}", p.name), p.frequency)).collect())
        .unwrap_or_default();
    out.extend(s.mast.as_ref().and_then(Mast::frequency).map(|f| ("mast".to_owned(), f)));
    out.extend(s.plate.as_ref().and_then(Plate::frequency).map(|f| ("plate".to_owned(), f)));
    if let Some(Mount::Soft { frequency, .. }) = s.mount {
        out.push(("sensor's mount".to_owned(), frequency));
    }
    out
}

/// Adds to the evidence of every fixed peak which computed modes lie there.
pub(super) fn note(aircraft: Option<&Aircraft>, sources: &mut [Source]) {
    let Some(aircraft) = aircraft else { return };
    let modes = computed(aircraft);
    if modes.is_empty() {
        return;
    }
    for s in sources.iter_mut().filter(|s| matches!(s.kind, SourceKind::Structure | SourceKind::Mount)) {
        let f = 0.5 * (s.seen.0 + s.seen.1);
        let near: Vec<String> = modes
            .iter()
            .filter(|(_, m)| (m / f - 1.0).abs() < NEAR)
            .map(|(name, m)| format!("{name} at {m:.0} Hz"))
            .collect();
        let said = if near.is_empty() {
            format!(
                " No computed mode lies within {:.0} %: something that the file does not describe.",
                100.0 * NEAR
            )
        } else {
            format!(" Computed near it: {}.", near.join(", "))
        };
        s.evidence.push_str(&said);
    }
}
