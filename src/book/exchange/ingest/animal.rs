//! An animal that a herd system tells: entered, or brought up to date.

use std::collections::BTreeSet;

use crate::{
    book::{
        CommandError,
        catalogue::{Add, CatalogueItem as _},
        command::{Command as _, CommandContext},
        exchange::ingest::{Entered, Message, insemination::sires_called},
        lookup,
    },
    domain::{
        animals::{
            animal::{Animal, AnimalDetails},
            herd::HerdDetails,
        },
        exchange::{
            ade::{AdeItem, day_meant},
            change::ChangeKind,
        },
        form::Fault,
        identifiers::{ExternalId, Identifiers},
        rejection::Rejection,
        values::{AnimalId, Code, HerdId, Name, Timestamp},
    },
    store::{self, animals::identifier::NamedAnimal, exchange::change::NewChange},
};

/// What is told of an animal.
#[derive(Clone, Debug, Default)]
pub struct AnimalReport {
    /// Her other names.
    pub names: Vec<ExternalId>,
    /// Why she is only kept and not entered, if so.
    pub only_kept: Option<&'static str>,
    /// Her number in the herd.
    pub number: Option<Code>,
    /// Her name.
    pub name: Option<Name>,
    /// When she was born.
    pub born_at: Option<Timestamp>,
    /// Her breed.
    pub breed: Option<Code>,
    /// The names of her sire.
    pub sire: Vec<ExternalId>,
    /// The names of her dam.
    pub dam: Vec<ExternalId>,
    /// True: she is gone; false: she is here.
    pub is_gone: Option<bool>,
}

pub(super) async fn enter(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    herd_id: HerdId,
    name: &ExternalId,
    told: &AnimalReport,
) -> Result<Entered, CommandError> {
    if let Some(why) = told.only_kept {
        return Ok(Entered { messages: vec![Message::warning(why)], ..Entered::default() });
    }
    let business = cx.business();
    let herd = lookup::herd_of(cx.tx, business, herd_id).await?.details;
    let names: Vec<ExternalId> = std::iter::once(name).chain(&told.names).cloned().collect();
    let before = match item.subject_id {
        Some(id) => Some(lookup::animal_of(cx.tx, business, AnimalId(id)).await?),
        None => the_one_called(cx, &names).await?,
    };
    // That she is gone may be told of one who was here and is elsewhere by now; it changes nothing.
    let was_here = item.subject_id.is_some() && told.is_gone == Some(true);
    if !was_here && before.as_ref().is_some_and(|before| !cx.caller.may_see(before)) {
        return Err(not_this_keys().into());
    }
    if let Some(before) =
        before.as_ref().filter(|one| told.is_gone == Some(true) && one.details.herd_id != herd_id)
    {
        return Ok(elsewhere(item, herd_id, before.id));
    }
    let details = details(cx, herd_id, &herd, &names, told, before.as_ref()).await?;
    let animal = match before {
        None => Add::<Animal> { details }.run(cx).await?,
        Some(before) if before.details == details => {
            // What only the herd system says of her may have changed, and is told as hers.
            let noted = NewChange::of(ChangeKind::Animal, before.id.0).herd(herd_id).animal(before.id);
            store::exchange::change::note(cx.tx, business, noted);
            before
        }
        Some(before) => {
            let after = before.clone().with(details);
            after.check(cx, Some(&before)).await?;
            after.change(cx.tx, business).await?;
            after
        }
    };
    Ok(Entered { animal: Some(animal.id), subject: Some(animal.id.0), ..Entered::default() })
}

/// She is of a herd that the caller's key is not good for: it does not bring her into another.
fn not_this_keys() -> Rejection {
    let detail = "is that of an animal at a location that this key is not good for; have her brought here by a key without limits";
    Rejection::Invalid(vec![Fault::at("identifier", detail)])
}

/// She is at another location by now; that she is gone from this one changes nothing of her.
fn elsewhere(item: &AdeItem, herd_id: HerdId, id: AnimalId) -> Entered {
    let messages =
        vec![Message::information("She is at another location of this book; nothing was changed.")];
    let subject = item.subject_id.filter(|_| item.herd_id == herd_id);
    Entered { animal: Some(id), subject, messages, ..Entered::default() }
}

