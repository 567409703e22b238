//! What is said of a mating's kinship: the same words wherever it is asked.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        animals::kinship::{ANCESTORS_TO_THE_THIRD, Inbreeding},
        values::{Name, SireId},
    },
    text_enum,
};

/// Expected inbreeding from which a mating is warned of, below the herd's limit: 6.25 %, that of first cousins' calves
/// (arithmetic; that one warns there is common practice, no source).
pub const WARN_FROM: f64 = 0.0625;

text_enum! {
    /// What the expected inbreeding of a mating means.
    KinshipVerdict {
        /// Low, and the parents of both are known.
        Low = "low",
        /// Low as far as known: a parent of hers or of his is not on record.
        Unknown = "unknown",
        /// From 6.25 % on, below the herd's limit.
        Warning = "warning",
        /// At the herd's limit or above it: refused.
        OverLimit = "over_limit",
    }
}

/// The kinship of a mating, from the known pedigree.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct MatingKinship {
    /// The sire.
    pub sire_id: SireId,
    /// His name.
    pub sire_name: Name,
    /// The expected inbreeding of a calf, 0 to 1; whoever is not on record counts as unrelated.
    #[schema(minimum = 0, maximum = 1, example = 0.0625)]
    pub expected_inbreeding: f64,
    /// What that means in this herd.
    pub verdict: KinshipVerdict,
    /// Her known ancestors to the third generation, of 14.
    #[schema(maximum = 14)]
    pub known_ancestors_of_hers: u32,
    /// His known ancestors to the third generation, of 14.
    #[schema(maximum = 14)]
    pub known_ancestors_of_his: u32,
    /// The same in words.
    #[schema(max_length = 500)]
    pub text: String,
}

impl MatingKinship {
    /// What is said of a mating with that sire in a herd with that limit.
    pub fn of(sire_id: SireId, sire_name: &Name, inbreeding: Inbreeding, limit: f64) -> Self {
        let coefficient = inbreeding.coefficient;
        let percent = |share: f64| {
            let text = format!("{:.2}", share * 100.0);
            text.trim_end_matches('0').trim_end_matches('.').to_owned()
        };
        let caveat = inbreeding.caveat();
        let verdict = if coefficient > 0.0 && coefficient >= limit {
            KinshipVerdict::OverLimit
        } else if coefficient >= WARN_FROM {
            KinshipVerdict::Warning
        } else if caveat.is_some() {
            KinshipVerdict::Unknown
        } else {
            KinshipVerdict::Low
        };
        let figure = format!("a calf's expected inbreeding is {} %", percent(coefficient));
        let said = match verdict {
            KinshipVerdict::OverLimit => {
                format!("She and {sire_name} are related: {figure}, this herd's limit {} %.", percent(limit))
            }
            KinshipVerdict::Warning => format!(
                "She and {sire_name} are related: {figure}, below this herd's limit of {} %; another sire is better.",
                percent(limit)
            ),
            KinshipVerdict::Unknown => {
                format!("The kinship of her and {sire_name} is not fully known: as far as it is, {figure}.")
            }
            KinshipVerdict::Low => format!("She and {sire_name}: {figure}."),
        };
        let text = caveat.into_iter().fold(said, |said, caveat| format!("{said} {caveat}"));
        let (hers, his) = (inbreeding.dam.known_to_the_third, inbreeding.sire.known_to_the_third);
        Self {
            sire_id,
            sire_name: sire_name.clone(),
            expected_inbreeding: coefficient,
            verdict,
            known_ancestors_of_hers: hers.min(ANCESTORS_TO_THE_THIRD),
            known_ancestors_of_his: his.min(ANCESTORS_TO_THE_THIRD),
            text,
        }
    }

    /// What must be heeded before the act, if anything.
    pub fn warning(&self) -> Option<String> {
        (self.verdict == KinshipVerdict::Warning).then(|| self.text.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::animals::kinship::Completeness;

    fn told(coefficient: f64, known: u32) -> MatingKinship {
        let side = Completeness { generations: known / 2, known_to_the_third: known };
        let inbreeding = Inbreeding { coefficient, dam: side, sire: side };
        MatingKinship::of(SireId::new(), &Name::parse("Invented One").unwrap(), inbreeding, 0.125)
    }

    #[test]
    fn six_and_a_quarter_percent_warns_and_the_herds_limit_refuses() {
        // Half sibs 0.125, first cousins 0.0625 (tabular method, Mrode 3e ch. 2).
        assert_eq!(told(0.125, 2).verdict, KinshipVerdict::OverLimit);
        let warned = told(0.0625, 2);
        assert_eq!(warned.verdict, KinshipVerdict::Warning);
        assert!(warned.text.contains("6.25 %") && warned.text.contains("12.5 %"), "{}", warned.text);
        assert_eq!(told(0.0624, 2).verdict, KinshipVerdict::Low);
        assert_eq!(told(0.0624, 2).warning(), None);
    }

    #[test]
    fn unknown_parents_are_said() {
        let unknown = told(0.0, 0);
        assert_eq!(unknown.verdict, KinshipVerdict::Unknown);
        assert!(
            unknown.text.contains("not fully known") && unknown.text.contains("none of hers"),
            "{}",
            unknown.text
        );
        assert_eq!(told(0.0, 2).verdict, KinshipVerdict::Low);
    }
}
