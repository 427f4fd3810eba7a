//! A slender beam with an elastic root and a mass at its tip, exactly.
//!
//! Euler and Bernoulli: EI w'''' = m' omega^2 w with w = a S1 + b S2 + c S3 + d S4 in the functions of
//! Krylov (halves of sums and differences of hyperbolic and circular functions). The root and the
//! tip give two linear conditions each; where the determinant that remains vanishes is a natural
//! frequency, omega = lambda^2 sqrt(EI/(m' L^4)). For a fixed stiff root it is the equation of the
//! handbooks, 1 + cos b cosh b + mu b (cos b sinh b - sin b cosh b) = 0 (Blevins, *Formulas for Natural
//! Frequency and Mode Shape*, 1979, table 8-8; from memory).

/// A beam with its root and tip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beam {
    /// Bending stiffness EI, N m^2.
    pub stiffness: f64,
    /// Mass per length, kg/m.
    pub mass_per_length: f64,
    /// Length, m.
    pub length: f64,
    /// Rotational stiffness of the root, N m/rad; infinite for a stiff one.
    pub root_stiffness: f64,
    /// Mass at the tip, kg.
    pub tip_mass: f64,
}

/// What the root stands on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Root {
    /// Something that does not move.
    Fixed,
    /// A mass that moves with the root, across the beam, and does not turn: this beam's share of it, kg.
    Moving {
        /// Mass, kg.
        mass: f64,
    },
    /// A body that turns about a fixed axis across the beam.
    Turning {
        /// This beam's share of its inertia about that axis, kg m^2.
        inertia: f64,
        /// Distance of the root from the axis, m.
        radius: f64,
    },
}

/// Largest eigenvalue that is looked for.
const LARGEST: f64 = 16.0;
/// Step of the search.
const STEP: f64 = 0.02;

impl Beam {
    /// Lowest natural frequencies, Hz, ascending, at most `count`; fewer where the search ends before.
    /// A beam without length, mass or stiffness has none.
    pub fn frequencies(&self, root: Root, count: usize) -> Vec<f64> {
        let size = self.stiffness * self.mass_per_length * self.length;
        if !(size.is_finite() && size > 0.0 && self.root_stiffness > 0.0 && self.tip_mass >= 0.0) {
            return Vec::new();
        }
        let scale = (self.stiffness / (self.mass_per_length * self.length.powi(4))).sqrt();
        let f = |lambda: f64| self.determinant(root, lambda);
        let mut found = Vec::new();
        let mut low = 1e-3;
        let mut at_low = f(low);
        let mut high = 0.5 * STEP;
        while found.len() < count && high <= LARGEST {
            let at_high = f(high);
            if at_low * at_high < 0.0 {
                let lambda = bisect(&f, low, high, at_low);
                found.push(lambda * lambda * scale / std::f64::consts::TAU);
            }
            (low, at_low) = (high, at_high);
            high += STEP;
        }
        found
    }

    /// The lowest natural frequency, Hz.
    pub fn lowest(&self, root: Root) -> Option<f64> {
        self.frequencies(root, 1).first().copied()
    }

    /// Determinant of the boundary conditions, a positive multiple of it.
    fn determinant(&self, root: Root, lambda: f64) -> f64 {
        let beam_mass = self.mass_per_length * self.length;
        let give = self.stiffness / (self.root_stiffness * self.length);
        let mu = self.tip_mass / beam_mass;
        let (sh, ch, s, c) = (lambda.sinh(), lambda.cosh(), lambda.sin(), lambda.cos());
        let (s1, s2, s3, s4) = (0.5 * (ch + c), 0.5 * (sh + s), 0.5 * (ch - c), 0.5 * (sh - s));
        // Shape coefficients (a, b, c, d) for each of the two free unknowns of the root, lengths by L.
        let shapes: [[f64; 4]; 2] = match root {
            Root::Fixed => [[0.0, lambda * give, 1.0, 0.0], [0.0, 0.0, 0.0, 1.0]],
            // Force of the beam on the hub: EI w''' = omega^2 m w; slope from the root's give alone.
            Root::Moving { mass } => {
                [[1.0, 0.0, 0.0, lambda * mass / beam_mass], [0.0, lambda * give, 1.0, 0.0]]
            }
            // Unknown turn t (times L) and shear d: c = rho lambda d - lambda^2 j t.
            Root::Turning { inertia, radius } => {
                let j = inertia / (beam_mass * self.length * self.length);
                let rho = radius / self.length;
                let turned = -lambda * lambda * j;
                let sheared = rho * lambda;
                [
                    [rho, 1.0 / lambda + lambda * give * turned, turned, 0.0],
                    [0.0, lambda * give * sheared, sheared, 1.0],
                ]
            }
        };
        // At the tip: no moment, and the shear carries the mass.
        let tip = |[a, b, c, d]: [f64; 4]| {
            let w = a * s1 + b * s2 + c * s3 + d * s4;
            let moment = a * s3 + b * s4 + c * s1 + d * s2;
            let shear = a * s2 + b * s3 + c * s4 + d * s1;
            (moment, shear + lambda * mu * w)
        };
        let ((m0, v0), (m1, v1)) = (tip(shapes[0]), tip(shapes[1]));
        m0 * v1 - m1 * v0
    }

    /// Frequency by Rayleigh's quotient with the shape of a light cantilever, Hz: the tip mass and
    /// 33/140 of the beam's on the spring of bending and root in series. Slightly high.
    pub fn rayleigh(&self) -> f64 {
        let give = self.length.powi(3) / (3.0 * self.stiffness) + self.length.powi(2) / self.root_stiffness;
        let mass = self.tip_mass + 33.0 / 140.0 * self.mass_per_length * self.length;
        (1.0 / (give * mass)).sqrt() / std::f64::consts::TAU
    }

    /// Root stiffness that gives the measured lowest frequency (Hz) on a fixed root, N m/rad. `None`
    /// where even a stiff root would be slower than that: then the beam is stiffer or lighter than stated.
    pub fn root_stiffness_for(&self, frequency: f64) -> Option<f64> {
        let at = |stiffness: f64| Self { root_stiffness: stiffness, ..*self }.lowest(Root::Fixed);
        let natural = 3.0 * self.stiffness / self.length;
        let (mut low, mut high) = ((1e-4 * natural).ln(), (1e4 * natural).ln());
        if !(frequency > at(low.exp())? && frequency < at(high.exp())?) {
            return None;
        }
        for _ in 0..60 {
            let mid = 0.5 * (low + high);
            if at(mid.exp())? < frequency { low = mid } else { high = mid }
        }
        Some((0.5 * (low + high)).exp())
    }
}

fn bisect(f: &dyn Fn(f64) -> f64, mut low: f64, mut high: f64, at_low: f64) -> f64 {
    for _ in 0..60 {
        let mid = 0.5 * (low + high);
        if at_low * f(mid) <= 0.0 { high = mid } else { low = mid }
    }
    0.5 * (low + high)
}
