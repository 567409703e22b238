//! Something needs attention, or does no more.
//!
//! Whatever may open or clear an alert is looked at by [`settle`]: what an act touched, in the same transaction ([`Touched`]); what time alone brings about, by the clock ([`due`], [`Round`]). It compares
//! what is found with the alert that is open, and writes the difference and its event. Looking twice
//! therefore changes nothing, whoever looks.

use crate::{
    book::{
        CommandError,
        alerts::{animal, recheck},
        command::{BackgroundCommand, Command, CommandContext, Touched},
        lookup,
        nitrogen::status,
        reports::watch,
    },
    domain::{
        access::device::DeviceNote,
        alerts::{
            About, Alert, AlertData, AlertKind, Figures, Finding,
            rule::{self, AlertRule},
            stock::{self, Area, StockSubject, Straw, counted},
            tank, unresolved_from,
        },
        animals::objection::Deviations,
        nitrogen::{LevelForecast, tank::Tank},
        rejection::Rejection,
        straws::{
            stocktake::{Stocktake, StocktakeState},
            withdrawal::{Withdrawal, WithdrawalState},
        },
        values::{AlertId, AlertRuleId, BusinessId, KeyId, Name, Note, Straws, Timestamp},
        webhooks::{
            event::{self, Event, EventKind, Subject, WebhookDisabled},
            webhook::{Webhook, WebhookState},
        },
    },
    store::{self, Page, Tx, straws::demand::WantedOutlook},
};
use chrono::TimeDelta;

/// How long what a rule about stock watches may go without being looked at: a forecast changes with time
/// alone, but slowly.
const LOOKED_AT_AFTER: TimeDelta = TimeDelta::hours(6);

/// A hint on each of some sires, herds and technicians: few.
const ALL: Page = Page { after: uuid::Uuid::nil(), limit: i64::MAX };

/// Of each sort, what one round takes up at most; the next one follows soon.
const AT_ONCE: i64 = 200;

/// Looks at what commands touched.
pub async fn look_at_touched(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    touched: Touched,
) -> store::Result<()> {
    let Touched { lots, withdrawals, rules, tanks } = touched.each_once();
    let animals = store::access::business::animals_to_look_at(tx, business).await?;
    animal::settle(tx, business, now, &animals).await?;
    let (by_stock, open) = store::access::business::is_watched(tx, business).await?;
    let mut seen = Vec::new();
    for (lot, places) in lots.into_iter().filter(|_| by_stock) {
        let concerned = store::alerts::rule::concerned(tx, business, lot, places).await?;
        for one in &concerned {
            let kind = one.rule.details.kind;
            let subject = one.rule.details.subject(lot, one.lot_sire_id, one.lot_semen_type);
            if seen.contains(&(kind, subject)) {
                continue;
            }
            seen.push((kind, subject));
            let deciding = stock::deciding(concerned.iter().map(|one| &one.rule), kind, subject);
            if let Some(rule) = deciding.filter(|rule| rule.details.enabled) {
                let finding = look_at_stock(tx, business, now, rule, subject).await?;
                write(tx, business, now, kind, subject.about(), Some(rule.id), finding).await?;
            }
        }
    }
    for id in withdrawals.into_iter().filter(|_| open) {
        for open in store::alerts::alert::open_about(tx, business, id).await? {
            settle(tx, business, now, open.kind, open.about).await?;
        }
    }
    for id in tanks {
        let tank = lookup::tank_of(tx, business, id).await?;
        let outlook = status::outlook(tx, business, &tank, now).await?;
        for kind in AlertKind::OF_NITROGEN {
            let rules = store::alerts::rule::of_kind(tx, business, kind).await?;
            let (rule_id, finding) = look_at_tank(&rules, kind, &tank, &outlook, now);
            write(tx, business, now, kind, About::tank(&tank), rule_id, finding).await?;
        }
    }
    for rule in rules {
        recheck::begin(tx, business, now, rule).await?;
    }
    Ok(())
}

