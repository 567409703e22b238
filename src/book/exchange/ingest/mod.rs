//! A herd system tells something: it is kept by the sender's own name for it, and counts.
//!
//! The same once more changes nothing. What is newer corrects what came before, by reversal and a new
//! entry; what is taken back is reversed. What has happened is never refused for what it means; where
//! the straw is not certain nothing is guessed, and the item is flagged for a person.

mod animal;
mod insemination;

use crate::{
    book::{
        CommandError,
        animals::report_event::{Report, renumber},
        command::{Command, CommandContext, On},
        exchange::resource::{self, Resource},
        lookup,
        straws::reverse::ReverseService,
    },
    domain::{
        animals::{animal::Animal, history::AnimalEvent},
        exchange::ade::{AdeItem, Flag, ItemKind, Plan, RawResource, Resolution, is_stale},
        form::Fault,
        identifiers::ExternalId,
        rejection::Rejection,
        straws::{movement::ReversalReason, place::Place, reverse::NewReversal},
        values::{
            AdeItemId, AnimalId, BusinessId, EventId, HerdId, LotId, Note, ServiceId, Source, Technician,
            Timestamp, WithdrawalId,
        },
    },
    store::{self, Tx, straws::movement},
};
use serde_json::Value;
use uuid::Uuid;

pub use crate::domain::exchange::ade::own;
pub use animal::AnimalReport;
pub use insemination::{Insemination, StrawReport, Used, sires_called};

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
    flag: Option<(Flag, String)>,
    /// A decision made before that still stands.
    resolution: Option<(Resolution, Timestamp)>,
    messages: Vec<Message>,
}

/// What an insemination was in the book before it was corrected.
enum Before {
    /// Nothing that could still be right.
    Nothing,
    /// The straw of this lot from this place, for what is told of the straw is the same.
    Straw(LotId, Place, Option<(Resolution, Timestamp)>),
    /// The straw that somebody withdrew for her here.
    Withdrawn(WithdrawalId, Option<(Resolution, Timestamp)>),
    /// A person decided that no straw of this book was used, or that it is on record already.
    Decided(Resolution, Timestamp, bool),
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
        match before {
            None => {
                let item = self.blank(cx.now);
                store::exchange::ade_item::add(cx.tx, business, cx.caller.key_id, &item).await?;
                self.enter(cx, item, Before::Nothing).await
            }
            Some(item) if self.says_the_same(&item) => {
                done(cx, &item, vec![Message::information("It is on record already; nothing was changed.")])
                    .await
            }
            Some(item) if is_stale(item.modified, self.modified) => {
                let text = "It is not newer than what is on record (meta.modified); nothing was changed.";
                done(cx, &item, vec![Message::warning(text)]).await
            }
            Some(item) => {
                let earlier = self.earlier(cx, &item).await?;
                undo(cx, &item).await?;
                self.enter(cx, item, earlier).await
            }
        }
    }
}

