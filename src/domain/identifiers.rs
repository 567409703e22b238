//! The numbers by which bulls, cows and straws are known, read as they are written on straws and papers.
//!
//! A code means something only within its scheme, because the schemes collide; an identifier
//! therefore always carries its scheme. The three schemes of the trade are checked and brought to
//! one normal form, so that the same bull is found however his number was typed. Any other
//! scheme is kept as given.

use std::fmt;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, Field, Fields, InputPath},
        values::{Code, Day},
    },
    json_column, text_enum,
};

/// The scheme of the international ID (Interbull).
pub const INTERNATIONAL_ID: &str = "international-id";
/// The scheme of the uniform bull code.
pub const UNIFORM_CODE: &str = "uniform-code";
/// The scheme of the 15-digit animal code.
pub const ISO_11784: &str = "iso-11784";

/// An identifier given by somebody else, with the scheme in which it means something.
///
/// `international-id`, `uniform-code` and `iso-11784` are checked and brought to their normal
/// form; any other scheme (1 to 60 characters) keeps its id (1 to 60 characters) as given.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
pub struct ExternalId {
    /// The scheme: `international-id`, `uniform-code`, `iso-11784`, or a name of the farm's own.
    #[schema(example = "international-id")]
    pub scheme: Code,
    /// The identifier in that scheme.
    #[schema(example = "HOLZZZM000000A12345")]
    pub id: Code,
}

impl ExternalId {
    /// The identifier in its normal form, or what is wrong with the id.
    pub fn new(scheme: Code, id: &Code) -> Result<Self, String> {
        let text = id.as_str();
        let normal = match scheme.as_str() {
            INTERNATIONAL_ID => parse_international_id(text)?.to_string(),
            UNIFORM_CODE => parse_uniform_code(text)?.to_string(),
            ISO_11784 => parse_animal_code(text)?.to_string(),
            _ => text.to_owned(),
        };
        Ok(Self { scheme, id: Code::parse(&normal)? })
    }
}

impl Field for ExternalId {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let before = faults.len();
        let mut fields = Fields::of(value, spot, faults);
        let scheme: Option<Code> = fields.take("scheme", faults);
        let id: Option<Code> = fields.take("id", faults);
        fields.finish(faults);
        if faults.len() > before {
            return None;
        }
        Self::new(scheme?, &id?).map_err(|wrong| faults.push(spot.member("id").fault(wrong))).ok()
    }
}

/// The official names of one sire or animal, the most official first.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Identifiers(Vec<ExternalId>);
json_column!(ExternalId, Identifiers);

impl Identifiers {
    /// These, without repetition.
    pub fn of(names: impl IntoIterator<Item = ExternalId>) -> Self {
        let mut all = Vec::new();
        for name in names {
            if !all.contains(&name) {
                all.push(name);
            }
        }
        Self(all)
    }

    /// Each of them.
    pub fn iter(&self) -> impl Iterator<Item = &ExternalId> {
        self.0.iter()
    }
}

impl FromIterator<ExternalId> for Identifiers {
    fn from_iter<I: IntoIterator<Item = ExternalId>>(names: I) -> Self {
        Self(names.into_iter().collect())
    }
}

impl Field for Identifiers {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let identifiers = Vec::<ExternalId>::read(value, spot, faults)?;
        for (n, identifier) in identifiers.iter().enumerate() {
            if identifiers[..n].contains(identifier) {
                faults.push(spot.element(n).fault("stands in the list twice"));
                return None;
            }
        }
        Some(Self(identifiers))
    }
}

text_enum! {
    /// The sex in an international ID.
    Sex {
        /// A bull.
        Male = "M",
        /// A cow or heifer.
        Female = "F",
    }
}

/// An international ID: 19 characters, breed 3 + country 3 + sex 1 + number 12 (Interbull formats
/// 010, 200 and 605).
///
/// `Display` writes its normal form, such as `HOLZZZM000000A12345`.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct InternationalId {
    /// The breed: three capital letters of Interbull's list.
    pub breed: String,
    /// The country of first registration: three capital letters, ISO 3166 alpha-3.
    pub country: String,
    /// The sex.
    pub sex: Sex,
    /// The number: 12 capital letters and digits, right-justified, filled with zeros.
    pub number: String,
}

