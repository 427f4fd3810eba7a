//! Predictions for the compass: field of the leads, heading error.

use physics::magnetic::heading_error;
use physics::powertrain::FullThrust;

use super::nominal::{Case, Nominal, SiteAir};

/// Largest heading error at hover current, with payload, rad, or what it waits for.
pub(super) fn heading_at_hover(loaded: &Case<'_>, air: &SiteAir) -> Result<f64, String> {
    let magnetic = &loaded.aircraft.magnetic;
    if magnetic.leads.is_empty() {
        return Err("waits for `lead` in the aircraft file".to_owned());
    }
    let at =
        magnetic.magnetometer.ok_or_else(|| "waits for `magnetometer` in the aircraft file".to_owned())?;
    let earth = air
        .earth
        .ok_or_else(|| "waits for `site.latitude` and `site.longitude` in dossier.toml".to_owned())?;
    let point = loaded.point(0.5, air.usual.density)?;
    Ok(heading_error(&magnetic.per_ampere(&at), point.battery_current, earth.horizontal))
}

/// All outputs for the compass.
pub(super) fn outputs(out: &mut Nominal, loaded: &Case<'_>, air: &SiteAir, full: Option<&FullThrust>) {
    let head = "Compass";
    let magnetic = &loaded.aircraft.magnetic;
    if let Some(e) = &air.earth {
        let name = "horizontal field of the earth at the site";
        out.put("magnetic.horizontal_field", head, name, "T", e.horizontal);
        out.put("magnetic.inclination", head, "inclination of the earth's field", "rad", e.inclination);
    }
    if magnetic.leads.is_empty() {
        out.wait(head, &"waits for `lead` in the aircraft file");
        return;
    }
    let Some(at) = magnetic.magnetometer else {
        out.wait(head, &"waits for `magnetometer` in the aircraft file");
        return;
    };
    let per_ampere = magnetic.per_ampere(&at);
    let across = per_ampere.xy().norm();
    for (k, axis) in ["x", "y", "z"].into_iter().enumerate() {
        let name = format!("field of the leads per ampere of battery current, {axis}");
        out.put(format!("magnetic.field.{axis}"), head, &name, "T/A", per_ampere[k]);
    }
    // Parts along the horizontal sum, so that they add up to it.
    let along = per_ampere.xy().try_normalize(0.0).unwrap_or_default();
    for (k, lead) in magnetic.leads.iter().enumerate() {
        let part = (lead.field(&at) * lead.share).xy().dot(&along);
        out.put(format!("magnetic.lead.{}", k + 1), head, &lead.item, "T/A", part);
    }
    let name = "horizontal field of the leads per ampere of battery current";
    out.put("magnetic.per_ampere", head, name, "T/A", across);
    let Some(earth) = &air.earth else {
        out.wait(head, &"waits for `site.latitude` and `site.longitude` in dossier.toml");
        return;
    };
    match heading_at_hover(loaded, air) {
        Ok(e) => {
            let name = "largest heading error at hover current, with payload";
            out.put("sensing.heading_hover", head, name, "rad", e);
        }
        Err(e) => out.wait(head, &e),
    }
    match full {
        Some(f) => {
            let e = heading_error(&per_ampere, f.point.battery_current, earth.horizontal);
            out.put("sensing.heading_full", head, "largest heading error at full current", "rad", e);
        }
        None => out.wait(head, &"full thrust cannot be computed"),
    }
}
