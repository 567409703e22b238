//! Animals.

use serde_json::json;
use uuid::Uuid;

use crate::{
    domain::{
        animals::animal::{Animal, AnimalDetails},
        exchange::{change::ChangeKind, outgoing::Descent},
        identifiers::ExternalId,
        search::{Query, last_digits, words},
        values::{AnimalId, BusinessId, Code, Day, HerdId, Name},
    },
    store::{
        Page, Result, Tx,
        animals::identifier,
        exchange::change::{self, NewChange},
        search::{self, SearchSubject, is_found},
        straws::sire::sire_columns,
    },
};

/// The columns of an animal, as [`Animal`] reads them.
macro_rules! animal_columns {
    () => {
        "id, herd_id, number, name, identifiers, born_on, sire_id, dam_id, breed, left_on, donor, animal_groups, created_at"
    };
}

/// The columns of the animal `a` beside another thing, as [`HerselfBeside`](crate::domain::animals::included::HerselfBeside)
/// reads them.
macro_rules! her_columns {
    () => {
        "a.id as her_id, a.herd_id as her_herd_id, a.number as her_number, a.name as her_name,
         a.identifiers as her_identifiers, a.born_on as her_born_on, a.sire_id as her_sire_id, a.dam_id as her_dam_id,
         a.breed as her_breed, a.left_on as her_left_on, a.donor as her_donor, a.animal_groups as her_groups,
         a.created_at as her_created_at"
    };
}
pub(in crate::store) use her_columns;

/// Enters an animal.
pub async fn add(tx: &mut Tx, business: BusinessId, animal: &Animal) -> Result<()> {
    let d = &animal.details;
    tx.sql(
        "insert into animal (business_id, id, herd_id, number, name, identifiers, born_on, sire_id, dam_id,
                             breed, left_on, created_at, donor, animal_groups)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)",
    )
    .bind(business)
    .bind(animal.id)
    .bind(d.herd_id)
    .bind(d.number.clone())
    .bind(d.name.clone())
    .bind(d.identifiers.clone())
    .bind(d.born_on)
    .bind(d.sire_id)
    .bind(d.dam_id)
    .bind(d.breed.clone())
    .bind(d.left_on)
    .bind(animal.created_at)
    .bind(d.donor)
    .bind(d.groups.clone())
    .run()
    .await?;
    identifier::set(tx, business, animal.id.0, &d.identifiers).await?;
    set_words(tx, business, animal.id, d).await?;
    change::note(
        tx,
        business,
        NewChange::of(ChangeKind::Animal, animal.id.0).herd(d.herd_id).animal(animal.id),
    );
    Ok(())
}

/// Changes what is said of an animal; the herd that she leaves is kept, in one call.
pub async fn change(tx: &mut Tx, business: BusinessId, id: AnimalId, d: &AnimalDetails) -> Result<()> {
    tx.sql_for(
        "insert into former_herd (business_id, animal_id, herd_id)
         select business_id, id, herd_id from animal where business_id = $1 and id = $2 and herd_id <> $3
         on conflict (business_id, herd_id, animal_id) do nothing;
         update animal set herd_id = $3, number = $4, name = $5, identifiers = $6, born_on = $7, sire_id = $8,
                           dam_id = $9, breed = $10, left_on = $11, donor = $12, animal_groups = $13
         where business_id = $1 and id = $2",
        "with moved as (
             insert into former_herd (business_id, animal_id, herd_id)
             select business_id, id, herd_id from animal where business_id = $1 and id = $2 and herd_id <> $3
             on conflict (business_id, herd_id, animal_id) do nothing)
         update animal set herd_id = $3, number = $4, name = $5, identifiers = $6, born_on = $7, sire_id = $8,
                           dam_id = $9, breed = $10, left_on = $11, donor = $12, animal_groups = $13
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.herd_id)
    .bind(d.number.clone())
    .bind(d.name.clone())
    .bind(d.identifiers.clone())
    .bind(d.born_on)
    .bind(d.sire_id)
    .bind(d.dam_id)
    .bind(d.breed.clone())
    .bind(d.left_on)
    .bind(d.donor)
    .bind(d.groups.clone())
    .run()
    .await?;
    identifier::set(tx, business, id.0, &d.identifiers).await?;
    set_words(tx, business, id, d).await?;
    change::note(tx, business, NewChange::of(ChangeKind::Animal, id.0).herd(d.herd_id).animal(id));
    Ok(())
}

