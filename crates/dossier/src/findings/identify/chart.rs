//! Response of the loop gain as measured and as fitted.

use std::f64::consts::TAU;

use signal::response::excitation;
use signal::response::model::Parameter;

use super::Axis;
use crate::chart::{Axis as Across, Chart, Mark, Series, Style, Table};
use crate::findings::context::{Context, Out};
use crate::findings::{phases, strands};

/// Rate steps about the axis as flown, in percent of their size, with the identified loop's own step.
pub(super) fn steps(context: &Context<'_>, a: &Axis, name: &str, letter: char, out: &mut Out) {
    let rate = format!("rate.{letter}");
    let Some(series) = context.series(&rate) else { return };
    let flown: Vec<_> = context.steps.iter().filter(|s| s.axis == a.axis).collect();
    let lines = flown
        .iter()
        .map(|s| {
            let side = phases::side(a.axis, s.step.size());
            let (time, values) = series.slice(s.step.at - 0.1, s.step.until);
            strands::strand(side, time, values, &s.step)
        })
        .collect();
    let caption = "Every step laid over the others, each in its own direction: what strays from the identified loop's own step is size \
                   (saturation), gusts, or a side that is not like the other.";
    let mut chart =
        strands::chart(&format!("loop-{letter}-steps"), &format!("{name} rate steps"), caption, lines);
    let end = chart.series.iter().filter_map(|s| s.x.last().copied()).fold(0.0, f64::max);
    if chart.series.is_empty() || end <= 0.0 {
        return;
    }
    if let Some(step) = a.step(&a.fit.plant, end, end / 150.0) {
        let x = (0..step.value.len()).map(|k| k as f64 * step.dt).collect();
        chart.series.push(Series::new(
            "identified",
            Style::Line,
            x,
            step.value.iter().map(|v| 100.0 * v).collect(),
        ));
    }
    out.charts.push(chart);
}

