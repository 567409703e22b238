//! Finding an animal or a sire by the beginning of what she or he is called.

use serde_json::Value;
use utoipa::PartialSchema;

use crate::domain::{
    form::{Fault, Field, InputPath},
    identifiers::{ExternalId, Identifiers},
    values::{clean_text, read_text},
};

/// Words that are looked for at most.
const MOST_WORDS: usize = 5;

/// Characters that a search may have.
const LONGEST: usize = 100;

/// The words by which something is found, in small letters, each once.
pub fn words<'t>(texts: impl IntoIterator<Item = &'t str>, identifiers: &'t Identifiers) -> Vec<String> {
    let named = identifiers.iter().map(|name| name.id.as_str());
    let texts: Vec<&str> = texts.into_iter().chain(named).collect();
    let mut words: Vec<String> =
        texts.iter().flat_map(|text| text.split_whitespace()).map(str::to_lowercase).collect();
    words.sort_unstable();
    words.dedup();
    words
}

/// The last digits of each official name, four and five of them: what is read off an ear tag. Only where more stands before
/// them, and only of digits.
pub fn last_digits(identifiers: &Identifiers) -> Vec<String> {
    let of = |name: &ExternalId, length: usize| {
        let code = name.id.as_str();
        let (before, last) = code.split_at_checked(code.len().checked_sub(length)?)?;
        (!before.is_empty() && last.bytes().all(|byte| byte.is_ascii_digit())).then(|| last.to_owned())
    };
    identifiers.iter().flat_map(|name| LAST_DIGITS.map(|length| of(name, length))).flatten().collect()
}

/// How many of the last digits are looked for.
const LAST_DIGITS: [usize; 2] = [4, 5];

/// What is searched for: every word of it must be the beginning of a word.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Query(Vec<String>);

impl Query {
    /// The query of these words.
    ///
    /// # Errors
    /// It is empty, too long, of too many words, or has control characters.
    pub fn parse(text: &str) -> Result<Self, String> {
        let text = clean_text(text, LONGEST, false)?;
        let mut words: Vec<String> = text.split_whitespace().map(str::to_lowercase).collect();
        if words.len() > MOST_WORDS {
            return Err(format!("must have at most {MOST_WORDS} words"));
        }
        // The longest is met least often, and leads.
        words.sort_by_key(|word| std::cmp::Reverse(word.len()));
        Ok(Self(words))
    }

    /// For each word, the longest first: itself, and what comes after all words that begin with it.
    pub fn spans(&self) -> Vec<(&str, String)> {
        self.0.iter().map(|word| (word.as_str(), format!("{word}{}", char::MAX))).collect()
    }
}

impl Field for Query {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        read_text(value, spot, faults, Self::parse)
    }
}

impl PartialSchema for Query {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .min_length(Some(1))
            .max_length(Some(LONGEST))
            .into()
    }
}
impl utoipa::ToSchema for Query {}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::domain::values::Code;

    proptest! {
        /// A word lies between the ends of a span exactly when it begins with what was searched for.
        #[test]
        fn a_span_holds_what_begins_with_it(sought in "[a-cžß牛]{1,3}", word in "[a-cžß牛𝔘]{1,5}") {
            let query = Query::parse(&sought).unwrap();
            let (from, to) = &query.spans()[0];
            let is_within = word.as_str() >= *from && word < *to;
            prop_assert_eq!(is_within, word.starts_with(from));
        }
    }

    #[test]
    fn the_last_digits_of_an_ear_tag_are_found() {
        let name =
            |id: &str| ExternalId::new(Code::parse("farm").unwrap(), &Code::parse(id).unwrap()).unwrap();
        let of = |id: &str| last_digits(&Identifiers::of([name(id)]));
        assert_eq!(of("XX 0417 00212"), ["0212", "00212"]);
        assert_eq!(of("A2125"), ["2125"]);
        assert_eq!(of("2125"), [] as [&str; 0], "it is found as it is");
        assert_eq!(of("B-2"), [] as [&str; 0]);
        assert_eq!(of("XX0417Ä212"), [] as [&str; 0]);
    }

    #[test]
    fn words_are_small_and_stand_once() {
        let none = Identifiers::default();
        assert_eq!(words(["Žofka 412", "412"], &none), ["412", "žofka"]);
        assert_eq!(words([""], &none), [] as [&str; 0]);
    }
}
