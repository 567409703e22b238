//! Whom events are told to: webhooks, one event's way to one of them, and what follows from each attempt.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use url::{Host, Url};
use utoipa::ToSchema;

use crate::{
    domain::{
        form::{Fault, Field, InputPath},
        values::{DeliveryId, HerdId, MessageId, Note, TankId, Timestamp, WebhookId, read_text},
        webhooks::event::{EventKind, Subject, Topic},
    },
    form, json_column, text_enum,
};

text_enum! {
    /// Whether a webhook is told anything.
    WebhookState {
        /// It is.
        Active = "active",
        /// Its owner wants it to wait: events are kept for it and sent when it is resumed.
        Paused = "paused",
        /// It failed for days or said that it is gone: nothing is kept for it until it is resumed.
        Disabled = "disabled",
        /// It was removed.
        Deleted = "deleted",
    }
}

text_enum! {
    /// What became of one event on its way to one webhook.
    DeliveryState {
        /// It is to be sent, now or later.
        Waiting = "waiting",
        /// The receiver took it.
        Delivered = "delivered",
        /// It was given up; it may be sent again by hand.
        Failed = "failed",
    }
}

text_enum! {
    /// How an attempt ended.
    AttemptOutcome {
        /// The receiver answered 2xx.
        Delivered = "delivered",
        /// It answered 410: it wants nothing more, ever.
        Gone = "gone",
        /// It answered 429, 502, 503 or 504: too much for it now.
        Overloaded = "overloaded",
        /// It answered 3xx; redirects are never followed.
        Redirected = "redirected",
        /// It answered another status.
        Refused = "refused",
        /// It took longer than 10 seconds.
        TimedOut = "timed_out",
        /// Its name or address leads where this service does not send.
        AddressBlocked = "address_blocked",
        /// Its name could not be resolved.
        NameNotResolved = "name_not_resolved",
        /// Not sent: the webhook's secret is encrypted, and the service has not the key for it; whoever runs it must see to that.
        SecretUnreadable = "secret_unreadable",
        /// No connection, or it broke off.
        ConnectionFailed = "connection_failed",
        /// Not tried: the webhook was disabled or removed before.
        NotTried = "not_tried",
    }
}

/// One event on its way to one webhook.
#[derive(Clone, Debug, Serialize, ToSchema, sqlx::FromRow)]
pub struct Delivery {
    /// Its id.
    pub id: DeliveryId,
    /// To which webhook.
    pub webhook_id: WebhookId,
    /// Which event; the header `webhook-id` of every attempt.
    pub event_id: MessageId,
    /// The event's number.
    #[schema(minimum = 1)]
    pub seq: i64,
    /// The event's type.
    #[sqlx(flatten)]
    #[schema(value_type = String)]
    pub r#type: EventKind,
    /// The address of what the event concerns.
    pub subject: String,
    /// What became of it.
    pub state: DeliveryState,
    /// How often it was tried.
    #[schema(minimum = 0)]
    pub attempts: i64,
    /// How far along the schedule it is.
    #[serde(skip)]
    pub step: i64,
    /// How the last attempt ended.
    pub outcome: Option<AttemptOutcome>,
    /// When it is tried next, while it waits; later when the webhook rests.
    pub next_attempt_at: Option<Timestamp>,
    /// When it was entered.
    pub created_at: Timestamp,
    /// When it was delivered or given up.
    pub finished_at: Option<Timestamp>,
}

/// An attempt to deliver.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct DeliveryAttempt {
    /// Its id, sent as the header `X-Request-Id`.
    #[sqlx(rename = "id")]
    pub request_id: uuid::Uuid,
    /// Which of the delivery.
    #[schema(minimum = 1)]
    pub number: i64,
    /// When it began.
    pub started_at: Timestamp,
    /// To which host and port.
    pub host: String,
    /// How it ended.
    pub outcome: AttemptOutcome,
    /// What the receiver answered.
    #[schema(minimum = 100, maximum = 999)]
    pub status: Option<i64>,
    /// How long it took.
    #[schema(minimum = 0)]
    pub latency_ms: i64,
    /// The beginning of what the receiver said, at most 2048 bytes; or what went wrong. Text of a stranger: never
    /// take it for markup.
    pub answer: Option<String>,
}

