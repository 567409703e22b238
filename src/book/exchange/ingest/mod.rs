//! A herd system tells something: it is kept by the sender's own name for it, and counts.
//!
//! The same once more changes nothing. What is newer corrects what came before, by reversal and a new
//! entry; what is taken back is reversed. What has happened is never refused for what it means; where
//! the straw is not certain nothing is guessed, and the item is flagged for a person.

mod animal;
mod insemination;
mod plan;

use crate::{
    book::{
        CommandError,
        animals::report_event::{Report, renumber},
        command::{Command, CommandContext, On},
        exchange::resource,
        lookup,
        straws::reverse::ReverseService,
    },
    domain::{
        animals::{history::AnimalEvent, service_kind::ServiceKind},
        exchange::{
            ade::{AdeItem, Flag, ItemKind, Plan, RawResource, Resolution},
            intake::{Arrival, Version, same_straw_told},
            outgoing::Resource,
            scheme,
            straw_used::{Before, Used},
        },
        form::Fault,
        identifiers::ExternalId,
        rejection::Rejection,
        straws::{movement::ReversalReason, reverse::NewReversal},
        values::{
            AdeItemId, AnimalId, BusinessId, EventId, HerdId, Note, ServiceId, Source, Technician, Timestamp,
        },
    },
    store::{self, straws::movement},
};
use serde_json::Value;
use uuid::Uuid;

pub use crate::domain::exchange::ade::own;
pub use animal::AnimalReport;
pub use insemination::{Insemination, Recorded, StrawReport};

/// What this book calls itself where a system must be named.
pub fn own_source(business: BusinessId) -> String {
    format!("urn:uuid:{business}")
}

/// Takes in what a herd system tells.
#[derive(Clone, Debug)]
pub struct TakeIn {
    /// At the location of this herd.
    pub herd_id: HerdId,
    /// What kind of thing.
    pub kind: ItemKind,
    /// Who tells it.
    pub source: Source,
    /// The sender's name for it.
    pub source_id: Source,
    /// When it last changed over there.
    pub modified: Option<Timestamp>,
    /// As it was sent.
    pub resource: RawResource,
    /// What it says; `None` when it is taken back.
    pub content: Option<Content>,
}

/// What is told.
#[derive(Clone, Debug)]
pub struct Content {
    /// Of which animal.
    pub animal: ExternalId,
    /// When it happened.
    pub at: Option<Timestamp>,
    /// Who did or saw it.
    pub responsible: Option<Technician>,
    /// A remark.
    pub remark: Option<Note>,
    /// What.
    pub what: What,
}

/// What is told, by its kind.
#[derive(Clone, Debug)]
pub enum What {
    /// She was inseminated.
    Insemination(Insemination),
    /// Something else happened to her.
    Happened(AnimalEvent),
    /// Which sires are recommended for her.
    Plan(Plan),
    /// She herself.
    Animal(Box<AnimalReport>),
    /// It is kept and told again, and counts for nothing here, for the reason given.
    OnlyKept(&'static str),
}

/// What came of it.
#[derive(Debug)]
pub struct TakenIn {
    /// As it is told from now on.
    pub told: Resource,
    /// What the sender should know.
    pub messages: Vec<Message>,
}

/// Something that the sender should know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Whether someone should act on it.
    pub is_warning: bool,
    /// It, in words.
    pub text: String,
}

impl Message {
    /// Someone should act on it.
    pub fn warning(text: impl Into<String>) -> Self {
        Self { is_warning: true, text: text.into() }
    }

    /// For information only.
    pub fn information(text: impl Into<String>) -> Self {
        Self { is_warning: false, text: text.into() }
    }
}

/// What became of a content in the book.
#[derive(Default)]
struct Entered {
    animal: Option<AnimalId>,
    subject: Option<Uuid>,
    /// What came into the book by it, and is told as the item.
    made: Vec<Uuid>,
    flag: Option<(Flag, String)>,
    /// A decision made before that still stands.
    resolution: Option<(Resolution, Timestamp)>,
    messages: Vec<Message>,
}

