//! The choice rule: which semen a service calls for.
//!
//! Sexed semen for the first service, conventional after that (common practice, no source): she
//! conceives best at the first service, and a sexed straw is dear. A herd may say otherwise, by lactation, groups, days and the
//! sire's purpose.

use std::fmt::Write as _;

use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::groups::Groups,
        form::{Fault, Field, InputPath},
        straws::{
            semen::SemenType,
            sire::{Purpose, SireSummary},
        },
        values::{Code, Day, Lactation, ServiceNumber},
    },
    form, json_column, text_enum,
};

text_enum! {
    /// Before or after her first calving.
    Class {
        /// Has not calved.
        Heifer = "heifer",
        /// Has calved.
        Cow = "cow",
    }
}

text_enum! {
    /// What the calf is wanted for.
    WantedPurpose {
        /// Milk.
        Dairy = "dairy",
        /// Meat.
        Beef = "beef",
    }
}

impl WantedPurpose {
    /// Whether a sire of that purpose is meant; one for both always is.
    fn fits(self, purpose: Purpose) -> bool {
        match purpose {
            Purpose::Dual => true,
            Purpose::Dairy => self == Self::Dairy,
            Purpose::Beef => self == Self::Beef,
        }
    }
}

form! {
    /// One line of a choice rule. What it does not say does not matter.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
    pub struct Clause, check Clause::check {
        /// The first service number it speaks of.
        pub from_service: ServiceNumber,
        /// The last one; without it, all that follow.
        pub to_service: Option<ServiceNumber>,
        /// Only heifers or only cows; without it, both.
        pub class: Option<Class>,
        /// The first lactation it speaks of: calvings on record, 0 for heifers.
        pub from_lactation: Option<Lactation>,
        /// The last one.
        pub to_lactation: Option<Lactation>,
        /// Only animals in one of these groups.
        #[serde(default)]
        #[schema(value_type = Vec<Code>, required = false, max_items = 20)]
        pub groups: Groups = Groups::default(),
        /// The first day on which it holds, by the herd's calendar.
        pub from_date: Option<Day>,
        /// The last one.
        pub to_date: Option<Day>,
        /// What may be used, the wanted first.
        pub semen_types: Vec<SemenType>,
        /// Only sires of this purpose, or of both. A sire whose purpose is not on record is taken with a warning.
        pub purpose: Option<WantedPurpose>,
        /// What may be taken where none of `semen_types` is in her reach; that is noted, not refused.
        #[serde(default)]
        #[schema(required = false)]
        pub otherwise: Vec<SemenType> = Vec::new(),
    }
}

impl Clause {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.to_service.is_some_and(|last| last < self.from_service) {
            faults.push(spot.member("to_service").fault("must not be less than from_service"));
        }
        if self.to_lactation.zip(self.from_lactation).is_some_and(|(last, first)| last < first) {
            faults.push(spot.member("to_lactation").fault("must not be less than from_lactation"));
        }
        if self.to_date.zip(self.from_date).is_some_and(|(last, first)| last < first) {
            faults.push(spot.member("to_date").fault("must not lie before from_date"));
        }
        if self.semen_types.is_empty() {
            faults.push(spot.member("semen_types").fault("must name at least one semen type"));
        }
        if let Some(n) = self.otherwise.iter().position(|other| self.semen_types.contains(other)) {
            faults.push(spot.member("otherwise").element(n).fault("stands in semen_types already"));
        }
    }

    /// Whether it speaks of this case.
    fn fits(&self, case: &Case<'_>) -> bool {
        case.service >= self.from_service.get()
            && self.to_service.is_none_or(|last| case.service <= last.get())
            && self.class.is_none_or(|only| only == case.class)
            && self.from_lactation.is_none_or(|first| case.lactation >= first.get())
            && self.to_lactation.is_none_or(|last| case.lactation <= last.get())
            && (self.groups.is_empty() || self.groups.meet(case.groups))
            && self.from_date.is_none_or(|first| case.day >= first)
            && self.to_date.is_none_or(|last| case.day <= last)
    }

    /// The clause in words: "service 1 of heifers in group show: sexed (female) by a dairy sire, otherwise conventional".
    fn describe(&self) -> String {
        let mut text = span("service", Some(self.from_service), self.to_service);
        text.push_str(match self.class {
            Some(Class::Heifer) => " of heifers",
            Some(Class::Cow) => " of cows",
            None => "",
        });
        if self.from_lactation.is_some() || self.to_lactation.is_some() {
            let _ = write!(text, " in {}", span("lactation", self.from_lactation, self.to_lactation));
        }
        if !self.groups.is_empty() {
            let _ = write!(text, " in group {}", self.groups.describe());
        }
        match (self.from_date, self.to_date) {
            (Some(first), Some(last)) => drop(write!(text, " from {first} to {last}")),
            (Some(first), None) => drop(write!(text, " from {first} on")),
            (None, Some(last)) => drop(write!(text, " until {last}")),
            (None, None) => {}
        }
        let _ = write!(text, ": {}", one_of(&self.semen_types));
        if let Some(purpose) = self.purpose {
            let _ = write!(text, " by a {purpose} sire");
        }
        if !self.otherwise.is_empty() {
            let _ = write!(text, ", otherwise {}", one_of(&self.otherwise));
        }
        text
    }
}

