//! What is known of an animal whose turn has come, in one row: herself, her herd, her history, and the pedigree
//! around a mating.

use serde::Deserialize;
use sqlx::types::Json;
use uuid::Uuid;

use crate::{
    domain::{
        animals::{
            candidate::Candidate,
            groups::Groups,
            herd::HerdDetails,
            history::{AnimalEvent, AnimalHistory, Numbered, PastService},
            kinship::{Pedigree, Relative},
            service_kind::ServiceKind,
        },
        row::{Joined, LeftJoin},
        straws::{
            lot::Lot,
            place::{Cane, Goblet, NamedTank, Place},
            sire::SireSummary,
            stock::Stock,
        },
        values::{
            AnimalId, BusinessId, Canister, Code, Day, HerdId, LotId, Name, PlaceId, Reason, ServiceId,
            SireId, TankId, Timestamp, WithdrawalId,
        },
    },
    store::{
        Error, Result, Tx,
        animals::{
            mating_plan::{PlanRow, plan_json},
            pedigree::pedigree_json,
        },
        straws::{
            lot::lot_columns,
            sire::sire_columns,
            stock::{Held, in_order_of_use, on_hold},
        },
    },
};

/// A service or an event: when in microseconds since 1970, its id, what happened if it is no service, and the number,
/// rank and kind of a service.
#[derive(Deserialize)]
struct Entry(i64, Uuid, Option<AnimalEvent>, i64, i64, Option<ServiceKind>);

/// Straws of the lot at one place: the place's id, tank, canister, cane and goblet, the tank's name and herd, why they are
/// not to be used, how many.
#[derive(Deserialize)]
struct Hanging(PlaceId, TankId, Canister, Cane, Goblet, Name, Option<HerdId>, Option<Reason>, i64);

/// The columns of a herd `h`, as [`HerdDetails`] reads them.
macro_rules! herd_columns {
    () => {
        "h.name, h.time_zone, h.location, h.choice_rule, h.same_heat_hours, h.waiting_days, h.kinship_limit,
         h.first_service_days, h.thaw, h.technician_may_override"
    };
}
pub(in crate::store) use herd_columns;

/// What is on record of an animal, as entries in no order; `$animal` ends a condition on her id.
macro_rules! history_json {
    (sqlite, $animal:expr) => {
        concat!(
            "(select json_group_array(json(entry)) from (
                 select json_array(served_at, hex(id), null, service_number, rank, kind) as entry from service
                 where business_id = $1 and animal_id ",
            $animal,
            " and reversed_at is null
                 union all
                 select json_array(happened_at, hex(id), json(details), 0, 0, null) from animal_event
                 where business_id = $1 and animal_id ",
            $animal,
            " and reversed_at is null))"
        )
    };
    (postgres, $animal:expr) => {
        concat!(
            "(select coalesce(json_agg(entry), '[]') from (
                 select json_build_array((extract(epoch from served_at) * 1000000)::bigint, id, null, service_number, rank, kind) as entry
                 from service where business_id = $1 and animal_id ",
            $animal,
            " and reversed_at is null
                 union all
                 select json_build_array((extract(epoch from happened_at) * 1000000)::bigint, id, details, 0, 0, null)
                 from animal_event where business_id = $1 and animal_id ",
            $animal,
            " and reversed_at is null) as entries)"
        )
    };
}
pub(in crate::store) use history_json;

/// The columns of an animal `a` and her herd `h` that [`CandidateRow`] reads beside `history` and `plan`.
macro_rules! candidate_columns {
    () => {
        concat!(
            "a.id as animal_id, a.number as animal_number, a.herd_id as animal_herd_id, a.born_on as animal_born_on,
             a.left_on as animal_left_on, a.donor as animal_donor, a.animal_groups, ",
            $crate::store::animals::candidate::herd_columns!()
        )
    };
}
pub(in crate::store) use candidate_columns;