impl Command for TakeIn {
    type Done = TakenIn;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<TakenIn, CommandError> {
        let business = cx.business();
        if self.source.as_str() == own_source(business) {
            return self.ours_came_back(cx).await;
        }
        let before =
            store::exchange::ade_item::by_source(cx.tx, business, self.kind, &self.source, &self.source_id)
                .await?;
        let Some(item) = before else { return self.enter(cx, None, Before::Nothing, None).await };
        if !cx.caller.may_see(&item) {
            let detail = "was used for something at a location that this key is not good for; use another";
            return Err(Rejection::Invalid(vec![Fault::at("meta/sourceId", detail)]).into());
        }
        let arrival = Arrival {
            herd: self.herd_id,
            modified: self.modified,
            deleted: self.content.is_none(),
            resource: &self.resource,
        };
        match arrival.beside(&item) {
            Version::Same(later) => {
                if let Some(animal) = self.animal_came_since(cx, &item).await? {
                    return self.enter(cx, Some(item), Before::Nothing, Some(animal)).await;
                }
                if let Some(later) = later {
                    store::exchange::ade_item::said_again(cx.tx, business, item.id, later).await?;
                }
                let text = "It is on record already; nothing was changed.";
                done(cx, &item, vec![Message::information(text)]).await
            }
            Version::Stale => {
                let text = "It is not newer than what is on record (meta.modified); nothing was changed.";
                done(cx, &item, vec![Message::warning(text)]).await
            }
            Version::Newer => {
                let earlier = self.earlier(cx, &item).await?;
                undo(cx, &item).await?;
                self.enter(cx, Some(item), earlier, None).await
            }
        }
    }
}

impl TakeIn {
    /// Something of ours that a system read and sends back: the word on it is ours.
    async fn ours_came_back(&self, cx: &mut CommandContext<'_>) -> Result<TakenIn, CommandError> {
        let told = match Uuid::try_parse(self.source_id.as_str()) {
            Ok(id) => resource::find(cx.tx, cx.caller.business_id, self.herd_id, self.kind, id).await?,
            Err(_) => None,
        };
        let told =
            told.filter(|told| told.sent.is_none() || self.kind == ItemKind::Animal).ok_or_else(|| {
                Rejection::Invalid(vec![Fault::at(
                    "meta/sourceId",
                    "is said to be of this book, which has no such thing at this location",
                )])
            })?;
        let text = "It came from this book, where it stays as it is; nothing was changed.";
        Ok(TakenIn { told, messages: vec![Message::information(text)] })
    }

    /// The animal, when the same is told once more of one that was not known then and is now.
    async fn animal_came_since(
        &self,
        cx: &mut CommandContext<'_>,
        item: &AdeItem,
    ) -> Result<Option<AnimalId>, CommandError> {
        let unknown = item.flagged && item.flag == Some(Flag::AnimalUnknown);
        let Some(content) = self.content.as_ref().filter(|_| unknown) else { return Ok(None) };
        Ok(the_animal(cx, self.herd_id, &content.animal).await?.ok())
    }

    fn blank(&self, now: Timestamp) -> AdeItem {
        AdeItem {
            id: AdeItemId::new(),
            herd_id: self.herd_id,
            kind: self.kind,
            source: self.source.clone(),
            source_id: self.source_id.clone(),
            modified: None,
            deleted: false,
            animal_id: None,
            happened_at: None,
            resource: self.resource.clone(),
            plan: None,
            subject_id: None,
            flagged: false,
            flag: None,
            flag_text: None,
            resolution: None,
            resolved_at: None,
            note: None,
            recorded_at: now,
        }
    }

    /// What of the item's state in the book still holds, when only other things of it are corrected.
    async fn earlier(&self, cx: &mut CommandContext<'_>, item: &AdeItem) -> store::Result<Before> {
        let business = cx.business();
        if item.kind != ItemKind::Insemination || !same_straw_told(&item.resource, &self.resource) {
            return Ok(Before::Nothing);
        }
        let decided = item.resolution.zip(item.resolved_at);
        if let Some((resolution @ (Resolution::NoStraw | Resolution::Dismiss), at)) = decided {
            return Ok(Before::Decided(resolution, at, item.subject_id.is_some()));
        }
        let Some(id) = item.subject_id else { return Ok(Before::Nothing) };
        let service = store::animals::service::find(cx.tx, business, ServiceId(id)).await?;
        let Some(service) = service.filter(|service| service.reversed_at.is_none()) else {
            return Ok(Before::Nothing);
        };
        if let Some(withdrawal) = service.withdrawal_id
            && store::exchange::ade_item::maker(cx.tx, business, withdrawal.0).await? != Some(item.id)
        {
            return Ok(Before::Withdrawn(withdrawal, decided));
        }
        let straw = service.lot.zip(service.place);
        Ok(straw.map_or(Before::Nothing, |(lot, place)| Before::Straw(lot.id, place, decided)))
    }

