//! What stands beside a service or a withdrawal where it is asked for: read by the same statement, under names of its own.

use crate::domain::{
    animals::{
        animal::{Animal, AnimalDetails},
        choice::Allowed,
        groups::Groups,
        objection::Deviations,
    },
    identifiers::Identifiers,
    row::{IfSelected, Joined},
    straws::{
        lot::Lot,
        place::Place,
        sire::SireSummary,
        thaw::ThawProtocol,
        withdrawal::{Withdrawal, WithdrawalState},
    },
    values::{
        AnimalId, Celsius, Code, Day, HerdId, Name, PlaceId, Reason, SireId, Straws, Technician, Timestamp,
        WithdrawalId,
    },
};

/// The animal of a service or a withdrawal.
#[derive(Debug, sqlx::FromRow)]
#[expect(clippy::struct_field_names, reason = "the names of columns that stand beside another thing's")]
pub struct HerselfBeside {
    her_id: AnimalId,
    her_herd_id: HerdId,
    her_number: Code,
    her_name: Option<Name>,
    her_identifiers: Identifiers,
    her_born_on: Option<Day>,
    her_sire_id: Option<SireId>,
    her_dam_id: Option<AnimalId>,
    her_breed: Option<Code>,
    her_left_on: Option<Day>,
    her_donor: bool,
    her_groups: Groups,
    her_created_at: Timestamp,
}

impl Joined for HerselfBeside {
    const KEY: &'static str = "her_id";
}

impl From<IfSelected<HerselfBeside>> for Option<Box<Animal>> {
    fn from(selected: IfSelected<HerselfBeside>) -> Self {
        let her = selected.0.flatten()?;
        let details = AnimalDetails {
            herd_id: her.her_herd_id,
            number: her.her_number,
            name: her.her_name,
            identifiers: her.her_identifiers,
            born_on: her.her_born_on,
            sire_id: her.her_sire_id,
            dam_id: her.her_dam_id,
            breed: her.her_breed,
            groups: her.her_groups,
            left_on: her.her_left_on,
            donor: her.her_donor,
        };
        Some(Box::new(Animal { id: her.her_id, details, created_at: her.her_created_at }))
    }
}

/// The withdrawal of a service. Its lot, sire and place are the service's own.
#[derive(Debug, sqlx::FromRow)]
pub struct WithdrawalBeside {
    out_id: WithdrawalId,
    out_state: WithdrawalState,
    animal_id: AnimalId,
    animal_number: Code,
    out_herd_id: HerdId,
    out_service_number: i64,
    out_rank: i64,
    #[sqlx(flatten)]
    lot: Lot,
    #[sqlx(flatten)]
    sire: SireSummary,
    #[sqlx(flatten)]
    place: Place,
    out_place_id: PlaceId,
    tank_name: Name,
    tank_herd_id: Option<HerdId>,
    out_straws: Straws,
    out_withdrawn_at: Timestamp,
    out_technician: Option<Technician>,
    out_straw_read: Option<Name>,
    out_rule: Allowed,
    out_thaw: ThawProtocol,
    out_bath_temp_c: Option<Celsius>,
    out_thaw_started_at: Option<Timestamp>,
    out_ready_at: Option<Timestamp>,
    out_use_by: Option<Timestamp>,
    out_resolved_at: Option<Timestamp>,
    out_override_reason: Option<Reason>,
    out_deviations: Deviations,
    out_recorded_at: Timestamp,
}

impl Joined for WithdrawalBeside {
    const KEY: &'static str = "out_id";
}

impl From<IfSelected<WithdrawalBeside>> for Option<Option<Box<Withdrawal>>> {
    fn from(selected: IfSelected<WithdrawalBeside>) -> Self {
        let withdrawal = |out: WithdrawalBeside| {
            Box::new(Withdrawal {
                id: out.out_id,
                state: out.out_state,
                animal_id: out.animal_id,
                animal_number: out.animal_number,
                herd_id: out.out_herd_id,
                service_number: out.out_service_number,
                rank: out.out_rank,
                semen_type: out.lot.details.semen_type,
                lot: out.lot,
                sire: out.sire,
                place: out.place,
                place_id: out.out_place_id,
                tank_name: out.tank_name,
                tank_herd_id: out.tank_herd_id,
                straws: out.out_straws,
                withdrawn_at: out.out_withdrawn_at,
                technician: out.out_technician,
                straw_read: out.out_straw_read,
                rule: out.out_rule,
                thaw: out.out_thaw,
                bath_temp_c: out.out_bath_temp_c,
                thaw_started_at: out.out_thaw_started_at,
                ready_at: out.out_ready_at,
                use_by: out.out_use_by,
                resolved_at: out.out_resolved_at,
                override_reason: out.out_override_reason,
                deviations: out.out_deviations,
                kinship: None,
                warnings: Vec::new(),
                animal: None,
                recorded_at: out.out_recorded_at,
            })
        };
        selected.0.map(|joined| joined.map(withdrawal))
    }
}
