//! What is on record of animals, one after the other, each with all that happened to her.

use futures_util::TryStreamExt as _;
use uuid::Uuid;

use crate::{
    domain::{
        animals::{
            history::{AnimalEvent, AnimalHistory, PastService},
            service_kind::ServiceKind,
        },
        reports::record::{AnimalRecord, ReportHerd, ServiceFacts},
        straws::semen::SemenType,
        values::{
            AnimalId, BusinessId, Celsius, Code, Day, HerdId, LotId, Name, SireId, TankId, Technician,
            Timestamp,
        },
    },
    store::{
        Result, Tx,
        ids::{ids_in, json_ids},
    },
};

/// Every herd of the business.
pub async fn herds(tx: &mut Tx, business: BusinessId) -> Result<Vec<ReportHerd>> {
    tx.sql(
        "select id, name, time_zone, waiting_days, first_service_days from herd where business_id = $1 order by id",
    )
    .bind(business)
    .all()
    .await
}

/// A service, an event, or that she is there.
#[derive(sqlx::FromRow)]
struct Row {
    animal_id: AnimalId,
    at: Timestamp,
    herd_id: HerdId,
    born_on: Option<Day>,
    left_on: Option<Day>,
    details: Option<AnimalEvent>,
    kind: Option<ServiceKind>,
    served_herd_id: Option<HerdId>,
    service_number: Option<i64>,
    rank: Option<i64>,
    technician: Option<Technician>,
    lot_id: Option<LotId>,
    sire_id: Option<SireId>,
    semen_type: Option<SemenType>,
    tank_id: Option<TankId>,
    bath_temp_c: Option<Celsius>,
    withdrawn_at: Option<Timestamp>,
    thaw_started_at: Option<Timestamp>,
}

/// Of which animals; what is on record of each is complete up to `until`.
#[derive(Clone, Debug)]
pub enum Whom {
    /// Those that were served in that span, in these herds if any is named.
    Served {
        /// At this moment or later.
        from: Timestamp,
        /// Before this moment.
        to: Timestamp,
        /// In these herds.
        herds: Vec<HerdId>,
    },
    /// All of these herds, of all herds if none is named, also those of whom nothing is on record.
    Kept {
        /// In these herds.
        herds: Vec<HerdId>,
    },
}

/// What is on record of these animals: events and services, each animal's together and in the order of time.
macro_rules! records {
    ($of:expr, $more:expr) => {
        concat!(
            "select e.animal_id, e.happened_at as at, e.id as id, a.herd_id, a.born_on, a.left_on, e.details, null as kind,
                    null as served_herd_id, null as service_number, null as rank, null as technician, null as lot_id,
                    null as sire_id, null as semen_type, null as tank_id, null as bath_temp_c, null as withdrawn_at,
                    null as thaw_started_at
             from animal_event e
             join animal a on a.business_id = e.business_id and a.id = e.animal_id
             where e.business_id = $1 and e.reversed_at is null and e.happened_at <= $2
               and (e.kind in ('pregnancy_check', 'calving', 'abortion') or e.kind = $3) and ",
            $of,
            " union all
             select v.animal_id, v.served_at, v.id, a.herd_id, a.born_on, a.left_on, null, v.kind,
                    v.herd_id, v.service_number, v.rank, v.technician, v.lot_id,
                    v.sire_id, v.semen_type, p.tank_id, w.bath_temp_c, w.withdrawn_at, w.thaw_started_at
             from service v
             join animal a on a.business_id = v.business_id and a.id = v.animal_id
             left join place p on p.business_id = v.business_id and p.id = v.place_id
             left join withdrawal w on w.business_id = v.business_id and w.id = v.withdrawal_id
             where v.business_id = $1 and v.reversed_at is null and v.served_at <= $2 and ",
            $of,
            $more,
            " order by animal_id, at, id"
        )
    };
}