/// A run of numbers in words: "service 1", "services 1 to 2", "service 2 and later", "lactations up to 2".
fn span<N: PartialEq + std::fmt::Display>(what: &str, first: Option<N>, last: Option<N>) -> String {
    match (first, last) {
        (Some(first), Some(last)) if first == last => format!("{what} {first}"),
        (Some(first), Some(last)) => format!("{what}s {first} to {last}"),
        (Some(first), None) => format!("{what} {first} and later"),
        (None, Some(last)) => format!("{what}s up to {last}"),
        (None, None) => format!("any {what}"),
    }
}

/// What a clause may ask of her and of the day.
#[derive(Clone, Copy, Debug)]
pub struct Case<'c> {
    /// Which service it would be.
    pub service: i64,
    /// Heifer or cow.
    pub class: Class,
    /// How often she calved, as far as it is on record.
    pub lactation: i64,
    /// Her groups.
    pub groups: &'c Groups,
    /// The day, by the herd's calendar.
    pub day: Day,
}

/// A herd's choice rule: the first line that speaks of a service decides.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
pub struct ChoiceRule(Vec<Clause>);
json_column!(ChoiceRule, Allowed);

/// What a choice rule allows for one service.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Allowed {
    /// The semen types that may be used, as the rule lists them.
    pub semen_types: Vec<SemenType>,
    /// What may be taken where none of `semen_types` is in her reach.
    #[serde(default)]
    pub otherwise: Vec<SemenType>,
    /// The purpose that a sire must have, if the rule asks for one.
    #[serde(default)]
    pub purpose: Option<WantedPurpose>,
    /// The rule that says so, in words.
    pub text: String,
}

impl Allowed {
    /// For a donor, whose calves others carry: any type.
    pub fn of_donor() -> Self {
        Self {
            semen_types: SemenType::ALL.to_vec(),
            otherwise: Vec::new(),
            purpose: None,
            text: "She is a donor, flushed for embryos: the herd's choice rule does not speak of her, so any semen type \
                   may be used."
                .to_owned(),
        }
    }

    /// Whether this type may be used.
    pub fn has(&self, semen_type: SemenType) -> bool {
        self.semen_types.contains(&semen_type)
    }

    /// Whether this type may be used only where none that is wanted is in reach.
    pub fn has_otherwise(&self, semen_type: SemenType) -> bool {
        self.otherwise.contains(&semen_type)
    }

    /// Whether a sire of this purpose may be used; one whose purpose is not on record may.
    pub fn takes(&self, purpose: Option<Purpose>) -> bool {
        self.purpose.zip(purpose).is_none_or(|(wanted, purpose)| wanted.fits(purpose))
    }

    /// How soon the rule names this type: what it names first is wanted most, what it names otherwise last.
    pub fn preference(&self, semen_type: SemenType) -> usize {
        let named = self.semen_types.iter().chain(&self.otherwise);
        named.into_iter().position(|named| *named == semen_type).unwrap_or(usize::MAX)
    }

    /// What is allowed where none of the wanted types is in her reach.
    #[must_use]
    pub fn with_otherwise(mut self) -> Self {
        if let Some(note) = self.otherwise_note() {
            self.text = format!("{} {note}", self.text);
            self.semen_types.append(&mut self.otherwise);
        }
        self
    }

    /// What is noted where one of the other types is taken.
    pub fn otherwise_note(&self) -> Option<String> {
        (!self.otherwise.is_empty()).then(|| {
            format!(
                "{} is not within her reach, so {} may be taken.",
                capital(&self.wanted()),
                one_of(&self.otherwise)
            )
        })
    }

