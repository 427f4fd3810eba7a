//! The workbench: pages on 127.0.0.1 that show what `check` found, and recompute it for a what-if.
//!
//! Nothing leaves the machine: the server answers its own host name only, its pages ask no other
//! host for anything, and the only files it serves are compiled into it.

mod assets;
mod guard;
mod pages;
mod state;
pub(crate) mod view;
mod whatif;

use std::net::{Ipv4Addr, SocketAddr};

use axum::Router;
use axum::middleware;
use axum::routing::{get, post};

pub(crate) use assets::{BENCH, SHEET, chart_script};
pub use state::{AppState, Source};

/// How many ports above the wished one are tried.
const PORTS_TRIED: u16 = 50;

/// Why the workbench could not run.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// No port could be taken.
    #[error("ports {first} to {last} on 127.0.0.1 are all taken: {source}")]
    NoPort {
        /// First port tried.
        first: u16,
        /// Last port tried.
        last: u16,
        /// What the system said about the last one.
        source: std::io::Error,
    },
    /// The connection loop failed.
    #[error("the server stopped: {0}")]
    Stopped(#[from] std::io::Error),
}

/// The pages over a source of results.
pub fn app(state: AppState) -> Router {
    Router::new()
        .route("/", get(pages::ladder::page))
        .route("/gate/{id}", get(pages::gate::page))
        .route("/card/{id}", get(pages::card::page))
        .route("/aircraft", get(pages::aircraft::page))
        .route("/records", get(pages::record::list))
        .route("/record/{id}", get(pages::record::page))
        .route("/record/{id}/samples", get(pages::record::samples))
        .route("/predictions", get(pages::predictions::page))
        .route("/compare", get(pages::compare::page))
        .route("/loops", get(pages::loops::page))
        .route("/siting", get(pages::siting::page))
        .route("/homeward", get(pages::homeward::page))
        .route("/report", get(pages::report::page))
        .route("/keep", post(pages::keep::act))
        .route("/assets/{name}", get(assets::file))
        .fallback(pages::missing)
        .layer(middleware::from_fn(guard::guard))
        .with_state(state)
}

/// Serves the workbench on 127.0.0.1 at `port`, or at the next free one, until the process is
/// interrupted. `ready` gets the address once it answers.
///
/// # Errors
/// No free port, or the connection loop failed.
pub async fn serve(state: AppState, port: u16, ready: impl FnOnce(SocketAddr)) -> Result<(), ServeError> {
    let last = port.saturating_add(PORTS_TRIED);
    let mut at = port;
    let listener = loop {
        match tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, at)).await {
            Ok(listener) => break listener,
            Err(source) if at >= last => return Err(ServeError::NoPort { first: port, last, source }),
            Err(_) => at += 1,
        }
    };
    let warm = state.clone();
    // The first check may take a moment; it runs while the browser opens.
    let warming = tokio::task::spawn_blocking(move || warm.warm());
    ready(listener.local_addr()?);
    axum::serve(listener, app(state))
        .with_graceful_shutdown(async {
            // Without a signal handler the process just ends on an interrupt, which is as good.
            if tokio::signal::ctrl_c().await.is_err() {
                std::future::pending::<()>().await;
            }
        })
        .await?;
    warming.abort();
    Ok(())
}
