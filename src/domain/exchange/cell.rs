//! A text on its way through a spreadsheet.
//!
//! A spreadsheet takes a cell that begins with `=` and some other signs for a formula and runs it.
//! A sire named `=HYPERLINK(...)` must not do that to whoever opens an export, so such a text
//! goes out behind an apostrophe, and an import takes exactly that apostrophe off again (OWASP
//! ASVS 5.0, 1.2.10).

/// Signs with which a spreadsheet begins a formula.
const FORMULA: [char; 7] = ['=', '+', '-', '@', '\t', '\r', '\0'];

/// The text as it may stand in a cell.
pub fn guarded(text: &str) -> String {
    // Apostrophes of the text's own count too, so that taking one off always gives the text again.
    if text.trim_start_matches('\'').starts_with(FORMULA) { format!("'{text}") } else { text.to_owned() }
}

/// The text of such a cell.
pub fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(text) if text.trim_start_matches('\'').starts_with(FORMULA) => text,
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
        fn nothing_is_lost_on_the_way(text in "['=+@a-]{0,6}") {
            let cell = guarded(&text);
            prop_assert!(!cell.starts_with(FORMULA));
            prop_assert_eq!(unguarded(&cell), text);
        }
    }
}
