//! An insemination that a herd system tells: with which straw.

use std::collections::BTreeSet;

use crate::{
    book::{
        CommandError,
        animals::record_service,
        command::{Command as _, CommandContext},
        exchange::ingest::{Content, Entered, Message, own},
        lookup,
    },
    domain::{
        access::limits::only_within,
        animals::{
            record_service::{Clock, NO_THAW, NewService},
            service_kind::ServiceKind,
        },
        exchange::{
            ade::{MatchCriteria, day_meant},
            straw_used::{self, Before, Decision, Facts, Used},
        },
        identifiers::ExternalId,
        straws::{semen::SemenType, withdraw::NewWithdrawal},
        values::{
            AnimalId, BusinessId, Code, LotId, Name, Note, ServiceId, SireId, Straws, Technician, Timestamp,
        },
    },
    store::{
        self, Tx,
        animals::{candidate, identifier::NamedAnimal},
        straws::stock,
    },
};

/// An insemination, a mating or an embryo transfer.
#[derive(Clone, Debug, Default)]
pub struct Insemination {
    /// Which of these.
    pub kind: ServiceKind,
    /// The bull ran with her: the day told is only the first that it can have been.
    pub ran_with_bull: bool,
    /// Of an embryo, the names of its donor.
    pub donors: Vec<ExternalId>,
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

pub(super) async fn enter(
    cx: &mut CommandContext<'_>,
    content: &Content,
    told: &Insemination,
    animal: AnimalId,
    before: Before,
) -> Result<Entered, CommandError> {
    let facts = gather(cx, content.at.unwrap_or(cx.now), told, animal).await?;
    // What took no straw of this book before it was corrected, or takes none now, is decided anew.
    let before = match before {
        Before::Straw(..) | Before::Withdrawn(..) if !told.kind.takes_straw() => Before::Nothing,
        before => before,
    };
    let Decision { used, flag, resolution } = straw_used::decide(before, &facts);
    let decided = Entered { flag, resolution, ..Entered::default() };
    let Some(used) = used else { return Ok(decided) };
    let when =
        When { at: content.at, responsible: content.responsible.clone(), remark: content.remark.clone() };
    let Recorded { service, made, mut messages } = record(cx, when, animal, used).await?;
    messages.extend(told.ran_with_bull.then(|| Message::warning(RAN_WITH_BULL)));
    Ok(Entered { subject: Some(service.0), made, messages, ..decided })
}

/// Said of a bull that ran with her.
const RAN_WITH_BULL: &str = "A bull that runs with her may serve her on any day: it counts as one natural mating on the first \
     day, so her due date may be later. Have her checked, with the days of her pregnancy.";

/// What is told of the straw with the sires of this book that go by the names told, her services, the straws that
/// are out for her, and what hangs within reach.
async fn gather(
    cx: &mut CommandContext<'_>,
    at: Timestamp,
    told: &Insemination,
    animal: AnimalId,
) -> Result<Facts, CommandError> {
    let business = cx.business();
    let asked = candidate::Asked { animal: Some(animal), ..candidate::Asked::default() };
    let candidate = candidate::gather(cx.tx, business, asked).await?.candidate;
    let candidate = candidate.ok_or_else(|| lookup::lost("animal", animal.0))?;
    let straw = &told.straw;
    let donors = store::animals::identifier::animals(cx.tx, business, &told.donors, own::ANIMAL).await?;
    let is_known = |donor: &NamedAnimal| cx.limits().is_none_or(|limits| limits.herd(donor.herd_id));
    let donors: BTreeSet<AnimalId> = donors.into_iter().filter(is_known).map(|donor| donor.id).collect();
    let criteria = MatchCriteria {
        lot: straw.lot,
        names_sire: !straw.sires.is_empty(),
        sires: sires_called(cx.tx, business, &straw.sires).await?,
        batch: straw.batch.clone(),
        collected_on: straw.collected_at.map(|at| day_meant(at, candidate.herd.time_zone)),
        collection_centre: straw.collection_centre.clone(),
        is_sexed: straw.is_sexed,
        semen_type: straw.semen_type,
        from_herd_stock: told.from_herd_stock,
        container: told.container.clone(),
    };
    let page = store::Page { after: uuid::Uuid::nil(), limit: 100 };
    Ok(Facts {
        at,
        kind: told.kind,
        donor: donors.first().copied().filter(|_| donors.len() == 1),
        was_frozen: told.was_frozen,
        criteria,
        served_at: candidate.history.services.iter().map(|service| service.at).collect(),
        out: store::straws::withdrawal::list(cx.tx, business, Some(animal), true, page).await?,
        stock: only_within(cx.limits(), stock::for_herd(cx.tx, business, candidate.herd_id).await?),
    })
}

/// The sires that go by any of these names, our own names included.
pub(super) async fn sires_called(
    tx: &mut Tx,
    business: BusinessId,
    names: &[ExternalId],
) -> store::Result<Vec<SireId>> {
    let found = store::animals::identifier::sires(tx, business, names, own::SIRE).await?;
    let mut sires: Vec<SireId> = found.into_iter().map(|sire| sire.id).collect();
    sires.sort_unstable();
    sires.dedup();
    Ok(sires)
}

/// A service that was recorded.
pub struct Recorded {
    /// It.
    pub service: ServiceId,
    /// What came into the book with it, itself included.
    pub made: Vec<uuid::Uuid>,
    /// What the sender should know.
    pub messages: Vec<Message>,
}

/// Records it as a service, and takes the straw out of the book where there is one.
pub(super) async fn record(
    cx: &mut CommandContext<'_>,
    when: When,
    animal_id: AnimalId,
    used: Used,
) -> Result<Recorded, CommandError> {
    let mut made = Vec::new();
    let when_and_who = NewService {
        served_at: when.at,
        technician: when.responsible.clone(),
        note: when.remark,
        ..NewService::default()
    };
    let service = match used {
        Used::Withdrawn(id) => NewService { withdrawal_id: Some(id), ..when_and_who },
        Used::Foreign(sire_id, semen_type, from_herd_stock) => NewService {
            animal_id: Some(animal_id),
            sire_id,
            semen_type,
            semen_from_herd_stock: Some(from_herd_stock),
            ..when_and_who
        },
        Used::NoStraw(kind, sire_id, donor_id) => {
            NewService { kind, animal_id: Some(animal_id), sire_id, donor_id, ..when_and_who }
        }
        Used::Hanging(lot, place) => {
            let withdraw = NewWithdrawal {
                id: None,
                animal_id,
                lot_id: Some(lot),
                sire_id: None,
                semen_type: None,
                place: Some(place),
                straws: Straws::ONE,
                withdrawn_at: when.at,
                technician: when.responsible.clone(),
                straw_read: None,
                already_done: true,
                r#override: None,
            };
            let withdrawn = withdraw.run(cx).await?;
            made.push(withdrawn.id.0);
            NewService { withdrawal_id: Some(withdrawn.id), ..when_and_who }
        }
    };
    let served = record_service::record(&service, cx, Clock::HerdSystem).await?;
    made.push(served.id.0);
    // Nobody thaws by this book who tells of it afterwards.
    let warnings = served.warnings.into_iter().filter(|warning| warning != NO_THAW);
    let deviations = served.deviations.0.into_iter().map(|deviation| deviation.text);
    let messages = deviations.chain(warnings).map(Message::warning).collect();
    Ok(Recorded { service: served.id, made, messages })
}
