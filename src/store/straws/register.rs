//! The register of straws that came and went.

use crate::{
    domain::{
        straws::register::RegisterEntry,
        values::{BusinessId, Timestamp},
    },
    store::{
        Result, Tx,
        straws::{movement::movements, sire::sire_columns},
        whole_span,
    },
};

/// Where a page of the register begins: after the line of that time and number.
pub type After = Option<(Timestamp, i64)>;

/// What came and went from `from` on and before `to`, in the order of time; what only hangs elsewhere is left out.
pub async fn list(
    tx: &mut Tx,
    business: BusinessId,
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    after: After,
    limit: i64,
) -> Result<Vec<RegisterEntry>> {
    let (at, line) = after.unzip();
    // A page begins at the time of the line before it, so that it costs the same in a book of any length.
    let (begin, end) = whole_span(from.max(at), to);
    tx.sql(movements!(
        concat!(
            ", l.semen_type, l.batch, l.collected_on, l.collection_centre, ",
            sire_columns!(),
            ", ft.name as from_tank_name, tt.name as to_tank_name,
             c.id as consignment_id, c.party_name, c.approval_number, c.party_address, c.documents, c.document_on,
             a.id as animal_id, a.number as animal_number, a.identifiers as animal_identifiers, w.herd_id,
             h.name as herd_name, w.state as withdrawal_state, v.id as service_id"
        ),
        "join lot l on l.business_id = m.business_id and l.id = m.lot_id
         join sire s on s.business_id = l.business_id and s.id = l.sire_id
         left join tank ft on ft.business_id = f.business_id and ft.id = f.tank_id
         left join tank tt on tt.business_id = t.business_id and tt.id = t.tank_id
         left join movement o on o.business_id = m.business_id and o.id = m.reverses_id
         left join consignment_line cl on cl.business_id = m.business_id and cl.seq = coalesce(o.seq, m.seq)
         left join consignment c on c.business_id = cl.business_id and c.id = cl.consignment_id
         left join withdrawal w on w.business_id = m.business_id and w.id = m.withdrawal_id
         left join animal a on a.business_id = w.business_id and a.id = w.animal_id
         left join herd h on h.business_id = w.business_id and h.id = w.herd_id
         left join service v on v.business_id = m.business_id and v.withdrawal_id = m.withdrawal_id
                            and v.withdrawal_id is not null and v.reversed_at is null ",
        // The numbers of the page's lines, by movement_by_time; then the lines. A line both of whose ends have a balance
        // only hung straws elsewhere. Ordered by a sum, so that SQLite does not walk that index a second time.
        "where m.business_id = $1 and m.seq in (
             select x.seq from movement x
             where x.business_id = $1 and x.occurred_at >= $2 and x.occurred_at < $3
               and ($4 is null or x.occurred_at > $4 or x.seq > $5)
               and (x.from_left is null or x.to_held is null)
             order by x.occurred_at, x.seq limit $6)
         order by m.occurred_at, m.seq + 0"
    ))
    .bind(business)
    .bind(begin)
    .bind(end)
    .bind(at)
    .bind(line)
    .bind(limit)
    .all()
    .await
}