/// Looks at these things anew and writes what is different; at animals all at once.
pub(super) async fn settle_all(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    what: Vec<(AlertKind, About)>,
) -> store::Result<()> {
    let mut animals = Vec::new();
    for (kind, about) in what {
        match about.animal_id {
            Some(id) if kind.is_of_animals() => animals.push(id),
            _ => settle(tx, business, now, kind, about).await?,
        }
    }
    animals.sort_unstable();
    animals.dedup();
    animal::settle(tx, business, now, &animals).await
}

/// Looks at one thing anew and writes what is different.
pub async fn settle(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    kind: AlertKind,
    about: About,
) -> store::Result<()> {
    let (rule_id, finding) = look_at(tx, business, now, kind, about).await?;
    write(tx, business, now, kind, about, rule_id, finding).await
}

/// What is found of one thing, and by which rule.
async fn look_at(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    kind: AlertKind,
    about: About,
) -> store::Result<(Option<AlertRuleId>, Finding)> {
    let rules = store::alerts::rule::of_kind(tx, business, kind).await?;
    if kind.is_of_nitrogen()
        && let Some(id) = about.tank_id
    {
        let tank = lookup::tank_of(tx, business, id).await?;
        let outlook = status::outlook(tx, business, &tank, now).await?;
        return Ok(look_at_tank(&rules, kind, &tank, &outlook, now));
    }
    if kind.is_of_stock()
        && let Some(subject) = StockSubject::of(&about)
    {
        let deciding = stock::deciding(rules.iter(), kind, subject).filter(|rule| rule.details.enabled);
        let Some(rule) = deciding else { return Ok(unwatched()) };
        return Ok((Some(rule.id), look_at_stock(tx, business, now, rule, subject).await?));
    }
    let Some((rule_id, details)) = rule::deciding(&rules, kind, about.herd_id, about.tank_id) else {
        return Ok(unwatched());
    };
    let finding = match kind {
        AlertKind::WithdrawalUnresolved => match withdrawal(tx, business, about).await? {
            Some(withdrawal) => look_at_withdrawal(&withdrawal, details.grace(), now),
            None => Finding::Between,
        },
        AlertKind::RuleOverridden => look_at_reversal(withdrawal(tx, business, about).await?),
        AlertKind::StocktakeDifference => match about.stocktake_id {
            Some(id) => store::straws::stocktake::find(tx, business, id)
                .await?
                .map_or(Finding::Between, |stocktake| {
                    look_at_stocktake(&stocktake, details.min_difference())
                }),
            None => look_at_reversal(withdrawal(tx, business, about).await?),
        },
        AlertKind::WebhookDisabled => match about.webhook_id {
            Some(id) => look_at_webhook(store::webhooks::webhook::find(tx, business, id).await?),
            None => Finding::Between,
        },
        _ => Finding::Between,
    };
    Ok((rule_id, finding))
}

/// What is found where no rule holds, or one that is switched off.
pub(super) fn unwatched() -> (Option<AlertRuleId>, Finding) {
    (None, Finding::Right { text: "No rule watches this any more.".to_owned() })
}

fn look_at_tank(
    rules: &[AlertRule],
    kind: AlertKind,
    tank: &Tank,
    outlook: &LevelForecast,
    now: Timestamp,
) -> (Option<AlertRuleId>, Finding) {
    let deciding = rule::deciding(rules, kind, tank.details.herd_id, Some(tank.id));
    let Some((rule_id, details)) = deciding else { return unwatched() };
    (rule_id, tank::judge(kind, &details, &tank.details, outlook, now))
}

async fn withdrawal(tx: &mut Tx, business: BusinessId, about: About) -> store::Result<Option<Withdrawal>> {
    match about.withdrawal_id {
        Some(id) => store::straws::withdrawal::find(tx, business, id).await,
        None => Ok(None),
    }
}