/// An animal with her herd and what is on record of her.
#[derive(sqlx::FromRow)]
pub(in crate::store) struct CandidateRow {
    animal_id: AnimalId,
    animal_number: Code,
    animal_herd_id: HerdId,
    animal_born_on: Option<Day>,
    animal_left_on: Option<Day>,
    animal_donor: bool,
    animal_groups: Groups,
    #[sqlx(flatten)]
    herd: HerdDetails,
    history: Json<Vec<Entry>>,
    plan: Option<Json<PlanRow>>,
}

impl Joined for CandidateRow {
    const KEY: &'static str = "animal_id";
}

impl CandidateRow {
    pub(in crate::store) fn candidate(self, pedigree: Pedigree<Relative>) -> Result<Candidate> {
        let (history, numbered) = history(self.history.0)?;
        let plan = self.plan.map(|row| row.0.plan(self.animal_id)).transpose()?;
        Ok(Candidate {
            id: self.animal_id,
            number: self.animal_number,
            herd_id: self.animal_herd_id,
            born_on: self.animal_born_on,
            left_on: self.animal_left_on,
            donor: self.animal_donor,
            groups: self.animal_groups,
            herd: self.herd,
            history,
            numbered,
            pedigree,
            plan,
        })
    }
}

#[derive(sqlx::FromRow)]
struct Row {
    #[sqlx(flatten, try_from = "LeftJoin<CandidateRow>")]
    candidate: Option<CandidateRow>,
    pedigree: Json<Pedigree<Relative>>,
    #[sqlx(flatten, try_from = "LeftJoin<Lot>")]
    lot: Option<Lot>,
    #[sqlx(flatten, try_from = "LeftJoin<SireSummary>")]
    sire: Option<SireSummary>,
    tank_name: Option<Name>,
    tank_canisters: Option<Canister>,
    tank_herd_id: Option<HerdId>,
    place_id: Option<PlaceId>,
    place_on_hold: Option<Reason>,
    is_id_taken: bool,
    owner_herd_name: Option<Name>,
    hanging: Json<Vec<Hanging>>,
}

/// What a mating is about.
#[derive(Clone, Copy, Debug, Default)]
pub struct Asked<'p> {
    /// The animal.
    pub animal: Option<AnimalId>,
    /// Or the one of this withdrawal.
    pub withdrawal: Option<WithdrawalId>,
    /// The lot, or the sire.
    pub lot: Option<LotId>,
    /// The sire, where no lot says him.
    pub sire: Option<SireId>,
    /// The place that was named.
    pub place: Option<&'p Place>,
    /// The id that a new withdrawal is to have.
    pub id: Option<WithdrawalId>,
    /// Which places of the lot count.
    pub held: Held,
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
    /// The tank.
    pub tank: Option<NamedTank>,
    /// The id of the place that was named, if straws ever hung there.
    pub place_id: Option<PlaceId>,
    /// Why straws there are not to be used.
    pub place_on_hold: Option<Reason>,
    /// Whether a withdrawal has that id.
    pub is_id_taken: bool,
    /// All straws of the lot, in the order in which they should be used.
    pub hanging: Vec<Stock>,
}

