//! A card as one self-contained HTML page that prints on one or two sheets of A4.

use dossier::cards::Card;
use maud::{DOCTYPE, PreEscaped, html};

use crate::web::view::card::body;

/// The page.
pub fn page(build: &str, card: &Card) -> String {
    let markup = html! {
        (DOCTYPE)
        html lang="en-GB" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (card.title) ", " (card.aircraft) }
                style { (PreEscaped(crate::web::SHEET)) }
            }
            body.cardsheet {
                div.frame.lone {
                    main id="main" {
                        h1 { (card.title) }
                        p.small { (card.aircraft) ", build " (build) ". Made by rotorwright " (env!("CARGO_PKG_VERSION")) "." }
                        (body(card))
                    }
                }
            }
        }
    };
    markup.into_string()
}