macro_rules! served {
    ($herds:expr) => {
        concat!(
            "a.id in (select x.animal_id from service x
                      where x.business_id = $1 and x.served_at >= $5 and x.served_at < $6 and x.reversed_at is null
                        and ($4 = '[]' or x.herd_id ",
            $herds,
            "))"
        )
    };
}

macro_rules! kept {
    ($herds:expr) => {
        // By ids, so that both parts come in their order and are merged as they are read.
        concat!(
            "a.id in (select x.id from animal x where x.business_id = $1 and ($4 = '[]' or x.herd_id ",
            $herds,
            ")) and $5 is null and $6 is null"
        )
    };
}

/// She is there, whether anything is on record of her or not.
macro_rules! each_animal {
    ($herds:expr) => {
        concat!(
            " union all
             select a.id, a.created_at, a.id, a.herd_id, a.born_on, a.left_on, null, null, null, null, null, null, null,
                    null, null, null, null, null, null
             from animal a where a.business_id = $1 and ",
            kept!($herds)
        )
    };
}

/// Gives each animal with all that is on record of her up to `until`, heats and decisions whether to breed her only where
/// they are `also` asked for. One statement, read once; what is held at a time is one animal.
pub async fn each(
    tx: &mut Tx,
    business: BusinessId,
    whom: &Whom,
    until: Timestamp,
    also: Option<Also>,
    mut give: impl FnMut(AnimalRecord) + Send,
) -> Result<()> {
    let (statement, herds, span) = match whom {
        Whom::Served { from, to, herds } => (
            tx.sql_for(
                records!(served!(ids_in!(sqlite, "$4")), ""),
                records!(served!(ids_in!(postgres, "$4")), ""),
            ),
            herds,
            (Some(*from), Some(*to)),
        ),
        Whom::Kept { herds } => (
            tx.sql_for(
                records!(kept!(ids_in!(sqlite, "$4")), each_animal!(ids_in!(sqlite, "$4"))),
                records!(kept!(ids_in!(postgres, "$4")), each_animal!(ids_in!(postgres, "$4"))),
            ),
            herds,
            (None, None),
        ),
    };
    let also = also.map_or("none", Also::kind);
    let mut rows = statement
        .bind(business)
        .bind(until)
        .bind(also.to_owned())
        .bind(json_ids(herds))
        .bind(span.0)
        .bind(span.1)
        .stream::<Row>();
    let mut animal: Option<AnimalRecord> = None;
    while let Some(row) = rows.try_next().await? {
        if animal.as_ref().is_none_or(|animal| animal.id != row.animal_id)
            && let Some(done) = animal.replace(record_of(&row))
        {
            give(done);
        }
        if let Some(animal) = &mut animal {
            take_up(animal, row);
        }
    }
    animal.into_iter().for_each(give);
    Ok(())
}

/// Events that only some reports look at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Also {
    /// Heats.
    Heats,
    /// Decisions whether to breed her.
    DoNotBreed,
}

impl Also {
    const fn kind(self) -> &'static str {
        match self {
            Self::Heats => "heat",
            Self::DoNotBreed => "do_not_breed",
        }
    }
}

fn record_of(row: &Row) -> AnimalRecord {
    AnimalRecord {
        id: row.animal_id,
        herd: row.herd_id,
        born_on: row.born_on,
        left_on: row.left_on,
        history: AnimalHistory::default(),
        services: Vec::new(),
    }
}

fn take_up(animal: &mut AnimalRecord, row: Row) {
    match (row.details, row.kind) {
        (Some(what), _) => animal.history.happenings.push((row.at, what)),
        (None, Some(kind)) => {
            animal.history.services.push(PastService { at: row.at, kind });
            animal.services.push(ServiceFacts {
                herd: row.served_herd_id,
                service_number: row.service_number.unwrap_or(1),
                rank: row.rank.unwrap_or(1),
                technician: row.technician,
                lot: row.lot_id,
                sire: row.sire_id,
                semen_type: row.semen_type,
                tank: row.tank_id,
                bath: row.bath_temp_c,
                to_bath: row.withdrawn_at.zip(row.thaw_started_at),
            });
        }
        (None, None) => {}
    }
}

/// What people call a sire, lot, tank or herd.
#[derive(Debug, sqlx::FromRow)]
pub struct Named {
    /// Its id.
    pub id: Uuid,
    /// Its name; a lot's is its sire's.
    pub name: Name,
    /// Of a lot, what is printed on the straws.
    pub batch: Option<Code>,
    /// Of a lot, when it was collected.
    pub collected_on: Option<Day>,
}

impl Named {
    /// What people call it.
    pub fn label(&self) -> String {
        match (&self.batch, self.collected_on) {
            (Some(batch), Some(day)) => format!("{}, batch {batch} of {day}", self.name),
            (Some(batch), None) => format!("{}, batch {batch}", self.name),
            (None, Some(day)) => format!("{}, of {day}", self.name),
            (None, None) => self.name.to_string(),
        }
    }
}

macro_rules! names {
    ($ids:expr) => {
        concat!(
            // The lots first: what the others have not is of the kind that they have.
            "select l.id, s.name, l.batch, l.collected_on
             from lot l join sire s on s.business_id = l.business_id and s.id = l.sire_id
             where l.business_id = $1 and l.id ",
            $ids,
            " union all select s.id, s.name, null, null from sire s where s.business_id = $1 and s.id ",
            $ids,
            " union all select t.id, t.name, null, null from tank t where t.business_id = $1 and t.id ",
            $ids,
            " union all select h.id, h.name, null, null from herd h where h.business_id = $1 and h.id ",
            $ids
        )
    };
}

/// What people call these sires, lots, tanks and herds.
pub async fn names(tx: &mut Tx, business: BusinessId, ids: &[Uuid]) -> Result<Vec<Named>> {
    tx.sql_for(names!(ids_in!(sqlite, "$2")), names!(ids_in!(postgres, "$2")))
        .bind(business)
        .bind(json_ids(ids))
        .all()
        .await
}