async fn look_at_stock(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    rule: &AlertRule,
    subject: StockSubject,
) -> store::Result<Finding> {
    let threshold = rule.details.stock_threshold();
    let straws = store::straws::demand::usable(tx, business, subject).await?;
    let demand = match subject.straw {
        Straw::Of(sire, semen_type) if threshold.needs_demand() && straws > 0 => {
            let used =
                store::straws::demand::history(tx, business, (sire, semen_type), subject.area, now).await?;
            used.learned()
        }
        _ => None,
    };
    Ok(threshold.judge(straws, demand.as_ref(), now))
}

fn look_at_withdrawal(withdrawal: &Withdrawal, grace: TimeDelta, now: Timestamp) -> Finding {
    if withdrawal.is_resolved() {
        return Finding::Right { text: format!("The straw is {}.", withdrawal.state) };
    }
    if now < unresolved_from(withdrawal, grace) {
        return Finding::Right { text: format!("The straw is {}.", withdrawal.clone().at(now).state) };
    }
    Finding::Wrong {
        figures: Figures { straws: Some(withdrawal.straws.get()), ..Figures::default() },
        text: format!("left the tank at {} and is not accounted for.", withdrawal.withdrawn_at),
    }
}

/// Of what happened once with a straw: over when it is undone.
fn look_at_reversal(withdrawal: Option<Withdrawal>) -> Finding {
    match withdrawal {
        Some(withdrawal) if withdrawal.state == WithdrawalState::Reversed => {
            Finding::Right { text: "The withdrawal was reversed.".to_owned() }
        }
        _ => Finding::Between,
    }
}

fn look_at_webhook(webhook: Option<Webhook>) -> Finding {
    match webhook {
        Some(webhook) if webhook.state == WebhookState::Disabled => {
            // Who may see alerts need not know where events go: its address is not told.
            let why = webhook.disabled_reason.unwrap_or_default();
            let text = format!("nothing is sent to it any more. {why}");
            Finding::Wrong { figures: Figures::default(), text: text.trim_end().to_owned() }
        }
        Some(_) => Finding::Right { text: "The webhook is told again.".to_owned() },
        None => Finding::Right { text: "The webhook was deleted.".to_owned() },
    }
}

fn look_at_stocktake(stocktake: &Stocktake, min_difference: i64) -> Finding {
    if stocktake.state == StocktakeState::Accepted {
        return Finding::Right { text: "The stocktake was accepted.".to_owned() };
    }
    let (mut missing, mut surplus) = (0, 0);
    for line in &stocktake.lines.0 {
        *(if line.difference < 0 { &mut missing } else { &mut surplus }) += line.difference.abs();
    }
    if missing + surplus < min_difference {
        return Finding::Between;
    }
    #[expect(clippy::cast_precision_loss, reason = "a number of straws")]
    let figures = Figures {
        straws: Some(missing + surplus),
        measured: Some((missing + surplus) as f64),
        threshold: Some(min_difference as f64),
    };
    let text = format!("{} missing, {surplus} more than the book says.", counted(missing));
    Finding::Wrong { figures, text }
}

/// Compares what is found with the open alert and writes the difference, with its event.
async fn write(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    kind: AlertKind,
    about: About,
    rule_id: Option<AlertRuleId>,
    finding: Finding,
) -> store::Result<()> {
    let open = store::alerts::alert::open_on(tx, business, kind, &about.wire()).await?;
    settle_as(tx, business, now, kind, about, rule_id, finding, open).await
}

