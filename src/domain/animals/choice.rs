//! The choice rule: which semen type a service number calls for.
//!
//! Sexed semen for the first service, conventional after that (common practice, no source): she
//! conceives best at the first service, and a sexed straw is dear. A herd may say otherwise.

use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, Field, InputPath},
        straws::semen::SemenType,
        values::ServiceNumber,
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

form! {
    /// One line of a choice rule.
    #[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
    pub struct Clause, check Clause::check {
        /// The first service number it speaks of.
        pub from_service: ServiceNumber,
        /// The last one; without it, all that follow.
        pub to_service: Option<ServiceNumber>,
        /// Only heifers or only cows; without it, both.
        pub class: Option<Class>,
        /// What may be used.
        pub semen_types: Vec<SemenType>,
    }
}

impl Clause {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.to_service.is_some_and(|last| last < self.from_service) {
            faults.push(spot.member("to_service").fault("must not be less than from_service"));
        }
        if self.semen_types.is_empty() {
            faults.push(spot.member("semen_types").fault("must name at least one semen type"));
        }
    }

    fn speaks_of(&self, service: i64, class: Class) -> bool {
        service >= self.from_service.get()
            && self.to_service.is_none_or(|last| service <= last.get())
            && self.class.is_none_or(|only| only == class)
    }

    /// The clause in words: "service 1 of heifers: sexed (female) or sexed (male)".
    fn describe(&self) -> String {
        let services = match self.to_service {
            Some(last) if last == self.from_service => format!("service {last}"),
            Some(last) => format!("services {} to {last}", self.from_service),
            None => format!("service {} and later", self.from_service),
        };
        let whose = match self.class {
            Some(Class::Heifer) => " of heifers",
            Some(Class::Cow) => " of cows",
            None => "",
        };
        format!("{services}{whose}: {}", one_of(&self.semen_types))
    }
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
    /// The rule that says so, in words.
    pub text: String,
}

impl Allowed {
    /// For a donor, whose calves others carry: any type.
    pub fn of_donor() -> Self {
        Self {
            semen_types: SemenType::ALL.to_vec(),
            text: "She is a donor, flushed for embryos: the herd's choice rule does not speak of her, so any semen type \
                   may be used."
                .to_owned(),
        }
    }

    /// Whether this type may be used.
    pub fn has(&self, semen_type: SemenType) -> bool {
        self.semen_types.contains(&semen_type)
    }

    /// How soon the rule names this type: what it names first is wanted most.
    pub fn preference(&self, semen_type: SemenType) -> usize {
        self.semen_types.iter().position(|named| *named == semen_type).unwrap_or(usize::MAX)
    }
}

impl ChoiceRule {
    /// What may be used for service number `service` of a heifer or cow. A service of which no
    /// line speaks is not restricted.
    pub fn allows(&self, service: i64, class: Class) -> Allowed {
        match self.0.iter().find(|clause| clause.speaks_of(service, class)) {
            Some(clause) => Allowed {
                semen_types: clause.semen_types.clone(),
                text: format!(
                    "This is service {service} of a {class}. The herd's choice rule says {}.",
                    clause.describe()
                ),
            },
            None => Allowed {
                semen_types: SemenType::ALL.to_vec(),
                text: format!(
                    "This is service {service} of a {class}. The herd's choice rule says nothing of it, \
                     so any semen type may be used."
                ),
            },
        }
    }
}

/// Says so when the rule says nothing of a service.
pub fn unruled_warning(rule: &ChoiceRule, service: i64, class: Class) -> Option<String> {
    let is_ruled = rule.0.iter().any(|clause| clause.speaks_of(service, class));
    (!is_ruled).then(|| {
        format!("The herd's choice rule says nothing of service {service} of a {class}; have it completed.")
    })
}

impl Default for ChoiceRule {
    /// Service 1 sexed, later ones conventional (common practice, no source).
    fn default() -> Self {
        let (first, second) = (ServiceNumber::FIRST, ServiceNumber::SECOND);
        Self(vec![
            Clause {
                from_service: first,
                to_service: Some(first),
                class: None,
                semen_types: vec![SemenType::SexedFemale, SemenType::SexedMale],
            },
            Clause {
                from_service: second,
                to_service: None,
                class: None,
                semen_types: vec![SemenType::Conventional],
            },
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
    use serde_json::json;

    use super::*;
    use crate::domain::form::read;

    #[test]
    fn by_default_the_first_service_is_sexed_and_the_rest_conventional() {
        // Common practice, no source.
        let rule = ChoiceRule::default();
        for class in [Class::Heifer, Class::Cow] {
            assert_eq!(rule.allows(1, class).semen_types, [SemenType::SexedFemale, SemenType::SexedMale]);
            for later in 2..20 {
                assert_eq!(rule.allows(later, class).semen_types, [SemenType::Conventional]);
            }
        }
    }

    #[test]
    fn the_first_line_that_speaks_of_a_service_decides() {
        // Sexed on first and perhaps second service: De Vries, Univ. Florida.
        let rule: ChoiceRule = read(
            &json!([
                {"from_service": 1, "to_service": 2, "class": "heifer", "semen_types": ["sexed_female"]},
                {"from_service": 1, "semen_types": ["conventional"]},
            ]),
            &InputPath::body(),
        )
        .unwrap();
        assert_eq!(rule.allows(2, Class::Heifer).semen_types, [SemenType::SexedFemale]);
        assert_eq!(rule.allows(3, Class::Heifer).semen_types, [SemenType::Conventional]);
        assert_eq!(rule.allows(1, Class::Cow).semen_types, [SemenType::Conventional]);
        assert!(rule.allows(2, Class::Heifer).text.contains("services 1 to 2 of heifers: sexed (female)"));
    }

    #[test]
    fn a_service_that_no_line_speaks_of_is_not_restricted() {
        let rule: ChoiceRule = read(
            &json!([{"from_service": 1, "to_service": 1, "semen_types": ["sexed_male"]}]),
            &InputPath::body(),
        )
        .unwrap();
        assert_eq!(rule.allows(2, Class::Cow).semen_types, SemenType::ALL);
        let said = unruled_warning(&rule, 2, Class::Cow);
        assert!(said.is_some_and(|said| said.contains("says nothing of service 2 of a cow")));
        assert_eq!(unruled_warning(&rule, 1, Class::Cow), None);
    }

    #[test]
    fn a_rule_that_makes_no_sense_is_refused() {
        for (wrong, pointer) in [
            (json!([]), "#"),
            (
                json!([{"from_service": 2, "to_service": 1, "semen_types": ["conventional"]}]),
                "#/0/to_service",
            ),
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
}