/// The words by which she is found.
async fn set_words(tx: &mut Tx, business: BusinessId, id: AnimalId, d: &AnimalDetails) -> Result<()> {
    let texts = [Some(d.number.as_str()), d.name.as_ref().map(Name::as_str)];
    let mut words = words(texts.into_iter().flatten(), &d.identifiers);
    words.extend(last_digits(&d.identifiers));
    words.sort_unstable();
    words.dedup();
    search::set(tx, business, SearchSubject::Animal, id.0, &words).await
}

/// Enters who the dam of an animal is.
pub async fn set_dam(tx: &mut Tx, business: BusinessId, id: AnimalId, dam: AnimalId) -> Result<()> {
    tx.sql("update animal set dam_id = $3 where business_id = $1 and id = $2")
        .bind(business)
        .bind(id)
        .bind(dam)
        .run()
        .await
        .map(drop)
}

/// One animal.
pub async fn find(tx: &mut Tx, business: BusinessId, id: AnimalId) -> Result<Option<Animal>> {
    tx.sql(concat!(
        "select ",
        animal_columns!(),
        "
         from animal where business_id = $1 and id = $2"
    ))
    .bind(business)
    .bind(id)
    .optional()
    .await
}

macro_rules! of_ids {
    ($ids:literal) => {
        concat!(
            "select ",
            animal_columns!(),
            "
             from animal where business_id = $1 and id in (",
            $ids,
            ")"
        )
    };
}

/// These animals, in no order.
pub async fn of_ids(tx: &mut Tx, business: BusinessId, ids: &[AnimalId]) -> Result<Vec<Animal>> {
    tx.sql_for(
        of_ids!("select unhex(q.value, '-') from json_each($2) as q"),
        of_ids!("select q.value::uuid from json_array_elements_text($2::json) as q(value)"),
    )
    .bind(business)
    .bind(json!(ids).to_string())
    .all()
    .await
}

macro_rules! descents {
    ($among:literal) => {
        concat!(
            "select a.id, a.herd_id, a.number, a.name, a.identifiers, a.born_on, a.dam_id, a.breed, a.left_on, a.donor,
                    a.animal_groups,
                    a.created_at, m.identifiers as dam_identifiers, ",
            sire_columns!(),
            " from animal a
             left join sire s on s.business_id = a.business_id and s.id = a.sire_id
             left join animal m on m.business_id = a.business_id and m.id = a.dam_id
             where a.business_id = $1 and a.id in ",
            $among
        )
    };
}

/// These animals with their parents, in no order.
pub async fn descents(tx: &mut Tx, business: BusinessId, ids: &[Uuid]) -> Result<Vec<Descent>> {
    tx.sql_for(
        descents!("(select unhex(q.value, '-') from json_each($2) as q)"),
        descents!("(select q.value::uuid from json_array_elements_text($2::json) as q(value))"),
    )
    .bind(business)
    .bind(json!(ids).to_string())
    .all()
    .await
}

/// The animals of that number in a herd, oldest entry first; farms give a number anew when its bearer has left.
pub async fn numbered(tx: &mut Tx, business: BusinessId, herd: HerdId, number: &Code) -> Result<Vec<Animal>> {
    // Uses animal_by_number, which covers the inner statement: without it SQLite, which keeps no statistics,
    // walks all animals of the business instead.
    tx.sql(concat!(
        "select ",
        animal_columns!(),
        "
         from animal
         where business_id = $1 and id in (
             select id from animal where business_id = $1 and herd_id = $2 and number = $3)
         order by id"
    ))
    .bind(business)
    .bind(herd)
    .bind(number.clone())
    .all()
    .await
}

/// When the eldest of her calves was born that is in the book with its day.
pub async fn eldest_calf_born_on(tx: &mut Tx, business: BusinessId, dam: AnimalId) -> Result<Option<Day>> {
    let born_on = tx.sql("select min(born_on) from animal where business_id = $1 and dam_id = $2");
    Ok(born_on.bind(business).bind(dam).value::<Option<Day>>().await?.flatten())
}

/// The first animal of that official name.
pub async fn identified(tx: &mut Tx, business: BusinessId, name: &ExternalId) -> Result<Option<AnimalId>> {
    // Uses identifier_by_code; in the order of `a.id` SQLite would walk the animals instead.
    tx.sql(
        "select a.id from identifier i join animal a on a.business_id = i.business_id and a.id = i.subject_id
         where i.business_id = $1 and i.scheme = $2 and i.code = $3 order by i.subject_id limit 1",
    )
    .bind(business)
    .bind(name.scheme.clone())
    .bind(name.id.clone())
    .value()
    .await
}

/// Which animals a list shows; what is not said is not asked.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of this herd.
    pub herd: Option<HerdId>,
    /// With this number.
    pub number: Option<Code>,
    /// With this official name, in whatever scheme.
    pub identifier: Option<Code>,
    /// Of whose number, name or official names a word begins so.
    pub query: Option<Query>,
    /// That left, or that did not.
    pub left: Option<bool>,
}

