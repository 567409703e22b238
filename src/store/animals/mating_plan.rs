//! Mating plans: one for each animal for whom something is planned.

use serde::Deserialize;
use serde_json::json;
use sqlx::types::Json;

use crate::{
    domain::{
        animals::mating_plan::{Choices, MatingPlan, PlanSource, PlannedChoice, PlannedSire},
        exchange::change::ChangeKind,
        identifiers::ExternalId,
        values::{
            AdeItemId, AnimalId, BusinessId, Code, HerdId, KeyId, MatingPlanId, Name, Note, SireId, Timestamp,
        },
    },
    store::{
        Error, Page, Result, Tx,
        exchange::change::{self, NewChange},
        ids::{ids_in, json_ids},
    },
};

/// A scalar subquery: the plan of the animal `$animal` as [`PlanRow`] reads it, null where she has none. A choice whose sire
/// was not in the book when it came finds him by his official names now.
macro_rules! plan_json {
    (sqlite, $animal:literal) => {
        concat!(
            "(select json_array(hex(p.id), case when p.item_id is not null then hex(p.item_id) end, p.source, p.planned_at,
                                p.note, p.recorded_at, hex(p.recorded_by), json(p.choices), json(
                  (select json_group_array(json_array(f.line, hex(s.id), s.name, json(s.identifiers)))
                   from (select c.key as line, unhex(c.value ->> 'sire_id', '-') as id from json_each(p.choices) c
                         where c.value ->> 'sire_id' is not null
                         union
                         select c.key, i.subject_id
                         from json_each(p.choices) c
                         join json_each(c.value, '$.sire_identifiers') n
                         join identifier i on i.business_id = $1 and i.scheme = n.value ->> 'scheme'
                              and i.code = n.value ->> 'id'
                         where c.value ->> 'sire_id' is null) f
                   join sire s on s.business_id = $1 and s.id = f.id)))
              from mating_plan p where p.business_id = $1 and p.animal_id = ",
            $animal,
            ")"
        )
    };
    (postgres, $animal:literal) => {
        concat!(
            "(select json_build_array(p.id, p.item_id, p.source, (extract(epoch from p.planned_at) * 1000000)::bigint, p.note,
                                (extract(epoch from p.recorded_at) * 1000000)::bigint, p.recorded_by, p.choices,
                  (select coalesce(json_agg(json_build_array(f.line, s.id, s.name, s.identifiers)), '[]')
                   from (select c.line - 1 as line, (c.value ->> 'sire_id')::uuid as id
                         from jsonb_array_elements(p.choices) with ordinality as c(value, line)
                         where c.value ->> 'sire_id' is not null
                         union
                         select c.line - 1, i.subject_id
                         from jsonb_array_elements(p.choices) with ordinality as c(value, line)
                         cross join lateral jsonb_array_elements(c.value -> 'sire_identifiers') as n(value)
                         join identifier i on i.business_id = $1 and i.scheme = n.value ->> 'scheme'
                              and i.code = n.value ->> 'id'
                         where c.value ->> 'sire_id' is null) f
                   join sire s on s.business_id = $1 and s.id = f.id))
              from mating_plan p where p.business_id = $1 and p.animal_id = ",
            $animal,
            ")"
        )
    };
}
pub(in crate::store) use plan_json;

/// Id, item, source, when it was made, note, when and by whom it was recorded, the choices, and which sires these mean.
#[derive(Deserialize)]
pub(in crate::store) struct PlanRow(
    MatingPlanId,
    Option<AdeItemId>,
    PlanSource,
    i64,
    Option<Note>,
    i64,
    KeyId,
    Vec<PlannedChoice>,
    Vec<Meant>,
);

/// A sire whom the choice of that number, from 0, means, with his name and official names.
#[derive(Deserialize)]
struct Meant(usize, SireId, Name, Vec<ExternalId>);

impl PlanRow {
    /// The plan of that animal. A choice whose names belong to several sires means none of them.
    pub(in crate::store) fn plan(self, animal_id: AnimalId) -> Result<MatingPlan> {
        let Self(id, item_id, source, planned_at, note, recorded_at, recorded_by, mut choices, meant) = self;
        for (n, choice) in choices.iter_mut().enumerate() {
            let mut his = meant.iter().filter(|Meant(line, ..)| *line == n);
            if let (Some(Meant(_, id, name, names)), None) = (his.next(), his.next()) {
                choice.sire_id = Some(*id);
                choice.sire_name = Some(name.clone());
                if choice.sire_identifiers.is_empty() {
                    choice.sire_identifiers.clone_from(names);
                }
            }
        }
        let time = |micros| {
            Timestamp::from_micros(micros)
                .ok_or_else(|| Error::Unusable(format!("a time of the mating plan {id} is out of range")))
        };
        Ok(MatingPlan {
            id,
            animal_id,
            choices,
            source,
            item_id,
            planned_at: time(planned_at)?,
            note,
            recorded_at: time(recorded_at)?,
            recorded_by,
        })
    }
}

/// Makes this the plan of its animal, who is in that herd, in the place of the one that `before` names.
pub async fn set(
    tx: &mut Tx,
    business: BusinessId,
    herd: HerdId,
    plan: &MatingPlan,
    before: Option<MatingPlanId>,
) -> Result<()> {
    tx.sql(
        "insert into mating_plan (business_id, animal_id, id, item_id, choices, source, planned_at, note, recorded_at,
                                  recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
         on conflict (business_id, animal_id) do update
         set id = excluded.id, item_id = excluded.item_id, choices = excluded.choices, source = excluded.source,
             planned_at = excluded.planned_at, note = excluded.note, recorded_at = excluded.recorded_at,
             recorded_by = excluded.recorded_by",
    )
    .bind(business)
    .bind(plan.animal_id)
    .bind(plan.id)
    .bind(plan.item_id)
    .bind(Choices(kept(plan)))
    .bind(plan.source)
    .bind(plan.planned_at)
    .bind(plan.note.clone())
    .bind(plan.recorded_at)
    .bind(plan.recorded_by)
    .run()
    .await?;
    if let Some(before) = before.filter(|before| *before != plan.id) {
        change::note(tx, business, noted(before, herd, plan.animal_id).reversed(true));
    }
    change::note(tx, business, noted(plan.id, herd, plan.animal_id));
    Ok(())
}

