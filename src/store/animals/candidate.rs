//! What is known of an animal whose turn has come, in one row: herself, her herd, her history, and the pedigree
//! around a mating.

use serde::Deserialize;
use sqlx::types::Json;
use uuid::Uuid;

use crate::{
    domain::{
        animals::{
            candidate::Candidate,
            herd::HerdDetails,
            history::{AnimalEvent, AnimalHistory, Numbered, PastService},
            kinship::{Pedigree, Relative},
            service_kind::ServiceKind,
        },
        row::LeftJoin,
        straws::{
            lot::Lot,
            place::{Cane, Goblet, Place},
            sire::SireSummary,
            stock::Stock,
        },
        values::{
            AnimalId, BusinessId, Canister, Code, Day, HerdId, LotId, Name, PlaceId, ServiceId, SireId,
            TankId, Timestamp, WithdrawalId,
        },
    },
    store::{
        Error, Result, Tx,
        animals::pedigree::pedigree_json,
        straws::{lot::lot_columns, sire::sire_columns, stock::in_order_of_use},
    },
};

/// A service or an event: when in microseconds since 1970, its id, what happened if it is no service, and the number,
/// rank and kind of a service.
#[derive(Deserialize)]
struct Entry(i64, Uuid, Option<AnimalEvent>, i64, i64, Option<ServiceKind>);

/// Straws of the lot at one place: the place's id, tank, canister, cane and goblet, the tank's name and herd, how many.
#[derive(Deserialize)]
struct Hanging(PlaceId, TankId, Canister, Cane, Goblet, Name, Option<HerdId>, i64);

#[derive(sqlx::FromRow)]
struct Row {
    animal_id: Option<AnimalId>,
    animal_number: Option<Code>,
    animal_herd_id: Option<HerdId>,
    animal_born_on: Option<Day>,
    animal_left_on: Option<Day>,
    animal_donor: Option<bool>,
    #[sqlx(flatten, try_from = "LeftJoin<HerdDetails>")]
    herd: Option<HerdDetails>,
    history: Json<Vec<Entry>>,
    pedigree: Json<Pedigree<Relative>>,
    #[sqlx(flatten, try_from = "LeftJoin<Lot>")]
    lot: Option<Lot>,
    #[sqlx(flatten, try_from = "LeftJoin<SireSummary>")]
    sire: Option<SireSummary>,
    tank_name: Option<Name>,
    tank_canisters: Option<Canister>,
    hanging: Json<Vec<Hanging>>,
}

/// What a mating is about.
#[derive(Clone, Copy, Debug, Default)]
pub struct Asked {
    /// The animal.
    pub animal: Option<AnimalId>,
    /// Or the one of this withdrawal.
    pub withdrawal: Option<WithdrawalId>,
    /// The lot, or the sire.
    pub lot: Option<LotId>,
    /// The sire, where no lot says him.
    pub sire: Option<SireId>,
    /// The tank that was named.
    pub tank: Option<TankId>,
}

/// What is known of what was asked; what is not there is `None`.
#[derive(Debug)]
pub struct Found {
    /// The animal.
    pub candidate: Option<Candidate>,
    /// The lot.
    pub lot: Option<Lot>,
    /// The sire, or the lot's.
    pub sire: Option<SireSummary>,
    /// Name and canisters of the tank.
    pub tank: Option<(Name, Canister)>,
    /// All straws of the lot, in the order in which they should be used.
    pub hanging: Vec<Stock>,
}

macro_rules! gather {
    ($history:expr, $pedigree:expr, $hanging:expr) => {
        concat!(
            "select a.id as animal_id, a.number as animal_number, a.herd_id as animal_herd_id,
                    a.born_on as animal_born_on, a.left_on as animal_left_on, a.donor as animal_donor,
                    h.name, h.time_zone, h.location, h.choice_rule, h.same_heat_hours, h.waiting_days, h.kinship_limit,
                    h.first_service_days, h.thaw, ", $history, " as history, ", $pedigree, " as pedigree, ",
            lot_columns!(), ", ", sire_columns!(), ", t.name as tank_name, t.canisters as tank_canisters,
             (select ", $hanging, " from balance b
              join place p on p.business_id = b.business_id and p.id = b.place_id
              join tank k on k.business_id = p.business_id and k.id = p.tank_id
              where b.business_id = $1 and b.lot_id = $3 and b.straws > 0) as hanging
             from business b
             left join animal a on a.business_id = b.id and a.id = coalesce($2, (select w.animal_id from withdrawal w where w.business_id = $1 and w.id = $6))
             left join herd h on h.business_id = b.id and h.id = a.herd_id
             left join lot l on l.business_id = b.id and l.id = $3
             left join sire s on s.business_id = b.id and s.id = coalesce(l.sire_id, $4)
             left join tank t on t.business_id = b.id and t.id = $5
             where b.id = $1"
        )
    };
}

