//! Mass properties of composite bodies, and inertia from swing tests.
//!
//! Own inertia of box, solid cylinder and thin rod are the standard handbook formulas; bodies are
//! moved to the common centre by the parallel-axis theorem. Products of inertia carry the sign of
//! the tensor: the off-diagonal elements are -sum m x y.

use std::f64::consts::PI;

use nalgebra::SymmetricEigen;
use serde::Serialize;

use crate::aircraft::{Body, Shape};
use crate::{Mat3, Vec3};

/// Mass, centre and inertia of a set of bodies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MassProperties {
    /// Mass, kg.
    pub mass: f64,
    /// Centre of mass from the reference point, body axes, m. Zero without mass.
    pub centre: Vec3,
    /// Inertia about the centre of mass, body axes, kg m^2; off-diagonals are -sum m x y.
    pub inertia: Mat3,
    /// Principal moments of inertia, ascending, kg m^2. Not a number where the inertia is not finite.
    pub principal: [f64; 3],
    /// Unit vectors of the principal axes as columns in the order of `principal`, right-handed.
    pub principal_axes: Mat3,
}

/// Mass properties of bodies taken together.
pub fn mass_properties(bodies: &[Body]) -> MassProperties {
    let mass: f64 = bodies.iter().map(|body| body.mass).sum();
    let moment: Vec3 = bodies.iter().map(|body| body.at * body.mass).sum();
    let centre = if mass > 0.0 { moment / mass } else { Vec3::zeros() };
    let inertia = bodies.iter().fold(Mat3::zeros(), |sum, body| {
        sum + own_inertia(body) + point_inertia(body.mass, body.at - centre)
    });
    let (principal, principal_axes) = principal(&inertia);
    MassProperties { mass, centre, inertia, principal, principal_axes }
}

/// Inertia of a body about its own centre of mass, body axes, kg m^2.
///
/// The axis of a cylinder is taken by its direction; one without direction (zero) counts as z.
pub fn own_inertia(body: &Body) -> Mat3 {
    let mass = body.mass;
    match body.shape {
        Shape::Point => Mat3::zeros(),
        Shape::Box { sides: [x, y, z] } => {
            let (x, y, z) = (x * x, y * y, z * z);
            Mat3::from_diagonal(&Vec3::new(y + z, z + x, x + y)) * (mass / 12.0)
        }
        Shape::Cylinder { radius, length, axis } => {
            let axis = axis.try_normalize(0.0).unwrap_or_else(Vec3::z);
            let along = 0.5 * mass * radius * radius;
            let across = mass * (3.0 * radius * radius + length * length) / 12.0;
            Mat3::identity() * across + axis * axis.transpose() * (along - across)
        }
        Shape::Rod { span } => point_inertia(mass / 12.0, span),
        Shape::Moments { moments: [x, y, z] } => Mat3::from_diagonal(&Vec3::new(x, y, z)),
    }
}

/// Inertia of a point mass at an offset, kg m^2: m (d.d 1 - d d').
fn point_inertia(mass: f64, offset: Vec3) -> Mat3 {
    (Mat3::identity() * offset.norm_squared() - offset * offset.transpose()) * mass
}

/// Principal moments, ascending, and axes of a symmetric inertia.
fn principal(inertia: &Mat3) -> ([f64; 3], Mat3) {
    let lost = ([f64::NAN; 3], Mat3::identity());
    if !inertia.iter().all(|value| value.is_finite()) {
        return lost;
    }
    let Some(eigen) = SymmetricEigen::try_new(*inertia, f64::EPSILON, 1_000) else { return lost };
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| eigen.eigenvalues[a].total_cmp(&eigen.eigenvalues[b]));
    let [first, second, third] = order;
    let lead = |column: usize| {
        let axis: Vec3 = eigen.eigenvectors.column(column).into_owned();
        if axis[axis.iamax()] < 0.0 { -axis } else { axis }
    };
    let (a, b) = (lead(first), lead(second));
    let axes = Mat3::from_columns(&[a, b, a.cross(&b)]);
    ([eigen.eigenvalues[first], eigen.eigenvalues[second], eigen.eigenvalues[third]], axes)
}

/// What a whole aircraft was found to weigh, how it hangs and how it turns, without payload; what was
/// not measured is `None`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Whole {
    /// Mass, kg.
    pub mass: Option<f64>,
    /// Centre of gravity x and y from the reference point, m.
    pub centre: [Option<f64>; 2],
    /// Moments of inertia about the body axes through the centre of gravity, kg m^2.
    pub inertia: [Option<f64>; 3],
}

/// Name of the body that makes up the difference between the whole and the sum of its items.
pub const CORRECTION: &str = "weighed less computed";

/// Makes bodies agree with measurements of the whole aircraft without payload.
///
/// The missing mass is put at the measured centre of gravity, where it adds no moment of inertia; all
/// bodies but the payload move together by what brings their common centre there, which changes no
/// moment about it; what then lacks of the measured moments is added as such. Products of inertia
/// stay as computed. The height of the centre of gravity is not touched.
pub fn agree_with(bodies: &mut Vec<Body>, whole: &Whole) {
    if *whole == Whole::default() {
        return;
    }
    let bare =
        |list: &[Body]| mass_properties(&list.iter().filter(|b| !b.payload).cloned().collect::<Vec<_>>());
    let own = bare(bodies);
    if own.mass.is_nan() || own.mass <= 0.0 {
        return;
    }
    let mut at = own.centre;
    for (k, c) in whole.centre.iter().enumerate() {
        if let Some(c) = c {
            at[k] = *c;
        }
    }
    let shift = at - own.centre;
    for body in bodies.iter_mut().filter(|b| !b.payload) {
        body.at += shift;
    }
    let mass = whole.mass.map_or(0.0, |m| m - own.mass);
    let computed = bare(bodies).inertia;
    let lack = |k: usize| whole.inertia[k].map_or(0.0, |i| i - computed[(k, k)]);
    bodies.push(Body {
        item: CORRECTION.to_owned(),
        mass,
        at,
        shape: Shape::Moments { moments: [lack(0), lack(1), lack(2)] },
        payload: false,
    });
}

/// Moment of inertia about the vertical, kg m^2, from the period, s, of a body of `mass`, kg, on
/// two parallel wires of `length`, m, `separation` m apart: m g D^2 T^2 / (16 pi^2 h).
///
/// Jardin & Mueller 2009, J. Aircraft 46(3). Small swings, wires vertical and equally loaded, and
/// the mass of everything that swings; `gravity` in m/s^2.
pub fn bifilar_inertia(mass: f64, separation: f64, length: f64, period: f64, gravity: f64) -> f64 {
    mass * gravity * (separation * period).powi(2) / (16.0 * PI * PI * length)
}

/// Moment of inertia about the vertical, kg m^2, from the period, s, of a body of `mass`, kg, on
/// three parallel wires of `length`, m, at `radius`, m, from the vertical axis through its centre:
/// m g R^2 T^2 / (4 pi^2 L).
///
/// Small swings. For a body on a platform use the mass of both and take off the inertia of the
/// platform, measured in the same way alone. `gravity` in m/s^2.
pub fn trifilar_inertia(mass: f64, radius: f64, length: f64, period: f64, gravity: f64) -> f64 {
    mass * gravity * (radius * period).powi(2) / (4.0 * PI * PI * length)
}
