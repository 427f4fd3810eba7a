//! What a file knows of its rotor along the axis, and the interval that goes with it: `ct_advance` and `cp_advance`.

use physics::rotor::Table;
use physics::rotor::advance::Known;

use super::fields::Fields;
use super::read::Reader;

/// Keys that hold what to add to C_T and C_P in advancing flow.
pub(crate) const KEYS: [&str; 2] = ["ct_advance", "cp_advance"];

fn known(rotor: &Fields, table: Option<&Table>) -> Known {
    if rotor.text("geometry").is_some() {
        Known::Blade
    } else if table.is_some_and(|t| t.advance.len() > 1) {
        Known::Measured
    } else if rotor.get("pitch").is_some() {
        Known::Pitch
    } else {
        Known::Rest
    }
}

/// Adds the two keys with their interval where they are not stated.
pub(crate) fn read(reader: &mut Reader<'_>, table: Option<&Table>) {
    let Some(at) = reader.sections.iter().position(|f| f.section == "rotor") else { return };
    let Some(mut rotor) = reader.sections.get(at).cloned() else { return };
    let known = known(&rotor, table);
    let why = match known {
        Known::Measured => return,
        Known::Blade => "of a rotor computed from its blade",
        Known::Pitch => "of a rotor known at rest and by its pitch",
        Known::Rest => "of a rotor known at rest only",
    };
    let sigma = known.uncertainty();
    for (key, sigma) in KEYS.into_iter().zip([sigma.0, sigma.1]) {
        if rotor.get(key).is_some() {
            continue;
        }
        let Some(spec) = reader.spec.key("rotor", key) else { continue };
        let first = reader.inputs.len();
        reader.default(&mut rotor, spec, "0.0", "");
        for input in reader.inputs.iter_mut().skip(first) {
            input.line.uncertainty = sigma;
            input.line.text = format!("{why}; 95 % within ±{:.0} % of the value at rest", 196.0 * sigma);
        }
    }
    if let Some(slot) = reader.sections.get_mut(at) {
        *slot = rotor;
    }
}
