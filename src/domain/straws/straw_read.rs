//! What the straw says: the code, name or batch read off it, held against the lot and its sire.
//!
//! Of 6,040 cows 11.7 % had another sire than the one on record, mainly by the inseminator's recording (Weller et al.
//! 2004, J Dairy Sci 87:2627-2640). A second look at the straw in hand finds that before she is served.

use crate::domain::{
    identifiers::{parse_international_id, parse_uniform_code},
    straws::{lot::Lot, sire::SireSummary},
    values::Name,
};

/// Whether what was read agrees with the lot or its sire: an identifier of his, his name, or the batch. Blanks, case,
/// punctuation and leading zeros do not count. Where several marks were read, with a comma or a stroke between them,
/// each has to agree.
pub fn agrees(read: &Name, lot: &Lot, sire: &SireSummary) -> bool {
    let marks = marks_of(lot, sire);
    let known = |text: &str| marks.iter().any(|mark| is_same(text, mark));
    let mut parts = read.as_str().split([',', ';', '/', '|']).map(str::trim).filter(|part| !part.is_empty());
    known(read.as_str()) || (parts.clone().next().is_some() && parts.all(known))
}

/// What the straw should say, in words: "Invented One, 0HO123, batch 24117".
pub fn expected(lot: &Lot, sire: &SireSummary) -> String {
    let batch = lot.details.batch.iter().map(|batch| format!("batch {batch}"));
    std::iter::once(sire.name.to_string()).chain(sire.codes()).chain(batch).collect::<Vec<_>>().join(", ")
}

fn marks_of(lot: &Lot, sire: &SireSummary) -> Vec<String> {
    let codes = sire.identifiers.iter().map(|identifier| identifier.id.to_string());
    let batch = lot.details.batch.iter().map(ToString::to_string);
    std::iter::once(sire.name.to_string()).chain(codes).chain(batch).collect()
}

fn is_same(read: &str, mark: &str) -> bool {
    let plain = |text: &str| -> String {
        let kept = text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_uppercase);
        kept.collect::<String>().trim_start_matches('0').to_owned()
    };
    let (one, other) = (plain(read), plain(mark));
    // A mark of zeros alone is still a mark.
    (one == other && (!one.is_empty() || read.contains('0') && mark.contains('0')))
        || parse_uniform_code(read).is_ok_and(|code| parse_uniform_code(mark) == Ok(code))
        || parse_international_id(read).is_ok_and(|id| parse_international_id(mark) == Ok(id))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::domain::{
        form::{InputPath, read},
        straws::lot::LotDetails,
        values::{LotId, SireId, Timestamp},
    };

    fn straw() -> (Lot, SireSummary) {
        let sire = SireId::new();
        let details = json!({"sire_id": sire, "semen_type": "conventional", "batch": "024117"});
        let details: LotDetails = read(&details, &InputPath::body()).unwrap();
        let at: Timestamp = read(&json!("2026-03-01T10:00:00Z"), &InputPath::body()).unwrap();
        // Invented codes: country ZZZ and stud 0 belong to nobody.
        let identifiers = json!([
            {"scheme": "international-id", "id": "HOLZZZM000000A12345"},
            {"scheme": "uniform-code", "id": "000HO00123"}
        ]);
        let identifiers = read(&identifiers, &InputPath::body()).unwrap();
        let name = Name::parse("Invented One").unwrap();
        let sire = SireSummary { id: sire, name, breed: None, purpose: None, identifiers };
        (Lot { id: LotId::new(), details, created_at: at }, sire)
    }

    fn says(text: &str) -> bool {
        let (lot, sire) = straw();
        agrees(&Name::parse(text).unwrap(), &lot, &sire)
    }

    #[test]
    fn code_name_and_batch_agree_however_they_are_written() {
        // The published uniform coding system writes a code without blanks and leading zeros; Interbull formats 010, 200
        // and 605 fill the number of an international ID with zeros.
        for right in [
            "0HO123",
            "000HO00123",
            "0 ho 123",
            "0ho00123",
            "HOLZZZM000000A12345",
            "HOL ZZZ M A12345",
            "hol zzz m a12345",
            "invented one",
            "INVENTED  ONE",
            "InventedOne",
            "24117",
            "024117",
            "0024117",
            "0HO123 / 24117",
            "Invented One, 0HO123",
        ] {
            assert!(says(right), "{right}");
        }
        for wrong in
            ["0HO124", "1HO123", "0HO1230", "Invented Two", "24118", "2411", "0HO123 / 24118", "0", "-", ","]
        {
            assert!(!says(wrong), "{wrong}");
        }
    }

    #[test]
    fn what_it_should_say_is_told_as_it_is_printed() {
        let (lot, sire) = straw();
        assert_eq!(expected(&lot, &sire), "Invented One, HOLZZZM000000A12345, 0HO123, batch 024117");
    }

    proptest! {
        #[test]
        fn blanks_and_case_change_nothing(blanks in proptest::collection::vec(0_usize..3, 12), lower: bool) {
            let letters = "Invented One".chars().zip(blanks);
            let name: String = letters.flat_map(|(c, n)| std::iter::repeat_n(' ', n).chain([c])).collect();
            let name = if lower { name.to_lowercase() } else { name };
            prop_assert!(says(&name));
        }
    }
}
