//! The sheet: title block, ladder beside it, and the page's own part.

use axum::response::Html;
use dossier::result::CheckResult;
use maud::{DOCTYPE, Markup, html};

use crate::figures::ladder;
use crate::web::assets;
use crate::web::whatif::WhatIf;

use super::Links;

/// A page of the workbench.
pub(crate) struct Sheet<'a> {
    /// Result shown.
    pub(crate) check: &'a CheckResult,
    /// Build and edits of the address.
    pub(crate) what: &'a WhatIf,
    /// Title.
    pub(crate) title: &'a str,
    /// Identity of the gate, or path of the page, for the navigation.
    pub(crate) here: &'a str,
    /// Path of this page, for forms that come back to it.
    pub(crate) path: &'a str,
    /// Whether the page has charts.
    pub(crate) charts: bool,
}

fn head(title: &str, charts: bool) -> Markup {
    let n = assets::names();
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            title { (title) }
            link rel="icon" href={ "/assets/" (n.mark) } type="image/svg+xml";
            link rel="stylesheet" href={ "/assets/" (n.sheet) };
            @if charts { script defer src={ "/assets/" (n.chart) } {} }
            script defer src={ "/assets/" (n.bench) } {}
        }
    }
}

/// Pages in the title block.
const PAGES: [(&str, &str); 9] = [
    ("/", "Ladder"),
    ("/aircraft", "Aircraft"),
    ("/loops", "Loops"),
    ("/siting", "Siting"),
    ("/homeward", "Way home"),
    ("/records", "Records"),
    ("/compare", "Compare"),
    ("/predictions", "Predictions"),
    ("/report", "Report"),
];

/// What a what-if says about itself on every page, and how to keep it.
fn banner(s: &Sheet) -> Markup {
    let n = s.what.edits.len();
    html! {
        div id="banner" data-live {
            @if n > 0 {
                section.banner aria-label="what-if" {
                    p { strong { "What-if: " (n) @if n == 1 { " edit" } @else { " edits" } } " on top of " (s.check.build) ". Nothing is written." }
                    ul {
                        @for e in &s.what.edits {
                            li { code { (e.key) " = " (e.value) } " " a href=(s.what.without(&e.key).href(s.path)) { "take back" } }
                        }
                    }
                    form.keep method="post" action="/keep" {
                        @for (name, value) in s.what.pairs() { input type="hidden" name=(name) value=(value); }
                        @if s.what.build.is_none() { input type="hidden" name="build" value=(s.check.build); }
                        label for="new-id" { "Keep as new build" }
                        input type="text" id="new-id" name="id" required pattern="[a-z0-9][a-z0-9\\-]{0,31}" placeholder="b2" size="8" autocomplete="off"
                            title="small letters, digits and hyphens";
                        button type="submit" { "Keep" }
                        a href=(s.what.base().href(s.path)) { "Back to the file" }
                    }
                }
            }
        }
    }
}

/// A whole page.
pub(crate) fn page(s: &Sheet, main: &Markup) -> Html<String> {
    let links = Links::served(s.what);
    let markup = html! {
        (DOCTYPE)
        html lang="en-GB" {
            (head(&format!("{} · {} {}", s.title, s.check.programme, s.check.build), s.charts))
            body {
                a.skip href="#main" { "Skip to the sheet" }
                div.frame {
                    header.block {
                        a.word href=(links.page("/")) { "Rotorwright" }
                        dl {
                            div { dt { "programme" } dd { (s.check.programme) } }
                            div { dt { "build" } dd {
                                @for b in &s.check.builds {
                                    @if *b == s.check.build { strong { (b) } } @else {
                                        a href=(WhatIf { build: Some(b.clone()), edits: Vec::new() }.href(s.path)) { (b) }
                                    }
                                    " "
                                }
                            } }
                            div { dt { "sheet" } dd { (s.title) } }
                        }
                        nav aria-label="sheets" {
                            @for (path, name) in PAGES {
                                a href=(links.page(path)) aria-current=[(s.here == path).then_some("page")] { (name) }
                            }
                        }
                    }
                    main id="main" tabindex="-1" {
                        (banner(s))
                        h1 { (s.title) }
                        (main)
                    }
                    aside.rail aria-label="gates" id="rail" data-live {
                        p.small { "Gates, in the order of the job" }
                        (ladder::small(s.check, s.here, &|id| links.gate(id)))
                    }
                }
            }
        }
    };
    Html(markup.into_string())
}

/// A page without a result behind it: refusals and errors.
pub(crate) fn bare(title: &str, main: &Markup) -> Html<String> {
    let markup = html! {
        (DOCTYPE)
        html lang="en-GB" {
            (head(title, false))
            body { div.frame.lone { main id="main" { (main) p { a href="/" { "To the ladder" } } } } }
        }
    };
    Html(markup.into_string())
}
