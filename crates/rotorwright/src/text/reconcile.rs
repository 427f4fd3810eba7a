//! Text of `reconcile`.

use dossier::reconcile::Account;

use super::WIDTH;
use super::table::{Table, heading, paragraph};
use crate::format::Display;

/// The account of a build.
pub fn account(build: &str, a: &Account) -> String {
    let mut out = heading(&format!("Build {build}: what the measurements say of the file"), '=');
    let found = &a.found;
    if found.pairs.is_empty() {
        out.push_str(&paragraph(
            "Nothing to reconcile: no record measures anything that the file predicts.",
            "",
            0,
            WIDTH,
        ));
        return out;
    }
    let mut table = Table::new(&["Figure", "Predicted from the file", "Measured", "Score", "Left"]);
    for p in &found.pairs {
        let d = Display::choose_for(&p.predicted.unit, &p.name, &[p.predicted.value, p.measured.value]);
        table.row([
            p.name.clone(),
            d.figure(&p.predicted),
            format!("{} ({})", d.figure(&p.measured), p.measured.origin.word()),
            format!("{:+.1}", p.score),
            format!("{:+.1}", p.left),
        ]);
    }
    out.push_str(&table.render(WIDTH));
    out.push_str(&paragraph(
        "Score: difference over its standard uncertainty, nothing measured put into the prediction. Left: what the changes below leave of it, over the measurement's own uncertainty.",
        "",
        0,
        WIDTH,
    ));
    out.push('\n');
    out.push_str(&heading("The smallest change of stated inputs that explains it", '-'));
    if found.changes.is_empty() {
        out.push_str(&paragraph("None is asked for: the file explains what was measured.", "", 0, WIDTH));
    } else {
        let mut table = Table::new(&["Input", "Stated", "Would be", "Moves by", "Known to"]);
        for (c, i) in a.changes() {
            let d = Display::choose_for(&i.unit, &i.key, &[i.value]);
            table.row([
                i.key.clone(),
                d.number(i.value),
                d.number(i.value + c.by),
                format!("{:+.1} of its uncertainty", c.sigmas),
                format!("{:.0} % of that", 100.0 * c.uncertainty),
            ]);
        }
        out.push_str(&table.render(WIDTH));
        out.push_str(&paragraph(&a.misfit_words(), "", 0, WIDTH));
    }
    for set in a.alike() {
        out.push('\n');
        out.push_str(&paragraph(&set, "", 0, WIDTH));
    }
    out
}