    /// What is wanted, in words.
    pub fn wanted(&self) -> String {
        match self.purpose {
            Some(purpose) => format!("{} by a {purpose} sire", one_of(&self.semen_types)),
            None => one_of(&self.semen_types),
        }
    }

    /// Says so when the rule asks for a purpose and the sire's is not on record.
    pub fn purpose_warning(&self, sire: &SireSummary) -> Option<String> {
        let wanted = self.purpose.filter(|_| sire.purpose.is_none())?;
        Some(format!(
            "The choice rule calls for a {wanted} sire, and the purpose of {} is not on record; enter it.",
            sire.name
        ))
    }
}

/// The sentence with a capital letter.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

impl ChoiceRule {
    /// What may be used in this case. A case of which no line speaks is not restricted.
    pub fn allows(&self, case: &Case<'_>) -> Allowed {
        let Case { service, class, .. } = case;
        match self.0.iter().find(|clause| clause.fits(case)) {
            Some(clause) => Allowed {
                semen_types: clause.semen_types.clone(),
                otherwise: clause.otherwise.clone(),
                purpose: clause.purpose,
                text: format!(
                    "This is service {service} of a {class}. The herd's choice rule says {}.",
                    clause.describe()
                ),
            },
            None => Allowed {
                semen_types: SemenType::ALL.to_vec(),
                otherwise: Vec::new(),
                purpose: None,
                text: format!(
                    "This is service {service} of a {class}. The herd's choice rule says nothing of it, \
                     so any semen type may be used."
                ),
            },
        }
    }

    /// Says so when the rule says nothing of a case.
    pub fn unruled_warning(&self, case: &Case<'_>) -> Option<String> {
        let is_ruled = self.0.iter().any(|clause| clause.fits(case));
        (!is_ruled).then(|| {
            format!(
                "The herd's choice rule says nothing of service {} of a {}; have it completed.",
                case.service, case.class
            )
        })
    }
}

impl Default for ChoiceRule {
    /// Service 1 sexed for females, later ones conventional (common practice, no source).
    fn default() -> Self {
        let clause = |from, to, semen_type| Clause {
            from_service: from,
            to_service: to,
            class: None,
            from_lactation: None,
            to_lactation: None,
            groups: Groups::default(),
            from_date: None,
            to_date: None,
            semen_types: vec![semen_type],
            purpose: None,
            otherwise: Vec::new(),
        };
        let (first, second) = (ServiceNumber::FIRST, ServiceNumber::SECOND);
        Self(vec![
            clause(first, Some(first), SemenType::SexedFemale),
            clause(second, None, SemenType::Conventional),
        ])
    }
}

impl Field for ChoiceRule {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let clauses = Vec::<Clause>::read(value, spot, faults)?;
        if clauses.is_empty() {
            faults.push(spot.fault("must have at least one line"));
            return None;
        }
        Some(Self(clauses))
    }
}

/// Semen types in words: "sexed (female) or sexed (male)".
pub fn one_of(semen_types: &[SemenType]) -> String {
    semen_types.iter().map(|semen_type| semen_type.describe()).collect::<Vec<_>>().join(" or ")
}

#[cfg(test)]
mod tests {
    use chrono::NaiveDate;
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::domain::form::read;

    fn day(n: u32) -> Day {
        Day(NaiveDate::from_yo_opt(2026, n).unwrap())
    }

    fn groups(names: &[&str]) -> Groups {
        read(&json!(names), &InputPath::body()).unwrap()
    }

    fn rule(clauses: &Value) -> ChoiceRule {
        read(clauses, &InputPath::body()).unwrap()
    }

    /// Nothing but a service of a heifer or cow.
    fn allows(rule: &ChoiceRule, service: i64, class: Class) -> Allowed {
        let (none, lactation) = (Groups::default(), i64::from(class == Class::Cow));
        rule.allows(&Case { service, class, lactation, groups: &none, day: day(60) })
    }

    #[test]
    fn by_default_the_first_service_is_sexed_and_the_rest_conventional() {
        // Common practice, no source.
        let rule = ChoiceRule::default();
        for class in [Class::Heifer, Class::Cow] {
            assert_eq!(allows(&rule, 1, class).semen_types, [SemenType::SexedFemale]);
            for later in 2..20 {
                assert_eq!(allows(&rule, later, class).semen_types, [SemenType::Conventional]);
            }
        }
    }

