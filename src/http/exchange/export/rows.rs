//! The items of a list, a piece at a time, each as its JSON list shows it.

use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use crate::{
    domain::{
        animals::{
            event::Event,
            history::HappeningKind,
            mating_plan::{MatingPlan, PlanSource, PlannedChoice},
        },
        values::{AdeItemId, AnimalId, BusinessId, Code, HerdId, KeyId, Name, Note, Timestamp},
    },
    http::{
        animals::event::{Abortion, Calving, DoNotBreedDecision, Heat, PregnancyCheck},
        answer::all_tagged,
        exchange::export::ExportList,
    },
    store::{
        self, Page, Tx,
        access::audit,
        alerts::alert::WantedAlerts,
        animals::mating_plan::Planned,
        straws::{movement, register, stock},
    },
};

/// One choice of a plan, with all that is said of the plan: a line for each, so that a file of them can be taken in.
#[derive(Serialize)]
struct PlannedLine<'p> {
    herd_name: &'p Name,
    animal_number: &'p Code,
    rank: usize,
    #[serde(flatten)]
    choice: &'p PlannedChoice,
    note: Option<&'p Note>,
    source: PlanSource,
    planned_at: Timestamp,
    animal_id: AnimalId,
    herd_id: HerdId,
    item_id: Option<AdeItemId>,
    recorded_at: Timestamp,
    recorded_by: KeyId,
}

impl<'p> PlannedLine<'p> {
    fn of(planned: &'p Planned) -> impl Iterator<Item = Self> {
        let lines = move |plan: &'p MatingPlan| {
            plan.choices.iter().enumerate().map(move |(n, choice)| Self {
                herd_name: &planned.herd_name,
                animal_number: &planned.animal_number,
                rank: n + 1,
                choice,
                note: plan.note.as_ref(),
                source: plan.source,
                planned_at: plan.planned_at,
                animal_id: planned.animal_id,
                herd_id: planned.herd_id,
                item_id: plan.item_id,
                recorded_at: plan.recorded_at,
                recorded_by: plan.recorded_by,
            })
        };
        planned.plan.iter().flat_map(lines)
    }
}

/// Items that are read in one transaction.
const PIECE: i64 = 500;

/// Where reading has got to.
#[derive(Debug, Default)]
pub struct Progress {
    /// After this item.
    after: Uuid,
    /// Of the stock: after this place of the lot `after`.
    within: Uuid,
    /// Of the ledger: after this line.
    line: i64,
    /// Of the register: after the line of that time and number.
    entry: register::After,
    /// Of the register: from when on, and before when.
    pub span: (Option<Timestamp>, Option<Timestamp>),
    /// Of the stock: the line of the ledger at which all of it is told.
    as_of_seq: Option<i64>,
    /// Whether all was read.
    pub finished: bool,
}

