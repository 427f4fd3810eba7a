//! Battery: resistance from sag against current.

use signal::{filter, lsq, robust};

use super::context::{Context, Out};

pub(super) fn run(context: &Context<'_>, out: &mut Out) {
    let (key, label) = ("battery.resistance", "battery resistance, leads included");
    let rests = &["battery"];
    let test = "log battery.voltage and battery.current through a pull of thrust";
    let Some(joint) = context.joint(&["battery.voltage", "battery.current"], &context.airborne()) else {
        let missing = if context.series("battery.voltage").is_some() {
            "the channel battery.current"
        } else {
            "the channels battery.voltage and battery.current"
        };
        out.cannot_tell(key, label, missing, test, rests);
        return;
    };
    let rate = 1.0 / joint.period;
    let cutoff = (0.2 * rate).min(4.0);
    let every = ((rate / (4.0 * cutoff)) as usize).max(1);
    let (mut v, mut i, mut t) = (Vec::new(), Vec::new(), Vec::new());
    for s in &joint.stretches {
        let (Some(volts), Some(amps)) = (s.channels.first(), s.channels.get(1)) else { continue };
        let (Ok(a), Ok(b)) = (filter::low_pass(volts, rate, cutoff), filter::low_pass(amps, rate, cutoff))
        else {
            continue;
        };
        for k in (0..s.len()).step_by(every) {
            v.push(a[k]);
            i.push(b[k]);
            t.push(s.start + k as f64 * joint.period);
        }
    }
    let (first, last) = (t.first().copied().unwrap_or(0.0), t.last().copied().unwrap_or(0.0));
    let span = (last - first).max(1e-9);
    let x: Vec<f64> = t.iter().map(|t| (t - first) / span - 0.5).collect();
    let square: Vec<f64> = x.iter().map(|x| x * x).collect();
    let Ok((fit, matrix)) = lsq::fit_columns(&[&i, &x, &square], &v, true) else {
        out.cannot_tell(key, label, "excitation: the current did not change", test, rests);
        return;
    };
    let fit = fit.correlated(&matrix, None);
    let (r, error) = (-fit.value(0), fit.error(0));
    let spread = robust::variance(&i).unwrap_or(0.0).sqrt();
    let mean = robust::mean(&i).unwrap_or(0.0);
    if spread < 0.03 * mean.abs() || r < 3.0 * error {
        out.cannot_tell(
            key,
            label,
            format!("excitation: the current varied by {:.0} % only", 100.0 * spread / mean.abs().max(1e-9)),
            test,
            rests,
        );
        return;
    }
    let e = context.estimate("battery resistance", r, error, "ohm");
    let text = format!(
        "Sag against current below {cutoff:.1} Hz with the slow discharge taken out (current {mean:.1} A, spread {spread:.1} A). \
         It holds cells, leads and connectors as far as the voltage tap sees them, and the quick part of the polarisation."
    );
    out.value(key, label, e, text, rests);
}