/// Animals, oldest entry first.
pub async fn list(tx: &mut Tx, business: BusinessId, wanted: Wanted, page: Page) -> Result<Vec<Animal>> {
    macro_rules! filtered {
        ($leading:expr) => {
            concat!(
                "select ",
                animal_columns!(),
                "
                 from animal
                 where business_id = $1 and ",
                $leading,
                " and ($4 is null or herd_id = $4)
                   and ($5 is null or number = $5) and ($7 is null or (left_on is not null) = $7)
                 order by id limit $3"
            )
        };
    }
    let spans = search::spans(wanted.query.as_ref());
    if spans.is_some() {
        macro_rules! found {
            ($database:ident) => {
                filtered!(concat!(
                    is_found!($database, "animal", "id", "$8"),
                    " and id > $2 and ($6 is null or id in (
                         select i.subject_id from identifier i where i.business_id = $1 and i.code = $6))"
                ))
            };
        }
        return tx
            .sql_for(found!(sqlite), found!(postgres))
            .bind(business)
            .bind(page.after)
            .bind(page.limit)
            .bind(wanted.herd)
            .bind(wanted.number)
            .bind(wanted.identifier)
            .bind(wanted.left)
            .bind(spans)
            .all()
            .await;
    }
    tx.sql(if wanted.identifier.is_some() {
        // identifier_by_code and the primary key.
        filtered!("id in (select i.subject_id from identifier i where i.business_id = $1 and i.code = $6) and id > $2")
    } else if wanted.number.is_some() {
        // animal_by_number, and then sorted: few have the same.
        filtered!("id in (select n.id from animal n where n.business_id = $1 and n.number = $5) and id > $2 and $6 is null")
    } else if wanted.herd.is_some() {
        // animal_by_herd.
        filtered!("herd_id = $4 and id > $2 and $6 is null")
    } else if wanted.left == Some(true) {
        // animal_left.
        filtered!("left_on is not null and id > $2 and $6 is null")
    } else {
        // The primary key.
        filtered!("id > $2 and $6 is null")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(wanted.herd)
    .bind(wanted.number)
    .bind(wanted.identifier)
    .bind(wanted.left)
    .all()
    .await
}
