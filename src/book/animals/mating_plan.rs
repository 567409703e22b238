//! What is planned for an animal is set, or taken away.

use crate::{
    book::{
        CommandError,
        catalogue::check_version,
        command::{Command, CommandContext},
    },
    domain::{
        animals::mating_plan::{self, MatingPlan, NewMatingPlan},
        rejection::Rejection,
        values::AnimalId,
    },
    store::{
        self,
        animals::{candidate, mating_plan as plans, pedigree},
    },
};

/// Sets the plan of an animal, in the place of the one that there was.
#[derive(Clone, Debug)]
pub struct SetMatingPlan {
    /// The animal.
    pub animal_id: AnimalId,
    /// What is planned.
    pub new: NewMatingPlan,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
}

/// What came of it.
#[derive(Debug)]
pub struct PlanSet {
    /// The plan as it stands.
    pub plan: MatingPlan,
    /// Whether there was none before.
    pub is_new: bool,
    /// What is to be heeded.
    pub warnings: Vec<String>,
}

impl Command for SetMatingPlan {
    type Done = PlanSet;
    const DECIDES_FIRST: bool = true;

    /// The same once more changes nothing.
    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<PlanSet, CommandError> {
        let business = cx.business();
        let asked = candidate::Asked { animal: Some(self.animal_id), ..candidate::Asked::default() };
        let found = candidate::gather(cx.tx, business, asked).await?.candidate;
        let mut candidate = found.ok_or_else(|| unknown(self.animal_id))?;
        let ids = self.new.sires();
        let sires = plans::sires(cx.tx, business, &ids).await?;
        for (n, choice) in self.new.choices.iter().enumerate() {
            if !sires.iter().any(|sire| sire.id == choice.sire_id) {
                let pointer = Some(format!("#/choices/{n}/sire_id"));
                return Err(Rejection::Unknown { what: "sire", id: choice.sire_id.0, pointer }.into());
            }
        }
        let before = candidate.plan.take();
        check_match(self.if_match.as_deref(), before.as_ref())?;
        candidate.pedigree = pedigree::of(cx.tx, business, candidate.id, &ids).await?;
        let warnings = mating_plan::warnings(&candidate, &sires);
        let by = cx.caller.key_id;
        let plan = MatingPlan::entered(candidate.id, &self.new, &sires, before.as_ref(), by, cx.now);
        let plan = match before {
            Some(before) if before.says_the_same(&plan) => {
                return Ok(PlanSet { plan: before, is_new: false, warnings });
            }
            before => {
                let before = before.map(|before| before.id);
                plans::set(cx.tx, business, candidate.herd_id, &plan, before).await?;
                PlanSet { plan, is_new: before.is_none(), warnings }
            }
        };
        Ok(plan)
    }
}

/// Takes the plan of an animal away.
#[derive(Clone, Debug)]
pub struct RemoveMatingPlan {
    /// The animal.
    pub animal_id: AnimalId,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
}

impl Command for RemoveMatingPlan {
    type Done = ();
    const DECIDES_FIRST: bool = true;

    /// A second time changes nothing.
    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<(), CommandError> {
        let business = cx.business();
        let found = store::animals::mating_plan::find(cx.tx, business, self.animal_id).await?;
        let found = found.ok_or_else(|| unknown(self.animal_id))?;
        check_match(self.if_match.as_deref(), found.plan.as_ref())?;
        if let Some(plan) = found.plan {
            plans::remove(cx.tx, business, found.herd_id, found.animal_id, plan.id).await?;
        }
        Ok(())
    }
}

fn unknown(animal: AnimalId) -> Rejection {
    Rejection::Unknown { what: "animal", id: animal.0, pointer: None }
}

/// Refuses a change where none of the `wanted` versions is in the book any more; of no plan there is none (RFC 9110, section
/// 13.1.1).
fn check_match(wanted: Option<&[String]>, plan: Option<&MatingPlan>) -> Result<(), CommandError> {
    match plan {
        Some(plan) => check_version(wanted, plan),
        None if wanted.is_some() => Err(Rejection::Stale.into()),
        None => Ok(()),
    }
}
