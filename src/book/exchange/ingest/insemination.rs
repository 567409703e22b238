//! An insemination that a herd system tells: with which straw.

use crate::{
    book::{
        CommandError,
        command::{Command as _, CommandContext},
        exchange::ingest::{Before, Content, Entered, Message, own},
        lookup,
        straws::withdraw,
    },
    domain::{
        animals::{
            animal::Animal,
            record_service::{NO_THAW, NewService},
        },
        exchange::ade::{AdeItem, Flag, MAY_BE_THE_SAME, MatchCriteria, MatchResult, Straw, day_meant},
        identifiers::ExternalId,
        straws::{place::Place, semen::SemenType, withdraw::NewWithdrawal, withdrawal::Withdrawal},
        values::{BusinessId, Code, LotId, Name, Note, SireId, Straws, Technician, Timestamp, WithdrawalId},
    },
    store::{self, Tx, straws::stock},
};

/// An insemination with semen.
#[derive(Clone, Debug, Default)]
pub struct Insemination {
    /// What is told of the straw.
    pub straw: StrawReport,
    /// Frozen, so that it may have hung in a tank of this book.
    pub was_frozen: bool,
    /// From the herd's own stock, or the technician's.
    pub from_herd_stock: Option<bool>,
    /// From where, in the sender's words.
    pub container: Option<String>,
}

/// What is told of a straw.
#[derive(Clone, Debug, Default)]
pub struct StrawReport {
    /// Its lot, by our own name for it.
    pub lot: Option<LotId>,
    /// The names of its sire.
    pub sires: Vec<ExternalId>,
    /// The batch printed on it.
    pub batch: Option<Code>,
    /// When it was collected.
    pub collected_at: Option<Timestamp>,
    /// Where.
    pub collection_centre: Option<Name>,
    /// Whether it was sorted.
    pub is_sexed: Option<bool>,
    /// For which sex.
    pub semen_type: Option<SemenType>,
}

/// When she was inseminated, by whom, and a remark.
pub(super) struct When {
    pub at: Option<Timestamp>,
    pub responsible: Option<Technician>,
    pub remark: Option<Note>,
}

/// With which straw.
pub enum Used {
    /// One that hangs here still, as far as the book knows.
    Hanging(LotId, Place),
    /// One that was withdrawn for her already.
    Withdrawn(WithdrawalId),
    /// One that never was in this book.
    Foreign(Option<SireId>, Option<SemenType>, bool),
}

pub(super) async fn enter(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    content: &Content,
    told: &Insemination,
    animal: &Animal,
    before: Before,
) -> Result<Entered, CommandError> {
    let at = content.at.unwrap_or(cx.now);
    let clues = clues(cx, told, animal).await?;
    let foreign = Used::Foreign(
        clues.sires.first().copied().filter(|_| clues.sires.len() == 1),
        clues.semen_type.or_else(|| (clues.is_sexed == Some(false)).then_some(SemenType::Conventional)),
        clues.from_herd_stock.unwrap_or(false),
    );
    let (used, flag, resolution) = match before {
        Before::Straw(lot, place, decided) if hangs(cx, lot, &place).await? => {
            (Used::Hanging(lot, place), None, decided)
        }
        Before::Withdrawn(id, decided) => (Used::Withdrawn(id), None, decided),
        Before::Decided(resolution, at, true) => (foreign, None, Some((resolution, at))),
        Before::Decided(resolution, at, false) => {
            return Ok(Entered { resolution: Some((resolution, at)), ..Entered::default() });
        }
        Before::Nothing | Before::Straw(..) => {
            if let Some(text) = may_be_the_same(cx, animal, at).await? {
                let flag = Some((Flag::PossibleDuplicate, text));
                return Ok(Entered { flag, ..Entered::default() });
            }
            match which(cx, animal, &clues, at).await? {
                _ if !told.was_frozen => (foreign, None, None),
                Ok(used) => (used, None, None),
                Err(flag) => (foreign, Some(flag), None),
            }
        }
    };
    let when =
        When { at: content.at, responsible: content.responsible.clone(), remark: content.remark.clone() };
    let (subject, messages) = record(cx, item, when, animal, used).await?;
    Ok(Entered { subject: Some(subject), flag, resolution, messages, ..Entered::default() })
}

/// What is told of the straw, with the sires of this book that go by the names told.
async fn clues(
    cx: &mut CommandContext<'_>,
    told: &Insemination,
    animal: &Animal,
) -> Result<MatchCriteria, CommandError> {
    let business = cx.business();
    let herd = lookup::herd_of(cx.tx, business, animal.details.herd_id).await?.details;
    let straw = &told.straw;
    let sires = sires_called(cx.tx, business, &straw.sires).await?;
    Ok(MatchCriteria {
        lot: straw.lot,
        names_sire: !straw.sires.is_empty(),
        sires,
        batch: straw.batch.clone(),
        collected_on: straw.collected_at.map(|at| day_meant(at, herd.time_zone)),
        collection_centre: straw.collection_centre.clone(),
        is_sexed: straw.is_sexed,
        semen_type: straw.semen_type,
        from_herd_stock: told.from_herd_stock,
        container: told.container.clone(),
    })
}

