//! A root inside a bracket.

/// Root of `f` between `a` and `b`, where it changes sign, by Chandrupatla's method (Chandrupatla
/// 1997, Advances in Engineering Software 28, 145-149): inverse quadratic interpolation where the
/// three last points allow it, bisection else, so that it always ends. `None` without a sign change.
pub fn root(
    mut f: impl FnMut(f64) -> f64,
    (mut a, mut fa): (f64, f64),
    (mut b, mut fb): (f64, f64),
    tolerance: f64,
) -> Option<f64> {
    if fa == 0.0 {
        return Some(a);
    }
    if fa.is_nan() || fb.is_nan() || fa * fb > 0.0 {
        return None;
    }
    let mut t = 0.5;
    for _ in 0..100 {
        let x = a + t * (b - a);
        let fx = f(x);
        if !fx.is_finite() {
            return None;
        }
        // Keep the root between a (newest) and b; c is the point left out.
        let (c, fc) = if fx * fa > 0.0 {
            (a, fa)
        } else {
            let old = (b, fb);
            (b, fb) = (a, fa);
            old
        };
        (a, fa) = (x, fx);
        let (best, least) = if fa.abs() < fb.abs() { (a, fa) } else { (b, fb) };
        let width = (b - a).abs();
        if least == 0.0 || width <= tolerance {
            return Some(best);
        }
        let (xi, phi) = ((a - b) / (c - b), (fa - fb) / (fc - fb));
        t = if phi * phi < xi && (1.0 - phi).powi(2) < 1.0 - xi {
            fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        } else {
            0.5
        };
        let edge = 0.5 * tolerance / width;
        t = t.clamp(edge, 1.0 - edge);
    }
    Some(if fa.abs() < fb.abs() { a } else { b })
}