/// The same with the alert that is open, where one is.
#[expect(clippy::too_many_arguments, reason = "what is found of what, by which rule, beside what is open")]
pub(super) async fn settle_as(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    kind: AlertKind,
    about: About,
    rule_id: Option<AlertRuleId>,
    finding: Finding,
    open: Option<Alert>,
) -> store::Result<()> {
    match (finding, open) {
        (Finding::Wrong { figures, text }, None) => {
            let subject = about.wire();
            let (name, about) = named(tx, business, about).await?;
            let text = format!("{name}: {text}");
            let alert = Alert::opened(kind, subject, rule_id, about, text, figures, now);
            open_and_notify(tx, business, now, &alert).await
        }
        (Finding::Wrong { figures, text }, Some(open)) if open.is_due_again(now) => {
            let (name, _) = named(tx, business, open.about).await?;
            notify_again(tx, business, now, open, figures, format!("{name}: {text}")).await
        }
        (Finding::Right { text }, Some(open)) => clear(tx, business, now, open, &text).await,
        // Nothing new is known of it, and nobody has taken it on.
        (Finding::Between, Some(open)) if open.is_due_again(now) => {
            let (figures, text) = (open.figures, open.text.clone());
            notify_again(tx, business, now, open, figures, text).await
        }
        (Finding::Wrong { .. }, Some(_)) | (Finding::Right { .. }, None) | (Finding::Between, _) => Ok(()),
    }
}

async fn open_and_notify(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    alert: &Alert,
) -> store::Result<()> {
    store::alerts::alert::open(tx, business, alert).await?;
    let kind = alert.kind.topic().happened();
    let webhook = match alert.about.webhook_id {
        Some(id) => store::webhooks::webhook::find(tx, business, id).await?,
        None => None,
    };
    let data = match webhook {
        Some(Webhook { id: webhook_id, failing_since, .. }) => {
            event::data(&WebhookDisabled { webhook_id, failing_since, alert: data_of(alert) })
        }
        None => event::data(&data_of(alert)),
    };
    notify_with(tx, business, now, kind, alert, data);
    Ok(())
}

async fn notify_again(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    open: Alert,
    figures: Figures,
    text: String,
) -> store::Result<()> {
    let next = open.kind.next_notification_after(now);
    store::alerts::alert::notify_again(tx, business, open.id, &text, figures, now, next).await?;
    let alert = Alert { text, figures, notified_at: now, ..open };
    notify(tx, business, now, alert.kind.topic().repeated(), &alert);
    Ok(())
}

async fn clear(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    open: Alert,
    because: &str,
) -> store::Result<()> {
    store::alerts::alert::clear(tx, business, open.id, because, now).await?;
    let alert = Alert { text: because.to_owned(), cleared_at: Some(now), ..open };
    notify(tx, business, now, alert.kind.topic().cleared(), &alert);
    Ok(())
}

/// Writes the event: ids, figures, and the text, in which no person is named.
fn notify(tx: &mut Tx, business: BusinessId, now: Timestamp, kind: EventKind, alert: &Alert) {
    notify_with(tx, business, now, kind, alert, event::data(&data_of(alert)));
}

fn notify_with(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    kind: EventKind,
    alert: &Alert,
    data: serde_json::Value,
) {
    let about = alert.about;
    let subject = about.subject().unwrap_or(Subject::Alert(alert.id));
    let event = Event { kind, subject, occurred_at: now, herd: about.herd_id, tank: about.tank_id, data };
    store::webhooks::outbox::write(tx, business, now, event);
}

fn data_of(alert: &Alert) -> AlertData {
    AlertData {
        alert_id: alert.id,
        alert: format!("/v1/alerts/{}", alert.id),
        rule_id: alert.rule_id,
        about: alert.about,
        figures: alert.figures,
        // Why a rule was set aside is somebody's own words, and may name someone.
        text: match alert.kind {
            AlertKind::RuleOverridden => "A rule was set aside; the alert says which and why.".to_owned(),
            AlertKind::ActRefused => {
                "An act was refused that was done; the alert says which and why.".to_owned()
            }
            _ => alert.text.clone(),
        },
        opened_at: alert.opened_at,
    }
}