macro_rules! lists {
    ($($(#[$doc:meta])* $name:ident of $item:ty;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
        #[serde(transparent)]
        #[schema(max_items = 100)]
        pub struct $name(pub Vec<$item>);
        json_column!($name);

        impl Field for $name {
            fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
                Vec::<$item>::read(value, spot, faults).map(Self)
            }
        }
    )+};
}

lists! {
    /// Herds.
    HerdIds of HerdId;
    /// Tanks.
    TankIds of TankId;
}

/// Topics that a webhook asks for.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(transparent)]
#[schema(max_items = 100)]
pub struct Topics(pub Vec<Topic>);
json_column!(Topics);

impl Field for Topics {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let topics = Vec::<Topic>::read(value, spot, faults)?;
        let asked_for = topics.iter().position(|topic| !topic.is_offered());
        if let Some(at) = asked_for {
            let detail = "is sent on demand, by POST /v1/webhooks/{id}/test, and cannot be asked for";
            faults.push(spot.element(at).fault(detail));
            return None;
        }
        Some(Self(topics))
    }
}

/// The longest address of a receiver, in bytes.
const LONGEST_URL: usize = 2000;

/// A receiver's address: `https`, or `http` where the operator allows the place; without a user or
/// password and without a fragment; on port 443, 80 or above 1023.
///
/// The text is kept as the URL standard writes it, so that an address of numbers has one form only:
/// `http://0x7f.1/` is `http://127.0.0.1/`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, sqlx::Type)]
#[serde(transparent)]
#[sqlx(transparent)]
pub struct WebhookUrl(String);

impl WebhookUrl {
    /// The address, or what is wrong with it.
    pub fn parse(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let wrong = "must be an address such as \"https://herd.example.org/tankside\"";
        if text.len() > LONGEST_URL {
            return Err(format!("must have at most {LONGEST_URL} characters"));
        }
        let url = Url::parse(text).map_err(|why| format!("{wrong} ({why})"))?;
        if !matches!(url.scheme(), "https" | "http") {
            return Err(format!("{wrong}; it begins with {}:", url.scheme()));
        }
        let names_a_place = match url.host() {
            None => false,
            // One dot may end a name; a name of dots, or with nothing between two, is none.
            Some(Host::Domain(name)) => {
                name.strip_suffix('.').unwrap_or(name).split('.').all(|part| !part.is_empty())
            }
            Some(_) => true,
        };
        if !names_a_place {
            return Err(wrong.to_owned());
        }
        if !url.username().is_empty() || url.password().is_some() {
            return Err("must not hold a user or password; every delivery is signed instead".to_owned());
        }
        if url.fragment().is_some() {
            return Err("must not have a fragment (#...): it would not be sent".to_owned());
        }
        match url.port_or_known_default() {
            Some(443 | 80 | 1024..) => {}
            port => return Err(format!("must be on port 443, 80 or above 1023, not {}", port.unwrap_or(0))),
        }
        if url.as_str().len() > LONGEST_URL {
            return Err(format!("must have at most {LONGEST_URL} characters when written out"));
        }
        Ok(Self(url.into()))
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Its parts.
    pub fn parts(&self) -> Option<Url> {
        Url::parse(&self.0).ok()
    }

    /// Its host and port, which may be told in a log; path and query may hold a secret.
    pub fn authority(&self) -> String {
        self.parts().map_or_else(String::new, |url| url.authority().to_owned())
    }
}

/// The host of an address, when it is an address of numbers.
pub fn literal(url: &Url) -> Option<std::net::IpAddr> {
    match url.host()? {
        Host::Ipv4(ip) => Some(ip.into()),
        Host::Ipv6(ip) => Some(ip.into()),
        Host::Domain(_) => None,
    }
}

impl Field for WebhookUrl {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        read_text(value, spot, faults, Self::parse)
    }
}