impl Progress {
    /// The next items of `list`; each that was there at the beginning comes once.
    #[expect(clippy::too_many_lines, reason = "an arm for each list")]
    pub async fn read_on(
        &mut self,
        tx: &mut Tx,
        business: BusinessId,
        list: ExportList,
        now: Timestamp,
    ) -> store::Result<Vec<Value>> {
        let page = Page { after: self.after, limit: PIECE };
        match list {
            ExportList::Herds => {
                let rows = store::animals::herd::list(tx, business, page).await?;
                self.items(&all_tagged(rows)?, |herd| herd.thing.id.0)
            }
            ExportList::Tanks => {
                let rows = store::nitrogen::tank::list(tx, business, None, page).await?;
                self.items(&all_tagged(rows)?, |tank| tank.thing.id.0)
            }
            ExportList::Sires => {
                let rows = store::straws::sire::list(tx, business, None, None, page).await?;
                self.items(&all_tagged(rows)?, |sire| sire.thing.id.0)
            }
            ExportList::Lots => {
                let rows =
                    store::straws::lot::list(tx, business, store::straws::lot::Wanted::default(), page)
                        .await?;
                self.items(&all_tagged(rows)?, |lot| lot.thing.id.0)
            }
            ExportList::Animals => {
                let rows = store::animals::animal::list(
                    tx,
                    business,
                    store::animals::animal::Wanted::default(),
                    page,
                )
                .await?;
                self.items(&all_tagged(rows)?, |animal| animal.thing.id.0)
            }
            ExportList::Stock => self.stock(tx, business).await,
            ExportList::Movements => {
                let wanted = movement::Wanted::default();
                let rows = movement::list(tx, business, &wanted, self.line, PIECE).await?;
                self.line = rows.last().map_or(self.line, |last| last.seq);
                self.items(&rows, |movement| movement.id.0)
            }
            ExportList::Withdrawals => {
                let rows = store::straws::withdrawal::list(tx, business, None, false, page).await?;
                let rows: Vec<_> = rows.into_iter().map(|withdrawal| withdrawal.at(now)).collect();
                self.items(&rows, |withdrawal| withdrawal.id.0)
            }
            ExportList::Services => {
                let rows = store::animals::service::list(tx, business, None, None, page).await?;
                let rows = store::animals::history::with_due_dates(tx, business, rows).await?;
                self.items(&rows, |service| service.id.0)
            }
            ExportList::Heats => self.events(tx, business, HappeningKind::Heat, Heat::of).await,
            ExportList::PregnancyChecks => {
                self.events(tx, business, HappeningKind::PregnancyCheck, PregnancyCheck::of).await
            }
            ExportList::Calvings => self.events(tx, business, HappeningKind::Calving, Calving::of).await,
            ExportList::Abortions => self.events(tx, business, HappeningKind::Abortion, Abortion::of).await,
            ExportList::DoNotBreed => {
                self.events(tx, business, HappeningKind::DoNotBreed, DoNotBreedDecision::of).await
            }
            ExportList::MatingPlans => {
                let rows = store::animals::mating_plan::list(tx, business, page).await?;
                self.note(&rows, |planned| planned.plan.as_ref().map_or(Uuid::nil(), |plan| plan.id.0));
                rows.iter().flat_map(PlannedLine::of).map(|line| json(&line)).collect()
            }
            ExportList::Stocktakes => {
                let rows = store::straws::stocktake::list(tx, business, None, page).await?;
                self.items(&rows, |stocktake| stocktake.id.0)
            }
            ExportList::Holds => {
                let rows = store::straws::hold::list(tx, business, None, false, page).await?;
                self.items(&rows, |hold| hold.id.0)
            }
            ExportList::Consignments => {
                let rows = store::straws::consignment::list(tx, business, None, page).await?;
                self.items(&rows, |consignment| consignment.id.0)
            }
            ExportList::Register => {
                let (from, to) = self.span;
                let rows = register::list(tx, business, from, to, self.entry, PIECE).await?;
                let reached = rows.last().map(|entry| (entry.movement.occurred_at, entry.movement.seq));
                self.entry = reached.or(self.entry);
                self.items(&rows, |entry| entry.movement.id.0)
            }
            ExportList::Requests => {
                let wanted = store::animals::call_out::Wanted::default();
                let rows = store::animals::call_out::list(tx, business, wanted, page).await?;
                self.items(&rows, |call_out| call_out.id.0)
            }
            ExportList::TimedProtocols => {
                let rows = store::animals::timed_protocol::list(tx, business, None, page).await?;
                self.items(&all_tagged(rows)?, |protocol| protocol.thing.id.0)
            }
            ExportList::ProtocolStarts => {
                let wanted = store::animals::timed_protocol::Wanted::default();
                let rows =
                    store::animals::timed_protocol::list_starts(tx, business, wanted, page, now).await?;
                self.items(&rows, |start| start.id.0)
            }
            ExportList::NitrogenReadings => {
                let rows = store::nitrogen::level::all_readings(tx, business, page).await?;
                self.items(&rows, |reading| reading.id.0)
            }
            ExportList::Refills => {
                let rows = store::nitrogen::level::all_refills(tx, business, page).await?;
                self.items(&rows, |refill| refill.id.0)
            }
            ExportList::Repairs => {
                let rows = store::nitrogen::level::all_repairs(tx, business, page).await?;
                self.items(&rows, |repair| repair.id.0)
            }
            ExportList::Alerts => {
                let rows = store::alerts::alert::list(tx, business, &WantedAlerts::default(), page).await?;
                self.items(&rows, |alert| alert.id.0)
            }
            ExportList::AlertRules => {
                let rows = store::alerts::rule::list(tx, business, None, page).await?;
                self.items(&all_tagged(rows)?, |rule| rule.thing.id.0)
            }
            ExportList::AdeItems => {
                let rows = store::exchange::ade_item::list(
                    tx,
                    business,
                    store::exchange::ade_item::FlagFilter::default(),
                    page,
                )
                .await?;
                self.items(&rows, |item| item.id.0)
            }
            ExportList::Audit => {
                let rows = audit::list(tx, business, &audit::AuditQuery::default(), page).await?;
                self.items(&rows, |act| act.id)
            }
        }
    }

    /// Straws move while pieces are read, so all pieces tell the stock at one line of the ledger.
    async fn stock(&mut self, tx: &mut Tx, business: BusinessId) -> store::Result<Vec<Value>> {
        let seq = match self.as_of_seq {
            Some(seq) => seq,
            None => {
                store::access::business::find(tx, business).await?.map_or(0, |business| business.movements)
            }
        };
        self.as_of_seq = Some(seq);
        let after = (self.after, self.within);
        let mut rows = stock::at(tx, business, seq, after, PIECE).await?;
        self.within = rows.last().map_or(self.within, |last| last.place_id.0);
        self.note(&rows, |stock| stock.lot.id.0);
        rows.retain(|stock| stock.straws > 0);
        rows.iter().map(json).collect()
    }

    async fn events<V: Serialize>(
        &mut self,
        tx: &mut Tx,
        business: BusinessId,
        kind: HappeningKind,
        view: impl Fn(Event) -> Option<V>,
    ) -> store::Result<Vec<Value>> {
        let page = Page { after: self.after, limit: PIECE };
        let rows =
            store::animals::event::list(tx, business, kind, &store::animals::event::Wanted::default(), page)
                .await?;
        let rows = store::animals::event::in_full(tx, business, kind, rows).await?;
        self.note(&rows, |event| event.id.0);
        rows.into_iter().map(|event| json(&view(event))).collect()
    }

    fn items<T: Serialize>(&mut self, rows: &[T], id: impl Fn(&T) -> Uuid) -> store::Result<Vec<Value>> {
        self.note(rows, id);
        rows.iter().map(json).collect()
    }

    fn note<T>(&mut self, rows: &[T], id: impl Fn(&T) -> Uuid) {
        self.after = rows.last().map_or(self.after, id);
        self.finished = i64::try_from(rows.len()).is_ok_and(|read| read < PIECE);
    }
}

fn json(item: &impl Serialize) -> store::Result<Value> {
    Ok(serde_json::to_value(item)?)
}
