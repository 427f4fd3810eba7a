//! `/aircraft`: drawing, figures and the form that edits them.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Redirect, Response};
use maud::html;

use crate::figures::{aircraft as drawing, figure};
use crate::web::AppState;
use crate::web::view::{aircraft, diagnostics, shell};
use crate::web::whatif::{FIELD, Pairs, WhatIf, from_fields};

use super::run;

pub(crate) async fn page(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let base = state.check(&what.base())?;
        if pairs.iter().any(|(name, _)| name.starts_with(FIELD)) {
            // A form sent without scripts: its address becomes the short one.
            return Ok(Redirect::to(&from_fields(&what, &pairs, &base.inputs).href("/aircraft")).into_response());
        }
        let tried = state.check(&what);
        let (check, wrong) = match tried {
            Ok(check) => (check, None),
            // Edits that cannot be: the page stays, with what is wrong and what was typed.
            Err(d) => (std::sync::Arc::clone(&base), Some(d)),
        };
        let compared = (!what.edits.is_empty() && wrong.is_none()).then_some(base.as_ref());
        let main = html! {
            div id="wrong" data-live role="status" {
                @if let Some(d) = &wrong {
                    section.refused {
                        p { strong { "These edits cannot be computed." } " The figures below are those of the file." }
                        (diagnostics::list(&d.0))
                    }
                }
            }
            div id="drawing" data-live {
                (figure("", &drawing::drawing(&check, "aircraft"), "The centre of gravity should lie where the rotors' lines of thrust balance: the quartered circle against the crossing of the centre lines."))
            }
            div.pair {
                div {
                    h2 { "Inputs" }
                    (aircraft::form(&base, &check, &what, wrong.is_some()))
                }
                div {
                    div id="numbers" data-live {
                        @if let Some(b) = compared { (aircraft::gates(&check, b)) }
                        h2 { "Predicted" }
                        (aircraft::predictions(&check, compared))
                        (aircraft::masses(&check))
                    }
                }
            }
        };
        let status = if wrong.is_some() { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
        let page = shell::page(
            &shell::Sheet { check: &check, what: &what, title: "Aircraft", here: "/aircraft", path: "/aircraft", charts: false },
            &main,
        );
        Ok((status, page).into_response())
    })
    .await
}
