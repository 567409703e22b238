//! The columns of each list in a CSV file: their names, and where in an item of the JSON list each is found.
//!
//! A column is called as the member is. What an item holds of another thing that has a list of its own
//! (a lot, a sire, a place) is shown by its id and by what people call it. An ETag is for programs only.

use serde_json::Value;

use crate::{domain::exchange::cell, http::exchange::export::ExportList};

/// A column: its name, and a JSON Pointer (RFC 6901) to its value.
pub type Column = (&'static str, &'static str);

macro_rules! columns {
    ($($list:ident: $($name:ident $(= $pointer:literal)?),+;)+) => {
        impl ExportList {
            /// Its columns.
            pub const fn columns(self) -> &'static [Column] {
                match self {
                    $(Self::$list => &[$(columns!(@ $name $(, $pointer)?)),+],)+
                }
            }
        }
    };
    (@ $name:ident) => { (stringify!($name), concat!("/", stringify!($name))) };
    (@ $name:ident, $pointer:literal) => { (stringify!($name), $pointer) };
}

columns! {
    Herds: id, name, time_zone, location_scheme = "/location/scheme", location_id = "/location/id", choice_rule, technician_may_override,
        same_heat_hours, waiting_days, kinship_limit, first_service_days, thaw, created_at;
    Tanks: id, name, herd_id, canisters, capacity_l, full_depth_mm, min_depth_mm, static_loss_l_per_day, chart, tare_kg,
        created_at;
    // The import of sires knows these.
    Sires: id, name, breed, purpose, identifiers, sire_id, dam_id, maternal_grandsire_id, sire_identifier,
        dam_identifier, maternal_grandsire_identifier, created_at;
    Lots: id, sire_id, semen_type, batch, collected_on, collection_centre, straw_ml, sexed_percentage, cost, thaw,
        status, owner_herd_id, created_at;
    Animals: id, herd_id, number, name, identifiers, born_on, sire_id, dam_id, breed, groups, left_on, donor, created_at;
    // The import of an inventory knows these.
    Stock: tank_id = "/place/tank_id", tank_name, canister = "/place/canister", cane = "/place/cane",
        goblet = "/place/goblet", sire_id = "/sire/id", sire_name = "/sire/name", sire_breed = "/sire/breed",
        sire_purpose = "/sire/purpose",
        sire_identifiers = "/sire/identifiers", lot_id = "/lot/id", semen_type, batch = "/lot/batch",
        collected_on = "/lot/collected_on", collection_centre = "/lot/collection_centre",
        straw_ml = "/lot/straw_ml", sexed_percentage = "/lot/sexed_percentage", cost = "/lot/cost",
        thaw = "/lot/thaw", status = "/lot/status", owner_herd_name, on_hold, straws;
    Movements: seq, id, kind, lot_id, straws, from_kind = "/from/kind", from_tank_id = "/from/place/tank_id",
        from_canister = "/from/place/canister", from_cane = "/from/place/cane", from_goblet = "/from/place/goblet",
        from_straws_after = "/from/straws_after", to_kind = "/to/kind", to_tank_id = "/to/place/tank_id",
        to_canister = "/to/place/canister", to_cane = "/to/place/cane", to_goblet = "/to/place/goblet",
        to_straws_after = "/to/straws_after", occurred_at, recorded_at, recorded_by, technician, withdrawal_id,
        stocktake_id, reverses, reversed_by, reason, exposure_s, note, warnings;
    Withdrawals: id, state, animal_id, animal_number, herd_id, service_number, rank, lot_id = "/lot/id",
        batch = "/lot/batch", sire_id = "/sire/id", sire_name = "/sire/name", semen_type,
        tank_id = "/place/tank_id", tank_name, canister = "/place/canister", cane = "/place/cane",
        goblet = "/place/goblet", straws, withdrawn_at, technician, straw_read, rule = "/rule/text", thaw, bath_temp_c,
        thaw_started_at, ready_at, use_by, resolved_at, override_reason, deviations, warnings, recorded_at;
    Services: id, animal_id, animal_number, herd_id, served_at, kind, service_number, rank, numbering, technician, straw_read,
        withdrawal_id,
        lot_id = "/lot/id", batch = "/lot/batch", sire_id = "/sire/id", sire_name = "/sire/name", donor_id, semen_type,
        tank_id = "/place/tank_id", tank_name, canister = "/place/canister", cane = "/place/cane",
        goblet = "/place/goblet", straws, semen_from_herd_stock, due_on = "/due/due_on",
        return_watch_from_on = "/return_watch/from_on", return_watch_to_on = "/return_watch/to_on",
        pregnancy_checks, recheck_from_on = "/recheck/from_on", recheck_to_on = "/recheck/to_on", deviations, note, warnings, reversed_at, recorded_at;
    Heats: id, animal_id, herd_id, standing_at, method, technician, note, warnings, reversed_at, recorded_at;
    PregnancyChecks: id, animal_id, herd_id, checked_at, method, result, days_pregnant,
        fits_service_id = "/fits/service_id", technician, note, warnings, reversed_at, recorded_at;
    Calvings: id, animal_id, herd_id, calved_at, calves, technician, note, warnings, reversed_at, recorded_at;
    Abortions: id, animal_id, herd_id, aborted_at, opens_cycle, technician, note, warnings, reversed_at, recorded_at;
    DoNotBreed: id, animal_id, herd_id, decided_at, do_not_breed, technician, note, warnings, reversed_at, recorded_at;
    // The import of mating plans knows these.
    MatingPlans: herd_name, animal_number, rank, recommendation, sire_id, sire_name, sire_identifiers, semen_type, from_service,
        to_service, lactation, note, source, planned_at, animal_id, herd_id, item_id, recorded_at, recorded_by;
    Stocktakes: id, tank_id, canister, complete, as_of_seq, counted_at, technician, note, lines, state, accepted_at,
        recorded_at, recorded_by;
    Holds: id, tank_id, canister, reason, technician, held_at, lifted_at, recorded_at;
    Consignments: id, direction, party_name = "/party/name", approval_number = "/party/approval_number",
        party_address = "/party/address", documents, document_on, moved_at, technician, note, lines, warnings,
        recorded_at, recorded_by;
    Register: id, seq, kind, occurred_at, straws, sire_id = "/sire/id", sire_name = "/sire/name", sire_breed = "/sire/breed",
        sire_identifiers = "/sire/identifiers", semen_type = "/lot/semen_type", batch = "/lot/batch",
        collected_on = "/lot/collected_on", collection_centre = "/lot/collection_centre", from_kind = "/from/kind",
        from_tank_name, from_canister = "/from/place/canister", from_cane = "/from/place/cane",
        from_goblet = "/from/place/goblet", to_kind = "/to/kind", to_tank_name, to_canister = "/to/place/canister",
        to_cane = "/to/place/cane", to_goblet = "/to/place/goblet", party_name = "/consignment/party/name",
        approval_number = "/consignment/party/approval_number", party_address = "/consignment/party/address",
        documents = "/consignment/documents", document_on = "/consignment/document_on", animal_id = "/animal/id",
        animal_number = "/animal/number", animal_identifiers = "/animal/identifiers", herd_id = "/animal/herd_id",
        herd_name = "/animal/herd_name", withdrawal_id, withdrawal_state, service_id, stocktake_id, technician,
        reason, reverses, reversed_by, exposure_s, note, warnings, lot_id, recorded_at, recorded_by;
    Requests: id, herd_id, herd_name, animals, text, wanted_by, caller, telephone, asked_at, state, closed_at, close_reason,
        warnings, recorded_at, recorded_by;
    TimedProtocols: id, herd_id, name, prescribed_by, steps, caution, created_at;
    ProtocolStarts: id, protocol_id, name, prescribed_by, herd_id, herd_name, time_zone, animal_id, animal_number, starts_on,
        inseminate_at, calendar, state, over_at, over_reason, stopped_at, stop_reason, recorded_at, recorded_by, caution, warnings;
    NitrogenReadings: id, tank_id, read_at, measured, depth_mm, litres, frost, source, technician, note, supersedes,
        superseded_by, warnings, recorded_at;
    Refills: id, tank_id, filled_at, depth_before_mm, depth_after_mm, litres_added, technician, note, supersedes,
        superseded_by, warnings, recorded_at;
    Repairs: id, tank_id, repaired_at, kind, technician, note, supersedes, superseded_by, warnings, recorded_at;
    Alerts: id, kind, subject, text, advice, caution, figures, tank_id, herd_id, sire_id, semen_type, lot_id,
        withdrawal_id, stocktake_id, animal_id, webhook_id, rule_id, opened_at, notified_at, next_notification_at, acknowledged_at,
        acknowledged_by, note, cleared_at, clear_reason;
    AlertRules: id, kind, tank_id, herd_id, sire_id, semen_type, lot_id, enabled, below_straws, below_days,
        above_probability, lead_days, delivery_at, clear_at, below_depth_mm, within_days, every_days, grace_minutes,
        min_difference, created_at;
    AdeItems: id, herd_id, kind, source, source_id, modified, deleted, animal_id, happened_at, flagged, flag, flag_text,
        resolution, resolved_at, note, subject_id, resource, recorded_at;
    Audit: id, at, key_id, key_name, request, status, location, idempotency_key;
}

/// A value as it stands in a cell: what has members or elements as its JSON, what is not there as nothing.
pub fn told(value: Option<&Value>) -> String {
    match value {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) => cell::guarded(text),
        Some(Value::Array(elements)) if elements.is_empty() => String::new(),
        Some(other) => cell::guarded(&other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::exchange::import::columns::{INVENTORY, MATING_PLANS, SIRES};

    #[test]
    fn no_list_has_two_columns_of_one_name() {
        for list in ExportList::ALL {
            let columns = list.columns();
            for (n, (name, _)) in columns.iter().enumerate() {
                assert!(!columns[..n].iter().any(|(had, _)| had == name), "{list} has {name} twice");
            }
        }
    }

    #[test]
    fn an_import_knows_every_column_of_the_stock_the_sires_and_the_mating_plans() {
        let lists = [
            (ExportList::Stock, INVENTORY),
            (ExportList::Sires, SIRES),
            (ExportList::MatingPlans, MATING_PLANS),
        ];
        for (list, known) in lists {
            for (name, _) in list.columns() {
                assert!(known.iter().any(|column| column.name == *name), "{name}");
            }
        }
    }
}