impl TakeIn {
    /// Something of ours that a system read and sends back: the word on it is ours.
    async fn ours_came_back(&self, cx: &mut CommandContext<'_>) -> Result<TakenIn, CommandError> {
        let business = cx.business();
        let subject = Uuid::try_parse(self.source_id.as_str()).ok().zip(self.kind.subject());
        let change = match subject {
            Some((id, kind)) => store::exchange::change::find(cx.tx, business, kind, id).await?,
            None => None,
        };
        let change = change.filter(|change| change.herd_id == Some(self.herd_id)).ok_or_else(|| {
            Rejection::Invalid(vec![Fault::at(
                "meta/sourceId",
                "is said to be of this book, which has no such thing at this location",
            )])
        })?;
        let told = resource::of(cx.tx, business, self.kind, change).await?;
        let text = "It came from this book, where it stays as it is; nothing was changed.";
        Ok(TakenIn { told, messages: vec![Message::information(text)] })
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

    fn says_the_same(&self, item: &AdeItem) -> bool {
        item.herd_id == self.herd_id
            && item.deleted == self.content.is_none()
            && meaning(&item.resource) == meaning(&self.resource)
    }

    /// What of the item's state in the book still holds, when only other things of it are corrected.
    async fn earlier(&self, cx: &mut CommandContext<'_>, item: &AdeItem) -> store::Result<Before> {
        let business = cx.business();
        if item.kind != ItemKind::Insemination || straw_told(&item.resource) != straw_told(&self.resource) {
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

    async fn enter(
        &self,
        cx: &mut CommandContext<'_>,
        item: AdeItem,
        before: Before,
    ) -> Result<TakenIn, CommandError> {
        let entered = match &self.content {
            None if item.kind == ItemKind::Animal => animal::left(cx, &item).await?,
            None => Entered { animal: item.animal_id, ..Entered::default() },
            Some(content) => self.content(cx, &item, content, before).await?,
        };
        let (flag, flag_text) = entered.flag.unzip();
        let (resolution, resolved_at) = entered.resolution.unzip();
        let content = self.content.as_ref();
        let plan = content.and_then(|content| match &content.what {
            What::Plan(plan) => Some(plan.clone()),
            _ => None,
        });
        let item = AdeItem {
            herd_id: self.herd_id,
            modified: self.modified,
            deleted: content.is_none(),
            animal_id: entered.animal,
            happened_at: content.and_then(|content| content.at),
            resource: self.resource.clone(),
            plan,
            subject_id: entered.subject,
            flagged: flag.is_some() && resolved_at.is_none() && content.is_some(),
            flag,
            flag_text,
            resolution,
            resolved_at,
            note: item.note.filter(|_| resolution.is_some()),
            ..item
        };
        store::exchange::ade_item::change(cx.tx, cx.caller.business_id, &item, None).await?;
        let mut messages = entered.messages;
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
    ) -> Result<Entered, CommandError> {
        if let What::Animal(told) = &content.what {
            return animal::enter(cx, item, self.herd_id, &content.animal, told).await;
        }
        let animal = the_animal(cx, self.herd_id, &content.animal).await?;
        let entered = match &content.what {
            What::Insemination(told) => insemination::enter(cx, item, content, told, &animal, before).await?,
            What::Happened(happening) => happened(cx, item, content, happening, &animal).await?,
            What::Plan(_) | What::Animal(_) => Entered::default(),
            What::OnlyKept(why) => Entered { messages: vec![Message::warning(*why)], ..Entered::default() },
        };
        Ok(Entered { animal: Some(animal.id), ..entered })
    }
}

/// The answer for an item as it stands.
async fn done(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    messages: Vec<Message>,
) -> Result<TakenIn, CommandError> {
    let told = resource::as_item(cx.tx, cx.caller.business_id, item.clone()).await?;
    Ok(TakenIn { told, messages })
}

/// What is said, without who says it and when it was said.
fn meaning(resource: &RawResource) -> Value {
    let mut said = resource.0.clone();
    if let Value::Object(members) = &mut said {
        for name in ["meta", "id", "@self"] {
            members.remove(name);
        }
    }
    said
}

/// The members that say which straw it was.
fn straw_told(resource: &RawResource) -> Vec<Option<&Value>> {
    ["animal", "inseminationType", "straw", "sireIdentifiers", "semenFromFarmStocks", "farmContainer"]
        .map(|name| resource.0.get(name))
        .to_vec()
}

/// The animal of that name in the herd.
async fn the_animal(
    cx: &mut CommandContext<'_>,
    herd: HerdId,
    name: &ExternalId,
) -> Result<Animal, CommandError> {
    let mut found = Vec::new();
    for id in animals_called(cx.tx, cx.caller.business_id, name).await? {
        let animal = lookup::animal_of(cx.tx, cx.caller.business_id, id).await?;
        if animal.details.herd_id == herd {
            found.push(animal);
        }
    }
    let refused = |detail: &str| Rejection::Invalid(vec![Fault::at("animal", detail)]);
    match found.len() {
        0 => Err(refused("names no animal of this location; send her to its animals first").into()),
        1 => found.pop().ok_or_else(|| refused("names no animal of this location").into()),
        _ => Err(refused("names several animals of this location; use a name that only she has").into()),
    }
}

/// The animals of that name, our own names included.
async fn animals_called(
    tx: &mut Tx,
    business: BusinessId,
    name: &ExternalId,
) -> store::Result<Vec<AnimalId>> {
    if name.scheme.as_str() != own::ANIMAL {
        return store::animals::identifier::animals(tx, business, name).await;
    }
    let Ok(id) = Uuid::try_parse(name.id.as_str()) else { return Ok(Vec::new()) };
    let found = store::animals::animal::find(tx, business, AnimalId(id)).await?;
    Ok(found.into_iter().map(|animal| animal.id).collect())
}

/// Something that happened to her is reported as if it had been told here.
async fn happened(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    content: &Content,
    happening: &AnimalEvent,
    animal: &Animal,
) -> Result<Entered, CommandError> {
    let report = Report {
        animal_id: animal.id,
        what: happening.clone(),
        at: content.at,
        at_field: "eventDateTime",
        technician: content.responsible.clone(),
        note: content.remark.clone(),
    };
    let reported = report.run(cx).await?;
    let subject = reported.id.0;
    store::exchange::ade_item::made(cx.tx, cx.caller.business_id, item.id, subject).await?;
    let messages = reported.warnings.into_iter().map(Message::warning).collect();
    Ok(Entered { subject: Some(subject), messages, ..Entered::default() })
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

/// An insemination that came before is recorded with the straw that it was.
pub(super) async fn record_again(
    cx: &mut CommandContext<'_>,
    item: &AdeItem,
    used: Used,
) -> Result<Uuid, CommandError> {
    let animal = item.animal_id.ok_or_else(|| lookup::lost("animal of item", item.id.0))?;
    let animal = lookup::animal_of(cx.tx, cx.caller.business_id, animal).await?;
    let text = |name: &str| item.resource.0.get(name).and_then(Value::as_str).unwrap_or_default();
    let when = insemination::When {
        at: item.happened_at,
        responsible: Technician::parse(text("responsible")).ok(),
        remark: Note::parse(text("remark")).ok(),
    };
    let (subject, _) = insemination::record(cx, item, when, &animal, used).await?;
    Ok(subject)
}
