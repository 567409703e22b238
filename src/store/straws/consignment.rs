//! Consignments. Their lines are lines of the ledger.

use std::collections::BTreeMap;

use serde_json::json;

use crate::{
    domain::{
        exchange::change::ChangeKind,
        straws::{
            consignment::{ConsignedLine, Consignment, Direction},
            movement::Movement,
        },
        values::{BusinessId, ConsignmentId},
    },
    store::{
        Page, Result, Tx,
        exchange::change::{self, NewChange},
        straws::movement::movements,
    },
};

macro_rules! add {
    ($lines:literal) => {
        concat!("insert into consignment_line (business_id, consignment_id, seq) select $1, $2, ", $lines)
    };
}

/// Enters a consignment whose lines are in the ledger.
pub async fn add(tx: &mut Tx, business: BusinessId, c: &Consignment) -> Result<()> {
    let lines = c.lines.iter().map(|line| line.seq).collect::<Vec<_>>();
    tx.sql(
        "insert into consignment (business_id, id, direction, party_name, approval_number, party_address, documents,
                                  document_on, moved_at, technician, note, recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
    )
    .bind(business)
    .bind(c.id)
    .bind(c.direction)
    .bind(c.party.name.clone())
    .bind(c.party.approval_number.clone())
    .bind(c.party.address.clone())
    .bind(c.documents.clone())
    .bind(c.document_on)
    .bind(c.moved_at)
    .bind(c.technician.clone())
    .bind(c.note.clone())
    .bind(c.recorded_at)
    .bind(c.recorded_by)
    .run()
    .await?;
    tx.sql_for(
        add!("value from json_each($3)"),
        add!("cast(value as bigint) from json_array_elements_text($3::json)"),
    )
    .bind(business)
    .bind(c.id)
    .bind(json!(lines).to_string())
    .run()
    .await?;
    change::note(tx, business, NewChange::of(ChangeKind::Consignment, c.id.0));
    Ok(())
}

macro_rules! consignments {
    ($rest:literal) => {
        concat!(
            "select id, direction, party_name, approval_number, party_address, documents, document_on, moved_at, technician,
                    note, recorded_at, recorded_by
             from consignment ",
            $rest
        )
    };
}

/// One consignment.
pub async fn find(tx: &mut Tx, business: BusinessId, id: ConsignmentId) -> Result<Option<Consignment>> {
    let found: Option<Consignment> = tx
        .sql(consignments!("where business_id = $1 and id = $2"))
        .bind(business)
        .bind(id)
        .optional()
        .await?;
    Ok(with_lines(tx, business, found.into_iter().collect()).await?.pop())
}

/// Consignments, oldest entry first; of one direction when it is named.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    direction: Option<Direction>,
    page: Page,
) -> Result<Vec<Consignment>> {
    let found = tx
        .sql(match direction {
            // consignment_by_direction.
            Some(_) => {
                consignments!("where business_id = $1 and id > $2 and direction = $4 order by id limit $3")
            }
            // The primary key.
            None => consignments!("where business_id = $1 and id > $2 and $4 is null order by id limit $3"),
        })
        .bind(business)
        .bind(page.after)
        .bind(page.limit)
        .bind(direction)
        .all()
        .await?;
    with_lines(tx, business, found).await
}

macro_rules! lines {
    ($ids:literal) => {
        movements!(
            ", c.consignment_id",
            "join consignment_line c on c.business_id = m.business_id and c.seq = m.seq ",
            concat!(
                "where m.business_id = $1 and c.business_id = $1 and c.consignment_id in (",
                $ids,
                ") order by m.seq"
            )
        )
    };
}

/// The same with their lines.
async fn with_lines(
    tx: &mut Tx,
    business: BusinessId,
    mut consignments: Vec<Consignment>,
) -> Result<Vec<Consignment>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        consignment_id: ConsignmentId,
        #[sqlx(flatten)]
        movement: Movement,
    }
    let ids = json!(consignments.iter().map(|consignment| consignment.id).collect::<Vec<_>>());
    // The key of consignment_line, then that of movement.
    let rows: Vec<Row> = tx
        .sql_for(
            lines!("select unhex(value, '-') from json_each($2)"),
            lines!("select cast(value as uuid) from json_array_elements_text($2::json)"),
        )
        .bind(business)
        .bind(ids.to_string())
        .all()
        .await?;
    let mut lines = BTreeMap::<ConsignmentId, Vec<ConsignedLine>>::new();
    for Row { consignment_id, movement } in rows {
        lines.entry(consignment_id).or_default().push(movement.into());
    }
    for consignment in &mut consignments {
        consignment.lines = lines.remove(&consignment.id).unwrap_or_default();
    }
    Ok(consignments)
}