    /// Enters it; `found` is the animal, where she was looked up already.
    async fn enter(
        &self,
        cx: &mut CommandContext<'_>,
        known: Option<AdeItem>,
        before: Before,
        found: Option<AnimalId>,
    ) -> Result<TakenIn, CommandError> {
        let is_new = known.is_none();
        let item = known.unwrap_or_else(|| self.blank(cx.now));
        let content = self.content.as_ref();
        let entered = match content {
            None if item.kind == ItemKind::Animal => animal::left(cx, &item, self.herd_id).await?,
            None => Entered { animal: item.animal_id, ..Entered::default() },
            Some(content) => self.content(cx, &item, content, before, found).await?,
        };
        let Entered { animal, subject, mut made, flag, resolution, mut messages } = entered;
        let (flag, flag_text) = flag.unzip();
        let (resolution, resolved_at) = resolution.unzip();
        let before_animal = item.animal_id;
        let plan = content.and_then(|content| match &content.what {
            What::Plan(plan) => Some(plan.clone()),
            _ => None,
        });
        let item = AdeItem {
            herd_id: self.herd_id,
            modified: self.modified,
            deleted: content.is_none(),
            animal_id: animal,
            happened_at: content.and_then(|content| content.at),
            resource: self.resource.clone(),
            plan,
            subject_id: subject,
            flagged: flag.is_some() && resolved_at.is_none() && content.is_some(),
            flag,
            flag_text,
            resolution,
            resolved_at,
            note: item.note.filter(|_| resolution.is_some()),
            ..item
        };
        let mut steps = plan::Steps::default();
        if item.kind == ItemKind::MatingRecommendation {
            steps = plan::decide(cx, &item, before_animal).await?;
            made.append(&mut steps.made);
            messages.append(&mut steps.messages);
        }
        let business = cx.business();
        if is_new {
            store::exchange::ade_item::add(cx.tx, business, cx.caller.key_id, &item, &made).await?;
        } else {
            store::exchange::ade_item::change(cx.tx, business, &item, None, &made).await?;
        }
        steps.run(cx).await?;
        if item.flagged {
            let text = item.flag_text.clone().unwrap_or_default();
            messages.push(Message::warning(format!(
                "{text} It is kept and flagged for a person (/v1/ade-items/{}).",
                item.id
            )));
        }
        done(cx, &item, messages).await
    }

    async fn content(
        &self,
        cx: &mut CommandContext<'_>,
        item: &AdeItem,
        content: &Content,
        before: Before,
        found: Option<AnimalId>,
    ) -> Result<Entered, CommandError> {
        if let What::Animal(told) = &content.what {
            return animal::enter(cx, item, self.herd_id, &content.animal, told).await;
        }
        let animal = match found {
            Some(found) => Ok(found),
            None => the_animal(cx, self.herd_id, &content.animal).await?,
        };
        let animal = match animal {
            Ok(animal) => animal,
            // She was served, whoever she is: a person finds out, and nothing is lost meanwhile.
            Err(unclear) if matches!(content.what, What::Insemination(_)) => {
                let flag = Some((Flag::AnimalUnknown, unclear.flag_text()));
                return Ok(Entered { flag, ..Entered::default() });
            }
            Err(unclear) => {
                return Err(Rejection::Invalid(vec![Fault::at("animal", unclear.fault())]).into());
            }
        };
        let entered = match &content.what {
            What::Insemination(told) => insemination::enter(cx, content, told, animal, before).await?,
            What::Happened(happening) => happened(cx, content, happening, animal).await?,
            What::Plan(_) | What::Animal(_) => Entered::default(),
            What::OnlyKept(why) => Entered { messages: vec![Message::warning(*why)], ..Entered::default() },
        };
        Ok(Entered { animal: Some(animal), ..entered })
    }
}

/// The answer for an item as it stands.
async fn done(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    messages: Vec<Message>,
) -> Result<TakenIn, CommandError> {
    let told = resource::find(cx.tx, cx.caller.business_id, item.herd_id, item.kind, item.id.0).await?;
    let told = told.ok_or_else(|| lookup::lost("item", item.id.0))?;
    Ok(TakenIn { told, messages })
}

/// Why it is not known which animal is meant.
#[derive(Clone, Copy, Debug)]
pub(super) enum Unclear {
    Nobody,
    Several,
}

impl Unclear {
    fn fault(self) -> &'static str {
        match self {
            Self::Nobody => "names no animal of this location; send her to its animals first",
            Self::Several => "names several animals of this location; use a name that only she has",
        }
    }

    pub(super) fn what_is_wrong(self) -> &'static str {
        match self {
            Self::Nobody => "is that of no animal of the herd",
            Self::Several => "is that of several animals of the herd",
        }
    }

    fn flag_text(self) -> String {
        let which = match self {
            Self::Nobody => "No animal",
            Self::Several => "More than one animal",
        };
        format!("{which} of this location goes by the name told; the insemination does not count yet.")
    }
}

