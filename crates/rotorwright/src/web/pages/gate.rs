//! `/gate/{id}`.

use axum::extract::{Path, Query, State};
use axum::response::Response;

use crate::web::AppState;
use crate::web::view::{self, Links, shell};
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
        let gate = check
            .gates
            .iter()
            .find(|g| g.id == id)
            .ok_or_else(|| PageError::Missing(format!("There is no gate “{id}”.")))?;
        let base = if what.edits.is_empty() { None } else { Some(state.check(&what.base())?) };
        // Figures show the records behind this gate, and only those need reading.
        let drawn = matches!(id.as_str(), "rate" | "vibration");
        let seen = if drawn {
            state.seen_of(gate.records.iter().filter(|r| check.records.iter().any(|m| m.id == **r)))
        } else {
            Vec::new()
        };
        let main = view::gate::body(&check, base.as_deref(), gate, &seen, &Links::served(&what));
        let path = format!("/gate/{}", encode(&id));
        Ok(shell::page(
            &shell::Sheet {
                check: &check,
                what: &what,
                title: &gate.name,
                here: &gate.id,
                path: &path,
                charts: drawn,
            },
            &main,
        ))
    })
    .await
}