    #[test]
    fn the_first_line_that_speaks_of_a_service_decides() {
        // Sexed on first and perhaps second service: De Vries, Univ. Florida.
        let rule = rule(&json!([
            {"from_service": 1, "to_service": 2, "class": "heifer", "semen_types": ["sexed_female"]},
            {"from_service": 1, "semen_types": ["conventional"]},
        ]));
        assert_eq!(allows(&rule, 2, Class::Heifer).semen_types, [SemenType::SexedFemale]);
        assert_eq!(allows(&rule, 3, Class::Heifer).semen_types, [SemenType::Conventional]);
        assert_eq!(allows(&rule, 1, Class::Cow).semen_types, [SemenType::Conventional]);
        assert!(allows(&rule, 2, Class::Heifer).text.contains("services 1 to 2 of heifers: sexed (female)"));
    }

    #[test]
    fn a_clause_looks_at_lactation_groups_and_days() {
        let rule = rule(&json!([
            {"from_service": 1, "from_lactation": 3, "semen_types": ["conventional"], "purpose": "beef"},
            {"from_service": 1, "groups": ["show", "nucleus"], "semen_types": ["sexed_female"]},
            {"from_service": 1, "from_date": "2026-03-01", "to_date": "2026-03-31", "to_lactation": 0,
             "semen_types": ["sexed_male"], "otherwise": ["conventional"]},
            {"from_service": 1, "semen_types": ["conventional"]},
        ]));
        let told = |lactation, names: &[&str], day| {
            let groups = groups(names);
            let class = if lactation == 0 { Class::Heifer } else { Class::Cow };
            rule.allows(&Case { service: 1, class, lactation, groups: &groups, day })
        };
        assert_eq!(told(3, &["show"], day(60)).purpose, Some(WantedPurpose::Beef), "the first that fits");
        assert_eq!(told(2, &["dry", "show"], day(60)).semen_types, [SemenType::SexedFemale]);
        assert_eq!(told(2, &["dry"], day(60)).semen_types, [SemenType::Conventional]);
        // 2026-03-01 is day 60 of the year, 2026-03-31 day 90.
        for (day_of_year, semen_type) in [
            (59, SemenType::Conventional),
            (60, SemenType::SexedMale),
            (90, SemenType::SexedMale),
            (91, SemenType::Conventional),
        ] {
            assert_eq!(told(0, &[], day(day_of_year)).semen_types, [semen_type], "{day_of_year}");
        }
        assert!(
            told(0, &[], day(60)).text.contains(
                "service 1 and later in lactations up to 0 from 2026-03-01 to 2026-03-31: sexed (male), otherwise conventional"
            ),
            "{}",
            told(0, &[], day(60)).text
        );
        assert!(told(3, &[], day(60)).text.contains("in lactation 3 and later: conventional by a beef sire"));
        assert!(told(2, &["show"], day(60)).text.contains("in group show or nucleus: sexed (female)"));
    }

    #[test]
    fn a_sire_for_both_fits_and_one_of_no_known_purpose_is_taken_with_a_warning() {
        let allowed = |purpose: &str| {
            let rule =
                rule(&json!([{"from_service": 1, "semen_types": ["conventional"], "purpose": purpose}]));
            allows(&rule, 1, Class::Cow)
        };
        for (wanted, purpose, takes) in [
            ("beef", Some(Purpose::Beef), true),
            ("beef", Some(Purpose::Dual), true),
            ("beef", Some(Purpose::Dairy), false),
            ("dairy", Some(Purpose::Beef), false),
            ("dairy", Some(Purpose::Dual), true),
            ("dairy", None, true),
        ] {
            assert_eq!(allowed(wanted).takes(purpose), takes, "{wanted} {purpose:?}");
        }
        assert!(allows(&ChoiceRule::default(), 1, Class::Cow).takes(Some(Purpose::Beef)));
    }

    #[test]
    fn otherwise_is_taken_last_and_noted() {
        let rule = rule(
            &json!([{"from_service": 1, "semen_types": ["sexed_female"], "otherwise": ["conventional"]}]),
        );
        let allowed = allows(&rule, 1, Class::Heifer);
        assert!(!allowed.has(SemenType::Conventional) && allowed.has_otherwise(SemenType::Conventional));
        assert!(allowed.preference(SemenType::SexedFemale) < allowed.preference(SemenType::Conventional));
        assert!(allowed.preference(SemenType::Conventional) < allowed.preference(SemenType::SexedMale));
        let widened = allowed.with_otherwise();
        assert_eq!(widened.semen_types, [SemenType::SexedFemale, SemenType::Conventional]);
        assert!(
            widened.text.ends_with("Sexed (female) is not within her reach, so conventional may be taken."),
            "{}",
            widened.text
        );
    }

