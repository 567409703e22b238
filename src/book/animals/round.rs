//! The day's round: what is known of all who may be due, gathered in a few statements however many they are.

use chrono::TimeDelta;

use crate::{
    book::Caller,
    domain::{
        access::limits::only_within,
        animals::round::{self, Facts, Round, sires_in_question},
        values::{Day, HerdId, TimeZone, Timestamp},
    },
    store::{
        self, Tx,
        animals::{
            call_out,
            due::{self, Window},
            pedigree, timed_protocol,
        },
        straws::stock,
    },
};

/// How far the day of a herd may begin before or after that of UTC.
const ZONES_APART: TimeDelta = TimeDelta::hours(15);

/// A heat counts for three days, and so does the hour of a timed protocol; a return comes after 18 to 24; a day more on either side.
fn window(date: Day) -> Window {
    let start = date.start_in(TimeZone::UTC).plus(-ZONES_APART);
    let end = date.plus_days(1).start_in(TimeZone::UTC).plus(ZONES_APART);
    Window {
        heats_from: start.plus(-TimeDelta::days(4)),
        heats_until: end,
        protocols_from: start.plus(-TimeDelta::days(4)),
        protocols_until: end.plus(TimeDelta::days(1)),
        services_from: start.plus(-TimeDelta::days(25)),
        services_until: end.plus(-TimeDelta::days(17)),
    }
}

/// The round of `date` at these herds, or at all, with the straws that the caller's key is good for.
pub async fn of(
    tx: &mut Tx,
    caller: &Caller,
    date: Day,
    herds: &[HerdId],
    now: Timestamp,
) -> store::Result<Round> {
    let mut facts = gather(tx, caller, date, herds).await?;
    facts.out = due::straws_out(tx, caller.business_id, &facts.animals()).await?;
    Ok(round::plan(date, &facts, now))
}

/// What is to be known for it, but for whom straws are out.
pub async fn gather(tx: &mut Tx, caller: &Caller, date: Day, herds: &[HerdId]) -> store::Result<Facts> {
    let business = caller.business_id;
    let window = window(date);
    let candidates = due::candidates(tx, business, herds, window).await?;
    let requests = call_out::waiting(tx, business, herds, window.heats_until).await?;
    let animals: Vec<_> = candidates.iter().map(|candidate| candidate.id).collect();
    let hours = (window.protocols_from, window.protocols_until);
    let protocols = timed_protocol::ahead_of(tx, business, &animals, hours.0, Some(hours.1)).await?;
    let stock = only_within(caller.limits(), stock::all(tx, business).await?);
    let pedigree =
        pedigree::of_matings(tx, business, &animals, &sires_in_question(&candidates, &stock)).await?;
    Ok(Facts { candidates, pedigree, stock, out: Vec::new(), requests, protocols })
}