/// What an alert is about in words, and with the herd of its tank.
async fn named(tx: &mut Tx, business: BusinessId, about: About) -> store::Result<(String, About)> {
    let tank = match about.tank_id {
        Some(id) => Some(lookup::tank_of(tx, business, id).await?),
        None => None,
    };
    if about.webhook_id.is_some() {
        return Ok((about.wire(), about));
    }
    if let Some(id) = about.animal_id {
        let animal = lookup::animal_of(tx, business, id).await?;
        let herd = lookup::herd_of(tx, business, animal.details.herd_id).await?;
        return Ok((format!("{} ({})", animal.details.number, herd.details.name), about));
    }
    let herd_id = about.herd_id.or(tank.as_ref().and_then(|tank| tank.details.herd_id));
    let full = About { herd_id, ..about };
    if let Some(id) = about.withdrawal_id
        && let Some(withdrawal) = store::straws::withdrawal::find(tx, business, id).await?
    {
        let straws = counted(withdrawal.straws.get());
        let text = format!("{straws} of {} for animal {}", withdrawal.sire.name, withdrawal.animal_number);
        return Ok((text, full));
    }
    let place = match (&tank, about.herd_id) {
        (Some(tank), _) => format!(" in {}", tank.details.name),
        (None, Some(herd)) => {
            format!(" in the tanks of {}", lookup::herd_of(tx, business, herd).await?.details.name)
        }
        (None, None) => String::new(),
    };
    if about.stocktake_id.is_some() {
        return Ok((format!("Count{place}"), full));
    }
    let name = match StockSubject::of(&about).map(|subject| subject.straw) {
        Some(Straw::Of(sire, semen_type)) => {
            let sire = lookup::sire_of(tx, business, sire).await?;
            format!("{}, {}{place}", sire.details.name, semen_type.describe())
        }
        Some(Straw::Lot(lot)) => {
            let lot = lookup::lot_of(tx, business, lot).await?;
            let sire = lookup::sire_of(tx, business, lot.details.sire_id).await?;
            format!("{} ({})", sire.details.name, lot.details.describe())
        }
        None => match (tank, about.sire_id, about.herd_id) {
            (Some(tank), ..) => tank.details.name.to_string(),
            (None, Some(sire), _) => lookup::sire_of(tx, business, sire).await?.details.name.to_string(),
            (None, None, Some(herd)) => lookup::herd_of(tx, business, herd).await?.details.name.to_string(),
            (None, None, None) => String::new(),
        },
    };
    Ok((name, full))
}

/// A withdrawal, its thaw or its service went against a rule: somebody set it aside, or it had happened already. A second
/// time for the same one is told again.
pub async fn overridden(
    cx: &mut CommandContext<'_>,
    withdrawal: &Withdrawal,
    deviations: &Deviations,
) -> store::Result<()> {
    let texts: Vec<_> = deviations.0.iter().map(|deviation| deviation.text.as_str()).collect();
    let what = format!("set aside: {}", texts.join(" "));
    let (business, now, kind) = (cx.business(), cx.now, AlertKind::RuleOverridden);
    let about = About::withdrawal(withdrawal);
    let rules = store::alerts::rule::of_kind(cx.tx, business, kind).await?;
    let Some((rule_id, _)) = rule::deciding(&rules, kind, about.herd_id, None) else { return Ok(()) };
    let figures = Figures { straws: Some(withdrawal.straws.get()), ..Figures::default() };
    if let Some(open) = store::alerts::alert::open_on(cx.tx, business, kind, &about.wire()).await? {
        let (name, _) = named(cx.tx, business, open.about).await?;
        return notify_again(cx.tx, business, now, open, figures, format!("{name}: {what}")).await;
    }
    let finding = Finding::Wrong { figures, text: what };
    write(cx.tx, business, now, kind, about, rule_id, finding).await
}

