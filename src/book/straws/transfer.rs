//! Straws are hung elsewhere.

use crate::{
    book::{
        CommandError, Rejection,
        command::{Command, CommandContext},
        lookup,
        straws::{
            discard::hanging_at,
            receive::{place_exists, written},
        },
    },
    domain::{
        form::Fault,
        straws::{
            exposure,
            movement::{Movement, MovementKind},
            place::Place,
        },
        values::{ExposureSeconds, LotId, Note, Straws, Technician, Timestamp},
    },
    store::straws::ledger::{self, Cause, Entry, Whereabouts},
};

/// Hangs straws at another place, of this or another tank.
#[derive(Clone, Debug)]
pub struct Transfer {
    /// Of which lot.
    pub lot_id: LotId,
    /// Where they hang.
    pub from: Place,
    /// Where they are to hang.
    pub to: Place,
    /// How many.
    pub straws: Straws,
    /// Seconds above the frost line, where measured.
    pub exposure_s: Option<ExposureSeconds>,
    /// When; now when not said.
    pub transferred_at: Option<Timestamp>,
    /// Who.
    pub technician: Option<Technician>,
    /// A remark.
    pub note: Option<Note>,
}

impl Command for Transfer {
    type Done = Movement;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Movement, CommandError> {
        let (occurred_at, ahead) = lookup::client_time(self.transferred_at, cx, "transferred_at")?;
        if self.from == self.to {
            return Err(Rejection::Invalid(vec![Fault::at("to", "must be another place than from")]).into());
        }
        let lot = lookup::lot(cx, self.lot_id, Some("#/lot_id")).await?;
        place_exists(cx, &self.from, "from").await?;
        place_exists(cx, &self.to, "to").await?;
        let business = cx.business();
        let from = hanging_at(cx, self.lot_id, &self.from, self.straws).await?;
        let to = Whereabouts::In(ledger::ensure_place(cx.tx, business, &self.to).await?);
        let entry = Entry {
            kind: MovementKind::Transfer,
            lot: self.lot_id,
            from,
            to,
            straws: self.straws,
            occurred_at,
            technician: self.technician.clone(),
            cause: Cause::default(),
            reason: None,
            exposure: self.exposure_s,
            note: self.note.clone(),
        };
        let movement = written(cx, entry).await?.ok_or_else(|| lookup::lost("balance", self.lot_id.0))?;
        let exposed =
            self.exposure_s.and_then(|seconds| exposure::warning(seconds.get(), lot.details.straw_ml));
        Ok(Movement { warnings: ahead.into_iter().chain(exposed).collect(), ..movement })
    }
}
