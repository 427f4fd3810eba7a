//! What a cure leaves, with its interval: by the random error of the spectrum and by the numbers that the cure rests on.

use std::fmt;

/// A number that a cure rests on: one standard uncertainty multiplies it by 1 + `share`.
pub(super) struct Doubt {
    name: &'static str,
    share: f64,
}

impl Doubt {
    pub(super) fn of(name: &'static str, share: f64) -> Self {
        // Beyond 60 per cent a first-order step would reach zero.
        Self { name, share: if share.is_finite() { share.clamp(0.0, 0.6) } else { 0.6 } }
    }
}

/// A share with its standard uncertainty, shown in per cent.
#[derive(Clone, Copy)]
pub(super) struct Share {
    pub value: f64,
    pub uncertainty: f64,
}

impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (v, u) = (100.0 * self.value, 100.0 * self.uncertainty);
        let digits = if u > 0.0 { (1.0 - u.log10().floor()).clamp(0.0, 5.0) } else { 3.0 } as usize;
        write!(f, "{v:.digits$} ± {u:.digits$} %")
    }
}

/// What is left at the command, r.m.s., and the change from today.
pub(super) struct Left {
    pub rms: Share,
    pub change: Share,
    /// What most of the change's interval comes from.
    pub mostly: Option<&'static str>,
}

/// A cure, and what it leaves; none where it has nothing to do.
pub(super) struct Cure {
    pub does: String,
    pub leaves: Option<Left>,
}

pub(super) fn nothing(why: &str) -> Cure {
    Cure { does: why.to_owned(), leaves: None }
}

impl Left {
    /// From the parts of the mean square today (with their relative random errors), and those with the cure as a function
    /// of a factor for each doubt. Random errors are taken as independent between parts; they cancel in the change as far
    /// as a part stays.
    pub(super) fn of(
        today: &[(f64, f64)],
        doubts: &[Doubt],
        with: &dyn Fn(&[f64]) -> Vec<(f64, f64)>,
    ) -> Self {
        let sum = |parts: &[(f64, f64)]| parts.iter().map(|p| p.0).sum::<f64>().max(1e-300);
        let before = sum(today);
        let mut factors = vec![1.0; doubts.len()];
        let after = with(&factors);
        let left = sum(&after);
        let (rms, ratio) = (left.sqrt(), (left / before).sqrt());
        let (mut own, mut relative) = (0.0, 0.0);
        for ((a, error), (t, _)) in after.iter().zip(today) {
            own += (0.5 * error * a / left).powi(2);
            relative += (0.5 * error * (a / left - t / before)).powi(2);
        }
        let mut most = (relative, "the spectrum's random error");
        let mut by_doubt = 0.0;
        for (k, d) in doubts.iter().enumerate() {
            let mut at = |factor: f64| {
                factors[k] = factor;
                let v = sum(&with(&factors)).sqrt();
                factors[k] = 1.0;
                v
            };
            let step = (0.5 * (at(1.0 + d.share) - at(1.0 - d.share)) / rms).powi(2);
            by_doubt += step;
            if step > most.0 {
                most = (step, d.name);
            }
        }
        let change_u = ratio * (relative + by_doubt).sqrt();
        Self {
            rms: Share { value: rms, uncertainty: rms * (own + by_doubt).sqrt() },
            change: Share { value: ratio - 1.0, uncertainty: change_u },
            mostly: (change_u > 0.005).then_some(most.1),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two parts of which one falls to a quarter of its amplitude: closed forms of the ratio and of both errors.
    #[test]
    fn prop_interval_of_a_halved_line() {
        let today = [(4.0, 0.1), (1.0, 0.1)];
        let cure = |k: &[f64]| vec![(4.0 * (0.5 * k[0]).powi(2), 0.1), (1.0, 0.1)];
        let l = Left::of(&today, &[Doubt::of("x", 0.2)], &cure);
        let ratio = (2.0_f64 / 5.0).sqrt();
        assert!((l.change.value - (ratio - 1.0)).abs() < 1e-12);
        // Of 2, 1 comes from the line: a fifth more of its amplitude gives 1.44, a fifth less 0.64.
        let by_doubt = 0.5 * ((1.0 + 1.44_f64).sqrt() - (1.0 + 0.64_f64).sqrt()) / 2f64.sqrt();
        let random = 0.5 * 0.1 * ((0.5 - 0.8_f64).powi(2) + (0.5 - 0.2_f64).powi(2)).sqrt();
        assert!((l.change.uncertainty - ratio * by_doubt.hypot(random)).abs() < 1e-12, "{}", l.change);
        assert_eq!((l.mostly, l.change.to_string().as_str()), (Some("x"), "-36.8 ± 6.4 %"));
        let same = Left::of(&today, &[], &|_| today.to_vec());
        assert!(same.change.value == 0.0 && same.change.uncertainty == 0.0 && same.rms.uncertainty > 0.0);
    }
}