/// Straws were taken where the book did not have them: the place differs from the book as by a count.
pub async fn surplus(
    cx: &mut CommandContext<'_>,
    withdrawal: &Withdrawal,
    straws: Straws,
) -> store::Result<()> {
    let (business, now, kind) = (cx.business(), cx.now, AlertKind::StocktakeDifference);
    let about = About { tank_id: Some(withdrawal.place.tank_id), ..About::withdrawal(withdrawal) };
    let rules = store::alerts::rule::of_kind(cx.tx, business, kind).await?;
    let deciding = rule::deciding(&rules, kind, withdrawal.tank_herd_id, about.tank_id);
    let Some((rule_id, details)) = deciding else { return Ok(()) };
    if straws.get() < details.min_difference() {
        return Ok(());
    }
    #[expect(clippy::cast_precision_loss, reason = "a number of straws")]
    let figures = Figures {
        straws: Some(straws.get()),
        measured: Some(straws.get() as f64),
        threshold: Some(details.min_difference() as f64),
    };
    let place = withdrawal.place.describe();
    let text = format!("{} more than the book had in {place}.", counted(straws.get()));
    write(cx.tx, business, now, kind, about, rule_id, Finding::Wrong { figures, text }).await
}

/// What was done at the tank, told afterwards and refused.
#[derive(Clone, Debug)]
pub struct RefusedAct {
    /// By which key.
    pub by: KeyId,
    /// On which device, where it says so.
    pub device: Option<DeviceNote>,
    /// Method and path.
    pub request: String,
    /// Its Idempotency-Key.
    pub key: String,
    /// Why, as it was answered.
    pub why: String,
}

/// Bytes of an alert's text at most.
const LONGEST_TEXT: usize = 1000;

/// An act was refused that was told as done: the office must see to it, because the device can only keep it. Once for each
/// Idempotency-Key, however often it is sent again.
pub async fn refused(
    tx: &mut Tx,
    business: BusinessId,
    now: Timestamp,
    act: &RefusedAct,
) -> store::Result<()> {
    let kind = AlertKind::ActRefused;
    let rules = store::alerts::rule::of_kind(tx, business, kind).await?;
    let Some((rule_id, _)) = rule::deciding(&rules, kind, None, None) else { return Ok(()) };
    let subject = format!("act {}", act.key);
    if store::alerts::alert::was_opened(tx, business, kind, &subject).await? {
        return Ok(());
    }
    let holder = store::access::key::holder(tx, business, act.by).await?;
    let holder = holder.as_ref().map_or("somebody", Name::as_str);
    let device = act.device.as_ref().map_or_else(String::new, |device| match &device.name {
        Some(name) => format!(" on {name} ({})", device.id),
        None => format!(" on device {}", device.id),
    });
    let mut text = format!("Told as done by {holder}{device} and refused: {}: {}", act.request, act.why);
    text.truncate(text.floor_char_boundary(LONGEST_TEXT));
    let (about, figures) = (About::default(), Figures::default());
    let alert = Alert::opened(kind, subject, rule_id, about, text, figures, now);
    open_and_notify(tx, business, now, &alert).await
}

/// The same of an act that was refused before anybody looked into the book.
#[derive(Clone, Debug)]
pub struct NoteRefused {
    /// In whose book.
    pub business: BusinessId,
    /// What.
    pub act: RefusedAct,
}

impl BackgroundCommand for NoteRefused {
    type Done = ();