pub(super) fn draw(a: &Axis, name: &str, letter: char, out: &mut Out) {
    let usable: Vec<_> = a.points.iter().filter(|p| excitation::usable(p)).collect();
    let all_f: Vec<f64> = a.points.iter().map(|p| p.frequency).collect();
    if usable.len() < 3 {
        return;
    }
    let f: Vec<f64> = usable.iter().map(|p| p.frequency).collect();
    let measured: Vec<_> = usable
        .iter()
        .map(|p| p.joint * a.controller.feedback(TAU * p.frequency) * a.behind.at(TAU * p.frequency))
        .collect();
    let fitted: Vec<_> = all_f.iter().map(|f| a.loop_gain(&a.fit.plant, TAU * f)).collect();
    let db = |v: f64| 20.0 * v.log10();
    let crossover = a.margins.crossover / TAU;
    let at = |x: f64, name: &str| Mark::At { x, name: name.to_owned() };
    let hertz = || Across::log("frequency", "Hz");
    let low: Vec<f64> = usable
        .iter()
        .zip(&measured)
        .map(|(p, l)| db(l.norm() * f64::max(1.0 - 2.0 * p.joint_error, 0.05)))
        .collect();
    let high: Vec<f64> =
        usable.iter().zip(&measured).map(|(p, l)| db(l.norm() * (1.0 + 2.0 * p.joint_error))).collect();
    out.charts.push(Chart {
        id: format!("loop-{letter}-gain"),
        title: format!("{name} loop gain"),
        caption: format!("Where the line falls through 0 dB the {name} loop crosses over; the marks are what the flight shows, the band twice their random error."),
        x: hertz(),
        y: Across::linear("loop gain", "dB"),
        series: vec![
            Series::band("random error", f.clone(), low, high),
            Series::new("fitted", Style::Line, all_f.clone(), fitted.iter().map(|l| db(l.norm())).collect()),
            Series::new("measured", Style::Dots, f.clone(), measured.iter().map(|l| db(l.norm())).collect()),
        ],
        marks: vec![at(crossover, "crossover"), Mark::Limit { y: 0.0, name: "0 dB".to_owned() }],
    });
    let turned = |values: &[signal::spectrum::Complex64]| -> Vec<f64> {
        let mut last = -120.0;
        values
            .iter()
            .map(|v| {
                let mut phase = v.arg().to_degrees();
                phase -= 360.0 * ((phase - last) / 360.0).round();
                last = phase;
                phase
            })
            .collect()
    };
    out.charts.push(Chart {
        id: format!("loop-{letter}-phase"),
        title: format!("{name} loop phase"),
        caption: "The distance of the line from -180 deg at crossover is the phase margin.".to_owned(),
        x: hertz(),
        y: Across::linear("phase", "deg"),
        series: vec![
            Series::new("fitted", Style::Line, all_f.clone(), turned(&fitted)),
            Series::new("measured", Style::Dots, f, turned(&measured)),
        ],
        marks: vec![at(crossover, "crossover"), Mark::Limit { y: -180.0, name: "-180 deg".to_owned() }],
    });
    out.charts.push(Chart {
        id: format!("loop-{letter}-coherence"),
        title: format!("{name} coherence"),
        caption: "Only where the coherence with the demand is 0.6 or more does the flight say anything about the loop.".to_owned(),
        x: hertz(),
        y: Across::linear("coherence", "1"),
        series: vec![
            Series::new("by demand", Style::Line, all_f.clone(), a.points.iter().map(|p| p.coherence).collect()),
            Series::new(
                "direct",
                Style::Dashed,
                all_f,
                a.points.iter().map(|p| p.direct_coherence).collect(),
            ),
        ],
        marks: vec![at(crossover, "crossover"), Mark::Limit { y: excitation::LEAST_COHERENCE, name: "0.6".to_owned() }],
    });
    let error = |p| a.fit.uncertainty(p);
    let ms = |v: f64, e: f64| format!("{:.1} ± {:.1} ms", 1e3 * v, 1e3 * e);
    let mut rows = vec![
        vec![
            "gain".to_owned(),
            format!("{:.3} ± {:.1} %", a.fit.plant.gain * a.controller.p, 100.0 * error(Parameter::Gain)),
            "1/s, times the controller's p".to_owned(),
        ],
        vec!["dead time".to_owned(), ms(a.fit.plant.delay, error(Parameter::Delay)), String::new()],
        vec![
            "lag".to_owned(),
            ms(a.fit.plant.lag, error(Parameter::Lag)),
            format!("correlation with dead time {:.2}", a.fit.correlation(Parameter::Delay, Parameter::Lag)),
        ],
    ];
    if a.fit.free.contains(&Parameter::Damping) {
        let text = format!("{:.2} ± {:.2} 1/s", a.fit.plant.damping, error(Parameter::Damping));
        rows.push(vec!["decay of the rate".to_owned(), text, String::new()]);
    }
    if a.fit.free.contains(&Parameter::Zero) {
        rows.push(vec![
            "lead by reaction".to_owned(),
            ms(a.fit.plant.zero, error(Parameter::Zero)),
            String::new(),
        ]);
    }
    rows.push(vec![
        "misfit".to_owned(),
        format!("{:.2} per degree of freedom", a.fit.reduced()),
        format!("{:.0} in the published convention", a.cost),
    ]);
    // The two estimates side by side, where feedback would show: around crossover.
    let near = a
        .points
        .iter()
        .min_by(|p, q| (p.frequency - crossover).abs().total_cmp(&(q.frequency - crossover).abs()));
    if let Some(p) = near {
        let apart = p.direct / p.joint;
        rows.push(vec![
            "direct estimate over joint one at crossover".to_owned(),
            format!("{:.1} dB, {:.1} deg", db(apart.norm()), apart.arg().to_degrees()),
            "the direct one carries the disturbances that the loop answers".to_owned(),
        ]);
    }
    out.tables.push(Table {
        id: format!("loop-{letter}-fit"),
        title: format!("{name} plant as fitted"),
        head: vec!["parameter".to_owned(), "value ± standard uncertainty".to_owned(), "note".to_owned()],
        rows,
        note: String::new(),
    });
}
