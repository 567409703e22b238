//! Timed protocols: taken away, begun for animals, stopped; steps of which somebody says what became of them.

use crate::{
    book::{
        CommandError,
        catalogue::{CatalogueItem, check_version},
        command::{Command, CommandContext, On},
        lookup,
    },
    domain::{
        animals::{
            timed_protocol::{
                self, Facts, NewStarts, NewStepState, NewStop, ProtocolCaution, ProtocolStart, TimedProtocol,
                TimedProtocolDetails,
            },
            watch::as_they_stand,
        },
        rejection::Rejection,
        values::{BusinessId, ProtocolStartId, TimedProtocolId, Timestamp},
    },
    store::{self, Tx},
};
use uuid::Uuid;

impl CatalogueItem for TimedProtocol {
    type Details = TimedProtocolDetails;
    const WHAT: &'static str = "timed protocol";

    fn new(details: TimedProtocolDetails, now: Timestamp) -> Self {
        let caution = ProtocolCaution::default();
        Self { id: TimedProtocolId::new(), details, created_at: now, caution }
    }

    fn details(&self) -> &TimedProtocolDetails {
        &self.details
    }

    fn with(self, details: TimedProtocolDetails) -> Self {
        Self { details, ..self }
    }

    async fn find(tx: &mut Tx, business: BusinessId, id: Uuid) -> store::Result<Option<Self>> {
        store::animals::timed_protocol::find(tx, business, TimedProtocolId(id)).await
    }

    async fn add(&self, tx: &mut Tx, business: BusinessId) -> store::Result<()> {
        store::animals::timed_protocol::add(tx, business, self).await
    }

    async fn change(&self, tx: &mut Tx, business: BusinessId) -> store::Result<()> {
        store::animals::timed_protocol::change(tx, business, self.id, &self.details).await
    }

    /// Refuses one of a herd that is not there.
    async fn check(&self, cx: &mut CommandContext<'_>, _: Option<&Self>) -> Result<(), CommandError> {
        lookup::herd(cx, self.details.herd_id, Some("#/herd_id")).await?;
        Ok(())
    }
}

async fn protocol(cx: &mut CommandContext<'_>, id: TimedProtocolId) -> Result<TimedProtocol, CommandError> {
    let business = cx.business();
    let found = store::animals::timed_protocol::find(cx.tx, business, id).await?;
    found.ok_or_else(|| Rejection::Unknown { what: "timed protocol", id: id.0, pointer: None }.into())
}

/// Takes a protocol away. What began by it goes on.
#[derive(Clone, Debug)]
pub struct RemoveProtocol {
    /// Which.
    pub id: TimedProtocolId,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
}

impl Command for RemoveProtocol {
    type Done = ();
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<(), CommandError> {
        let (business, now) = (cx.business(), cx.now);
        let found = protocol(cx, self.id).await?;
        check_version(self.if_match.as_deref(), &found)?;
        store::animals::timed_protocol::remove(cx.tx, business, self.id, now).await?;
        Ok(())
    }
}

impl Command for On<TimedProtocolId, NewStarts> {
    type Done = Vec<ProtocolStart>;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Vec<ProtocolStart>, CommandError> {
        let (business, now, by) = (cx.business(), cx.now, cx.caller.key_id);
        let protocol = protocol(cx, self.id).await?;
        let ids = &self.command.animal_ids;
        let herd = lookup::herd_of(cx.tx, business, protocol.details.herd_id).await?;
        let animals = store::animals::animal::of_ids(cx.tx, business, ids).await?;
        let watched = store::animals::watch::of_ids(cx.tx, business, ids, now).await?;
        let from = store::animals::timed_protocol::matters_from(now);
        let others = store::animals::timed_protocol::ahead_of(cx.tx, business, ids, from, None).await?;
        let facts = Facts {
            protocol: &protocol,
            herd: &herd,
            animals: &animals,
            histories: watched.iter().map(|animal| (animal.id, &animal.history)).collect(),
            others: &as_they_stand(others, &watched, now),
        };
        let starts = timed_protocol::decide(&self.command, &facts, by, now)?;
        store::animals::timed_protocol::add_starts(cx.tx, business, &starts).await?;
        Ok(starts)
    }
}

async fn start(cx: &mut CommandContext<'_>, id: ProtocolStartId) -> Result<ProtocolStart, CommandError> {
    let (business, now) = (cx.business(), cx.now);
    let found = store::animals::timed_protocol::find_start(cx.tx, business, id, now).await?;
    found.ok_or_else(|| Rejection::Unknown { what: "protocol start", id: id.0, pointer: None }.into())
}

impl Command for On<ProtocolStartId, NewStop> {
    type Done = ProtocolStart;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<ProtocolStart, CommandError> {
        let (business, now) = (cx.business(), cx.now);
        let before = start(cx, self.id).await?;
        if before.stopped_at.is_some() {
            return Ok(before);
        }
        let after = before.stopped(&self.command.reason, now);
        store::animals::timed_protocol::change_start(cx.tx, business, &after).await?;
        start(cx, self.id).await
    }
}

impl Command for On<ProtocolStartId, NewStepState> {
    type Done = ProtocolStart;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<ProtocolStart, CommandError> {
        let (business, now) = (cx.business(), cx.now);
        let before = start(cx, self.id).await?;
        let after = before.clone().marked(&self.command, now)?;
        if after != before {
            store::animals::timed_protocol::change_start(cx.tx, business, &after).await?;
        }
        Ok(after)
    }
}
