//! `/loops`: how fast and how safely the loops close, and which gains come next.

use axum::extract::{Query, State};
use axum::response::Response;

use crate::web::AppState;
use crate::web::view::{self, Links, shell};
use crate::web::whatif::{Pairs, WhatIf};

use super::run;

pub(crate) async fn page(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        let sheet = state.loops(&what)?;
        let main = view::loops::body(&check, &sheet, &Links::served(&what));
        Ok(shell::page(
            &shell::Sheet {
                check: &check,
                what: &what,
                title: "Loops",
                here: "/loops",
                path: "/loops",
                charts: true,
            },
            &main,
        ))
    })
    .await
}