    #[test]
    fn a_service_that_no_line_speaks_of_is_not_restricted() {
        let rule = rule(&json!([{"from_service": 1, "to_service": 1, "semen_types": ["sexed_male"]}]));
        assert_eq!(allows(&rule, 2, Class::Cow).semen_types, SemenType::ALL);
        let none = Groups::default();
        let case = |service| Case { service, class: Class::Cow, lactation: 1, groups: &none, day: day(60) };
        let said = rule.unruled_warning(&case(2));
        assert!(said.is_some_and(|said| said.contains("says nothing of service 2 of a cow")));
        assert_eq!(rule.unruled_warning(&case(1)), None);
    }

    #[test]
    fn a_rule_that_makes_no_sense_is_refused() {
        for (wrong, pointer) in [
            (json!([]), "#"),
            (
                json!([{"from_service": 2, "to_service": 1, "semen_types": ["conventional"]}]),
                "#/0/to_service",
            ),
            (
                json!([{"from_service": 1, "from_lactation": 2, "to_lactation": 1, "semen_types": ["conventional"]}]),
                "#/0/to_lactation",
            ),
            (
                json!([{"from_service": 1, "from_date": "2026-03-02", "to_date": "2026-03-01",
                        "semen_types": ["conventional"]}]),
                "#/0/to_date",
            ),
            (
                json!([{"from_service": 1, "semen_types": ["conventional"], "otherwise": ["sexed_male", "conventional"]}]),
                "#/0/otherwise/1",
            ),
            (json!([{"from_service": 1, "semen_types": ["conventional"], "purpose": "dual"}]), "#/0/purpose"),
            (json!([{"from_service": 0, "semen_types": ["conventional"]}]), "#/0/from_service"),
            (json!([{"from_service": 1, "semen_types": []}]), "#/0/semen_types"),
            (json!([{"from_service": 1, "semen_types": ["frozen"]}]), "#/0/semen_types/0"),
        ] {
            assert_eq!(
                read::<ChoiceRule>(&wrong, &InputPath::body()).unwrap_err()[0].pointer,
                pointer,
                "{wrong}"
            );
        }
    }

    #[test]
    fn a_rule_written_before_clauses_knew_more_is_read() {
        let old =
            json!([{"from_service": 1, "to_service": null, "class": null, "semen_types": ["conventional"]}]);
        let read: ChoiceRule = serde_json::from_value(old).unwrap();
        assert_eq!(allows(&read, 1, Class::Cow).otherwise, []);
        let old = json!({"semen_types": ["conventional"], "text": "Said before."});
        let read: Allowed = serde_json::from_value(old).unwrap();
        assert_eq!((read.purpose, read.otherwise), (None, Vec::new()));
    }

    proptest! {
        #[test]
        fn what_is_allowed_is_what_the_first_fitting_clause_says(
            clauses in proptest::collection::vec((1_i64..4, 0_i64..3, 0_i64..4, 0_i64..3, 0_usize..3), 1..5),
            service in 1_i64..6, lactation in 0_i64..6,
        ) {
            let sent: Vec<Value> = clauses
                .iter()
                .map(|(first, more, lactation, later, semen)| json!({
                    "from_service": first, "to_service": first + more, "from_lactation": lactation,
                    "to_lactation": lactation + later, "semen_types": [SemenType::ALL[*semen]],
                }))
                .collect();
            let rule = rule(&json!(sent));
            let none = Groups::default();
            let class = if lactation == 0 { Class::Heifer } else { Class::Cow };
            let told = rule.allows(&Case { service, class, lactation, groups: &none, day: day(1) });
            let first = clauses.iter().find(|(first, more, from, later, _)| {
                (*first..=first + more).contains(&service) && (*from..=from + later).contains(&lactation)
            });
            let expected = first.map_or_else(|| SemenType::ALL.to_vec(), |clause| vec![SemenType::ALL[clause.4]]);
            prop_assert_eq!(told.semen_types, expected);
        }
    }
}