impl utoipa::PartialSchema for WebhookUrl {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .max_length(Some(LONGEST_URL))
            .description(Some(
                "Where to send: `https`, or `http` where the operator allows the place; no user or password, no \
                 fragment; port 443, 80 or above 1023.",
            ))
            .examples(["https://herd.example.org/tankside"])
            .into()
    }
}
impl ToSchema for WebhookUrl {}

form! {
    /// What a webhook's owner says of it.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct WebhookDetails {
        /// Where to send.
        pub url: WebhookUrl,
        /// What to tell; everything when left out or empty.
        #[sqlx(rename = "topics")]
        #[schema(required = false, example = json!(["stock.low", "nitrogen.low"]))]
        pub events: Topics = Topics::default(),
        /// Only what concerns one of these herds, or of the tanks below; everything when both are left out.
        #[schema(required = false)]
        pub herd_ids: HerdIds = HerdIds::default(),
        /// Only what concerns one of these tanks, or of the herds above.
        #[schema(required = false)]
        pub tank_ids: TankIds = TankIds::default(),
        /// A remark, such as whose receiver it is.
        pub note: Option<Note>,
    }
}

impl WebhookDetails {
    /// Whether it asks for an event of that topic that concerns that herd and tank.
    pub fn wants(&self, topic: Topic, herd: Option<HerdId>, tank: Option<TankId>) -> bool {
        let asked_for = self.events.0.is_empty() || self.events.0.contains(&topic);
        let anywhere = self.herd_ids.0.is_empty() && self.tank_ids.0.is_empty();
        let in_reach = herd.is_some_and(|herd| self.herd_ids.0.contains(&herd))
            || tank.is_some_and(|tank| self.tank_ids.0.contains(&tank));
        topic.is_offered() && asked_for && (anywhere || in_reach)
    }
}

/// Whether an event tells that this very webhook was disabled, or is not any more: that is told to the others only. A test is of
/// itself too, and is what it is for.
pub fn is_of_itself(webhook: WebhookId, topic: Topic, subject: &str) -> bool {
    topic == Topic::WebhookDisabled && subject == Subject::Webhook(webhook).wire()
}

/// A webhook. Its secret is not part of it.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Webhook {
    /// Its id.
    pub id: WebhookId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: WebhookDetails,
    /// Whether it is told anything.
    pub state: WebhookState,
    /// Why it was disabled.
    pub disabled_reason: Option<String>,
    /// Since when every attempt failed.
    pub failing_since: Option<Timestamp>,
    /// When it was made.
    pub created_at: Timestamp,
}

/// Webhooks that a business may have.
pub const MOST_WEBHOOKS: i64 = 50;

/// How long after the one before each attempt is made, in seconds: the example of Standard Webhooks
/// 1.0.0; 75 h 35 min and 5 s in all.
const SCHEDULE_S: [i64; 10] = [0, 5, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 86_400];

/// By how much a wait is lengthened or shortened at most, so that receivers are not met by all at once.
const JITTER: f64 = 0.2;

/// How long every attempt may fail before the webhook is disabled.
pub const PATIENCE: TimeDelta = TimeDelta::days(5);

/// How many attempts must have failed in a row as well, as many as two whole schedules have: a clock that leaps by days shows
/// nothing about a receiver, and with the rests after the fifth so many take two to three hours, whatever the clock says.
pub const LEAST_FAILURES: i64 = 20;

/// After so many failures in a row a webhook rests, and only one delivery at a time tries whether it is back.
pub const FAILURES_TO_BACK_OFF: i64 = 5;

/// The rest after the first of those failures; doubled with each further one.
const FIRST_REST_S: i64 = 30;

