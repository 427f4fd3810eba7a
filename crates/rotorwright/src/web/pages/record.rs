//! `/records`, `/record/{id}` and the samples that a zoom fetches.

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use maud::html;
use serde_json::json;

use crate::figures::{spec, traces};
use crate::web::AppState;
use crate::web::view::{Links, record, shell};
use crate::web::whatif::{Pairs, WhatIf, encode};

use super::{PageError, run};

/// Points of a line on first sight.
const POINTS: usize = 1200;
/// Most points that one request may ask for.
const MOST_POINTS: usize = 20_000;

fn number(pairs: &Pairs, name: &str) -> Option<f64> {
    pairs
        .iter()
        .find(|(n, _)| n == name)
        .and_then(|(_, v)| v.trim().parse::<f64>().ok())
        .filter(|v| v.is_finite())
}

fn unknown(id: &str) -> PageError {
    PageError::Missing(format!("There is no record “{id}” of this build."))
}

pub(crate) async fn list(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        let links = Links::served(&what);
        let main = html! {
            @if check.records.is_empty() {
                p { "No record of this build yet. " code { "rotorwright import FILE --into DIR" } " brings one in." }
            } @else {
                div.scroll tabindex="0" role="group" aria-label="records" {
                    table.stack {
                        caption { "Records of " (check.build) }
                        thead { tr {
                            th scope="col" { "record" } th scope="col" { "kind" } th scope="col" { "date" }
                            th scope="col" { "origin" } th.num scope="col" { "rate" } th scope="col" { "gates that rest on it" }
                        } }
                        tbody {
                            @for r in &check.records {
                                tr {
                                    th scope="row" { a href=(links.record(&r.id)) { (r.id) } @if !r.remark.is_empty() { p.small { (r.remark) } } }
                                    td data-label="kind" { (r.kind.word()) }
                                    td data-label="date" { (r.date) }
                                    td data-label="origin" { (record::origin(r.origin)) }
                                    td.num data-label="rate" { @if r.rate > 0.0 { (format!("{:.0} Hz", r.rate)) } @else { "–" } }
                                    td data-label="gates" {
                                        @let gates: Vec<_> = check.gates.iter().filter(|g| g.records.contains(&r.id)).collect();
                                        @if gates.is_empty() { "none" }
                                        @for (i, g) in gates.iter().enumerate() { @if i > 0 { ", " } a href=(links.gate(&g.id)) { (g.name) } }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        };
        Ok(shell::page(
            &shell::Sheet { check: &check, what: &what, title: "Records", here: "/records", path: "/records", charts: false },
            &main,
        ))
    })
    .await
}

pub(crate) async fn page(
    State(state): State<AppState>,
    Path(id): Path<String>,
    Query(pairs): Query<Pairs>,
) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        if !check.records.iter().any(|r| r.id == id) {
            return Err(unknown(&id));
        }
        let seen = state.seen(&id)?;
        let (data, found) = (&seen.0, &seen.1);
        let path = format!("/record/{}", encode(&id));
        let span = number(&pairs, "from").zip(number(&pairs, "to"));
        let chart = traces::chart(data, found, span, POINTS, Some(what.href(&format!("{path}/samples"))));
        let look = |from: f64, to: f64| {
            let air = 0.15 * (to - from);
            let address = what.href(&path);
            let join = if address.contains('?') { '&' } else { '?' };
            format!("{address}{join}from={:.3}&to={:.3}#traces", from - air, to + air)
        };
        let main = html! {
            (record::facts(&data.meta))
            (record::values(&data.meta))
            (record::findings(found))
            @if let Some(chart) = &chart {
                h2 id="traces" { "Traces" }
                form.span method="get" action={ (path) "#traces" } {
                    @for (name, value) in what.pairs() { input type="hidden" name=(name) value=(value); }
                    label { "from " input type="text" inputmode="decimal" name="from" size="7" value=(format!("{:.2}", chart.x.low)); " s" }
                    label { "to " input type="text" inputmode="decimal" name="to" size="7" value=(format!("{:.2}", chart.x.high)); " s" }
                    button type="submit" { "Look closer" }
                    @if span.is_some() { a href={ (what.href(&path)) "#traces" } { "whole record" } }
                }
                (chart.figure())
                (record::phases(found, Some(&look)))
            }
            (record::figures(&id, found, &check.aircraft.filters))
            (record::provenance(data))
        };
        Ok(shell::page(
            &shell::Sheet { check: &check, what: &what, title: &id, here: "/records", path: &path, charts: true },
            &main,
        ))
    })
    .await
}

/// Samples of one channel between two times, thinned to about `points`, in the unit that the chart shows.
pub(crate) async fn samples(
    State(state): State<AppState>,
    Path(id): Path<String>,
    Query(pairs): Query<Pairs>,
) -> Response {
    run(move || {
        let check = state.check(&WhatIf::from_pairs(&pairs))?;
        if !check.records.iter().any(|r| r.id == id) {
            return Err(unknown(&id));
        }
        let seen = state.seen(&id)?;
        let data = &seen.0;
        let channel = pairs.iter().find(|(n, _)| n == "channel").map_or("", |(_, v)| v.as_str());
        let values = data
            .channel(channel)
            .ok_or_else(|| PageError::Missing(format!("The record “{id}” has no channel “{channel}”.")))?;
        let from = number(&pairs, "from").unwrap_or(f64::NEG_INFINITY);
        let to = number(&pairs, "to").unwrap_or(f64::INFINITY);
        let points = number(&pairs, "points").map_or(POINTS, |p| (p.max(2.0) as usize).min(MOST_POINTS));
        let (factor, unit) =
            traces::shown(channel, data.channel_meta(channel).map_or("1", |m| m.unit.as_str()));
        let (time, y) = traces::thin(&data.time, values, from, to, points);
        let y: Vec<f64> = y.iter().map(|v| v * factor).collect();
        Ok(Json(json!({
            "channel": channel, "unit": unit, "time": spec::times(&time), "value": spec::numbers(&y),
        })))
    })
    .await
}
