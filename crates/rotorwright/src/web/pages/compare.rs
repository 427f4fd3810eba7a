//! `/compare`: two builds or several records side by side.

use axum::extract::{Query, State};
use axum::response::Response;
use dossier::compare::records::comparable;
use maud::html;

use crate::web::AppState;
use crate::web::view::{compare, diagnostics, shell};
use crate::web::whatif::{Pairs, WhatIf};

use super::run;

pub(crate) async fn page(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        let all = |name: &str| -> Vec<String> {
            pairs.iter().filter(|(n, v)| n == name && !v.is_empty()).map(|(_, v)| v.clone()).collect()
        };
        let (builds, records) = (all("side"), all("record"));
        let listed: Vec<_> = state.records()?.into_iter().filter(|m| comparable(m.kind)).collect();
        let charts = records.len() > 1;
        let answer = match (builds.as_slice(), records.as_slice()) {
            ([a, b], []) => state.compare_builds(a, b).map(|c| compare::builds(&c)),
            ([], []) => Ok(html! {}),
            (_, []) => Ok(html! { p.lead { "Choose two builds." } }),
            (_, list) => state.compare_records(list, Some(&check.build)).map(|c| compare::records(&c)),
        };
        let main = html! {
            p.question { "What is different, what does it come to, and is that clear of the uncertainty?" }
            (compare::form(&check, &what, &listed, &builds, &records))
            @match &answer {
                Ok(markup) => (markup),
                Err(d) => { p.lead { "These cannot be compared." } (diagnostics::list(&d.0)) }
            }
        };
        Ok(shell::page(
            &shell::Sheet {
                check: &check,
                what: &what,
                title: "Compare",
                here: "/compare",
                path: "/compare",
                charts,
            },
            &main,
        ))
    })
    .await
}
