//! The mark of a state: a word and a shape, never colour alone.

use dossier::result::State;
use maud::{Markup, html};

/// Shape of a state, 16 units square around (8, 8). Met is a full lozenge, open an empty one,
/// undecided half full, stale an empty one struck through, short a lozenge cut off at its
/// lower half and underlined.
pub(crate) fn shape(state: State) -> Markup {
    html! {
        @match state {
            State::Met => { path.full d="M8 1 15 8 8 15 1 8z" {} }
            State::Open => { path.line d="M8 1.6 14.4 8 8 14.4 1.6 8z" {} }
            State::Undecided => {
                path.line d="M8 1.6 14.4 8 8 14.4 1.6 8z" {}
                path.full d="M8 1 8 15 1 8z" {}
            }
            State::Stale => {
                path.line d="M8 2.6 13.4 8 8 13.4 2.6 8z" {}
                path.line d="M1.5 14.5 14.5 1.5" {}
            }
            State::Short => {
                path.line.hot d="M2.2 8 8 2.2 13.8 8" {}
                path.bar.hot d="M1 8h14" {}
                path.line.hot d="M1 13.4h14" {}
            }
        }
    }
}

/// Shape and word in one line of text.
pub(crate) fn state(state: State, simulated: bool) -> Markup {
    html! {
        span class={ "state " (state.word()) } {
            svg.mark viewBox="0 0 16 16" aria-hidden="true" focusable="false" { (shape(state)) }
            span { (state.word_marked(simulated)) }
        }
    }
}
