//! Parts of pages, shared by the workbench and the report.

pub(crate) mod age;
pub(crate) mod aircraft;
pub(crate) mod card;
pub(crate) mod cause;
pub(crate) mod compare;
pub(crate) mod diagnostics;
pub(crate) mod gate;
pub(crate) mod headline;
pub(crate) mod loops;
pub(crate) mod predictions;
pub(crate) mod record;
pub(crate) mod shell;

use super::whatif::WhatIf;

/// Addresses within the workbench (with its what-if) or within the one page of the report.
pub(crate) struct Links {
    what: Option<WhatIf>,
}

impl Links {
    /// Addresses of pages that show this what-if.
    pub(crate) fn served(what: &WhatIf) -> Self {
        Self { what: Some(what.clone()) }
    }
    /// Anchors within the report.
    pub(crate) fn report() -> Self {
        Self { what: None }
    }
    /// The what-if, when a server stands behind the page.
    pub(crate) fn what(&self) -> Option<&WhatIf> {
        self.what.as_ref()
    }
    /// Address of a gate.
    pub(crate) fn gate(&self, id: &str) -> String {
        self.to("gate", id)
    }
    /// Address of a card.
    pub(crate) fn card(&self, id: &str) -> String {
        self.to("card", id)
    }
    /// Address of a record.
    pub(crate) fn record(&self, id: &str) -> String {
        self.to("record", id)
    }
    /// Address of a page.
    pub(crate) fn page(&self, path: &str) -> String {
        match &self.what {
            Some(what) => what.href(path),
            None => format!("#{}", path.trim_start_matches('/')),
        }
    }
    fn to(&self, folder: &str, id: &str) -> String {
        match &self.what {
            Some(what) => what.href(&format!("/{folder}/{}", super::whatif::encode(id))),
            None => format!("#{folder}-{id}"),
        }
    }
}
