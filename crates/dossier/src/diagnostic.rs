//! What is wrong with a file, where, and what would be right.

use std::fmt;
use std::path::{Path, PathBuf};

use serde::Serialize;

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Nothing is computed or written.
    Error,
    /// The work goes on; the reader should know.
    Warning,
}

/// One finding about a file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Diagnostic {
    /// How bad it is.
    pub severity: Severity,
    /// File, as the user named it.
    pub file: PathBuf,
    /// Line, from 1, where known.
    pub line: Option<usize>,
    /// Column, from 1, where known.
    pub column: Option<usize>,
    /// Key, such as `rotor.diameter` or a CSV column's name.
    pub key: Option<String>,
    /// The offending text, as it stands.
    pub found: Option<String>,
    /// What is wrong, in one sentence.
    pub message: String,
    /// What would be right, with an example.
    pub help: Option<String>,
}

impl Diagnostic {
    /// An error in a file as a whole.
    pub fn error(file: &Path, message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            file: file.to_owned(),
            line: None,
            column: None,
            key: None,
            found: None,
            message: message.into(),
            help: None,
        }
    }
    /// A warning about a file as a whole.
    pub fn warning(file: &Path, message: impl Into<String>) -> Self {
        Self { severity: Severity::Warning, ..Self::error(file, message) }
    }
    /// At a line and column, both from 1.
    #[must_use]
    pub fn at(mut self, line: usize, column: usize) -> Self {
        self.line = Some(line);
        self.column = Some(column);
        self
    }
    /// About a key.
    #[must_use]
    pub fn key(mut self, key: impl Into<String>) -> Self {
        self.key = Some(key.into());
        self
    }
    /// With the offending text.
    #[must_use]
    pub fn found(mut self, found: impl Into<String>) -> Self {
        self.found = Some(found.into());
        self
    }
    /// With what would be right.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        write!(f, "{word}: {}", self.file.display())?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
            if let Some(column) = self.column {
                write!(f, ":{column}")?;
            }
        }
        if let Some(key) = &self.key {
            write!(f, ": {key}")?;
        }
        write!(f, "\n  {}", self.message)?;
        if let Some(found) = &self.found {
            write!(f, "\n  found: {found}")?;
        }
        if let Some(help) = &self.help {
            write!(f, "\n  help:  {help}")?;
        }
        Ok(())
    }
}

/// All that is wrong with the input of one call; at least one is an error.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Diagnostics(pub Vec<Diagnostic>);

impl Diagnostics {
    /// Whether any is an error.
    pub fn has_errors(&self) -> bool {
        self.0.iter().any(|d| d.severity == Severity::Error)
    }
}

impl From<Diagnostic> for Diagnostics {
    fn from(d: Diagnostic) -> Self {
        Self(vec![d])
    }
}

impl fmt::Display for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, d) in self.0.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{d}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Diagnostics {}
