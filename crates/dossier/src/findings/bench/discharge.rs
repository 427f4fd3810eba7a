//! A battery emptied: capacity, resistance, RC pair, open-circuit curve, and how far an estimate of the
//! remaining charge by voltage would be off.

use physics::aircraft::Battery;
use physics::powertrain::battery::open_circuit_voltage;
use signal::discharge::{self, Discharge};

use super::{Bench, pieces};
use crate::chart::{Axis, Chart, Mark, Series, Style, Table};
use crate::findings::context::Out;

const RESTS: &[&str] = &["battery"];
/// Error of the current sensor's scale where `current_scale` is not stated (common practice, no source).
const SCALE: f64 = 0.01;
/// How well a cell's resting voltage tells its charge: spread between cells of one chemistry, V (common
/// practice, no source).
const CURVE: f64 = 0.015;
const TEST: &str = "empty a full battery that has rested for half an hour down to its least voltage on a load that changes: \
                    hover current with ten seconds at twice of it every minute, and thirty seconds of rest every five; log voltage and current at 5 Hz or more";

/// Charge at which a cell rests at `volts`, by halving.
fn charge_at(battery: &Battery, volts: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if open_circuit_voltage(battery.chemistry, middle) < volts { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

pub(super) fn run(bench: &Bench<'_>, out: &mut Out) {
    let figures =
        [("discharge.capacity", "capacity"), ("discharge.resistance", "series resistance of the pack")];
    let (voltage, current) = (bench.channel("battery.voltage"), bench.channel("battery.current"));
    let (Some(voltage), Some(current)) = (voltage, current) else {
        for (key, label) in figures {
            let missing = match (voltage.is_some(), current.is_some()) {
                (true, false) => {
                    "the current: voltage alone falls by the resistance and by the charge at once, and only a current tells them apart"
                }
                (false, true) => "the voltage",
                _ => "voltage and current",
            };
            out.cannot_tell(key, label, missing, TEST, RESTS);
        }
        if let Some(v) = voltage {
            voltage_alone(bench, out, v);
        }
        return;
    };
    let (mut t, mut v, mut i) = (Vec::new(), Vec::new(), Vec::new());
    for ((a, b), c) in bench.record.time.iter().zip(voltage).zip(current) {
        if b.is_finite() && c.is_finite() && t.last().is_none_or(|l| a > l) {
            t.push(*a);
            v.push(*b);
            i.push(*c);
        }
    }
    let fit = match discharge::fit(&t, &v, &i) {
        Ok(f) => f,
        Err(e) => {
            for (key, label) in figures {
                out.cannot_tell(key, label, format!("a discharge that tells: {e}"), TEST, RESTS);
            }
            return;
        }
    };
    let scale = bench.hand("current_scale").map_or(SCALE, |s| s.1.max(s.0.abs()));
    pack(bench, out, &fit, scale);
    if let Some(battery) = bench.aircraft.and_then(|a| a.battery.as_ref()) {
        cells(bench, out, &fit, battery, scale);
        capacity(bench, out, &fit, battery, (&t, &v, &i), scale);
    } else {
        {
            let (key, label) = figures[0];
            out.cannot_tell(
                key,
                label,
                "[battery] in the aircraft file: the chemistry and the number of cells",
                "state the battery",
                RESTS,
            );
        }
    }
    charts(out, &fit, &t, &v, &i);
}

/// Without a current: what the voltage alone shows.
fn voltage_alone(bench: &Bench<'_>, out: &mut Out, voltage: &[f64]) {
    let finite: Vec<(f64, f64)> =
        bench.record.time.iter().zip(voltage).filter(|(_, v)| v.is_finite()).map(|(t, v)| (*t, *v)).collect();
    let (Some(first), Some(last)) = (finite.first(), finite.last()) else { return };
    let least = finite.iter().map(|(_, v)| *v).fold(f64::INFINITY, f64::min);
    out.words(
        "discharge.voltage",
        "voltage over the record",
        &format!("{:.2} V to {:.2} V in {:.0} s, least {least:.2} V", first.1, last.1, last.0 - first.0),
        "The voltage under an unknown load: it bounds the time aloft, and tells neither capacity nor resistance.",
        RESTS,
    );
}

fn pack(bench: &Bench<'_>, out: &mut Out, fit: &Discharge, scale: f64) {
    let (r, e) = fit.series;
    let estimate = pieces::several(
        bench,
        r,
        "ohm",
        &[("series resistance", e), ("scale of the current sensor", -r * scale)],
    );
    out.value(
        "discharge.resistance",
        "series resistance of the pack",
        estimate,
        format!(
            "Leads and cells together, from the jumps of the current; the fit leaves {:.0} mV r.m.s.",
            1e3 * fit.residual
        ),
        RESTS,
    );
    let drawn = fit.drawn;
    let estimate = pieces::several(bench, drawn, "A s", &[("scale of the current sensor", drawn * scale)]);
    out.value("discharge.drawn", "charge drawn", estimate, "Integral of the current over the record.", RESTS);
}

fn cells(bench: &Bench<'_>, out: &mut Out, fit: &Discharge, b: &Battery, scale: f64) {
    let share = f64::from(b.parallel) / f64::from(b.series.max(1));
    let cell = (fit.series.0 - b.lead_resistance) * share;
    let key = "discharge.cell_resistance";
    if cell > 0.0 {
        let effects = [
            ("series resistance", fit.series.1 * share),
            ("scale of the current sensor", -fit.series.0 * share * scale),
        ];
        let e = pieces::several(bench, cell, "ohm", &effects);
        out.value(
            key,
            "resistance of one cell",
            e,
            format!(
                "The pack's {:.1} mohm less {:.1} mohm of leads, over {} in series; at the temperature of the test. The aircraft file states {:.2} mohm.",
                1e3 * fit.series.0,
                1e3 * b.lead_resistance,
                b.series,
                1e3 * b.cell_resistance
            ),
            RESTS,
        );
        out.replaces(key, "battery.cell_resistance");
    } else {
        out.cannot_tell(
            key,
            "resistance of one cell",
            "a pack resistance above that of its leads",
            "state battery.lead_resistance as measured",
            RESTS,
        );
    }
    let (r, e) = fit.pair;
    if r > 3.0 * e && fit.time.1 < 0.5 * fit.time.0 {
        let key = "discharge.polarisation_resistance";
        let effects = [("RC pair", e * share), ("scale of the current sensor", -r * share * scale)];
        let estimate = pieces::several(bench, r * share, "ohm", &effects);
        out.value(
            key,
            "resistance of the RC pair, one cell",
            estimate,
            "What the voltage falls by in the time constant after a step of current, beyond the jump.",
            RESTS,
        );
        out.replaces(key, "battery.polarisation_resistance");
        let key = "discharge.polarisation_time";
        let estimate = pieces::single(bench, "time of the RC pair", fit.time.0, fit.time.1, "s");
        out.value(key, "time constant of the RC pair", estimate, "One pair for all that is slow: a real cell has several, and the figure goes with the length of the pulses.", RESTS);
        out.replaces(key, "battery.polarisation_time");
    } else {
        out.cannot_tell(
            "discharge.polarisation_resistance",
            "resistance of the RC pair, one cell",
            "rests or pulses long enough to see the voltage creep",
            TEST,
            RESTS,
        );
    }
}

fn capacity(
    bench: &Bench<'_>,
    out: &mut Out,
    fit: &Discharge,
    b: &Battery,
    (t, v, i): (&[f64], &[f64], &[f64]),
    scale: f64,
) {
    let series = f64::from(b.series.max(1));
    let first = fit.open_circuit.first().copied().unwrap_or(f64::NAN) / series;
    let last = fit.open_circuit.last().copied().unwrap_or(f64::NAN) / series;
    let (s0, s1) = (charge_at(b, first), charge_at(b, last));
    let key = "discharge.capacity";
    let label = "capacity";
    if s0 - s1 < 0.5 {
        out.cannot_tell(
            key,
            label,
            format!(
                "half of the charge: by its resting voltage it went from {:.0} % to {:.0} %",
                100.0 * s0,
                100.0 * s1
            ),
            TEST,
            RESTS,
        );
        return;
    }
    // How much the share of charge moves with the resting voltage at either end.
    let blur = |s: f64, volts: f64| {
        0.5 * (charge_at(b, volts + CURVE) - charge_at(b, volts - CURVE)).abs().max(1e-3 * s.abs().max(1.0))
    };
    let c = fit.drawn / (s0 - s1);
    let per = c / (s0 - s1);
    let effects = [
        ("scale of the current sensor", c * scale),
        ("charge at the begin, by voltage", per * blur(s0, first)),
        ("charge at the end, by voltage", per * blur(s1, last)),
    ];
    let e = pieces::several(bench, c, "A s", &effects);
    out.value(
        key,
        label,
        e,
        format!(
            "{:.2} Ah drawn from {:.0} % to {:.0} % of charge, by the cells' resting voltages {first:.3} V and {last:.3} V; {:.2} Ah in all, stated {:.2} Ah.",
            fit.drawn / 3600.0,
            100.0 * s0,
            100.0 * s1,
            c / 3600.0,
            b.capacity / 3600.0
        ),
        RESTS,
    );
    out.replaces(key, "battery.capacity");
    // The estimate by voltage, with the stated resistance, where the true charge is the reserve.
    let q = discharge::charge(t, i);
    let stated = b.cell_resistance * series / f64::from(b.parallel.max(1)) + b.lead_resistance;
    let trigger = (s0 - b.reserve) * c;
    let key = "discharge.charge_error";
    let label = "error of the remaining charge by voltage, at the reserve";
    let Some(at) = q.iter().position(|x| *x >= trigger) else {
        out.cannot_tell(
            key,
            label,
            format!("a discharge down to the reserve of {:.0} %", 100.0 * b.reserve),
            TEST,
            RESTS,
        );
        return;
    };
    // Over ten seconds about the moment, as a trigger that is filtered would see it.
    let near: Vec<f64> = (0..t.len())
        .filter(|k| (t[*k] - t[at]).abs() <= 5.0)
        .map(|k| charge_at(b, (v[k] + stated * i[k]) / series) - (s0 - q[k] / c))
        .collect();
    let (Some(mean), Some(spread)) = (signal::robust::mean(&near), signal::robust::variance(&near)) else {
        return;
    };
    let slope = blur(b.reserve, open_circuit_voltage(b.chemistry, b.reserve));
    let e = pieces::several(
        bench,
        mean,
        "1",
        &[("spread about the trigger", spread.sqrt()), ("charge at the reserve, by voltage", slope)],
    );
    out.value(
        key,
        label,
        e,
        format!("An estimate from the voltage with the stated {:.1} mohm taken out, less the charge counted; above zero it promises charge that is not there.", 1e3 * stated),
        RESTS,
    );
}

fn charts(out: &mut Out, fit: &Discharge, t: &[f64], v: &[f64], i: &[f64]) {
    let q = discharge::charge(t, i);
    let stride = t.len().div_ceil(1200).max(1);
    let hours = |x: f64| x / 3600.0;
    out.charts.push(Chart {
        id: "discharge".to_owned(),
        title: "Voltage over charge drawn".to_owned(),
        caption: "The upper line is the open-circuit curve that the fit takes the resistance off; its distance from the dots is the sag.".to_owned(),
        x: Axis::linear("charge drawn", "Ah"),
        y: Axis::linear("voltage", "V"),
        series: vec![
            Series::new(
                "under load",
                Style::Dots,
                q.iter().step_by(stride).map(|x| hours(*x)).collect(),
                v.iter().step_by(stride).copied().collect(),
            ),
            Series::band(
                "open circuit, 95 %",
                fit.charge.iter().map(|x| hours(*x)).collect(),
                fit.open_circuit.iter().zip(&fit.open_circuit_error).map(|(a, e)| a - 2.0 * e).collect(),
                fit.open_circuit.iter().zip(&fit.open_circuit_error).map(|(a, e)| a + 2.0 * e).collect(),
            ),
            Series::new("open circuit", Style::Line, fit.charge.iter().map(|x| hours(*x)).collect(), fit.open_circuit.clone()),
        ],
        marks: vec![Mark::At { x: hours(fit.drawn), name: "end".to_owned() }],
    });
    out.tables.push(Table {
        id: "open-circuit".to_owned(),
        title: "Open-circuit curve".to_owned(),
        head: ["drawn, Ah", "open circuit, V", "±, V"].map(str::to_owned).to_vec(),
        rows: (0..fit.charge.len())
            .map(|k| {
                vec![
                    format!("{:.2}", hours(fit.charge[k])),
                    format!("{:.3}", fit.open_circuit[k]),
                    format!("{:.3}", 2.0 * fit.open_circuit_error[k]),
                ]
            })
            .collect(),
        note: "Straight between these points in the fit.".to_owned(),
    });
}
