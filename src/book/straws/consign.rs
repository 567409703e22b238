//! Straws come or leave by one delivery note.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
        straws::decided,
    },
    domain::{
        straws::{
            consign::{self, NewConsignment},
            consignment::Consignment,
            place::Place,
        },
        values::{ConsignmentId, LotId},
    },
    store::straws::{consignment, place},
};

impl Command for NewConsignment {
    type Done = Consignment;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Consignment, CommandError> {
        let (business, by) = (cx.business(), cx.caller.key_id);
        let asked: Vec<(LotId, &Place)> = self.lines.iter().map(|line| (line.lot_id, &line.place)).collect();
        let stock = place::stock_at_all(cx.tx, business, &asked).await?;
        let decision = match consign::decide(self, &stock, cx.now()) {
            Ok(decision) => decision,
            Err(refused) => {
                let (lot, place) = asked[refused.line];
                decided(cx, lot, Some(place), Err(refused.rejection)).await?
            }
        };
        let mut lines = Vec::with_capacity(decision.postings.len());
        for posting in decision.postings {
            lines.push(cx.post(posting).await?.into());
        }
        let consignment = Consignment {
            id: ConsignmentId::new(),
            direction: self.direction,
            party: self.party.clone(),
            documents: self.documents.clone(),
            document_on: self.document_on,
            moved_at: decision.moved_at,
            technician: self.technician.clone(),
            note: self.note.clone(),
            lines,
            recorded_at: cx.now,
            recorded_by: by,
            warnings: decision.warnings,
        };
        consignment::add(cx.tx, business, &consignment).await?;
        Ok(consignment)
    }
}