/// Gathers what is known of a mating.
pub async fn gather(tx: &mut Tx, business: BusinessId, asked: Asked) -> Result<Found> {
    // Uses service_by_animal and animal_event_by_animal.
    let row: Row = tx
        .sql_for(
            gather!(
                "(select json_group_array(json(entry)) from (
                     select json_array(served_at, hex(id), null, service_number, rank, kind) as entry from service
                     where business_id = $1 and animal_id = coalesce($2, (select w.animal_id from withdrawal w where w.business_id = $1 and w.id = $6)) and reversed_at is null
                     union all
                     select json_array(happened_at, hex(id), json(details), 0, 0, null) from animal_event
                     where business_id = $1 and animal_id = coalesce($2, (select w.animal_id from withdrawal w where w.business_id = $1 and w.id = $6)) and reversed_at is null))",
                pedigree_json!(
                    sqlite,
                    "$1",
                    "= coalesce($2, (select w.animal_id from withdrawal w where w.business_id = $1 and w.id = $6))",
                    "= coalesce((select sire_id from lot where business_id = $1 and id = $3), $4)"
                ),
                "json_group_array(json_array(hex(p.id), hex(p.tank_id), p.canister, p.cane, p.goblet, k.name,
                                             case when k.herd_id is not null then hex(k.herd_id) end, b.straws))"
            ),
            gather!(
                "(select coalesce(json_agg(entry), '[]') from (
                     select json_build_array((extract(epoch from served_at) * 1000000)::bigint, id, null, service_number, rank, kind) as entry
                     from service where business_id = $1 and animal_id = coalesce($2, (select w.animal_id from withdrawal w where w.business_id = $1 and w.id = $6)) and reversed_at is null
                     union all
                     select json_build_array((extract(epoch from happened_at) * 1000000)::bigint, id, details, 0, 0, null)
                     from animal_event where business_id = $1 and animal_id = coalesce($2, (select w.animal_id from withdrawal w where w.business_id = $1 and w.id = $6)) and reversed_at is null) as entries)",
                pedigree_json!(
                    postgres,
                    "$1",
                    "= coalesce($2, (select w.animal_id from withdrawal w where w.business_id = $1 and w.id = $6))",
                    "= coalesce((select sire_id from lot where business_id = $1 and id = $3), $4)"
                ),
                "coalesce(json_agg(json_build_array(p.id, p.tank_id, p.canister, p.cane, p.goblet, k.name, k.herd_id,
                                                    b.straws)), '[]')"
            ),
        )
        .bind(business)
        .bind(asked.animal)
        .bind(asked.lot)
        .bind(asked.sire)
        .bind(asked.tank)
        .bind(asked.withdrawal)
        .one()
        .await?;
    let candidate = match (row.animal_id, row.animal_number, row.animal_herd_id, row.herd) {
        (Some(id), Some(number), Some(herd_id), Some(herd)) => {
            let (history, numbered) = history(row.history.0)?;
            Some(Candidate {
                id,
                number,
                herd_id,
                born_on: row.animal_born_on,
                left_on: row.animal_left_on,
                donor: row.animal_donor.unwrap_or(false),
                herd,
                history,
                numbered,
                pedigree: row.pedigree.0,
            })
        }
        _ => None,
    };
    let hanging = match row.lot.as_ref().zip(row.sire.as_ref()) {
        Some((lot, sire)) => hanging(lot, sire, row.hanging.0),
        None => Vec::new(),
    };
    let tank = row.tank_name.zip(row.tank_canisters);
    Ok(Found { candidate, lot: row.lot, sire: row.sire, tank, hanging })
}

fn hanging(lot: &Lot, sire: &SireSummary, rows: Vec<Hanging>) -> Vec<Stock> {
    let stock = rows.into_iter().map(
        |Hanging(place_id, tank_id, canister, cane, goblet, tank_name, tank_herd_id, straws)| Stock {
            lot: lot.clone(),
            sire: sire.clone(),
            semen_type: lot.details.semen_type,
            place: Place { tank_id, canister, cane, goblet },
            place_id,
            tank_name,
            tank_herd_id,
            straws,
        },
    );
    in_order_of_use(stock.collect())
}

/// In order of time; of one instant, in that of entry.
fn history(mut entries: Vec<Entry>) -> Result<(AnimalHistory, Vec<(ServiceId, Numbered)>)> {
    entries.sort_by_key(|Entry(at, id, ..)| (*at, *id));
    let mut history = AnimalHistory::default();
    let mut numbered = Vec::new();
    for Entry(at, id, what, service_number, rank, kind) in entries {
        let at = Timestamp::from_micros(at)
            .ok_or_else(|| Error::Unusable(format!("the time of {id} is out of range")))?;
        match (what, kind) {
            (Some(what), _) => history.happenings.push((at, what)),
            (None, Some(kind)) => {
                history.services.push(PastService { at, kind });
                numbered.push((ServiceId(id), Numbered { service_number, rank }));
            }
            (None, None) => {}
        }
    }
    Ok((history, numbered))
}
