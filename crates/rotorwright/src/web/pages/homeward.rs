//! `/homeward`: what it takes to come home.

use axum::extract::{Query, State};
use axum::response::Response;
use dossier::homeward::{Ask, RULES};
use maud::html;

use crate::figures::{data, figure, reach};
use crate::web::AppState;
use crate::web::view::shell;
use crate::web::whatif::{Pairs, WhatIf};

use super::run;

pub(crate) async fn page(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        let answer = dossier::homeward::of_check(&check, Ask::default());
        let main = html! {
            p.question { "From how far out does it come home, at which charge must it turn, and what if it does not?" }
            @match &answer {
                Ok(h) => {
                    p.verdict { (h.verdict) }
                    (figure("", &reach::drawing(h), "Home in the middle, the wind from the top, to scale: inside the full line the come-home charge is enough. Rings are distances over the ground."))
                    (data::shown("homeward", &h.charts(), &h.tables()))
                }
                Err(why) => {
                    p.lead { "The way home: " (why) "." }
                }
            }
            p { (RULES) }
        };
        Ok(shell::page(
            &shell::Sheet {
                check: &check,
                what: &what,
                title: "Way home",
                here: "/homeward",
                path: "/homeward",
                charts: answer.is_ok(),
            },
            &main,
        ))
    })
    .await
}
