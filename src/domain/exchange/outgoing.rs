//! What herd systems are told: a thing of the book with all that is said of it.

use std::collections::HashMap;

use uuid::Uuid;

use crate::domain::{
    animals::{animal::Animal, event::Event, mating_plan::MatingPlan, service::Service},
    exchange::{
        ade::{ItemKind, RawResource},
        change::{Change, ChangeKind},
    },
    identifiers::Identifiers,
    row::{Joined, LeftJoin},
    straws::sire::SireSummary,
    values::{AnimalId, Source},
};

/// How a thing came.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct Sent {
    /// Who sent it.
    #[sqlx(rename = "item_source")]
    pub source: Source,
    /// The sender's name for it.
    #[sqlx(rename = "item_source_id")]
    pub source_id: Source,
    /// As it was sent.
    #[sqlx(rename = "item_resource")]
    pub resource: RawResource,
}

/// The names of an animal.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Called {
    /// Her id.
    #[sqlx(rename = "told_animal_id")]
    pub id: AnimalId,
    /// Her official names.
    #[sqlx(rename = "told_identifiers")]
    pub identifiers: Identifiers,
}

impl Joined for Sent {
    const KEY: &'static str = "item_source";
}

impl Joined for Called {
    const KEY: &'static str = "told_animal_id";
}

/// A thing that is told, before it is known what it is in the book.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct OutgoingChange {
    /// Its id and when it last changed.
    #[sqlx(flatten)]
    pub change: Change,
    /// How it came, if it came from a herd system.
    #[sqlx(flatten, try_from = "LeftJoin<Sent>")]
    pub sent: Option<Sent>,
    /// What that is in the book.
    pub item_subject_id: Option<Uuid>,
    /// Her of whom it is told.
    #[sqlx(flatten, try_from = "LeftJoin<Called>")]
    pub animal: Option<Called>,
    /// An animal that is at another location now.
    pub is_elsewhere: bool,
    /// How many are told in all.
    pub total: i64,
}

impl OutgoingChange {
    /// What it is in the book; a recommendation that came is nothing but itself.
    pub fn subject(&self, kind: ItemKind) -> Option<Uuid> {
        match (kind, self.change.kind) {
            (_, ChangeKind::AdeItem) => self.item_subject_id,
            _ => Some(self.change.id),
        }
    }
}

/// A thing as herd systems are told it.
#[derive(Clone, Debug)]
pub struct Resource {
    /// What kind of thing.
    pub kind: ItemKind,
    /// Its id and when it last changed.
    pub change: Change,
    /// How it came, if it came from a herd system.
    pub sent: Option<Sent>,
    /// Her of whom it is told.
    pub animal: Option<Called>,
    /// What it is in the book.
    pub subject: Subject,
}

/// An animal with her parents where they are known.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct Descent {
    /// She.
    #[sqlx(flatten)]
    pub animal: Animal,
    /// Her sire.
    #[sqlx(flatten, try_from = "LeftJoin<SireSummary>")]
    pub sire: Option<SireSummary>,
    /// The names of her dam.
    pub dam_identifiers: Option<Identifiers>,
}

/// What a thing is in the book.
#[derive(Clone, Debug)]
pub enum Subject {
    /// Nothing: it is only kept.
    None,
    /// Something that happened.
    Event(Box<Event>),
    /// A service.
    Service(Box<Service>),
    /// The animal herself.
    Animal(Box<Descent>),
    /// What is planned for an animal.
    Plan(Box<MatingPlan>),
    /// The animal, who is at another location now.
    Elsewhere,
}

/// What the things of a page are in the book, by their ids.
pub type Subjects = HashMap<Uuid, Subject>;
