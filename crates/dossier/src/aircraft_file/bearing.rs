//! What carries the rotors and the sensors: the sections under `structure`.

use physics::structure::{Arm, Edges, Mast, Material, Mount, Plate, Section, material};

use super::fields::Fields;

/// Typical values of the named material with what is stated in their place.
fn material(f: &Fields, v: &[f64]) -> Option<Material> {
    let mut m = material::named(f.word("material")?)?;
    if let Some(e) = f.number("youngs_modulus", v) {
        // The shear modulus is not stated: it moves with Young's.
        m.shear_modulus *= e / m.youngs_modulus;
        m.youngs_modulus = e;
    }
    if let Some(rho) = f.number("density", v) {
        m.density = rho;
    }
    Some(m)
}

fn section(f: &Fields, v: &[f64]) -> Option<Section> {
    Some(match f.word("section")? {
        "rectangle" => Section::Rectangle { width: f.number("width", v)?, height: f.number("height", v)? },
        _ => Section::Tube { outer: f.number("outer", v)?, wall: f.number("wall", v)? },
    })
}

/// `[structure.arm]`.
pub(super) fn arm(f: &Fields, v: &[f64]) -> Option<Arm> {
    Some(Arm {
        section: section(f, v)?,
        length: f.number("length", v)?,
        material: material(f, v)?,
        root_stiffness: f.number("root_stiffness", v)?,
        hub_height: f.number("hub_height", v)?,
        damping: f.number("damping", v)?,
    })
}

/// `[structure.mast]`.
pub(super) fn mast(f: &Fields, v: &[f64]) -> Option<Mast> {
    Some(Mast {
        section: section(f, v)?,
        length: f.number("length", v)?,
        material: material(f, v)?,
        root_stiffness: f.number("root_stiffness", v)?,
        tip_mass: f.number("tip_mass", v)?,
    })
}

/// `[structure.plate]`.
pub(super) fn plate(f: &Fields, v: &[f64]) -> Option<Plate> {
    let [a, b, thickness] = f.triple("sides", v)?;
    Some(Plate {
        sides: [a, b],
        thickness,
        material: material(f, v)?,
        edges: match f.word("edges")? {
            "clamped" => Edges::Clamped,
            "one-edge" => Edges::OneEdge,
            _ => Edges::Supported,
        },
        carried: f.number("carried", v)?,
    })
}

/// `[structure.mount]`.
pub(super) fn mount(f: &Fields, v: &[f64]) -> Option<Mount> {
    Some(match f.word("kind")? {
        "soft" => Mount::Soft { frequency: f.number("frequency", v)?, damping: f.number("damping", v)? },
        _ => Mount::Hard,
    })
}
