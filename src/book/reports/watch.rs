//! The sequential watch over conception, read from the book; and what of it is told as an alert.

use chrono::TimeDelta;

use crate::{
    domain::{
        alerts::{About, Figures, Finding, rule::AlertRule},
        reports::{
            conception::Question,
            cusum::LIMIT,
            group::Part,
            proportion::real,
            watch::{BASELINE_DAYS, TooMuch, WatchCount, Watched, WatchedSubject},
        },
        values::{BusinessId, HerdId, LotId, SireId, TankId, Timestamp},
    },
    store::{
        self, Tx,
        reports::record::{self, Whom},
    },
};

/// Days that are watched where nothing is said.
pub const WATCHED_DAYS: i64 = 365;

/// How those watched stand; two statements.
pub async fn watch(
    tx: &mut Tx,
    business: BusinessId,
    (from, to): (Timestamp, Timestamp),
    now: Timestamp,
    herds: &[HerdId],
    watched: &[Watched],
) -> store::Result<Result<Vec<WatchedSubject>, TooMuch>> {
    let known = record::herds(tx, business).await?;
    let question = Question {
        from,
        to,
        observed_until: now,
        horizon: TimeDelta::zero(),
        herds: herds.to_vec(),
        by: Vec::new(),
    };
    let mut count = WatchCount::new(question, watched, &known);
    let learned_from = from.plus(-TimeDelta::days(BASELINE_DAYS));
    let whom = Whom::Served { from: learned_from, to, herds: herds.to_vec() };
    record::each(tx, business, &whom, now, None, |animal| count.add(&animal)).await?;
    Ok(count.finish())
}

/// What the watch finds under the rules of its alert: of each thing by which rule it is watched, and how it stands. Nothing
/// where no rule switches it on. The narrowest rule decides: a herd with a rule of its own is left out of the wider one.
pub async fn findings(
    tx: &mut Tx,
    business: BusinessId,
    rule: &AlertRule,
    rules: &[AlertRule],
    now: Timestamp,
) -> store::Result<Vec<(About, Finding)>> {
    if !rule.details.enabled {
        return Ok(Vec::new());
    }
    let herds = if let Some(herd) = rule.details.herd_id {
        vec![herd]
    } else {
        let own: Vec<HerdId> = rules.iter().filter_map(|rule| rule.details.herd_id).collect();
        let known = record::herds(tx, business).await?.into_iter().map(|herd| herd.id);
        let left: Vec<HerdId> = known.filter(|herd| !own.contains(herd)).collect();
        if left.is_empty() {
            return Ok(Vec::new());
        }
        // Without rules of their own all herds are watched, however many there are.
        if own.is_empty() { Vec::new() } else { left }
    };
    let span = (now.plus(-TimeDelta::days(WATCHED_DAYS)), now);
    let subjects = watch(tx, business, span, now, &herds, Watched::ALL).await?;
    // More than can be watched is told in the report.
    let subjects = subjects.unwrap_or_default();
    let mut found: Vec<(About, Finding)> = Vec::new();
    for subject in &subjects {
        let Some(about) = about(subject, rule.details.herd_id) else { continue };
        let finding = finding(subject);
        match found.iter_mut().find(|(other, _)| *other == about) {
            // Of a herd's technicians whoever falls is told.
            Some((_, other)) if matches!(finding, Finding::Wrong { .. }) => *other = finding,
            Some(_) => {}
            None => found.push((about, finding)),
        }
    }
    Ok(found)
}

/// What an alert says that it is about. A technician is a person, whom no event names: it is about the herd, and the report says
/// who.
fn about(subject: &WatchedSubject, herd: Option<HerdId>) -> Option<About> {
    let none = About { herd_id: herd, ..About::default() };
    Some(match (subject.watched, &subject.part) {
        (Watched::Technician, _) => About { herd_id: subject.herd, ..none },
        (Watched::Lot, Part::Id(id)) => About { lot_id: Some(LotId(*id)), ..none },
        (Watched::Tank, Part::Id(id)) => About { tank_id: Some(TankId(*id)), ..none },
        (Watched::Sire, Part::Id(id)) => About { sire_id: Some(SireId(*id)), ..none },
        _ => return None,
    })
}

fn finding(subject: &WatchedSubject) -> Finding {
    if !subject.cusum.alarm {
        return Finding::Right { text: "Conception is as expected again.".to_owned() };
    }
    let rate = |of: f64| 100.0 * of / real(subject.services.max(1));
    let whose = match subject.watched {
        Watched::Technician => "with one technician, whom the report names, ",
        Watched::Lot | Watched::Tank | Watched::Sire => "",
    };
    let text = format!(
        "conception {whose}seems to fall: {} of {} services took ({:.0} %), {:.0} % were expected. A hint, no verdict; without any \
         cause one comes every {:.0} services.",
        subject.conceived,
        subject.services,
        rate(real(subject.conceived)),
        rate(subject.expected),
        subject.in_control
    );
    let figures =
        Figures { straws: None, measured: Some(real(subject.cusum.sum)), threshold: Some(real(LIMIT)) };
    Finding::Wrong { figures, text }
}
