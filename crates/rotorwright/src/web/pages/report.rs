//! `/report`: the single-file report of what the workbench shows.

use axum::extract::{Query, State};
use axum::response::{Html, Response};

use crate::web::AppState;
use crate::web::whatif::{Pairs, WhatIf};

use super::run;

pub(crate) async fn page(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let check = state.check(&WhatIf::from_pairs(&pairs))?;
        let seen = state.seen_of(check.records.iter().map(|r| &r.id));
        Ok(Html(crate::report::of(&check, &seen)))
    })
    .await
}