impl fmt::Display for InternationalId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}{}{}", self.breed, self.country, self.sex, self.number)
    }
}

/// What an international ID is, for a message.
const INTERNATIONAL_ID_IS: &str = "an international ID is breed (3 letters), country (3 letters), sex (M or F) and \
    a number of 12 letters and digits filled with zeros, such as HOLZZZM000000A12345 or HOL ZZZ M A12345";

/// Reads an international ID; lower case, blanks between the parts and, where a blank stands
/// before it, a number not yet filled with zeros are accepted. Without such a blank it must have
/// all 19 characters.
///
/// The country's letters are not checked against today's ISO 3166 list: codes of states that
/// are no more stand on straws that are still in tanks.
pub fn parse_international_id(text: &str) -> Result<InternationalId, String> {
    let (all, breaks) = joined(text);
    if !all.bytes().all(|c| c.is_ascii_alphanumeric()) {
        return Err(format!("must hold only letters, digits and blanks: {INTERNATIONAL_ID_IS}"));
    }
    if breaks.iter().any(|at| ![3, 6, 7].contains(at)) {
        return Err(format!("has a blank that is not between its parts: {INTERNATIONAL_ID_IS}"));
    }
    let number_stands_alone = breaks.contains(&7);
    if all.len() != 19 && !(number_stands_alone && (8..19).contains(&all.len())) {
        return Err(format!("must have 19 characters, not {}: {INTERNATIONAL_ID_IS}", all.len()));
    }
    let (breed, country, number) = (&all[..3], &all[3..6], &all[7..]);
    for (part, name) in [(breed, "breed"), (country, "country")] {
        if !part.bytes().all(|c| c.is_ascii_alphabetic()) {
            return Err(format!("has {part:?} where the {name} stands: {INTERNATIONAL_ID_IS}"));
        }
    }
    let sex = Sex::parse(&all[6..7])
        .map_err(|_| format!("has \"{}\" where the sex stands: {INTERNATIONAL_ID_IS}", &all[6..7]))?;
    Ok(InternationalId {
        breed: breed.to_owned(),
        country: country.to_owned(),
        sex,
        number: format!("{number:0>12}"),
    })
}

/// The text in capitals without its blanks, and after how many bytes blanks stood.
fn joined(text: &str) -> (String, Vec<usize>) {
    let mut all = String::new();
    let mut breaks = Vec::new();
    for piece in text.split_whitespace() {
        if !all.is_empty() {
            breaks.push(all.len());
        }
        all.push_str(&piece.to_ascii_uppercase());
    }
    (all, breaks)
}

/// A uniform bull code: stud, breed and bull (published uniform coding system; CDCB format 395).
///
/// `Display` writes its normal form with all zeros, such as `000HO00123`. A stud number in the
/// 500s does not prove sexed semen (USDA AIPL 2007).
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct UniformCode {
    /// The stud's number, 0 to 999.
    pub stud: u32,
    /// The breed: two capital letters, of the list that is for straws only.
    pub breed: String,
    /// The bull's number at that stud, 0 to 99999.
    pub bull: u32,
}

impl UniformCode {
    /// The code as it is written on straws, without leading zeros: `0HO123`.
    pub fn short(&self) -> String {
        format!("{}{}{}", self.stud, self.breed, self.bull)
    }
}

impl fmt::Display for UniformCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:03}{}{:05}", self.stud, self.breed, self.bull)
    }
}

/// What a uniform code is, for a message.
const UNIFORM_CODE_IS: &str = "a uniform code is the stud (1 to 3 digits), the breed (2 letters) and the bull (1 to 5 digits), such as 0HO123";

