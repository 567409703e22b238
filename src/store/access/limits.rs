//! Of which herds and tanks the things are that a request names by their ids.

use uuid::Uuid;

use crate::{
    domain::{
        access::limits::{NamedThing, ThingKind},
        values::{BusinessId, HerdId, TankId},
    },
    store::{
        Result, Tx,
        ids::{ids_in, json_ids},
    },
};

#[derive(sqlx::FromRow)]
struct Row {
    what: String,
    id: Uuid,
    herd_id: Option<HerdId>,
    other_herd_id: Option<HerdId>,
    tank_id: Option<TankId>,
    other_tank_id: Option<TankId>,
}

/// The things of one kind that go by these ids: what it is called, its herd, its tanks, and where from.
macro_rules! things {
    ($database:ident, $what:literal, herds $herd:literal $other_herd:literal, $tank:literal, $other:literal, $from:literal) => {
        concat!(
            "select ",
            $what,
            " as what, t.id, ",
            $herd,
            " as herd_id, ",
            $other_herd,
            " as other_herd_id, ",
            $tank,
            " as tank_id, ",
            $other,
            " as other_tank_id from ",
            $from,
            " where t.business_id = $1 and t.id ",
            ids_in!($database, "$2")
        )
    };
    ($database:ident, $what:literal, $herd:literal, $tank:literal, $other:literal, $from:literal) => {
        things!($database, $what, herds $herd "cast(null as uuid)", $tank, $other, $from)
    };
    ($database:ident, $what:literal, herd $herd:literal, $from:literal) => {
        things!($database, $what, $herd, "cast(null as uuid)", "cast(null as uuid)", $from)
    };
    ($database:ident, $what:literal, tank $tank:literal, $from:literal) => {
        things!($database, $what, "cast(null as uuid)", $tank, "cast(null as uuid)", $from)
    };
}

/// All of them. What is not here is of no key's concern that is limited, or belongs to nobody.
macro_rules! named {
    ($database:ident) => {
        concat!(
            things!($database, "'herd'", herd "t.id", "herd t"),
            " union all ",
            things!($database, "'tank'", tank "t.id", "tank t"),
            " union all ",
            things!($database, "'sire'", herd "cast(null as uuid)", "sire t"),
            " union all ",
            things!($database, "'lot'", herd "t.owner_herd_id", "lot t"),
            " union all ",
            things!($database, "'animal'", herd "t.herd_id", "animal t"),
            " union all ",
            things!($database, "t.kind", herd "t.herd_id", "animal_event t"),
            " union all ",
            things!(
                $database,
                "'withdrawal'",
                "t.herd_id",
                "p.tank_id",
                "cast(null as uuid)",
                "withdrawal t join place p on p.business_id = t.business_id and p.id = t.place_id"
            ),
            " union all ",
            things!(
                $database,
                "'service'",
                "t.herd_id",
                "p.tank_id",
                "cast(null as uuid)",
                "service t left join place p on p.business_id = t.business_id and p.id = t.place_id"
            ),
            " union all ",
            things!(
                $database,
                "'movement'",
                herds "w.herd_id" "l.owner_herd_id",
                "f.tank_id",
                "o.tank_id",
                "movement t
                 join lot l on l.business_id = t.business_id and l.id = t.lot_id
                 join place f on f.business_id = t.business_id and f.id = t.from_place_id
                 join place o on o.business_id = t.business_id and o.id = t.to_place_id
                 left join withdrawal w on w.business_id = t.business_id and w.id = t.withdrawal_id"
            ),
            " union all ",
            things!($database, "'stocktake'", tank "t.tank_id", "stocktake t"),
            " union all ",
            things!($database, "'hold'", tank "t.tank_id", "hold t"),
            " union all ",
            things!($database, "'request'", herd "t.herd_id", "call_out t"),
            " union all ",
            things!($database, "'timed protocol'", herd "t.herd_id", "timed_protocol t"),
            " union all ",
            things!($database, "'protocol start'", herd "t.herd_id", "protocol_start t"),
            " union all ",
            things!($database, "'reading'", tank "t.tank_id", "nitrogen_reading t"),
            " union all ",
            things!($database, "'refill'", tank "t.tank_id", "nitrogen_refill t"),
            " union all ",
            things!($database, "'repair'", tank "t.tank_id", "tank_repair t"),
            " union all ",
            things!($database, "'alert'", "t.herd_id", "t.tank_id", "cast(null as uuid)", "alert t"),
            " union all ",
            things!($database, "'item'", herd "t.herd_id", "ade_item t")
        )
    };
}

/// What goes by these ids, in one statement however many they are; what is not there is left out.
pub async fn named(tx: &mut Tx, business: BusinessId, ids: &[Uuid]) -> Result<Vec<NamedThing>> {
    let rows: Vec<Row> =
        tx.sql_for(named!(sqlite), named!(postgres)).bind(business).bind(json_ids(ids)).all().await?;
    Ok(rows.into_iter().map(Row::thing).collect())
}

impl Row {
    fn thing(self) -> NamedThing {
        let what = match self.what.as_str() {
            "sire" => ThingKind::Sire,
            "alert" => ThingKind::Alert,
            other => ThingKind::Other(KINDS.iter().find(|kind| **kind == other).copied().unwrap_or("thing")),
        };
        NamedThing {
            id: self.id,
            what,
            herd_ids: [self.herd_id, self.other_herd_id],
            tank_ids: [self.tank_id, self.other_tank_id],
        }
    }
}

/// What refusals call these things.
const KINDS: [&str; 21] = [
    "herd",
    "tank",
    "lot",
    "animal",
    "heat",
    "pregnancy_check",
    "calving",
    "abortion",
    "do_not_breed",
    "withdrawal",
    "service",
    "movement",
    "stocktake",
    "hold",
    "request",
    "timed protocol",
    "protocol start",
    "reading",
    "refill",
    "repair",
    "item",
];