/// The longest rest: how late a receiver that is back may hear of it.
const LONGEST_REST_S: i64 = 900;

/// How long a receiver that has too much is left alone when it does not say.
const OVERLOAD_REST: TimeDelta = TimeDelta::seconds(60);

/// The longest wait that a receiver may ask for.
const LONGEST_ASKED: TimeDelta = TimeDelta::hours(24);

/// Where a delivery and its webhook stood before an attempt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FailureState {
    /// The delivery; its id spreads the waits.
    pub delivery: DeliveryId,
    /// How far along the schedule it is.
    pub step: i64,
    /// Attempts at the webhook that failed in a row.
    pub failures: i64,
    /// Since when.
    pub failing_since: Option<Timestamp>,
}

/// What follows from an attempt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NextAttempt {
    /// What became of the delivery.
    pub state: DeliveryState,
    /// How far along the schedule it is.
    pub step: i64,
    /// When it is tried again, when it is.
    pub due_at: Option<Timestamp>,
    /// Attempts at the webhook that failed in a row.
    pub failures: i64,
    /// Since when.
    pub failing_since: Option<Timestamp>,
    /// Until when nothing is sent to it.
    pub rest_until: Option<Timestamp>,
    /// Why the webhook is disabled, when it is.
    pub disabled: Option<String>,
}

/// What follows from an attempt that ended at `now`; `asked` is the wait that the receiver asked for.
pub fn after(
    before: FailureState,
    outcome: AttemptOutcome,
    asked: Option<TimeDelta>,
    now: Timestamp,
) -> NextAttempt {
    let FailureState { delivery, step, failures, failing_since } = before;
    let step = step + 1;
    if outcome == AttemptOutcome::Delivered {
        return NextAttempt {
            state: DeliveryState::Delivered,
            step,
            due_at: None,
            failures: 0,
            failing_since: None,
            rest_until: None,
            disabled: None,
        };
    }
    let failures = failures + 1;
    let since = failing_since.unwrap_or(now);
    let asked = asked.map(|asked| asked.clamp(TimeDelta::zero(), LONGEST_ASKED));
    let overloaded = (outcome == AttemptOutcome::Overloaded)
        .then(|| asked.map_or(OVERLOAD_REST, |a| a.max(OVERLOAD_REST)));
    let rest = rest(delivery, failures).into_iter().chain(overloaded).max();
    let disabled = if outcome == AttemptOutcome::Gone {
        Some("The receiver answered 410 Gone.".to_owned())
    } else if now.since(since) >= PATIENCE && failures >= LEAST_FAILURES {
        Some(format!("Every attempt failed since {since}."))
    } else {
        None
    };
    let wait = wait(delivery, step).map(|wait| asked.map_or(wait, |asked| wait.max(asked)));
    let due_at = wait.filter(|_| disabled.is_none()).map(|wait| now.plus(wait));
    NextAttempt {
        state: if due_at.is_some() { DeliveryState::Waiting } else { DeliveryState::Failed },
        step,
        due_at,
        failures,
        failing_since: Some(since),
        rest_until: rest.map(|rest| now.plus(rest)),
        disabled,
    }
}

/// The wait before the attempt that follows after `step` of them; `None` when there is none.
fn wait(delivery: DeliveryId, step: i64) -> Option<TimeDelta> {
    let seconds = usize::try_from(step).ok().and_then(|step| SCHEDULE_S.get(step))?;
    Some(spread(*seconds, delivery, step))
}

/// The rest of a webhook after so many failures in a row.
fn rest(delivery: DeliveryId, failures: i64) -> Option<TimeDelta> {
    let doubled = failures - FAILURES_TO_BACK_OFF;
    if doubled < 0 {
        return None;
    }
    let seconds = FIRST_REST_S << doubled.min(10);
    Some(spread(seconds.min(LONGEST_REST_S), delivery, failures))
}

