//! A text on its way through a spreadsheet.
//!
//! A spreadsheet takes a cell that begins with `=` and some other signs for a formula and runs it.
//! A sire named `=HYPERLINK(...)` must not do that to whoever opens an export, so such a text
//! goes out behind an apostrophe, and an import takes exactly that apostrophe off again (OWASP
//! ASVS 5.0, 1.2.10).

/// Signs with which a spreadsheet begins a formula; the last four are the full-width forms that some take alike.
const FORMULA: [char; 12] =
    ['=', '+', '-', '@', '\t', '\r', '\n', '\0', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}'];

/// Signs that part cells in some countries: what follows them at a beginning would be a cell of its own.
const PARTING: [char; 4] = [';', ',', '|', ' '];

/// The text as it may stand in a cell.
pub fn guarded(text: &str) -> String {
    if is_formula(text) { format!("'{text}") } else { text.to_owned() }
}

/// Whether a spreadsheet might run it. Apostrophes of the text's own are passed over, so that taking one off always
/// gives the text again.
fn is_formula(text: &str) -> bool {
    text.trim_start_matches('\'').trim_start_matches(PARTING).starts_with(FORMULA)
}

/// The text of such a cell.
pub fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if is_formula(text) => text,
        _ => cell,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn what_would_be_a_formula_stands_behind_an_apostrophe() {
        for (text, cell) in [
            ("=1+1", "'=1+1"),
            ("+43 1", "'+43 1"),
            ("-5", "'-5"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("\tx", "'\tx"),
            ("\rx", "'\rx"),
            ("'=1", "''=1"),
            (";=1+1", "';=1+1"),
            ("; ,=1", "'; ,=1"),
            ("\u{ff1d}1+1", "'\u{ff1d}1+1"),
            ("\u{ff0b}1", "'\u{ff0b}1"),
            ("\u{ff0d}1", "'\u{ff0d}1"),
            ("\u{ff20}A", "'\u{ff20}A"),
            ("; left", "; left"),
            ("412", "412"),
            ("a=b", "a=b"),
            ("'s Gravenhof", "'s Gravenhof"),
            ("", ""),
        ] {
            assert_eq!(guarded(text), cell);
            assert_eq!(unguarded(cell), text);
        }
    }

    proptest! {
        #[test]
        fn nothing_is_lost_on_the_way(text in "['=+@a;, \u{ff1d}-]{0,6}") {
            let cell = guarded(&text);
            prop_assert!(!cell.trim_start_matches(PARTING).starts_with(FORMULA));
            prop_assert_eq!(unguarded(&cell), text);
        }
    }
}