macro_rules! gather {
    ($history:expr, $plan:expr, $pedigree:expr, $hanging:expr) => {
        concat!(
            "select ", candidate_columns!(), ", ", $history, " as history, ", $plan, " as plan, ", $pedigree, " as pedigree, ",
            lot_columns!(), ", ", sire_columns!(), ", t.name as tank_name, t.canisters as tank_canisters,
             t.herd_id as tank_herd_id,
             (select p.id from place p
              where p.business_id = $1 and p.tank_id = $5 and p.canister = $7 and p.cane = $8 and p.goblet = $9) as place_id, ",
            on_hold!("$5", "$7"), " as place_on_hold,
             exists (select 1 from withdrawal w where w.business_id = $1 and w.id = $10) as is_id_taken,
             (select o.name from herd o where o.business_id = $1 and o.id = l.owner_herd_id) as owner_herd_name,
             (select ", $hanging, " from balance b
              join place p on p.business_id = b.business_id and p.id = b.place_id
              join tank k on k.business_id = p.business_id and k.id = p.tank_id
              where b.business_id = $1 and b.lot_id = $3 and b.straws >= $11) as hanging
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

/// That an id is that of the animal, or of the one of the withdrawal.
macro_rules! hers {
    () => {
        "= coalesce($2, (select w.animal_id from withdrawal w where w.business_id = $1 and w.id = $6))"
    };
}

/// Gathers what is known of a mating.
pub async fn gather(tx: &mut Tx, business: BusinessId, asked: Asked<'_>) -> Result<Found> {
    // Uses service_by_animal and animal_event_by_animal.
    let row: Row = tx
        .sql_for(
            gather!(
                history_json!(sqlite, hers!()),
                plan_json!(sqlite, "a.id"),
                pedigree_json!(
                    sqlite,
                    "$1",
                    hers!(),
                    "= coalesce((select sire_id from lot where business_id = $1 and id = $3), $4)"
                ),
                concat!(
                    "json_group_array(json_array(hex(p.id), hex(p.tank_id), p.canister, p.cane, p.goblet, k.name,
                                                 case when k.herd_id is not null then hex(k.herd_id) end, ",
                    on_hold!("p.tank_id", "p.canister"),
                    ", b.straws))"
                )
            ),
            gather!(
                history_json!(postgres, hers!()),
                plan_json!(postgres, "a.id"),
                pedigree_json!(
                    postgres,
                    "$1",
                    hers!(),
                    "= coalesce((select sire_id from lot where business_id = $1 and id = $3), $4)"
                ),
                concat!(
                    "coalesce(json_agg(json_build_array(p.id, p.tank_id, p.canister, p.cane, p.goblet, k.name, k.herd_id, ",
                    on_hold!("p.tank_id", "p.canister"),
                    ", b.straws)), '[]')"
                )
            ),
        )
        .bind(business)
        .bind(asked.animal)
        .bind(asked.lot)
        .bind(asked.sire)
        .bind(asked.place.map(|place| place.tank_id))
        .bind(asked.withdrawal)
        .bind(asked.place.map(|place| place.canister))
        .bind(asked.place.map(|place| place.cane.clone()))
        .bind(asked.place.map(|place| place.goblet.clone()))
        .bind(asked.id)
        .bind(asked.held.least())
        .one()
        .await?;
    let candidate = row.candidate.map(|found| found.candidate(row.pedigree.0)).transpose()?;
    let hanging = match row.lot.as_ref().zip(row.sire.as_ref()) {
        Some((lot, sire)) => hanging(lot, sire, row.owner_herd_name.as_ref(), row.hanging.0),
        None => Vec::new(),
    };
    let tank = row.tank_name.zip(row.tank_canisters);
    let tank = tank.map(|(name, canisters)| NamedTank { name, canisters, herd_id: row.tank_herd_id });
    let Row { lot, sire, place_id, place_on_hold, is_id_taken, .. } = row;
    Ok(Found { candidate, lot, sire, tank, place_id, place_on_hold, is_id_taken, hanging })
}

fn hanging(lot: &Lot, sire: &SireSummary, owner: Option<&Name>, rows: Vec<Hanging>) -> Vec<Stock> {
    let stock = rows.into_iter().map(
        |Hanging(place_id, tank_id, canister, cane, goblet, tank_name, tank_herd_id, on_hold, straws)| {
            Stock {
                lot: lot.clone(),
                sire: sire.clone(),
                semen_type: lot.details.semen_type,
                place: Place { tank_id, canister, cane, goblet },
                place_id,
                tank_name,
                tank_herd_id,
                owner_herd_name: owner.cloned(),
                on_hold,
                straws,
            }
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
