//! The items of a list, a piece at a time, each as its JSON list shows it.

use serde::Serialize;
use serde_json::Value;
use uuid::Uuid;

use crate::{
    domain::{
        animals::{event::Event, history::HappeningKind},
        values::{BusinessId, Timestamp},
    },
    http::{
        animals::event::{Abortion, Calving, DoNotBreed, Heat, PregnancyCheck},
        answer::Tagged,
        exchange::export::ExportList,
    },
    store::{self, Page, Tx, access::audit, alerts::alert::WantedAlerts, straws::ledger},
};

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
    /// Of the stock: the line of the ledger at which all of it is told.
    as_of_seq: Option<i64>,
    /// Whether all was read.
    pub finished: bool,
}

impl Progress {
    /// The next items of `list`; each that was there at the beginning comes once.
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
                self.shown(rows, |herd| herd.id.0, Tagged::new)
            }
            ExportList::Tanks => {
                let rows = store::nitrogen::tank::list(tx, business, None, page).await?;
                self.shown(rows, |tank| tank.id.0, Tagged::new)
            }
            ExportList::Sires => {
                let rows = store::straws::sire::list(tx, business, None, None, page).await?;
                self.shown(rows, |sire| sire.id.0, Tagged::new)
            }
            ExportList::Lots => {
                let rows =
                    store::straws::lot::list(tx, business, store::straws::lot::Wanted::default(), page)
                        .await?;
                self.shown(rows, |lot| lot.id.0, Tagged::new)
            }
            ExportList::Animals => {
                let rows = store::animals::animal::list(
                    tx,
                    business,
                    store::animals::animal::Wanted::default(),
                    page,
                )
                .await?;
                self.shown(rows, |animal| animal.id.0, Tagged::new)
            }
            ExportList::Stock => self.stock(tx, business).await,
            ExportList::Movements => {
                let wanted = ledger::WantedMovements::default();
                let rows = ledger::movements(tx, business, &wanted, self.line, PIECE).await?;
                self.line = rows.last().map_or(self.line, |last| last.seq);
                self.shown(rows, |movement| movement.id.0, |movement| movement)
            }
            ExportList::Withdrawals => {
                let rows = store::straws::withdrawal::list(tx, business, None, false, page).await?;
                self.shown(rows, |withdrawal| withdrawal.id.0, |withdrawal| withdrawal.at(now))
            }
            ExportList::Services => {
                let rows = store::animals::service::list(tx, business, None, None, page).await?;
                self.shown(rows, |service| service.id.0, |service| service)
            }
            ExportList::Heats => self.events(tx, business, HappeningKind::Heat, Heat::of).await,
            ExportList::PregnancyChecks => {
                self.events(tx, business, HappeningKind::PregnancyCheck, PregnancyCheck::of).await
            }
            ExportList::Calvings => self.events(tx, business, HappeningKind::Calving, Calving::of).await,
            ExportList::Abortions => self.events(tx, business, HappeningKind::Abortion, Abortion::of).await,
            ExportList::DoNotBreed => {
                self.events(tx, business, HappeningKind::DoNotBreed, DoNotBreed::of).await
            }
            ExportList::Stocktakes => {
                let rows = store::straws::stocktake::list(tx, business, None, page).await?;
                self.shown(rows, |stocktake| stocktake.id.0, |stocktake| stocktake)
            }
            ExportList::NitrogenReadings => {
                let rows = store::nitrogen::level::all_readings(tx, business, page).await?;
                self.shown(rows, |reading| reading.id.0, |reading| reading)
            }
            ExportList::Refills => {
                let rows = store::nitrogen::level::all_refills(tx, business, page).await?;
                self.shown(rows, |refill| refill.id.0, |refill| refill)
            }
            ExportList::Alerts => {
                let rows = store::alerts::alert::list(tx, business, &WantedAlerts::default(), page).await?;
                self.shown(rows, |alert| alert.id.0, |alert| alert)
            }
            ExportList::AlertRules => {
                let rows = store::alerts::rule::list(tx, business, None, page).await?;
                self.shown(rows, |rule| rule.id.0, Tagged::new)
            }
            ExportList::AdeItems => {
                let rows = store::exchange::ade_item::list(
                    tx,
                    business,
                    store::exchange::ade_item::FlagFilter::default(),
                    page,
                )
                .await?;
                self.shown(rows, |item| item.id.0, |item| item)
            }
            ExportList::Audit => {
                let rows = audit::list(tx, business, &audit::AuditQuery::default(), page).await?;
                self.shown(rows, |act| act.id, |act| act)
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
        let mut rows = ledger::stock_at(tx, business, seq, after, PIECE).await?;
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
        let rows = store::animals::event::list(tx, business, kind, None, None, page).await?;
        self.shown(rows, |event| event.id.0, view)
    }

    fn shown<T, V: Serialize>(
        &mut self,
        rows: Vec<T>,
        id: impl Fn(&T) -> Uuid,
        view: impl Fn(T) -> V,
    ) -> store::Result<Vec<Value>> {
        self.note(&rows, id);
        rows.into_iter().map(|row| json(&view(row))).collect()
    }

    fn note<T>(&mut self, rows: &[T], id: impl Fn(&T) -> Uuid) {
        self.after = rows.last().map_or(self.after, id);
        self.finished = i64::try_from(rows.len()).is_ok_and(|read| read < PIECE);
    }
}

fn json(view: &impl Serialize) -> store::Result<Value> {
    serde_json::to_value(view)
        .map_err(|error| store::Error::Unusable(format!("a record has no JSON: {error}")))
}