/// Reads a uniform code; lower case, blanks between the parts and leading zeros are accepted.
pub fn parse_uniform_code(text: &str) -> Result<UniformCode, String> {
    let (stud, rest) = leading(text.trim(), |c| c.is_ascii_digit());
    let (breed, rest) = leading(rest, |c| c.is_ascii_alphabetic());
    let (bull, rest) = leading(rest, |c| c.is_ascii_digit());
    let right = |part: &str, name: &str, least: usize, most: usize, unit: &str| match part.len() {
        n if (least..=most).contains(&n) => Ok(()),
        n => Err(format!("has {n} {unit} for the {name}: {UNIFORM_CODE_IS}")),
    };
    right(stud, "stud", 1, 3, "digits")?;
    right(breed, "breed", 2, 2, "letters")?;
    right(bull, "bull", 1, 5, "digits")?;
    if !rest.is_empty() {
        return Err(format!("has {rest:?} after the bull: {UNIFORM_CODE_IS}"));
    }
    Ok(UniformCode { stud: digits(stud)?, breed: breed.to_ascii_uppercase(), bull: digits(bull)? })
}

/// The leading characters that are `meant`, and what follows them after blanks.
fn leading(text: &str, meant: impl Fn(char) -> bool) -> (&str, &str) {
    let (part, rest) = text.split_at(text.find(|c| !meant(c)).unwrap_or(text.len()));
    (part, rest.trim_start())
}

/// The number that digits write.
fn digits<N: std::str::FromStr>(text: &str) -> Result<N, String> {
    text.parse().map_err(|_| format!("has {text:?} where a number stands"))
}

/// An official name as it is printed on a straw: a uniform code without leading zeros.
pub fn printed(name: &ExternalId) -> String {
    match parse_uniform_code(name.id.as_str()) {
        Ok(code) if name.scheme.as_str() == UNIFORM_CODE => code.short(),
        _ => name.id.to_string(),
    }
}

/// A 15-digit animal code, as ear tags and transponders carry it (ISO 11784).
///
/// `Display` writes all 15 digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct AnimalCode {
    /// The country (ISO 3166 numeric) or, from 900 on, the maker of the transponder: 1 to 999.
    pub country_or_maker: u32,
    /// The number within it: 0 to [`AnimalCode::MOST_NATIONAL`].
    pub national: u64,
}

impl AnimalCode {
    /// The largest national number: 38 bits (ISO 11784).
    pub const MOST_NATIONAL: u64 = (1 << 38) - 1;
}

impl fmt::Display for AnimalCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:03}{:012}", self.country_or_maker, self.national)
    }
}

/// What an animal code is, for a message.
const ANIMAL_CODE_IS: &str = "an animal code has 15 digits: country or maker (001 to 999) and the national number \
    (12 digits, at most 274877906943)";

/// Reads a 15-digit animal code; a blank after the country is accepted.
pub fn parse_animal_code(text: &str) -> Result<AnimalCode, String> {
    let (all, breaks) = joined(text);
    if !all.bytes().all(|c| c.is_ascii_digit()) || breaks.iter().any(|at| *at != 3) {
        return Err(format!("must hold only digits: {ANIMAL_CODE_IS}"));
    }
    if all.len() != 15 {
        return Err(format!("must have 15 digits, not {}: {ANIMAL_CODE_IS}", all.len()));
    }
    let code = AnimalCode { country_or_maker: digits(&all[..3])?, national: digits(&all[3..])? };
    if code.country_or_maker == 0 {
        return Err(format!("has 000 for the country: {ANIMAL_CODE_IS}"));
    }
    if code.national > AnimalCode::MOST_NATIONAL {
        return Err(format!("has {} for the national number: {ANIMAL_CODE_IS}", code.national));
    }
    Ok(code)
}

