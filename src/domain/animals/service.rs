//! A service: an insemination of a female within one heat.

use serde::Serialize;
use utoipa::ToSchema;

use crate::domain::{
    animals::{
        animal::Animal,
        gestation::{self, DueDate, EarliestCheck, Recheck, ReturnWatch},
        included::{HerselfBeside, WithdrawalBeside},
        objection::{Deviation, Deviations},
        service_kind::ServiceKind,
    },
    identifiers::Identifiers,
    row::{IfSelected, LeftJoin},
    straws::{lot::Lot, place::Place, semen::SemenType, sire::SireSummary, withdrawal::Withdrawal},
    values::{
        AnimalId, Code, HerdId, LotId, Name, Note, PlaceId, ServiceId, SireId, Straws, Technician, TimeZone,
        Timestamp, WithdrawalId,
    },
};

/// A service on record.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Service {
    /// Its id.
    pub id: ServiceId,
    /// The animal.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// Her herd.
    pub herd_id: HerdId,
    /// When.
    pub served_at: Timestamp,
    /// What kind of service.
    pub kind: ServiceKind,
    /// Counts her services since her last calving; null of an embryo transfer, which takes no number.
    #[schema(minimum = 1)]
    pub service_number: Option<i64>,
    /// Counts the inseminations and matings within the heat; null of an embryo transfer.
    #[schema(minimum = 1)]
    pub rank: Option<i64>,
    /// Who did it.
    pub technician: Option<Technician>,
    /// What was read off the straw.
    pub straw_read: Option<Name>,
    /// The straw's way out of the tank.
    pub withdrawal_id: Option<WithdrawalId>,
    /// The lot, when the straw was from this book.
    #[sqlx(flatten, try_from = "LeftJoin<Lot>")]
    pub lot: Option<Lot>,
    /// The calf's sire, where known: the bull, or of an embryo its own.
    #[sqlx(flatten, try_from = "LeftJoin<SireSummary>")]
    pub sire: Option<SireSummary>,
    /// Of an embryo transfer, the calf's genetic dam where she is in this book; she who carries it is its dam otherwise.
    pub donor_id: Option<AnimalId>,
    /// The donor's official names.
    #[serde(skip)]
    pub donor_identifiers: Option<Identifiers>,
    /// The semen type, where known.
    pub semen_type: Option<SemenType>,
    /// Where the straw hung.
    #[sqlx(flatten, try_from = "LeftJoin<Place>")]
    pub place: Option<Place>,
    /// What that tank is called.
    pub tank_name: Option<Name>,
    /// How many straws of semen: 0 unless it was an insemination.
    #[schema(minimum = 0)]
    pub straws: i64,
    /// Whether the straw came from the herd's own tank.
    pub semen_from_herd_stock: bool,
    /// What was out of the ordinary.
    #[schema(value_type = Vec<Deviation>)]
    pub deviations: Deviations,
    /// A remark.
    pub note: Option<Note>,
    /// When it was found to have been entered by mistake; then it does not count.
    pub reversed_at: Option<Timestamp>,
    /// What follows if she conceived, or did not.
    #[serde(flatten)]
    #[sqlx(flatten, try_from = "Served")]
    pub follow_up: FollowUp,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
    /// With `include=animal`: she.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Animal)]
    #[sqlx(flatten, try_from = "IfSelected<HerselfBeside>")]
    pub animal: Option<Box<Animal>>,
    /// With `include=withdrawal`: the straw's way out of the tank; null where the straw was not from this book.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Withdrawal>)]
    #[sqlx(flatten, try_from = "IfSelected<WithdrawalBeside>")]
    pub withdrawal: Option<Option<Box<Withdrawal>>>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}

/// What follows from a service.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct FollowUp {
    /// What it does to her service number.
    #[schema(value_type = String, max_length = 300)]
    pub numbering: &'static str,
    /// When she calves if she conceived, by the service sire's breed.
    pub due: DueDate,
    /// When she comes back into heat if she did not.
    pub return_watch: ReturnWatch,
    /// From when on a pregnancy check by each method can be trusted.
    pub pregnancy_checks: Vec<EarliestCheck>,
    /// When to look again at a pregnancy that was found, because some are lost.
    pub recheck: Recheck,
    /// What this was worked out from.
    #[serde(skip)]
    served: Served,
}

/// What a [`FollowUp`] is worked out from.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct Served {
    /// When.
    pub served_at: Timestamp,
    /// What kind of service.
    pub kind: ServiceKind,
    /// Her herd's time zone.
    pub time_zone: TimeZone,
    /// Her last calving before that; none for a heifer.
    pub calved_at: Option<Timestamp>,
    /// The service sire's breed.
    pub sire_breed: Option<Code>,
    /// Whether more than one calf was seen or born.
    #[sqlx(skip)]
    pub is_multiple: bool,
}

impl From<Served> for FollowUp {
    fn from(served: Served) -> Self {
        // A calf's days count from its conception; of an embryo that is her own heat as well.
        let conceived_at = served.served_at.plus(-served.kind.since_conception());
        let served_on = conceived_at.day_in(served.time_zone);
        let calved_on = served.calved_at.map(|calved| calved.day_in(served.time_zone));
        let breed = served.sire_breed.as_ref().map(Code::as_str);
        Self {
            numbering: served.kind.numbering(),
            due: gestation::due_on(served_on, breed, calved_on.is_none(), served.is_multiple),
            return_watch: gestation::return_watch(served_on),
            pregnancy_checks: gestation::earliest_checks(served_on, calved_on),
            recheck: gestation::recheck(served_on),
            served,
        }
    }
}

impl Service {
    /// The same when more than one calf was seen or born: they come earlier.
    #[must_use]
    pub fn of_several_calves(self) -> Self {
        let served = Served { is_multiple: true, ..self.follow_up.served.clone() };
        Self { follow_up: served.into(), ..self }
    }
}

/// A service that a list brought along, as it is entered.
#[derive(Clone, Debug, PartialEq)]
pub struct ServiceEntry {
    /// Its id.
    pub id: ServiceId,
    /// Her herd.
    pub herd_id: HerdId,
    /// The animal.
    pub animal_id: AnimalId,
    /// When.
    pub served_at: Timestamp,
    /// What kind of service.
    pub kind: ServiceKind,
    /// Counts her services since her last calving.
    pub service_number: i64,
    /// Counts the inseminations within the heat.
    pub rank: i64,
    /// Who did it.
    pub technician: Option<Technician>,
    /// The straw's way out of the tank; none when the straw was not from this book.
    pub withdrawal_id: Option<WithdrawalId>,
    /// The lot, when the straw was from this book.
    pub lot_id: Option<LotId>,
    /// The sire, where known.
    pub sire_id: Option<SireId>,
    /// The semen type, where known.
    pub semen_type: Option<SemenType>,
    /// Where the straw hung.
    pub place_id: Option<PlaceId>,
    /// How many straws.
    pub straws: Straws,
    /// Whether the straw came from the herd's own tank.
    pub semen_from_herd_stock: bool,
    /// What was out of the ordinary.
    pub deviations: Deviations,
    /// A remark.
    pub note: Option<Note>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}