    fn business(&self) -> Option<BusinessId> {
        Some(self.business)
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<()> {
        refused(tx, self.business, now, &self.act).await
    }
}

/// Takes an alert on: it is not told again while it stays open, and an alert of what happened once is over.
#[derive(Clone, Debug)]
pub struct Acknowledge {
    /// Which.
    pub alert_id: AlertId,
    /// What there is to say.
    pub note: Option<Note>,
}

impl Command for Acknowledge {
    type Done = Alert;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Alert, CommandError> {
        let (business, now) = (cx.business(), cx.now);
        let alert = found(cx, self.alert_id).await?;
        if alert.acknowledged_at.is_some() {
            return Ok(alert);
        }
        let (by, note) = (cx.caller.key_id, self.note.as_ref());
        store::alerts::alert::acknowledge(cx.tx, business, alert.id, by, note, now).await?;
        if alert.cleared_at.is_none() {
            notify(cx.tx, business, now, alert.kind.topic().acknowledged(), &alert);
            if alert.kind.ends_when_acknowledged() {
                clear(cx.tx, business, now, alert, "Somebody has looked at it.").await?;
            }
        }
        found(cx, self.alert_id).await
    }
}

async fn found(cx: &mut CommandContext<'_>, id: AlertId) -> Result<Alert, CommandError> {
    let business = cx.business();
    let alert = store::alerts::alert::find(cx.tx, business, id).await?;
    alert.ok_or_else(|| Rejection::Unknown { what: "alert", id: id.0, pointer: None }.into())
}

/// What is to be looked at by the clock.
#[derive(Clone, Debug)]
pub enum Due {
    /// Something that may have changed.
    Look(AlertKind, About),
    /// What was found by a rule, where looking once more would take long.
    Found(AlertKind, About, AlertRuleId, Finding),
    /// All that a rule watches was looked at.
    LookedAt(AlertRuleId),
}

/// What time alone brought about since the last round. Reads only: what it gives is looked at again when it
/// is written.
pub async fn due(tx: &mut Tx, business: BusinessId, now: Timestamp) -> store::Result<Vec<Due>> {
    let mut due = Vec::new();
    for alert in store::alerts::alert::due_again(tx, business, now, AT_ONCE).await? {
        due.push(Due::Look(alert.kind, alert.about));
    }
    let unaccounted = store::straws::withdrawal::unaccounted(tx, business, now).await?;
    if !unaccounted.is_empty() {
        let kind = AlertKind::WithdrawalUnresolved;
        let rules = store::alerts::rule::of_kind(tx, business, kind).await?;
        for withdrawal in unaccounted {
            let deciding = rule::deciding(&rules, kind, Some(withdrawal.herd_id), None);
            if deciding.is_some_and(|(_, details)| now >= unresolved_from(&withdrawal, details.grace())) {
                due.push(Due::Look(kind, About::withdrawal(&withdrawal)));
            }
        }
    }
    // One that was disabled by a version before this alert, or while a rule silenced it.
    let disabled = store::webhooks::webhook::disabled_untold(tx, business).await?;
    if !disabled.is_empty() {
        let kind = AlertKind::WebhookDisabled;
        let rules = store::alerts::rule::of_kind(tx, business, kind).await?;
        if rule::deciding(&rules, kind, None, None).is_some() {
            due.extend(disabled.into_iter().map(|id| Due::Look(kind, About::webhook(id))));
        }
    }
    let before = now.plus(-LOOKED_AT_AFTER);
    for rule in store::alerts::rule::to_look_at(tx, business, (before, now), AT_ONCE).await? {
        let kind = rule.details.kind;
        if kind == AlertKind::ConceptionFalling {
            due.extend(due_conception(tx, business, &rule, now).await?);
            due.push(Due::LookedAt(rule.id));
            continue;
        }
        for subject in watched(tx, business, &rule).await? {
            let (_, finding) = look_at(tx, business, now, kind, subject.about()).await?;
            if is_news(tx, business, kind, &subject.wire(), &finding).await? {
                due.push(Due::Look(kind, subject.about()));
            }
        }
        due.push(Due::LookedAt(rule.id));
    }
    Ok(due)
}

/// What the watch over conception opens or clears. It goes through the results of years, so the writer is handed what is
/// found.
async fn due_conception(
    tx: &mut Tx,
    business: BusinessId,
    rule: &AlertRule,
    now: Timestamp,
) -> store::Result<Vec<Due>> {
    let kind = AlertKind::ConceptionFalling;
    let rules = store::alerts::rule::of_kind(tx, business, kind).await?;
    let mut found = watch::findings(tx, business, rule, &rules, now).await?;
    // Whoever is not seen any more within the year does not fall either.
    for open in store::alerts::alert::open_by(tx, business, rule.id, ALL).await? {
        if !found.iter().any(|(about, _)| about.wire() == open.subject) {
            let text = "No result of the last year is left to watch.".to_owned();
            found.push((open.about, Finding::Right { text }));
        }
    }
    let mut due = Vec::new();
    for (about, finding) in found {
        if is_news(tx, business, kind, &about.wire(), &finding).await? {
            due.push(Due::Found(kind, about, rule.id, finding));
        }
    }
    Ok(due)
}

/// Whether what is found opens or clears an alert.
async fn is_news(
    tx: &mut Tx,
    business: BusinessId,
    kind: AlertKind,
    subject: &str,
    finding: &Finding,
) -> store::Result<bool> {
    let open = store::alerts::alert::open_on(tx, business, kind, subject).await?;
    Ok(matches!((finding, open), (Finding::Wrong { .. }, None) | (Finding::Right { .. }, Some(_))))
}

/// The same of the tanks, whose level falls with time alone.
pub async fn due_tanks(tx: &mut Tx, business: BusinessId, now: Timestamp) -> store::Result<Vec<Due>> {
    let mut rules = Vec::new();
    for kind in AlertKind::OF_NITROGEN {
        rules.extend(store::alerts::rule::of_kind(tx, business, kind).await?);
    }
    let mut due = Vec::new();
    let mut after = uuid::Uuid::nil();
    loop {
        let tanks = store::nitrogen::tank::list(tx, business, None, Page { after, limit: AT_ONCE }).await?;
        let Some(last) = tanks.last() else { return Ok(due) };
        after = last.id.0;
        for record in status::records_of(tx, business, &tanks, now).await? {
            let (tank, outlook) = (&record.tank, record.standing(now).outlook);
            let about = About::tank(tank);
            for kind in AlertKind::OF_NITROGEN {
                let (_, finding) = look_at_tank(&rules, kind, tank, &outlook, now);
                if is_news(tx, business, kind, &about.wire(), &finding).await? {
                    due.push(Due::Look(kind, about));
                }
            }
        }
    }
}

/// All that a rule about stock watches.
async fn watched(tx: &mut Tx, business: BusinessId, rule: &AlertRule) -> store::Result<Vec<StockSubject>> {
    let (d, area) = (&rule.details, rule.details.area());
    if let Some(lot) = d.lot_id {
        return Ok(vec![StockSubject { straw: Straw::Lot(lot), area: Area::Everywhere }]);
    }
    if let Some((sire, semen_type)) = d.sire_id.zip(d.semen_type) {
        return Ok(vec![StockSubject { straw: Straw::Of(sire, semen_type), area }]);
    }
    let wanted = WantedOutlook { sire: None, semen_type: None, area, owner: None };
    let held = store::straws::demand::held(tx, business, &wanted, (uuid::Uuid::nil(), ""), i64::MAX).await?;
    Ok(held
        .into_iter()
        .map(|held| StockSubject { straw: Straw::Of(held.sire.id, held.semen_type), area })
        .collect())
}

/// Looks at what is due in one book.
#[derive(Clone, Debug)]
pub struct Round {
    /// In whose.
    pub business: BusinessId,
    /// At what.
    pub due: Vec<Due>,
}

impl BackgroundCommand for Round {
    type Done = ();

    fn business(&self) -> Option<BusinessId> {
        Some(self.business)
    }

    async fn run(&self, tx: &mut Tx, now: Timestamp) -> store::Result<()> {
        let mut what = Vec::new();
        for due in &self.due {
            match due {
                Due::Look(kind, about) => what.push((*kind, *about)),
                Due::Found(kind, about, rule, finding) => {
                    write(tx, self.business, now, *kind, *about, Some(*rule), finding.clone()).await?;
                }
                Due::LookedAt(rule) => store::alerts::rule::looked_at(tx, self.business, *rule, now).await?,
            }
        }
        settle_all(tx, self.business, now, what).await
    }
}
