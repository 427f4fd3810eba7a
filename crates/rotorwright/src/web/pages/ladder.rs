//! `/`: what limits the aircraft, and the ladder.

use axum::extract::{Query, State};
use axum::response::Response;
use maud::html;

use crate::figures::ladder;
use crate::web::AppState;
use crate::web::view::{Links, age, diagnostics, headline, shell};
use crate::web::whatif::{Pairs, WhatIf};

use super::run;

pub(crate) async fn page(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        let links = Links::served(&what);
        let main = html! {
            (headline::headline(&check, &links))
            h2 { "The ladder" }
            (ladder::large(&check, &|id| links.gate(id), &age::words))
            p.key { "A rung is sound when it and every rung before it is met. The rule on each rung is its worst margin: right of the tall stroke inside the limit, on the hatched side short of it." }
            @if !check.warnings.is_empty() {
                h2 { "Warnings about the files" }
                (diagnostics::list(&check.warnings))
            }
        };
        Ok(shell::page(
            &shell::Sheet { check: &check, what: &what, title: "Ladder", here: "/", path: "/", charts: false },
            &main,
        ))
    })
    .await
}
