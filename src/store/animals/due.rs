//! Animals that may be due on a day, of many herds at once.

use crate::{
    domain::{
        animals::{
            candidate::Candidate,
            kinship::{Pedigree, Relative},
        },
        values::{AnimalId, BusinessId, HerdId, Timestamp},
    },
    store::{
        Result, Tx,
        animals::{
            candidate::{CandidateRow, candidate_columns, history_json},
            mating_plan::plan_json,
        },
        ids::{ids_in, json_ids},
    },
};

/// Within which times a heat, a service, or the hour of a timed protocol makes an animal one that may be due.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    /// Heats from then.
    pub heats_from: Timestamp,
    /// Heats up to then.
    pub heats_until: Timestamp,
    /// Services from then.
    pub services_from: Timestamp,
    /// Services up to then.
    pub services_until: Timestamp,
    /// Hours of timed protocols from then.
    pub protocols_from: Timestamp,
    /// Hours of timed protocols up to then.
    pub protocols_until: Timestamp,
}

/// Animals with a heat, a service or the end of a timed protocol in the window, of these herds or of all, without their pedigrees.
pub async fn candidates(
    tx: &mut Tx,
    business: BusinessId,
    herds: &[HerdId],
    window: Window,
) -> Result<Vec<Candidate>> {
    // Uses animal_event_heat_at, service_at and protocol_start_ahead, and for each animal service_by_animal and animal_event_by_animal.
    macro_rules! due {
        ($history:expr, $plan:expr, $herds:expr) => {
            concat!(
                "select ",
                candidate_columns!(),
                ", ",
                $history,
                " as history, ",
                $plan,
                " as plan
                 from (select e.animal_id from animal_event e
                       where e.business_id = $1 and e.kind = 'heat' and e.reversed_at is null
                         and e.happened_at between $2 and $3
                       union
                       select v.animal_id from service v
                       where v.business_id = $1 and v.reversed_at is null and v.served_at between $4 and $5
                       union
                       select s.animal_id from protocol_start s
                       where s.business_id = $1 and s.stopped_at is null and s.inseminate_at between $8 and $9) as due
                 join animal a on a.business_id = $1 and a.id = due.animal_id
                 join herd h on h.business_id = $1 and h.id = a.herd_id
                 where a.left_on is null and ($6 or a.herd_id ",
                $herds,
                ")"
            )
        };
    }
    let rows: Vec<CandidateRow> = tx
        .sql_for(
            due!(history_json!(sqlite, "= a.id"), plan_json!(sqlite, "a.id"), ids_in!(sqlite, "$7")),
            due!(history_json!(postgres, "= a.id"), plan_json!(postgres, "a.id"), ids_in!(postgres, "$7")),
        )
        .bind(business)
        .bind(window.heats_from)
        .bind(window.heats_until)
        .bind(window.services_from)
        .bind(window.services_until)
        .bind(herds.is_empty())
        .bind(json_ids(herds))
        .bind(window.protocols_from)
        .bind(window.protocols_until)
        .all()
        .await?;
    rows.into_iter().map(|row| row.candidate(Pedigree::<Relative>::new())).collect()
}

/// For whom of these animals a straw is out, and since when.
pub async fn straws_out(
    tx: &mut Tx,
    business: BusinessId,
    animals: &[AnimalId],
) -> Result<Vec<(AnimalId, Timestamp)>> {
    #[derive(sqlx::FromRow)]
    struct Row {
        animal_id: AnimalId,
        withdrawn_at: Timestamp,
    }
    // Uses withdrawal_unresolved, which is short.
    macro_rules! out {
        ($animals:expr) => {
            concat!(
                "select animal_id, min(withdrawn_at) as withdrawn_at from withdrawal
                 where business_id = $1 and state in ('out', 'thawing') and animal_id ",
                $animals,
                " group by animal_id"
            )
        };
    }
    let rows: Vec<Row> = tx
        .sql_for(out!(ids_in!(sqlite, "$2")), out!(ids_in!(postgres, "$2")))
        .bind(business)
        .bind(json_ids(animals))
        .all()
        .await?;
    Ok(rows.into_iter().map(|row| (row.animal_id, row.withdrawn_at)).collect())
}
