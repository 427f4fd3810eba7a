//! `/card/{id}`: the procedure of one test for the build shown.

use axum::extract::{Path, Query, State};
use axum::response::Response;

use crate::web::AppState;
use crate::web::view::{self, shell};
use crate::web::whatif::{Pairs, WhatIf, encode};

use super::{PageError, run};

pub(crate) async fn page(
    State(state): State<AppState>,
    Path(id): Path<String>,
    Query(pairs): Query<Pairs>,
) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        let cards = state.cards(&what)?;
        let card = cards
            .iter()
            .find(|c| c.id == id)
            .ok_or_else(|| PageError::Missing(format!("There is no card “{id}”.")))?;
        let path = format!("/card/{}", encode(&id));
        Ok(shell::page(
            &shell::Sheet {
                check: &check,
                what: &what,
                title: card.title,
                here: card.gate,
                path: &path,
                charts: false,
            },
            &view::card::body(card),
        ))
    })
    .await
}
