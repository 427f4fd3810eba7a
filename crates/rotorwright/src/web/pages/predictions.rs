//! `/predictions`: what was frozen, how it scored, and what the measurements say of the file.

use axum::extract::{Query, State};
use axum::response::Response;
use maud::html;

use crate::web::AppState;
use crate::web::view::{aircraft, predictions, shell};
use crate::web::whatif::{Pairs, WhatIf};

use super::run;

pub(crate) async fn page(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        let base = if what.edits.is_empty() { None } else { Some(state.check(&what.base())?) };
        let account = state.reconcile(&what)?;
        let main = html! {
            h2 { "Scores" }
            (predictions::scores(&check))
            h2 { "What the measurements say of the file" }
            (predictions::account(&account))
            h2 { "Predicted now" }
            (aircraft::predictions(&check, base.as_deref()))
            h2 { "Frozen" }
            (predictions::frozen(&check))
        };
        Ok(shell::page(
            &shell::Sheet {
                check: &check,
                what: &what,
                title: "Predictions",
                here: "/predictions",
                path: "/predictions",
                charts: false,
            },
            &main,
        ))
    })
    .await
}
