//! What is wrong with a file: every line and column, of which a readable number is kept.

use std::fmt;

use crate::domain::form::Fault;

/// Faults that are shown; a file with more has one cause, not many.
const SHOWN: usize = 200;

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wrong {
    /// On which line of the file; the header is line 1.
    pub line: u64,
    /// In which column; none when it concerns the line.
    pub column: Option<String>,
    /// What is wrong and what would be right.
    pub detail: String,
}

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}", self.line)?;
        if let Some(column) = &self.column {
            write!(f, ", {column}")?;
        }
        write!(f, ": {}", self.detail)
    }
}

/// All that is wrong with a file.
#[derive(Clone, Debug, Default)]
pub struct Faults {
    shown: Vec<Wrong>,
    count: u64,
}

impl Faults {
    /// The first of them.
    pub fn shown(&self) -> &[Wrong] {
        &self.shown
    }

    /// How many there are beyond those that are shown.
    pub fn more(&self) -> u64 {
        self.count - u64::try_from(self.shown.len()).unwrap_or(u64::MAX)
    }

    /// Whether nothing is wrong.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// Something is wrong in a column.
    pub fn at(&mut self, line: u64, column: &str, detail: impl Into<String>) {
        self.note(line, Some(column), detail.into());
    }

    /// Something is wrong with a line.
    pub fn of_line(&mut self, line: u64, detail: impl Into<String>) {
        self.note(line, None, detail.into());
    }

    /// A fault that a rule of the domain found; its pointer names the column.
    pub fn of_field(&mut self, line: u64, fault: &Fault) {
        self.note(line, Some(fault.pointer.trim_start_matches("#/")), fault.detail.clone());
    }

    fn note(&mut self, line: u64, column: Option<&str>, detail: String) {
        self.count += 1;
        if self.shown.len() < SHOWN {
            self.shown.push(Wrong { line, column: column.map(ToOwned::to_owned), detail });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_hundred_are_kept_and_the_rest_is_counted() {
        let mut faults = Faults::default();
        assert!(faults.is_empty());
        for line in 2..=302 {
            faults.at(line, "straws", "is required");
        }
        assert_eq!((faults.shown().len(), faults.more()), (200, 101));
        assert_eq!(faults.shown()[0].to_string(), "line 2, straws: is required");
    }
}