/// Seconds, longer or shorter by up to a fifth. The chance in it comes from the delivery's random id, so
/// that the same attempt always waits the same.
fn spread(seconds: i64, delivery: DeliveryId, number: i64) -> TimeDelta {
    let mut seed = delivery.0.as_bytes().to_vec();
    seed.extend(number.to_be_bytes());
    let chance = f64::from(crc32fast::hash(&seed)) / f64::from(u32::MAX);
    let stretched = TimeDelta::seconds(seconds).as_seconds_f64() * (1.0 + JITTER * (2.0 * chance - 1.0));
    #[expect(clippy::cast_possible_truncation, reason = "at most 29 hours in milliseconds")]
    TimeDelta::milliseconds((stretched * 1000.0).round() as i64)
}

/// The wait that a `Retry-NextAttempt` asks for: seconds, or an instant (RFC 9110, section 10.2.3).
pub fn retry_after(text: &str, now: Timestamp) -> Option<TimeDelta> {
    let text = text.trim();
    if let Ok(seconds) = text.parse::<u32>() {
        return Some(TimeDelta::seconds(seconds.into()));
    }
    let at = chrono::DateTime::parse_from_rfc2822(text).ok()?;
    Some(Timestamp::from(at.to_utc()).since(now).max(TimeDelta::zero()))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(seconds: i64) -> Timestamp {
        chrono::DateTime::from_timestamp(1_772_427_600 + seconds, 0).unwrap().into()
    }

    fn fresh() -> FailureState {
        FailureState { delivery: DeliveryId::new(), step: 0, failures: 0, failing_since: None }
    }

    #[test]
    fn a_dead_receiver_is_tried_ten_times_over_three_days() {
        // Standard Webhooks 1.0.0, "Retries": 0, 5 s, 5 min, 30 min, 2 h, 5 h, 10 h, 14 h, 20 h, 24 h.
        assert_eq!(SCHEDULE_S.iter().sum::<i64>(), 75 * 3600 + 35 * 60 + 5);
        let (mut before, mut now, mut waits) = (fresh(), at(0), Vec::new());
        loop {
            let after = after(before, AttemptOutcome::Refused, None, now);
            let Some(due) = after.due_at else {
                assert_eq!((after.state, after.step, after.disabled), (DeliveryState::Failed, 10, None));
                break;
            };
            waits.push(due.since(now).num_seconds());
            now = due;
            before = FailureState {
                step: after.step,
                failures: after.failures,
                failing_since: after.failing_since,
                ..before
            };
        }
        assert_eq!(waits.len(), 9);
        assert_eq!(usize::try_from(LEAST_FAILURES), Ok(2 * SCHEDULE_S.len()));
        for (wait, planned) in waits.iter().zip(&SCHEDULE_S[1..]) {
            assert!((planned * 8 / 10..=planned * 12 / 10).contains(wait), "{wait} s for {planned} s");
        }
    }

    #[test]
    fn waits_are_spread_over_the_whole_fifth() {
        let waits: Vec<f64> =
            (0..2000).map(|_| wait(DeliveryId::new(), 9).unwrap().as_seconds_f64() / 86_400.0).collect();
        let (least, most) = waits.iter().fold((2.0_f64, 0.0_f64), |(a, b), w| (a.min(*w), b.max(*w)));
        assert!((0.80..0.81).contains(&least) && (1.19..=1.2).contains(&most), "{least} to {most}");
        let mean = waits.iter().sum::<f64>() / 2000.0;
        assert!((mean - 1.0).abs() < 0.02, "{mean}");
    }

    #[test]
    fn five_days_without_a_success_disable_and_a_success_starts_anew() {
        let failing = FailureState { failing_since: Some(at(0)), failures: 40, step: 3, ..fresh() };
        let almost = after(failing, AttemptOutcome::TimedOut, None, at(5 * 86_400 - 1));
        assert_eq!((almost.disabled, almost.state), (None, DeliveryState::Waiting));
        let over = after(failing, AttemptOutcome::TimedOut, None, at(5 * 86_400));
        assert!(over.disabled.is_some());
        assert_eq!((over.state, over.due_at), (DeliveryState::Failed, None));
        // A clock that leapt is no reason.
        let few = FailureState { failures: LEAST_FAILURES - 2, ..failing };
        assert_eq!(after(few, AttemptOutcome::TimedOut, None, at(50 * 86_400)).disabled, None);
        let enough = FailureState { failures: LEAST_FAILURES - 1, ..failing };
        assert!(after(enough, AttemptOutcome::TimedOut, None, at(50 * 86_400)).disabled.is_some());
        let well = after(failing, AttemptOutcome::Delivered, None, at(5 * 86_400));
        assert_eq!((well.failures, well.failing_since, well.rest_until), (0, None, None));
        assert_eq!((well.disabled, well.state), (None, DeliveryState::Delivered));
    }

    #[test]
    fn gone_disables_at_once() {
        let gone = after(fresh(), AttemptOutcome::Gone, None, at(0));
        assert!(gone.disabled.unwrap().contains("410"));
        assert_eq!(gone.state, DeliveryState::Failed);
    }

    #[test]
    fn a_receiver_says_how_long_to_wait() {
        let hour = Some(TimeDelta::hours(1));
        let busy = after(fresh(), AttemptOutcome::Overloaded, hour, at(0));
        assert_eq!((busy.due_at, busy.rest_until), (Some(at(3600)), Some(at(3600))));
        // Not shorter than we would wait anyway, and not for ever.
        let late = after(
            FailureState { step: 3, ..fresh() },
            AttemptOutcome::Refused,
            Some(TimeDelta::seconds(1)),
            at(0),
        );
        assert!(late.due_at.unwrap() > at(5000));
        let years = after(fresh(), AttemptOutcome::Overloaded, Some(TimeDelta::days(999)), at(0));
        assert_eq!(years.due_at, Some(at(86_400)));
        // Without a word it is left alone for a minute, as a whole.
        let silent = after(fresh(), AttemptOutcome::Overloaded, None, at(0));
        assert_eq!(silent.rest_until, Some(at(60)));
        assert_eq!(after(fresh(), AttemptOutcome::Refused, None, at(0)).rest_until, None);
    }

    #[test]
    fn after_five_failures_it_rests_longer_each_time() {
        let rests: Vec<i64> = (1..=14)
            .map(|failures| rest(DeliveryId::new(), failures).map_or(0, |rest| rest.num_seconds()))
            .collect();
        assert_eq!(rests[..4], [0; 4]);
        // So long at least it takes until a webhook is disabled, whatever the clock says.
        let all = |failures| rest(DeliveryId::new(), failures).unwrap_or_default().num_minutes();
        let minutes: i64 = (1..LEAST_FAILURES).map(all).sum();
        assert!((120..180).contains(&minutes), "{minutes} min");
        for (rest, planned) in rests[4..].iter().zip([30, 60, 120, 240, 480, 900, 900, 900, 900, 900]) {
            assert!((planned * 8 / 10..=planned * 12 / 10).contains(rest), "{rests:?}");
        }
    }

    #[test]
    fn retry_after_is_seconds_or_an_instant() {
        // RFC 9110, section 10.2.3, its two examples.
        assert_eq!(retry_after("120", at(0)), Some(TimeDelta::seconds(120)));
        let now = chrono::DateTime::parse_from_rfc3339("1999-12-31T23:58:59Z").unwrap().to_utc().into();
        assert_eq!(retry_after("Fri, 31 Dec 1999 23:59:59 GMT", now), Some(TimeDelta::seconds(60)));
        assert_eq!(retry_after("Fri, 31 Dec 1999 23:59:59 GMT", at(0)), Some(TimeDelta::zero()));
        for nonsense in ["", "soon", "-1", "1.5", "99999999999"] {
            assert_eq!(retry_after(nonsense, at(0)), None, "{nonsense}");
        }
    }

    #[test]
    fn a_webhook_is_told_what_it_asks_for_and_nothing_else() {
        let (herd, tank) = (HerdId::new(), TankId::new());
        let details = |events: &[Topic], herds: &[HerdId], tanks: &[TankId]| WebhookDetails {
            url: WebhookUrl::parse("https://herd.example.org/").unwrap(),
            events: Topics(events.to_vec()),
            herd_ids: HerdIds(herds.to_vec()),
            tank_ids: TankIds(tanks.to_vec()),
            note: None,
        };
        let all = details(&[], &[], &[]);
        assert!(all.wants(Topic::StockLow, None, None) && all.wants(Topic::StrawWithdrawn, Some(herd), None));
        assert!(!all.wants(Topic::WebhookTest, None, None));
        let low = details(&[Topic::StockLow], &[], &[]);
        assert!(
            low.wants(Topic::StockLow, Some(herd), None) && !low.wants(Topic::StockOut, Some(herd), None)
        );
        let limited = details(&[], &[herd], &[tank]);
        assert!(
            limited.wants(Topic::StockLow, Some(herd), None)
                && limited.wants(Topic::StockLow, None, Some(tank))
        );
        assert!(limited.wants(Topic::StockLow, Some(HerdId::new()), Some(tank)));
        assert!(!limited.wants(Topic::StockLow, None, None));
        assert!(!limited.wants(Topic::StockLow, Some(HerdId::new()), Some(TankId::new())));
    }

    #[test]
    fn an_address_is_read_as_the_url_standard_says() {
        let good = |text: &str| WebhookUrl::parse(text).unwrap().0;
        assert_eq!(good(" https://herd.example.org/in?x=1 "), "https://herd.example.org/in?x=1");
        assert_eq!(good("http://0x7f.1:8080"), "http://127.0.0.1:8080/");
        assert_eq!(good("https://[::1]:8443/"), "https://[::1]:8443/");
        for wrong in [
            "",
            "herd.example.org",
            "/in",
            "ftp://herd.example.org/",
            "file:///etc/passwd",
            "https://",
            "https://.",
            "https://..",
            "https://herd..example.org/",
            "https://.example.org/",
            "https://user@herd.example.org/",
            "https://:secret@herd.example.org/",
            "https://herd.example.org/#part",
            "https://herd.example.org:22/",
            "https://herd.example.org:0/",
            "https://herd.example.org:1023/",
            "https://[fe80::1%25eth0]/",
            "https://herd example.org/",
            "javascript:alert(1)",
        ] {
            assert!(WebhookUrl::parse(wrong).is_err(), "{wrong}");
        }
        assert!(WebhookUrl::parse(&format!("https://herd.example.org/{}", "x".repeat(2000))).is_err());
    }

    proptest! {
        #[test]
        fn an_attempt_never_leaves_a_delivery_in_limbo(
            step in 0_i64..20, failures in 0_i64..100, failing_for in 0_i64..864_000, asked in 0_i64..10_000_000,
            outcome in proptest::sample::select(AttemptOutcome::ALL),
        ) {
            let now = at(failing_for);
            let before = FailureState { step, failures, failing_since: (failures > 0).then(|| at(0)), ..fresh() };
            let after = after(before, outcome, Some(TimeDelta::seconds(asked)), now);
            prop_assert_eq!(after.state == DeliveryState::Waiting, after.due_at.is_some());
            prop_assert!(after.due_at.is_none_or(|due| due > now && due.since(now) <= TimeDelta::hours(29)));
            prop_assert!(after.rest_until.is_none_or(|rest| rest > now && rest.since(now) <= TimeDelta::hours(24)));
            prop_assert_eq!(after.failures == 0, outcome == AttemptOutcome::Delivered);
            prop_assert_eq!(after.failures == 0, after.failing_since.is_none());
        }
    }
}
