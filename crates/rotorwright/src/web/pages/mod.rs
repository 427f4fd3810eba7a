//! Handlers, one page a file.

pub(super) mod aircraft;
pub(super) mod card;
pub(super) mod compare;
pub(super) mod gate;
pub(super) mod homeward;
pub(super) mod keep;
pub(super) mod ladder;
pub(super) mod loops;
pub(super) mod predictions;
pub(super) mod record;
pub(super) mod report;
pub(super) mod siting;

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use dossier::diagnostic::Diagnostics;
use maud::html;

use super::view::{diagnostics, shell};

/// Why a page could not be made.
pub(super) enum PageError {
    /// Something is wrong with the files or the edits.
    Input(Diagnostics),
    /// There is no such thing.
    Missing(String),
}

impl From<Diagnostics> for PageError {
    fn from(d: Diagnostics) -> Self {
        Self::Input(d)
    }
}

impl IntoResponse for PageError {
    fn into_response(self) -> Response {
        match self {
            Self::Input(d) => (
                StatusCode::UNPROCESSABLE_ENTITY,
                shell::bare(
                    "Something is wrong with the input",
                    &html! {
                        h1 { "Something is wrong with the input" }
                        p.lead { "Nothing was computed or written. Correct this and load the page again." }
                        (diagnostics::list(&d.0))
                    },
                ),
            )
                .into_response(),
            Self::Missing(what) => (
                StatusCode::NOT_FOUND,
                shell::bare("Not here", &html! { h1 { "Not here" } p.lead { (what) } }),
            )
                .into_response(),
        }
    }
}

/// Runs a page's work where it may block.
pub(super) async fn run<T: IntoResponse + Send + 'static>(
    work: impl FnOnce() -> Result<T, PageError> + Send + 'static,
) -> Response {
    match tokio::task::spawn_blocking(work).await {
        Ok(Ok(page)) => page.into_response(),
        Ok(Err(error)) => error.into_response(),
        Err(_) => (
            StatusCode::INTERNAL_SERVER_ERROR,
            shell::bare(
                "The program failed",
                &html! { h1 { "The program failed" } p.lead { "This page could not be made. That is a fault of the program; its terminal says more." } },
            ),
        )
            .into_response(),
    }
}

/// Any other address.
pub(super) async fn missing() -> Response {
    PageError::Missing("There is no page at this address.".to_owned()).into_response()
}