/// The animal that goes by one of these names, if there is one.
async fn the_one_called(
    cx: &mut CommandContext<'_>,
    names: &[ExternalId],
) -> Result<Option<Animal>, CommandError> {
    let business = cx.business();
    match animals_called(cx, names).await?.as_slice() {
        [] => Ok(None),
        [one] => Ok(Some(lookup::animal_of(cx.tx, business, *one).await?)),
        _ => {
            let detail = "and the alternative identifiers belong to several animals of this book";
            Err(Rejection::Invalid(vec![Fault::at("identifier", detail)]).into())
        }
    }
}

/// The animals that go by any of these names, our own names included.
async fn animals_called(cx: &mut CommandContext<'_>, names: &[ExternalId]) -> store::Result<Vec<AnimalId>> {
    let business = cx.business();
    let found = store::animals::identifier::animals(cx.tx, business, names, super::own::ANIMAL).await?;
    let mut animals: Vec<AnimalId> = found.into_iter().map(|animal| animal.id).collect();
    animals.sort_unstable();
    animals.dedup();
    Ok(animals)
}

async fn details(
    cx: &mut CommandContext<'_>,
    herd_id: HerdId,
    herd: &HerdDetails,
    names: &[ExternalId],
    told: &AnimalReport,
    before: Option<&Animal>,
) -> Result<AnimalDetails, CommandError> {
    let business = cx.business();
    let sires = sires_called(cx.tx, business, &told.sire).await?;
    let dams = store::animals::identifier::animals(cx.tx, business, &told.dam, super::own::ANIMAL).await?;
    let is_known = |dam: &&NamedAnimal| cx.limits().is_none_or(|limits| limits.herd(dam.herd_id));
    let dams: BTreeSet<AnimalId> = dams.iter().filter(is_known).map(|dam| dam.id).collect();
    let sire_id = sires.first().copied().filter(|_| sires.len() == 1);
    let dam_id = dams.first().copied().filter(|_| dams.len() == 1);
    // Our own names are not kept as names: they are the id.
    let given = names.iter().filter(|name| name.scheme.as_str() != super::own::ANIMAL).cloned();
    let born_on = told.born_at.map(|at| day_meant(at, herd.time_zone));
    let number = || told.number.clone().or_else(|| names.first().map(|name| name.id.clone()));
    let old = before.map(|animal| &animal.details);
    let today = cx.now.day_in(herd.time_zone);
    let left_on = old.and_then(|old| old.left_on);
    let number = match old {
        Some(old) => told.number.clone().unwrap_or_else(|| old.number.clone()),
        None => number().ok_or(Rejection::Invalid(vec![Fault::at("identifier", "is required")]))?,
    };
    Ok(AnimalDetails {
        herd_id,
        number,
        name: told.name.clone().or_else(|| old.and_then(|old| old.name.clone())),
        identifiers: Identifiers::of(
            old.into_iter().flat_map(|old| old.identifiers.iter().cloned()).chain(given),
        ),
        born_on: born_on.or_else(|| old.and_then(|old| old.born_on)),
        sire_id: sire_id.or_else(|| old.and_then(|old| old.sire_id)),
        dam_id: dam_id.or_else(|| old.and_then(|old| old.dam_id)),
        breed: told.breed.clone().or_else(|| old.and_then(|old| old.breed.clone())),
        groups: old.map(|old| old.groups.clone()).unwrap_or_default(),
        left_on: match told.is_gone {
            None => left_on,
            Some(false) => left_on.filter(|left| *left > today),
            Some(true) => Some(left_on.unwrap_or(today)),
        },
        donor: old.is_some_and(|old| old.donor),
    })
}

/// The sender takes her back: what is on record of her stays, and she counts as gone.
pub(super) async fn left(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    herd_id: HerdId,
) -> Result<Entered, CommandError> {
    let business = cx.business();
    let Some(id) = item.subject_id else {
        return Ok(Entered { animal: item.animal_id, ..Entered::default() });
    };
    let before = lookup::animal_of(cx.tx, business, AnimalId(id)).await?;
    if before.details.herd_id != herd_id {
        return Ok(elsewhere(item, herd_id, before.id));
    }
    let herd = lookup::herd_of(cx.tx, business, before.details.herd_id).await?.details;
    if before.details.left_on.is_none() {
        let today = cx.now.day_in(herd.time_zone);
        let details = AnimalDetails { left_on: Some(today), ..before.details.clone() };
        store::animals::animal::change(cx.tx, business, before.id, &details).await?;
    }
    let messages = vec![Message::information("What is on record of her stays; she counts as gone.")];
    Ok(Entered { animal: Some(before.id), subject: Some(id), messages, ..Entered::default() })
}
