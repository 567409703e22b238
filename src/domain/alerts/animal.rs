//! Whether something is due for an animal. What is due the watch list says; this says only when somebody is told.

use crate::domain::{
    alerts::{
        AlertKind, Figures, Finding,
        rule::{AlertRuleDetails, WATCH_DAYS},
    },
    animals::watch::{WatchItem, WatchKind, Watched},
    values::{Timestamp, WatchDays},
};

/// Whether an item of the watch list is what that kind of alert tells of.
const fn tells_of(kind: AlertKind, item: WatchKind) -> bool {
    match kind {
        AlertKind::CheckDue => matches!(item, WatchKind::PregnancyCheck | WatchKind::Recheck),
        AlertKind::CalvingDue => matches!(item, WatchKind::Calving),
        AlertKind::ReturnWatch => matches!(item, WatchKind::ReturnToHeat),
        _ => false,
    }
}

/// What is found of an animal: due while the watch list has it as due or overdue, or will within the days of the rule.
pub fn judge(kind: AlertKind, rule: &AlertRuleDetails, animal: &Watched, now: Timestamp) -> Finding {
    let today = now.day_in(animal.time_zone);
    let ahead = rule.within_days.map_or(WATCH_DAYS, WatchDays::get);
    let items = animal.items(now, today.plus_days(ahead));
    let Some(item) = items.into_iter().find(|item| tells_of(kind, item.kind)) else {
        let last = animal.last_word(now).map(|last| format!(" On record of her last: {last}."));
        return Finding::Right { text: format!("It is not due.{}", last.unwrap_or_default()) };
    };
    let until_then = (item.from_on.0 - today.0).num_days().max(0);
    #[expect(clippy::cast_precision_loss, reason = "days of a few years")]
    let figures = Figures { straws: None, measured: Some(until_then as f64), threshold: Some(ahead as f64) };
    Finding::Wrong { figures, text: format!("{} {}", in_words(&item), item.reason) }
}

fn in_words(item: &WatchItem) -> String {
    let (from, on) = (item.from_on, item.on);
    let until = item.to_on.map(|last| format!(" to {last}")).unwrap_or_default();
    match item.kind {
        WatchKind::ReturnToHeat => {
            format!("may come back into heat from {from}{until}, likeliest on {on}.")
        }
        WatchKind::PregnancyCheck => format!("a pregnancy check is due from {from}{until}."),
        WatchKind::Recheck => format!("the pregnancy is to be checked again from {from}{until}."),
        WatchKind::Calving => format!("due to calve on {on}, expected from {from}{until}."),
        WatchKind::FirstService => format!("to be served from {from}."),
        WatchKind::ProtocolStep => format!("a step of a timed protocol on {on}."),
    }
}