/// The choices as they are kept: what the sires of this book are called stands with them; of those that herd software named
/// also how it did.
fn kept(plan: &MatingPlan) -> Vec<PlannedChoice> {
    let kept = |choice: &PlannedChoice| {
        let is_ours = choice.sire_id.is_some();
        let mut kept = choice.clone();
        kept.sire_name = kept.sire_name.filter(|_| !is_ours);
        if is_ours && plan.item_id.is_none() {
            kept.sire_identifiers.clear();
        }
        kept
    };
    plan.choices.iter().map(kept).collect()
}

/// Nothing is planned for her any more.
pub async fn remove(
    tx: &mut Tx,
    business: BusinessId,
    herd: HerdId,
    animal: AnimalId,
    plan: MatingPlanId,
) -> Result<()> {
    tx.sql("delete from mating_plan where business_id = $1 and animal_id = $2")
        .bind(business)
        .bind(animal)
        .run()
        .await?;
    change::note(tx, business, noted(plan, herd, animal).reversed(true));
    Ok(())
}

fn noted(plan: MatingPlanId, herd: HerdId, animal: AnimalId) -> NewChange {
    NewChange::of(ChangeKind::MatingPlan, plan.0).herd(herd).animal(animal)
}

/// An animal with her plan.
#[derive(Clone, Debug)]
pub struct Planned {
    /// The animal.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// Her herd.
    pub herd_id: HerdId,
    /// What it is called.
    pub herd_name: Name,
    /// What is planned for her.
    pub plan: Option<MatingPlan>,
}

#[derive(sqlx::FromRow)]
struct Row {
    animal_id: AnimalId,
    animal_number: Code,
    herd_id: HerdId,
    herd_name: Name,
    plan: Option<Json<PlanRow>>,
}

impl Row {
    fn planned(self) -> Result<Planned> {
        let Self { animal_id, animal_number, herd_id, herd_name, plan } = self;
        let plan = plan.map(|row| row.0.plan(animal_id)).transpose()?;
        Ok(Planned { animal_id, animal_number, herd_id, herd_name, plan })
    }
}

macro_rules! planned {
    ($database:ident, $rest:expr) => {
        concat!(
            "select a.id as animal_id, a.number as animal_number, a.herd_id, h.name as herd_name, ",
            plan_json!($database, "a.id"),
            " as plan
             from animal a join herd h on h.business_id = a.business_id and h.id = a.herd_id ",
            $rest
        )
    };
}

/// An animal with her plan; `None` when there is no such animal.
pub async fn find(tx: &mut Tx, business: BusinessId, animal: AnimalId) -> Result<Option<Planned>> {
    let row: Option<Row> = tx
        .sql_for(
            planned!(sqlite, "where a.business_id = $1 and a.id = $2"),
            planned!(postgres, "where a.business_id = $1 and a.id = $2"),
        )
        .bind(business)
        .bind(animal)
        .optional()
        .await?;
    row.map(Row::planned).transpose()
}

/// Animals for whom something is planned, in the order in which their plans came.
pub async fn list(tx: &mut Tx, business: BusinessId, page: Page) -> Result<Vec<Planned>> {
    // Uses mating_plan_by_id.
    macro_rules! page {
        ($database:ident) => {
            planned!(
                $database,
                "join (select animal_id, id from mating_plan where business_id = $1 and id > $2 order by id limit $3) o
                      on o.animal_id = a.id
                 where a.business_id = $1
                 order by o.id"
            )
        };
    }
    let rows: Vec<Row> = tx
        .sql_for(page!(sqlite), page!(postgres))
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .all()
        .await?;
    rows.into_iter().map(Row::planned).collect()
}

/// The plans of these ids, with their animals, in no order.
pub async fn of_ids(tx: &mut Tx, business: BusinessId, plans: &[uuid::Uuid]) -> Result<Vec<Planned>> {
    macro_rules! of {
        ($database:ident) => {
            planned!(
                $database,
                concat!(
                    "join mating_plan o on o.business_id = $1 and o.animal_id = a.id
                     where a.business_id = $1 and o.id ",
                    ids_in!($database, "$2")
                )
            )
        };
    }
    let rows: Vec<Row> =
        tx.sql_for(of!(sqlite), of!(postgres)).bind(business).bind(json!(plans).to_string()).all().await?;
    rows.into_iter().map(Row::planned).collect()
}

/// These sires, as a plan asks about them, in the order of their ids.
pub async fn sires(tx: &mut Tx, business: BusinessId, sires: &[SireId]) -> Result<Vec<PlannedSire>> {
    macro_rules! of {
        ($database:ident) => {
            concat!(
                "select s.id, s.name, s.identifiers, count(l.id) as lots, count(case when l.status = 'usable' then 1 end) as usable_lots
                 from sire s left join lot l on l.business_id = s.business_id and l.sire_id = s.id
                 where s.business_id = $1 and s.id ",
                ids_in!($database, "$2"),
                " group by s.id, s.name, s.identifiers order by s.id"
            )
        };
    }
    tx.sql_for(of!(sqlite), of!(postgres)).bind(business).bind(json_ids(sires)).all().await
}