/// Reads the five-digit day code of United States straws, YYDDD: the year's last two digits and
/// the day of the year, 001 to 365 or 366.
///
/// Which century is our own rule: 00 to 69 are 2000 to 2069, 70 to 99 are 1970 to 1999.
pub fn straw_day_code(code: &str) -> Result<Day, String> {
    const IS: &str = "a day code is YYDDD, year and day of the year, such as 12210 for 2012-07-28";
    let code = code.trim();
    if code.len() != 5 || !code.bytes().all(|c| c.is_ascii_digit()) {
        return Err(format!("must have five digits: {IS}"));
    }
    let (year, day_of_year): (i32, u32) = (digits(&code[..2])?, digits(&code[2..])?);
    let year = if year < 70 { 2000 + year } else { 1900 + year };
    NaiveDate::from_yo_opt(year, day_of_year).map(Day).ok_or_else(|| {
        let days = if NaiveDate::from_yo_opt(year, 366).is_some() { 366 } else { 365 };
        format!("has day {day_of_year} of {year}, which has days 001 to {days}: {IS}")
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::super::form::read;
    use super::*;

    fn normal(scheme: &str, id: &str) -> Result<String, String> {
        read::<ExternalId>(&json!({"scheme": scheme, "id": id}), &InputPath::body())
            .map(|read| read.id.to_string())
            .map_err(|faults| format!("{} {}", faults[0].pointer, faults[0].detail))
    }

    #[test]
    fn an_international_id_is_filled_to_19_characters() {
        // Interbull formats 010/200/605: breed 3, country 3, sex 1, 12 right-justified, zero filled.
        for (given, right) in [
            ("HOL ZZZ M A12345", "HOLZZZM000000A12345"),
            ("hol zzz m a12345", "HOLZZZM000000A12345"),
            ("HOLZZZM A12345", "HOLZZZM000000A12345"),
            ("HOLZZZM000000A12345", "HOLZZZM000000A12345"),
            ("HOL ZZZM000000A12345", "HOLZZZM000000A12345"),
            ("LIM ZZZ F 8795005065", "LIMZZZF008795005065"),
            ("HOL DDR M 123456789012", "HOLDDRM123456789012"),
        ] {
            assert_eq!(normal(INTERNATIONAL_ID, given).as_deref(), Ok(right), "{given}");
        }
    }

    #[test]
    fn an_international_id_that_is_not_one_is_refused_with_what_would_be_right() {
        // Interbull formats 010/200/605.
        for wrong in [
            "HOLZZZM00000A12345",   // 18 characters
            "HOLZZZM0000000A12345", // 20 characters
            "HOLZZZMA12345",
            "HOL ZZZMA12345",
            "HOL ZZZ M 1234567890123",
            "HOL ZZZ M",
            "HOL CAN X A12345",
            "H0L CAN M A12345",
            "HOL C4N M A12345",
            "HO LCAN M A12345",
            "HOL ZZZ M A1 2345",
            "HOL ZZZ M A-12345",
            "HOL ZZZ M Ä12345",
            "HÖLZZZM000000A1234",
        ] {
            let told = normal(INTERNATIONAL_ID, wrong).unwrap_err();
            assert!(told.starts_with("#/id ") && told.contains("HOLZZZM000000A12345"), "{wrong}: {told}");
        }
    }

    #[test]
    fn an_international_id_has_its_parts() {
        // Interbull formats 010/200/605: LIM ZZZ F 8795005065.
        let id = parse_international_id("lim fra f 8795005065").unwrap();
        assert_eq!(
            (id.breed.as_str(), id.country.as_str(), id.sex, id.number.as_str()),
            ("LIM", "FRA", Sex::Female, "008795005065")
        );
    }

    #[test]
    fn a_uniform_code_is_filled_with_zeros() {
        // Published uniform coding system; CDCB format 395: 0HO123 = 000HO00123.
        for given in ["0HO123", "000HO00123", "0ho123", " 0 HO 123 ", "00HO123"] {
            assert_eq!(normal(UNIFORM_CODE, given).as_deref(), Ok("000HO00123"), "{given}");
        }
        assert_eq!(parse_uniform_code("000HO00123").unwrap().short(), "0HO123");
    }

    #[test]
    fn a_uniform_code_that_is_not_one_is_refused() {
        // Published uniform coding system; CDCB format 395.
        for wrong in
            ["0H123", "0HO123456", "1234HO1", "HO123", "0HO", "0HOL123", "0HO123X", "0-HO-123", "٧HO1"]
        {
            let told = normal(UNIFORM_CODE, wrong).unwrap_err();
            assert!(told.contains("0HO123"), "{wrong}: {told}");
        }
    }

    #[test]
    fn an_animal_code_has_15_digits_and_38_bits() {
        // ISO 11784: country or maker 3 + 12, national part at most 274877906943.
        assert_eq!(AnimalCode::MOST_NATIONAL, 274_877_906_943);
        for (given, right) in [
            ("276000012345678", "276000012345678"),
            ("276 000012345678", "276000012345678"),
            ("999274877906943", "999274877906943"),
            ("001000000000000", "001000000000000"),
        ] {
            assert_eq!(normal(ISO_11784, given).as_deref(), Ok(right), "{given}");
        }
        for wrong in [
            "999274877906944",
            "000000012345678",
            "27600001234567",
            "2760000123456789",
            "27600001234567A",
            "276-00012345678",
        ] {
            assert!(normal(ISO_11784, wrong).unwrap_err().contains("15 digits"), "{wrong}");
        }
    }

    #[test]
    fn any_other_scheme_is_kept_as_given() {
        assert_eq!(normal("example.org/ear-tag", "at 12-a").as_deref(), Ok("at 12-a"));
        assert_eq!(normal("International-ID", "x").as_deref(), Ok("x"));
        assert!(normal(&"x".repeat(61), "x").unwrap_err().starts_with("#/scheme"));
        let faults = read::<ExternalId>(&json!({"id": "", "nr": 1}), &InputPath::body()).unwrap_err();
        assert_eq!(faults.len(), 3);
    }

    #[test]
    fn a_day_code_gives_the_day_of_collection() {
        // US straws, YYDDD; the century is our own rule.
        for (code, day) in [
            ("12210", "2012-07-28"),
            ("22108", "2022-04-18"),
            ("24366", "2024-12-31"),
            ("69001", "2069-01-01"),
            ("70001", "1970-01-01"),
            ("99365", "1999-12-31"),
        ] {
            assert_eq!(straw_day_code(code).unwrap().to_string(), day, "{code}");
        }
        for wrong in ["22366", "22000", "22367", "2210", "122100", "1221O", "", "٢٢"] {
            assert!(straw_day_code(wrong).unwrap_err().contains("YYDDD"), "{wrong}");
        }
        assert!(straw_day_code("22366").unwrap_err().contains("001 to 365"));
    }

    /// What is read is written in a form that is read as the same again.
    #[test]
    fn texts_near_identifiers_are_read_alike_or_refused() {
        use proptest::test_runner::TestCaseError;
        fn round<T: ToString + PartialEq + std::fmt::Debug>(
            text: &str,
            parse: impl Fn(&str) -> Result<T, String>,
        ) -> Result<(), TestCaseError> {
            if let Ok(read) = parse(text) {
                prop_assert_eq!(parse(&read.to_string()), Ok(read));
            }
            Ok(())
        }
        crate::fuzz::against("identifiers", |text| {
            round(text, parse_international_id)?;
            round(text, parse_uniform_code)?;
            round(text, parse_animal_code)?;
            let _ = straw_day_code(text);
            for scheme in [INTERNATIONAL_ID, UNIFORM_CODE, ISO_11784, "own", text] {
                if let Ok(once) = normal(scheme, text) {
                    prop_assert_eq!(normal(scheme, &once), Ok(once));
                }
            }
            Ok(())
        });
    }

    proptest! {
        #[test]
        fn a_normal_form_is_its_own_normal_form(
            scheme in prop::sample::select(vec![INTERNATIONAL_ID, UNIFORM_CODE, ISO_11784, "own"]),
            id in prop_oneof![
                "[a-zA-Z]{3} ?[a-zA-Z]{3} ?[mMfF] [a-zA-Z0-9]{1,12}",
                "[0-9]{1,3} ?[a-zA-Z]{2} ?[0-9]{1,5}",
                "[0-9]{3} ?[0-2][0-9]{11}",
                ".{0,20}",
            ],
        ) {
            if let Ok(once) = normal(scheme, &id) {
                prop_assert_eq!(normal(scheme, &once), Ok(once));
            }
        }

        #[test]
        fn no_text_stops_the_reading(text in ".{0,30}") {
            let _ = parse_international_id(&text);
            let _ = parse_uniform_code(&text);
            let _ = parse_animal_code(&text);
            let _ = straw_day_code(&text);
        }
    }
}
