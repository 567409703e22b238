//! Sires.

use crate::{
    domain::{
        exchange::change::ChangeKind,
        search::{Query, words},
        straws::sire::{Sire, SireDetails},
        values::{BusinessId, Code, SireId},
    },
    store::{
        Page, Result, Tx,
        animals::identifier,
        exchange::change::{self, NewChange},
        search::{self, SearchSubject, is_found},
    },
};

/// The columns of a sire `s` in short, as [`SireSummary`](crate::domain::straws::sire::SireSummary) reads them.
macro_rules! sire_columns {
    () => {
        "s.id as sire_id, s.name as sire_name, s.breed as sire_breed, s.purpose as sire_purpose, s.identifiers as sire_identifiers"
    };
}
pub(crate) use sire_columns;

/// The columns of a sire, as [`Sire`] reads them.
macro_rules! sire_details_columns {
    () => {
        "id, name, breed, purpose, identifiers, sire_id, dam_id, maternal_grandsire_id, sire_identifier, dam_identifier,
         maternal_grandsire_identifier, created_at"
    };
}

/// Enters a sire.
pub async fn add(tx: &mut Tx, business: BusinessId, sire: &Sire) -> Result<()> {
    let d = &sire.details;
    tx.sql(
        "insert into sire (business_id, id, name, breed, identifiers, sire_id, dam_id, created_at,
                           maternal_grandsire_id, sire_identifier, dam_identifier, maternal_grandsire_identifier, purpose)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
    )
    .bind(business)
    .bind(sire.id)
    .bind(d.name.clone())
    .bind(d.breed.clone())
    .bind(d.identifiers.clone())
    .bind(d.sire_id)
    .bind(d.dam_id)
    .bind(sire.created_at)
    .bind(d.maternal_grandsire_id)
    .bind(d.sire_identifier.clone())
    .bind(d.dam_identifier.clone())
    .bind(d.maternal_grandsire_identifier.clone())
    .bind(d.purpose)
    .run()
    .await?;
    identifier::set(tx, business, sire.id.0, &d.identifiers).await?;
    set_words(tx, business, sire.id, d).await?;
    change::note(tx, business, NewChange::of(ChangeKind::Sire, sire.id.0));
    Ok(())
}

/// Changes what is said of a sire.
pub async fn change(tx: &mut Tx, business: BusinessId, id: SireId, d: &SireDetails) -> Result<()> {
    tx.sql(
        "update sire set name = $3, breed = $4, identifiers = $5, sire_id = $6, dam_id = $7,
                         maternal_grandsire_id = $8, sire_identifier = $9, dam_identifier = $10,
                         maternal_grandsire_identifier = $11, purpose = $12
         where business_id = $1 and id = $2",
    )
    .bind(business)
    .bind(id)
    .bind(d.name.clone())
    .bind(d.breed.clone())
    .bind(d.identifiers.clone())
    .bind(d.sire_id)
    .bind(d.dam_id)
    .bind(d.maternal_grandsire_id)
    .bind(d.sire_identifier.clone())
    .bind(d.dam_identifier.clone())
    .bind(d.maternal_grandsire_identifier.clone())
    .bind(d.purpose)
    .run()
    .await?;
    identifier::set(tx, business, id.0, &d.identifiers).await?;
    set_words(tx, business, id, d).await?;
    change::note(tx, business, NewChange::of(ChangeKind::Sire, id.0));
    Ok(())
}

/// The words by which he is found.
async fn set_words(tx: &mut Tx, business: BusinessId, id: SireId, d: &SireDetails) -> Result<()> {
    let words = words([d.name.as_str()], &d.identifiers);
    search::set(tx, business, SearchSubject::Sire, id.0, &words).await
}

/// One sire.
pub async fn find(tx: &mut Tx, business: BusinessId, id: SireId) -> Result<Option<Sire>> {
    tx.sql(concat!("select ", sire_details_columns!(), " from sire where business_id = $1 and id = $2"))
        .bind(business)
        .bind(id)
        .optional()
        .await
}

/// Sires, oldest first; of one breed, or by an official name, when these are given.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    breed: Option<Code>,
    identifier: Option<Code>,
    page: Page,
) -> Result<Vec<Sire>> {
    macro_rules! filtered {
        ($leading:literal) => {
            concat!(
                "select ",
                sire_details_columns!(),
                "
                 from sire
                 where business_id = $1 and id > $2 and ($4 is null or breed = $4) and ",
                $leading,
                "
                 order by id limit $3"
            )
        };
    }
    tx.sql(if identifier.is_some() {
        // identifier_by_code and the primary key.
        filtered!("id in (select i.subject_id from identifier i where i.business_id = $1 and i.code = $5)")
    } else {
        // The primary key; a business knows few sires.
        filtered!("$5 is null")
    })
    .bind(business)
    .bind(page.after)
    .bind(page.limit)
    .bind(breed)
    .bind(identifier)
    .all()
    .await
}

/// Sires, oldest first, of whose name or official names a word begins so; of one breed, or with an official name as well, when
/// these are given.
pub async fn search(
    tx: &mut Tx,
    business: BusinessId,
    query: &Query,
    breed: Option<Code>,
    identifier: Option<Code>,
    page: Page,
) -> Result<Vec<Sire>> {
    macro_rules! found {
        ($database:ident) => {
            concat!(
                "select ",
                sire_details_columns!(),
                "
                 from sire
                 where business_id = $1 and id > $2 and ($4 is null or breed = $4) and ",
                is_found!($database, "sire", "id", "$5"),
                " and ($6 is null or id in (select i.subject_id from identifier i where i.business_id = $1 and i.code = $6))
                 order by id limit $3"
            )
        };
    }
    // Uses the key of search_word.
    tx.sql_for(found!(sqlite), found!(postgres))
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .bind(breed)
        .bind(search::spans(Some(query)))
        .bind(identifier)
        .all()
        .await
}