/// The animal of that name in the herd.
async fn the_animal(
    cx: &mut CommandContext<'_>,
    herd: HerdId,
    name: &ExternalId,
) -> store::Result<Result<AnimalId, Unclear>> {
    let business = cx.business();
    let names = std::slice::from_ref(name);
    let called = store::animals::identifier::animals(cx.tx, business, names, own::ANIMAL).await?;
    let mut animals = called.into_iter().filter(|animal| animal.herd_id == herd);
    Ok(match (animals.next(), animals.next()) {
        (Some(only), None) => Ok(only.id),
        (None, _) => Err(Unclear::Nobody),
        (Some(_), Some(_)) => Err(Unclear::Several),
    })
}

/// The animal that an item which was kept names, as it stands now.
pub(super) async fn named_in(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
) -> store::Result<Result<AnimalId, Unclear>> {
    let text = |name: &str| {
        item.resource.0.get("animal").and_then(|animal| animal.get(name)).and_then(Value::as_str)
    };
    let name = text("scheme").zip(text("id")).and_then(|(scheme, id)| scheme::ours(scheme, id).ok());
    match name {
        Some(name) => the_animal(cx, item.herd_id, &name).await,
        None => Ok(Err(Unclear::Nobody)),
    }
}

/// Something that happened to her is reported as if it had been told here.
async fn happened(
    cx: &mut CommandContext<'_>,
    content: &Content,
    happening: &AnimalEvent,
    animal_id: AnimalId,
) -> Result<Entered, CommandError> {
    let report = Report {
        animal_id,
        what: happening.clone(),
        at: content.at,
        at_field: "eventDateTime",
        technician: content.responsible.clone(),
        note: content.remark.clone(),
    };
    let reported = report.run(cx).await?;
    let subject = reported.id.0;
    let messages = reported.warnings.into_iter().map(Message::warning).collect();
    Ok(Entered { subject: Some(subject), made: vec![subject], messages, ..Entered::default() })
}

/// What the item is in the book is reversed; a person may have done that already.
pub(super) async fn undo(cx: &mut CommandContext<'_>, item: &AdeItem) -> Result<(), CommandError> {
    let business = cx.business();
    let Some(subject) = item.subject_id else { return Ok(()) };
    match item.kind {
        ItemKind::Insemination => {
            let service = lookup::service(cx, ServiceId(subject), None).await?;
            if service.reversed_at.is_some() {
                return Ok(());
            }
            if let Some(id) = service.withdrawal_id
                && store::exchange::ade_item::maker(cx.tx, business, id.0).await? == Some(item.id)
            {
                let movement = movement::of_withdrawal(cx.tx, business, id).await?;
                let movement = movement.ok_or_else(|| lookup::lost("movement of withdrawal", id.0))?;
                let command = NewReversal {
                    reason: ReversalReason::WrongData,
                    reversed_at: None,
                    technician: None,
                    note: None,
                };
                match (On { id: movement.id, command }).run(cx).await {
                    // The straw was counted since, so it is gone in any case; who looks at it says where it went.
                    Err(CommandError::Rejected(why)) if matches!(*why, Rejection::Counted { .. }) => {}
                    reversed => return reversed.map(drop),
                }
            }
            ReverseService { service_id: service.id }.run(cx).await?;
        }
        ItemKind::Heat
        | ItemKind::PregnancyCheck
        | ItemKind::Parturition
        | ItemKind::Abortion
        | ItemKind::DoNotBreed => {
            let event = store::animals::event::find(cx.tx, business, EventId(subject)).await?;
            let event = event.ok_or_else(|| lookup::lost("event", subject))?;
            if event.reversed_at.is_none() {
                store::animals::event::reverse(cx.tx, business, &event, cx.now).await?;
                renumber(cx.tx, business, event.animal_id).await?;
            }
        }
        // An animal is changed, not entered anew.
        ItemKind::Animal | ItemKind::MatingRecommendation => {}
    }
    Ok(())
}

/// The kind of service that the standard's word means; a bull that runs with her is a mating as well.
pub fn kind_of_insemination(word: &str) -> ServiceKind {
    match word {
        "NaturalService" | "RunWithBull" => ServiceKind::Natural,
        "Implantation" => ServiceKind::EmbryoTransfer,
        _ => ServiceKind::Ai,
    }
}

/// An insemination that came before is recorded with the animal and the straw that it was.
pub(super) async fn record_again(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    animal: AnimalId,
    used: Used,
) -> Result<Recorded, CommandError> {
    let text = |name: &str| item.resource.0.get(name).and_then(Value::as_str).unwrap_or_default();
    let used = match (kind_of_insemination(text("inseminationType")), used) {
        (kind, Used::Foreign(sire, ..)) if !kind.takes_straw() => Used::NoStraw(kind, sire, None),
        (_, used) => used,
    };
    let when = insemination::When {
        at: item.happened_at,
        responsible: Technician::parse(text("responsible")).ok(),
        remark: Note::parse(text("remark")).ok(),
    };
    insemination::record(cx, when, animal, used).await
}