/// The sires that go by any of these names, our own names included.
pub async fn sires_called(
    tx: &mut Tx,
    business: BusinessId,
    names: &[ExternalId],
) -> store::Result<Vec<SireId>> {
    let mut sires = Vec::new();
    for name in names {
        let called = match (name.scheme.as_str(), uuid::Uuid::try_parse(name.id.as_str())) {
            (own::SIRE, Ok(id)) => {
                let sire = store::straws::sire::find(tx, business, SireId(id)).await?;
                sire.into_iter().map(|sire| sire.id).collect()
            }
            (own::SIRE, Err(_)) => Vec::new(),
            _ => store::animals::identifier::sires(tx, business, name).await?,
        };
        sires.extend(called);
    }
    sires.sort_unstable();
    sires.dedup();
    Ok(sires)
}

async fn hangs(cx: &mut CommandContext<'_>, lot: LotId, place: &Place) -> store::Result<bool> {
    let stock = stock::of_lot(cx.tx, cx.caller.business_id, lot).await?;
    Ok(stock.iter().any(|hanging| hanging.place == *place))
}

/// Says so when an insemination of hers is on record that may be this one.
async fn may_be_the_same(
    cx: &mut CommandContext<'_>,
    animal: &Animal,
    at: Timestamp,
) -> store::Result<Option<String>> {
    let services = store::animals::service::of_animal(cx.tx, cx.caller.business_id, animal.id).await?;
    let near = services.iter().find(|service| service.served_at.since(at).abs() <= MAY_BE_THE_SAME);
    Ok(near.map(|service| {
        format!("An insemination of hers at {} is on record, which may be the same one.", service.served_at)
    }))
}

/// Which straw it was, or why a person must say so.
async fn which(
    cx: &mut CommandContext<'_>,
    animal: &Animal,
    clues: &MatchCriteria,
    at: Timestamp,
) -> store::Result<Result<Used, (Flag, String)>> {
    let business = cx.business();
    let page = store::Page { after: uuid::Uuid::nil(), limit: 100 };
    let open = store::straws::withdrawal::list(cx.tx, business, Some(animal.id), true, page).await?;
    let mut out: Vec<Withdrawal> = Vec::new();
    for withdrawal in open {
        if clues.name_something()
            && clues.fit(&withdrawal.lot)
            && withdrawal.withdrawn_at.since(at).abs() <= chrono::TimeDelta::hours(24)
        {
            out.push(withdrawal);
        }
    }
    match out.as_slice() {
        [] => {}
        [one] => return Ok(Ok(Used::Withdrawn(one.id))),
        _ => {
            let text = "Several straws that fit are out for her and not accounted for.";
            return Ok(Err((Flag::StrawAmbiguous, text.to_owned())));
        }
    }
    let stock = stock::for_herd(cx.tx, business, animal.details.herd_id).await?;
    let straws: Vec<Straw<'_>> = stock
        .iter()
        .map(|hanging| Straw {
            lot: &hanging.lot,
            place: &hanging.place,
            tank_name: &hanging.tank_name,
            tank_herd_id: hanging.tank_herd_id,
        })
        .collect();
    Ok(match clues.which(&straws) {
        MatchResult::This(n) => Ok(Used::Hanging(stock[n].lot.id, stock[n].place.clone())),
        MatchResult::None(text) => Err((Flag::StrawUnknown, text)),
        MatchResult::Several(text) => Err((Flag::StrawAmbiguous, text)),
    })
}

/// Records it as a service, and takes the straw out of the book where there is one.
pub(super) async fn record(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    when: When,
    animal: &Animal,
    used: Used,
) -> Result<(uuid::Uuid, Vec<Message>), CommandError> {
    let business = cx.business();
    let when_and_who = NewService {
        served_at: when.at,
        technician: when.responsible.clone(),
        note: when.remark,
        ..NewService::default()
    };
    let service = match used {
        Used::Withdrawn(id) => NewService { withdrawal_id: Some(id), ..when_and_who },
        Used::Foreign(sire_id, semen_type, from_herd_stock) => NewService {
            animal_id: Some(animal.id),
            sire_id,
            semen_type,
            semen_from_herd_stock: Some(from_herd_stock),
            ..when_and_who
        },
        Used::Hanging(lot, place) => {
            let withdraw = NewWithdrawal {
                animal_id: animal.id,
                lot_id: Some(lot),
                sire_id: None,
                semen_type: None,
                place: Some(place),
                straws: Straws::ONE,
                withdrawn_at: when.at,
                technician: when.responsible.clone(),
                r#override: None,
            };
            let withdrawn = withdraw::happened(&withdraw, cx).await?;
            store::exchange::ade_item::made(cx.tx, business, item.id, withdrawn.id.0).await?;
            NewService { withdrawal_id: Some(withdrawn.id), ..when_and_who }
        }
    };
    let served = service.run(cx).await?;
    let subject = served.id.0;
    store::exchange::ade_item::made(cx.tx, business, item.id, subject).await?;
    // Nobody thaws by this book who tells of it afterwards.
    let warnings = served.warnings.into_iter().filter(|warning| warning != NO_THAW);
    let deviations = served.deviations.0.into_iter().map(|deviation| deviation.text);
    Ok((subject, deviations.chain(warnings).map(Message::warning).collect()))
}
