//! What is due for animals: checks, calvings, returns to be watched for.
//!
//! What is due the watch list decides. An animal is looked at when something of her changed, and a herd with a rule once a
//! day, by its own calendar.

use std::collections::{HashMap, HashSet};

use crate::{
    book::alerts::alert::{Due, settle_as, unwatched},
    domain::{
        alerts::{
            About, Alert, AlertKind, Finding, animal,
            rule::{self, AlertRule},
        },
        animals::watch::Watched,
        values::{AlertRuleId, AnimalId, BusinessId, HerdId, TimeZone, Timestamp},
    },
    store::{
        self, Tx,
        alerts::{alert::OpenOfAnimal, rule::OfAnimals},
    },
};

/// Looks at these animals anew and writes what is different.
pub async fn settle(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    animals: &[AnimalId],
) -> store::Result<()> {
    if animals.is_empty() {
        return Ok(());
    }
    let rules = rules(store::alerts::rule::of_animals(tx, business).await?);
    let open = store::alerts::alert::open_of_animals(tx, business, animals).await?;
    if rules.is_empty() && open.is_empty() {
        return Ok(());
    }
    let watched = store::animals::watch::of_ids(tx, business, animals, now).await?;
    let watched: HashMap<AnimalId, &Watched> = watched.iter().map(|animal| (animal.id, animal)).collect();
    let mut open: HashMap<(AlertKind, Option<AnimalId>), Alert> =
        open.into_iter().map(|alert| ((alert.kind, alert.about.animal_id), alert)).collect();
    for id in animals {
        let found = watched.get(id).copied();
        for kind in AlertKind::OF_ANIMALS {
            let open = open.remove(&(kind, Some(*id)));
            let (rule_id, finding) = look_at(&rules, kind, found, now);
            let herd =
                found.map(|animal| animal.herd_id).or(open.as_ref().and_then(|open| open.about.herd_id));
            let Some(herd) = herd else { continue };
            let about = About::animal(*id, herd);
            // Who was told of her in her former herd is told that it is over.
            let (open, moved) = match open {
                Some(open) if open.about.herd_id != Some(herd) => (None, Some(open)),
                open => (open, None),
            };
            if moved.is_some() {
                let over = Finding::Right { text: "She is in another herd now.".to_owned() };
                settle_as(tx, business, now, kind, about, None, over, moved).await?;
            }
            settle_as(tx, business, now, kind, about, rule_id, finding, open).await?;
        }
    }
    Ok(())
}

fn rules(of_animals: Vec<OfAnimals>) -> Vec<AlertRule> {
    of_animals.into_iter().map(|of| of.rule).collect()
}

/// What is found of an animal, and by which rule.
fn look_at(
    rules: &[AlertRule],
    kind: AlertKind,
    found: Option<&Watched>,
    now: Timestamp,
) -> (Option<AlertRuleId>, Finding) {
    let Some(found) = found else {
        let text = "She left, or nothing is on record of her any more.".to_owned();
        return (None, Finding::Right { text });
    };
    let deciding = rule::deciding(rules, kind, Some(found.herd_id), None);
    let Some((rule_id, details)) = deciding else { return unwatched() };
    (rule_id, animal::judge(kind, &details, found, now))
}

/// What became due, or is not any more, since each herd with a rule was last gone through: once a day, at the first round
/// after its midnight, and after a change of a rule. A herd is read in one statement, and no other is.
pub async fn due(tx: &mut Tx, business: BusinessId, now: Timestamp) -> store::Result<Vec<Due>> {
    let of_animals = store::alerts::rule::of_animals(tx, business).await?;
    if of_animals.is_empty() {
        return Ok(Vec::new());
    }
    let herds = store::animals::herd::zones(tx, business).await?;
    let (herds, looked_at) = to_look_at(&of_animals, &herds, now);
    if herds.is_empty() {
        return Ok(Vec::new());
    }
    let rules = rules(of_animals);
    let open = store::alerts::alert::all_open_of_animals(tx, business).await?;
    let is_open: HashSet<(AlertKind, AnimalId)> = open.iter().map(|of| (of.kind, of.animal_id)).collect();
    let mut due = Vec::new();
    for herd in herds {
        let animals = store::animals::watch::animals(tx, business, Some(herd), now).await?;
        due.extend(animals.iter().flat_map(|animal| news(&rules, animal, &is_open, now)));
        let here: HashSet<AnimalId> = animals.iter().map(|animal| animal.id).collect();
        let is_gone = |of: &&OpenOfAnimal| of.herd_id == herd && !here.contains(&of.animal_id);
        due.extend(
            open.iter().filter(is_gone).map(|of| Due::Look(of.kind, About::animal(of.animal_id, herd))),
        );
    }
    due.extend(looked_at.into_iter().map(Due::LookedAt));
    Ok(due)
}

/// The herds whose day changed since a rule for them was looked after, and those rules.
fn to_look_at(
    rules: &[OfAnimals],
    herds: &[(HerdId, TimeZone)],
    now: Timestamp,
) -> (Vec<HerdId>, Vec<AlertRuleId>) {
    let is_due = |of: &OfAnimals, (herd, zone): &(HerdId, TimeZone)| {
        of.rule.details.covers(Some(*herd), None)
            && of.looked_at.is_none_or(|at| at.day_in(*zone) != now.day_in(*zone))
    };
    let due = herds.iter().filter(|herd| rules.iter().any(|of| is_due(of, herd))).map(|(herd, _)| *herd);
    let looked_at = rules.iter().filter(|of| herds.iter().any(|herd| is_due(of, herd))).map(|of| of.rule.id);
    (due.collect(), looked_at.collect())
}

/// Of an animal, what opens or clears an alert.
fn news(
    rules: &[AlertRule],
    animal: &Watched,
    is_open: &HashSet<(AlertKind, AnimalId)>,
    now: Timestamp,
) -> Vec<Due> {
    let is_news = |kind: &AlertKind| {
        let (_, finding) = look_at(rules, *kind, Some(animal), now);
        match finding {
            Finding::Wrong { .. } => !is_open.contains(&(*kind, animal.id)),
            Finding::Right { .. } => is_open.contains(&(*kind, animal.id)),
            Finding::Between => false,
        }
    };
    let about = About::animal(animal.id, animal.herd_id);
    AlertKind::OF_ANIMALS.into_iter().filter(is_news).map(|kind| Due::Look(kind, about)).collect()
}
