//! `POST /keep`: the what-if becomes a build of its own.

use axum::extract::{Form, State};
use axum::response::{IntoResponse as _, Redirect, Response};
use dossier::diagnostic::Diagnostic;
use std::path::Path;

use crate::web::AppState;
use crate::web::whatif::{Pairs, WhatIf};

use super::run;

/// Small letters, digits and hyphens, beginning with a letter or digit: safe as a folder's name.
fn is_id(id: &str) -> bool {
    (1..=32).contains(&id.len())
        && !id.starts_with('-')
        && id.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

pub(crate) async fn act(State(state): State<AppState>, Form(pairs): Form<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let id = pairs.iter().find(|(n, _)| n == "id").map_or("", |(_, v)| v.trim());
        // Also shows that the edits can be computed before anything is written.
        let check = state.check(&what)?;
        let problem = if !is_id(id) {
            Some("a build's name is 1 to 32 small letters, digits and hyphens")
        } else if check.builds.iter().any(|b| b == id) {
            Some("a build of this name exists already")
        } else if what.edits.is_empty() {
            Some("there is no edit to keep")
        } else {
            None
        };
        if let Some(message) = problem {
            let d = Diagnostic::error(Path::new("dossier.toml"), message)
                .found(id)
                .help("a name such as b2 or b2-light");
            return Err(dossier::diagnostic::Diagnostics::from(d).into());
        }
        state.keep(&check.build, &what.edits, id)?;
        let new = WhatIf { build: Some(id.to_owned()), edits: Vec::new() };
        Ok(Redirect::to(&new.href("/aircraft")).into_response())
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::is_id;

    #[test]
    fn ids_cannot_leave_their_folder() {
        assert!(is_id("b2-light"));
        for bad in ["", "..", "../b2", "b2/x", "B2", "-x", "b 2"] {
            assert!(!is_id(bad), "{bad}");
        }
    }
}
