//! `/siting`: where the magnetometer can go.

use axum::extract::{Query, State};
use axum::response::Response;
use maud::html;

use crate::figures::{data, figure, siting as drawing};
use crate::web::AppState;
use crate::web::view::shell;
use crate::web::whatif::{Pairs, WhatIf};

use super::run;

pub(crate) async fn page(State(state): State<AppState>, Query(pairs): Query<Pairs>) -> Response {
    run(move || {
        let what = WhatIf::from_pairs(&pairs);
        let check = state.check(&what)?;
        let survey = dossier::siting::of_check(&check);
        let main = html! {
            p.question { "Where can the magnetometer stand, far enough from the leads and on a stiff enough foot?" }
            @match &survey {
                Ok(s) => {
                    p.verdict { (s.reason) }
                    (figure("", &drawing::drawing(&check.aircraft, s), "Candidates from the side, to scale with the leads: full dots meet every limit, hollow ones miss one; the ringed one is recommended."))
                    (data::shown("siting", &s.charts()[1..], &[s.table()]))
                }
                Err(why) => {
                    p.lead { "The survey " (why) "." }
                    p { "It needs the leads with their course and spacing (" code { "[[lead]]" } "), the room to choose in (" code { "[siting]" } ") and the site's latitude and longitude." }
                }
            }
            p { "The error is that of the battery's current in level flight, on the worst heading, with the motors' resting field calibrated away. Iron and magnets near the sensor are not in it: a restrained run-up, propellers on and the aircraft held by the rig, proves a site. Distance, eye protection and a second person belong to it; local rules decide." }
        };
        Ok(shell::page(
            &shell::Sheet {
                check: &check,
                what: &what,
                title: "Siting",
                here: "/siting",
                path: "/siting",
                charts: survey.is_ok(),
            },
            &main,
        ))
    })
    .await
}
