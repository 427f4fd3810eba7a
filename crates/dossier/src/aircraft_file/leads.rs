//! Leads and the room for sensors: the sections `lead` and `siting`.

use physics::Vec3;
use physics::magnetic::{Lead, SitingRoom};

use super::build::vector;
use super::fields::Fields;

/// One `[[lead]]`.
pub(super) fn lead(f: &Fields, v: &[f64]) -> Option<Lead> {
    let point = |name: &str| f.triple(name, v).map(vector);
    let mut path = vec![point("from")?];
    path.extend(point("via"));
    path.extend(point("then"));
    path.push(point("to")?);
    Some(Lead {
        item: f.text("item")?.to_owned(),
        path,
        share: f.number("share", v)?,
        spacing: f.number("spacing", v)?,
        side: match f.word("side")? {
            "x" => Vec3::x(),
            "z" => Vec3::z(),
            _ => Vec3::y(),
        },
        twist: f.number("twist", v),
    })
}

/// `[siting]`.
pub(super) fn room(f: &Fields, v: &[f64]) -> Option<SitingRoom> {
    let point = |name: &str| f.triple(name, v).map(vector);
    Some(SitingRoom {
        from: point("from")?,
        to: point("to")?,
        mast_foot: point("mast_foot"),
        mast_height: f.number("mast_height", v)?,
        radio: point("radio"),
        clearance: f.number("clearance", v)?,
    })
}
