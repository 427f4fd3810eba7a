//! What is wrong with a file, for people: place, text, remedy.

use dossier::diagnostic::{Diagnostic, Severity};
use maud::{Markup, html};

/// A list of diagnostics.
pub(crate) fn list(all: &[Diagnostic]) -> Markup {
    html! {
        ul.diagnostics {
            @for d in all {
                li class=(match d.severity { Severity::Error => "error", Severity::Warning => "warning" }) {
                    p.place {
                        strong { (match d.severity { Severity::Error => "error", Severity::Warning => "warning" }) }
                        " "
                        code {
                            (d.file.display())
                            @if let Some(line) = d.line { ":" (line) }
                            @if let (Some(_), Some(column)) = (d.line, d.column) { ":" (column) }
                        }
                        @if let Some(key) = &d.key { ", key " code { (key) } }
                    }
                    p { (d.message) }
                    @if let Some(found) = &d.found { p { "found: " code { (found) } } }
                    @if let Some(help) = &d.help { p { "write: " (help) } }
                }
            }
        }
    }
}
