//! Text of the description in a page.

use std::fmt::Write as _;

use crate::http::{markup::escaped, problem::Kind};

/// Text with `code` in it. The slug of a problem leads to its page where it cannot be another name too.
pub fn words(text: &str) -> String {
    marked(text, |code| code.contains('-'))
}

/// Text in which each slug of a problem leads to its page.
pub fn words_of_problems(text: &str) -> String {
    marked(text, |_| true)
}

fn marked(text: &str, may_be_slug: impl Fn(&str) -> bool) -> String {
    let escaped = escaped(text);
    let mut out = String::with_capacity(escaped.len());
    for (n, part) in escaped.split('`').enumerate() {
        if n % 2 == 0 {
            out.push_str(part);
        } else if may_be_slug(part) && Kind::ALL.iter().any(|kind| kind.slug() == part) {
            let _ = write!(out, "<a href=\"/problems/{part}\"><code>{part}</code></a>");
        } else {
            let _ = write!(out, "<code>{part}</code>");
        }
    }
    out
}

/// Text as paragraphs; nothing for no text.
pub fn paragraphs(text: &str) -> String {
    let parts = text.split("\n\n").filter(|part| !part.trim().is_empty());
    parts.fold(String::new(), |mut out, part| {
        let _ = write!(out, "<p>{}</p>", words(part));
        out
    })
}

/// A name as an anchor: its letters and digits in lower case, with hyphens between.
pub fn anchor(name: &str) -> String {
    let plain = name.to_lowercase().replace(|c: char| !c.is_ascii_alphanumeric(), " ");
    plain.split_whitespace().collect::<Vec<_>>().join("-")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slugs_lead_to_their_pages_where_they_cannot_be_members() {
        assert_eq!(
            words("With `kinship` & `choice-rule`"),
            "With <code>kinship</code> &amp; <a href=\"/problems/choice-rule\"><code>choice-rule</code></a>"
        );
        assert!(words_of_problems("`kinship`").contains("/problems/kinship"));
        assert_eq!(paragraphs("a\n\n`b`\n\n"), "<p>a</p><p><code>b</code></p>");
        assert_eq!(anchor("Animals' events"), "animals-events");
    }
}
