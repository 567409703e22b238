//! Values that cannot be wrong: ids, instants, names, numbers with a range.
//!
//! Each type says here, once, what a client may send, how it is written in JSON and how either
//! database stores it. Nothing further in converts or checks by hand.

use std::{borrow::Cow, fmt};

use chrono::{DateTime, NaiveDate, SecondsFormat, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sqlx::{Database, Decode, Encode, Postgres, Sqlite, Type, encode::IsNull, error::BoxDynError};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::form::{Fault, Field, InputPath, kind};

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, sqlx::Type, ToSchema)]
        #[serde(transparent)]
        #[sqlx(transparent)]
        pub struct $name(pub Uuid);

        impl $name {
            /// A new id; ids made later sort later ([`ids`](crate::domain::ids)).
            #[expect(clippy::new_without_default, reason = "every call gives another value")]
            pub fn new() -> Self {
                Self(crate::domain::ids::next())
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        impl Field for $name {
            fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
                match value.as_str().map(Uuid::try_parse) {
                    Some(Ok(id)) => Some(Self(id)),
                    _ => {
                        faults.push(spot.fault("must be an id as this service gave it, such as \
                            \"01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa\""));
                        None
                    }
                }
            }
        }
    )+};
}

ids! {
    /// Names a business: the tenant whose book this is.
    BusinessId;
    /// Names a key by which a caller is known.
    KeyId;
    /// Names a device, as it calls itself.
    DeviceId;
    /// Names a herd.
    HerdId;
    /// Names a liquid-nitrogen tank.
    TankId;
    /// Names a place in a tank where straws hang.
    PlaceId;
    /// Names a sire.
    SireId;
    /// Names a lot of straws.
    LotId;
    /// Names an animal.
    AnimalId;
    /// Names a line of the ledger.
    MovementId;
    /// Names a straw's way out of the tank.
    WithdrawalId;
    /// Names a service.
    ServiceId;
    /// Names a stocktake.
    StocktakeId;
    /// Names a call-out.
    CallOutId;
    /// Names a calendar of what to watch.
    CalendarId;
    /// Names a timed protocol.
    TimedProtocolId;
    /// Names the start of a timed protocol for an animal.
    ProtocolStartId;
    /// Names a consignment.
    ConsignmentId;
    /// Names something else that happened to an animal.
    EventId;
    /// Names an alert.
    AlertId;
    /// Names a rule by which alerts are opened.
    AlertRuleId;
    /// Names a webhook.
    WebhookId;
    /// Names an event that others are told of; the same in every delivery of it.
    MessageId;
    /// Names one event on its way to one webhook.
    DeliveryId;
    /// Names a reading of a tank's level.
    ReadingId;
    /// Names a refill of a tank.
    RefillId;
    /// Names a hold on the straws of a tank or canister.
    HoldId;
    /// Names a repair or replacement of a tank.
    RepairId;
    /// Names a mating plan of an animal.
    MatingPlanId;
    /// Names something that a herd system told.
    AdeItemId;
}

/// An instant in UTC, whole microseconds: the precision both databases keep.
///
/// PostgreSQL stores `timestamptz`; SQLite an integer of microseconds since 1970, so that
/// comparing columns compares instants in both. A client may send any offset but must send one,
/// and an instant from 1950 to 2200.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timestamp(DateTime<Utc>);

impl Timestamp {
    /// This instant moved by `delta`, which may be negative.
    #[must_use]
    pub fn plus(self, delta: TimeDelta) -> Self {
        Self(self.0 + delta)
    }

    /// How long after `earlier` this is; negative when it is before.
    pub fn since(self, earlier: Self) -> TimeDelta {
        self.0 - earlier.0
    }

    /// The day on which this instant falls in `zone`.
    pub fn day_in(self, zone: TimeZone) -> Day {
        Day(self.0.with_timezone(&zone.0).date_naive())
    }

    /// This instant as people in `zone` write it, to the minute.
    pub fn display_in(self, zone: TimeZone) -> String {
        self.0.with_timezone(&zone.0).format("%Y-%m-%d %H:%M").to_string()
    }

    /// How many microseconds after 1970 began in UTC this instant is.
    pub fn utc_micros(self) -> i64 {
        self.0.timestamp_micros()
    }

    /// The instant so many microseconds after 1970 began in UTC; `None` out of the range of dates.
    pub fn from_micros(micros: i64) -> Option<Self> {
        DateTime::from_timestamp_micros(micros).map(Self)
    }

    /// When an id was made, as it says itself (UUIDv7, RFC 9562, whole milliseconds).
    pub fn of_id(id: Uuid) -> Option<Self> {
        let (seconds, nanos) = id.get_timestamp()?.to_unix();
        DateTime::from_timestamp(i64::try_from(seconds).ok()?, nanos).map(Self)
    }

    /// The instant as a library value.
    pub fn utc(self) -> DateTime<Utc> {
        self.0
    }
}

impl From<DateTime<Utc>> for Timestamp {
    fn from(at: DateTime<Utc>) -> Self {
        // Counted in microseconds, as SQLite keeps it, a leap second falls into the second after it: here
        // already, so that what is answered now is what is read later.
        Self(DateTime::from_timestamp_micros(at.timestamp_micros()).unwrap_or(at))
    }
}

impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.to_rfc3339_opts(SecondsFormat::AutoSi, true))
    }
}

impl Serialize for Timestamp {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Timestamp {
    fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        DateTime::<Utc>::deserialize(from).map(Self::from)
    }
}

impl utoipa::PartialSchema for Timestamp {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .format(Some(utoipa::openapi::SchemaFormat::KnownFormat(utoipa::openapi::KnownFormat::DateTime)))
            .description(Some(
                "An instant: RFC 3339 with an offset, from 1950 to 2200. Answers are in UTC, to the microsecond.",
            ))
            .examples(["2026-03-02T05:10:00Z"])
            .into()
    }
}
impl ToSchema for Timestamp {}

impl Field for Timestamp {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let sent = value.as_str().and_then(|text| DateTime::parse_from_rfc3339(text).ok());
        let sensible = sent.filter(|at| (1950..=2200).contains(&chrono::Datelike::year(&at.naive_utc())));
        if sensible.is_none() {
            faults.push(spot.fault(
                "must be a date and time with an offset (RFC 3339) between 1950 and 2200, \
                 such as \"2026-03-02T06:10:00+01:00\"",
            ));
        }
        sensible.map(|at| Self::from(at.to_utc()))
    }
}

impl Type<Postgres> for Timestamp {
    fn type_info() -> <Postgres as Database>::TypeInfo {
        <DateTime<Utc> as Type<Postgres>>::type_info()
    }
}
impl Encode<'_, Postgres> for Timestamp {
    fn encode_by_ref(&self, buf: &mut <Postgres as Database>::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
        Encode::<Postgres>::encode_by_ref(&self.0, buf)
    }
}
impl<'r> Decode<'r, Postgres> for Timestamp {
    fn decode(value: <Postgres as Database>::ValueRef<'r>) -> Result<Self, BoxDynError> {
        <DateTime<Utc> as Decode<Postgres>>::decode(value).map(Self)
    }
}
impl Type<Sqlite> for Timestamp {
    fn type_info() -> <Sqlite as Database>::TypeInfo {
        <i64 as Type<Sqlite>>::type_info()
    }
}
impl Encode<'_, Sqlite> for Timestamp {
    fn encode_by_ref(&self, buf: &mut <Sqlite as Database>::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
        Encode::<Sqlite>::encode(self.0.timestamp_micros(), buf)
    }
}
impl<'r> Decode<'r, Sqlite> for Timestamp {
    fn decode(value: <Sqlite as Database>::ValueRef<'r>) -> Result<Self, BoxDynError> {
        let micros = <i64 as Decode<Sqlite>>::decode(value)?;
        DateTime::from_timestamp_micros(micros)
            .map(Self)
            .ok_or_else(|| format!("{micros} µs is out of range").into())
    }
}

/// A calendar day without a time, from 1950 to 2200.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, sqlx::Type, ToSchema,
)]
#[serde(transparent)]
#[sqlx(transparent)]
pub struct Day(pub NaiveDate);

impl Day {
    /// The day `days` later.
    #[must_use]
    pub fn plus_days(self, days: i64) -> Self {
        Self(self.0 + TimeDelta::days(days))
    }

    /// The first instant of the day in `zone`. Where the clocks skip midnight, the day begins when they go on.
    pub fn start_in(self, zone: TimeZone) -> Timestamp {
        let midnight = self.0.and_time(chrono::NaiveTime::MIN);
        let first = (0..24 * 4).find_map(|quarters| {
            (midnight + TimeDelta::minutes(15 * quarters)).and_local_timezone(zone.0).earliest()
        });
        Timestamp(first.map_or_else(|| midnight.and_utc(), |first| first.to_utc()))
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl Field for Day {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let sent = value.as_str().and_then(|text| NaiveDate::parse_from_str(text, "%Y-%m-%d").ok());
        // The library also reads "2024-4-6", of which one cannot be sure that it is meant so.
        let sensible = sent.filter(|day| {
            (1950..=2200).contains(&chrono::Datelike::year(day)) && value.as_str() == Some(&day.to_string())
        });
        if sensible.is_none() {
            faults.push(spot.fault("must be a date between 1950 and 2200, such as \"2024-04-26\""));
        }
        sensible.map(Self)
    }
}

/// A time zone by its name in the IANA time zone database.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TimeZone(pub chrono_tz::Tz);

impl TimeZone {
    /// UTC.
    pub const UTC: Self = Self(chrono_tz::Tz::UTC);
}

/// Text that a client may send: trimmed, with a length and without control characters, which
/// would garble a log and which PostgreSQL partly cannot store. Where it may have several lines, each
/// ends with a line feed, also when it came with a carriage return before it.
pub fn clean_text(text: &str, longest: usize, lines: bool) -> Result<String, String> {
    let text = if lines { Cow::from(text.replace("\r\n", "\n")) } else { Cow::from(text) };
    let text = text.trim();
    let forbidden = |c: char| c.is_control() && !(lines && matches!(c, '\n' | '\t'));
    if text.is_empty() || text.chars().count() > longest {
        Err(format!("must be text of 1 to {longest} characters"))
    } else if text.contains(forbidden) {
        Err("must not contain control characters".to_owned())
    } else if text.contains(is_unseen) {
        Err("must not contain characters that cannot be seen or that turn the direction of writing"
            .to_owned())
    } else {
        Ok(text.to_owned())
    }
}

/// Whether a character shows nothing, or turns the direction of others, so that two names that look alike are not (Unicode
/// Technical Report 36, sections 2.5 and 2.6). The joiners U+200C and U+200D are letters' business and stay.
fn is_unseen(c: char) -> bool {
    matches!(
        c,
        '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}'
    )
}

macro_rules! texts {
    ($($(#[$doc:meta])* $name:ident, longest $longest:tt, lines $lines:literal;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, sqlx::Type, ToSchema)]
        #[serde(transparent)]
        #[sqlx(transparent)]
        #[schema(min_length = 1, max_length = $longest)]
        pub struct $name(String);

        impl $name {
            /// The text, trimmed, or what is wrong with it.
            pub fn parse(text: &str) -> Result<Self, String> {
                clean_text(text, $longest, $lines).map(Self)
            }

            /// The text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl Field for $name {
            fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
                super::values::read_text(value, spot, faults, Self::parse)
            }
        }
    )+};
}

/// Reads a value that is written as text and checked by `parse`.
pub fn read_text<T>(
    value: &Value,
    spot: &InputPath,
    faults: &mut Vec<Fault>,
    parse: impl FnOnce(&str) -> Result<T, String>,
) -> Option<T> {
    let parsed = match value {
        Value::String(text) => parse(text),
        other => Err(format!("must be text, not {}", kind(other))),
    };
    parsed.map_err(|wrong| faults.push(spot.fault(wrong))).ok()
}

texts! {
    /// What people call a thing: a herd, a tank, a sire.
    Name, longest 200, lines false;
    /// A short mark: an animal's number, a batch, a cane, a breed.
    Code, longest 60, lines false;
    /// A remark of a few sentences.
    Note, longest 2000, lines true;
    /// Why the rule was set aside.
    Reason, longest 500, lines true;
    /// A herd system, or its own name for something that it tells.
    Source, longest 300, lines false;
    /// A postal address.
    Address, longest 500, lines true;
    /// Who did it: the technician's name or number as the farm writes it.
    Technician, longest 100, lines false;
}

/// A reason that says nothing needs a note that does.
pub fn needs_note(is_other: bool, note: Option<&Note>, spot: &InputPath, faults: &mut Vec<Fault>) {
    if is_other && note.is_none() {
        faults.push(spot.member("note").fault("is required with the reason other"));
    }
}

macro_rules! wholes {
    ($($(#[$doc:meta])* $name:ident, from $min:tt to $max:tt;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, sqlx::Type, ToSchema)]
        #[serde(transparent)]
        #[sqlx(transparent)]
        #[schema(minimum = $min, maximum = $max)]
        pub struct $name(i64);

        impl $name {
            /// The number, when it is in range.
            pub fn new(number: i64) -> Option<Self> {
                ($min..=$max).contains(&number).then_some(Self(number))
            }

            /// The number.
            pub fn get(self) -> i64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        impl Field for $name {
            fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
                let read = super::form::whole_number(value, spot).and_then(Self::new);
                if read.is_none() {
                    faults.push(spot.fault(format!("must be a whole number from {} to {}", $min, $max)));
                }
                read
            }
        }
    )+};
}

wholes! {
    /// A number of straws in one movement.
    Straws, from 1 to 100_000;
    /// A canister's number, or how many a tank has.
    Canister, from 1 to 1000;
    /// A length in millimetres inside a tank.
    DepthMm, from 0 to 5000;
    /// A service number in a rule.
    ServiceNumber, from 1 to 100;
    /// Hours within which inseminations count as one heat.
    HeatHours, from 1 to 240;
    /// A day of a timed protocol, from 0.
    ProtocolDay, from 0 to 120;
    /// The number of a step, from 1.
    StepNumber, from 1 to 20;
    /// Days of a pregnancy, as a check tells them.
    PregnancyDays, from 1 to 300;
    /// Calves born at one calving.
    Calves, from 1 to 5;
    /// Hours for which two secrets are good, up to 30 days.
    GraceHours, from 0 to 720;
    /// A number of days.
    Days, from 0 to 1000;
    /// Days ahead or without something, at which it is told.
    WatchDays, from 1 to 1000;
    /// Days until a delivery.
    LeadDays, from 1 to 365;
    /// Minutes, up to a week.
    Minutes, from 0 to 10_080;
    /// Seconds, up to a day.
    Seconds, from 1 to 86_400;
    /// Seconds above the frost line.
    ExposureSeconds, from 0 to 3600;
    /// A number of straws that were counted.
    CountedStraws, from 0 to 100_000;
    /// A line of the ledger, or 0 for before the first.
    LineNumber, from 0 to 2_000_000_000;
    /// A number of calvings.
    Lactation, from 0 to 30;
    /// The place of a choice in a plan.
    Rank, from 1 to 1000;
    /// A share in whole percent.
    Percent, from 1 to 100;
    /// A volume of water in millilitres.
    Millilitres, from 1 to 100_000;
    /// The number of a change, or 0 for before the first.
    ChangeNumber, from 0 to 2_000_000_000;
    /// The number of an event that others are told of, or 0 for before the first.
    EventNumber, from 0 to 2_000_000_000;
    /// How many changes are told at once.
    ChangeLimit, from 1 to 1000;
    /// An amount of money in the currency's smallest unit.
    MinorUnits, from 0 to 1_000_000_000;
}

impl ServiceNumber {
    /// The first service of a cycle.
    pub const FIRST: Self = Self(1);
    /// The second.
    pub const SECOND: Self = Self(2);
}

impl WatchDays {
    /// The number, for arithmetic.
    pub fn real(self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "at most a thousand")]
        let days = self.0 as f64;
        days
    }
}

impl ChangeNumber {
    /// Before the first.
    pub const BEGINNING: Self = Self(0);
}

impl EventNumber {
    /// Before the first.
    pub const BEGINNING: Self = Self(0);
}

impl ChangeLimit {
    /// When nothing is said.
    pub const USUAL: Self = Self(100);
}

impl Straws {
    /// One straw, as nearly every service takes.
    pub const ONE: Self = Self(1);
}

impl Canister {
    /// The commonest number in a field tank (common practice, no source).
    pub const SIX: Self = Self(6);
}

impl GraceHours {
    /// A day, in which a receiver's owner can change the secret there.
    pub const DAY: Self = Self(24);
}

impl HeatHours {
    /// Two days: published interval classes between services start at one or two days.
    pub const DEFAULT: Self = Self(48);
}

impl Days {
    /// The voluntary waiting period after calving when the herd names none: 50 days (45-60 d:
    /// Overton 2009).
    pub const WAITING: Self = Self(50);
    /// The age below which a heifer is not served when the herd names none: 12 months (Santos,
    /// Univ. Florida).
    pub const FIRST_SERVICE: Self = Self(365);
}

macro_rules! measures {
    ($($(#[$doc:meta])* $name:ident, from $min:tt to $max:tt, $unit:literal;)+) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize, sqlx::Type, ToSchema)]
        #[serde(transparent)]
        #[sqlx(transparent)]
        #[schema(minimum = $min, maximum = $max)]
        pub struct $name(f64);

        impl $name {
            /// The measure, when it is in range.
            pub fn new(number: f64) -> Option<Self> {
                // Adding zero makes zero of minus zero, which not every store would keep.
                ($min..=$max).contains(&number).then_some(Self(number + 0.0))
            }

            /// The number.
            pub fn get(self) -> f64 {
                self.0
            }
        }

        impl Field for $name {
            fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
                let number = match value {
                    Value::String(text) if spot.is_text_only() => text.parse().ok(),
                    other => other.as_f64(),
                };
                let read = number.and_then(Self::new);
                if read.is_none() {
                    let told = format!("must be a number from {:?} to {:?} {}", $min, $max, $unit);
                    faults.push(spot.fault(told.trim_end()));
                }
                read
            }
        }
    )+};
}

measures! {
    /// A temperature of water or a bath in degrees Celsius.
    Celsius, from 0.0 to 100.0, "(degrees Celsius)";
    /// A volume of liquid nitrogen in litres.
    Litres, from 0.1 to 2000.0, "(litres)";
    /// A tank's rated evaporation, unopened, in litres a day.
    LitresPerDay, from 0.001 to 100.0, "(litres a day)";
    /// Where an alert clears: straws, days or a probability.
    Threshold, from 0.0 to 100_000.0, "";
    /// A probability that something is to be met with.
    ServiceLevel, from 0.5 to 0.999, "";
    /// A coefficient between 0 and 1.
    Coefficient, from 0.0 to 1.0, "";
    /// A depth of liquid nitrogen as it was read, in millimetres.
    ReadDepthMm, from 0.0 to 5000.0, "(millimetres)";
    /// A length on a rod, in the unit that stands beside it.
    RodLength, from 0.0 to 5000.0, "";
    /// Litres of liquid nitrogen that are in a tank, none included.
    ReadLitres, from 0.0 to 2000.0, "(litres)";
    /// What a tank weighs, in kilograms.
    Kilograms, from 0.1 to 5000.0, "(kilograms)";
}

impl Coefficient {
    /// Expected inbreeding of a calf at which a mating is refused when the herd names no limit:
    /// 1/8, that of half sibs (Mrode 3e, ch. 2).
    pub const HALF_SIBS: Self = Self(0.125);
}

/// Makes an enum a `text` column in either database, and a string in JSON.
#[macro_export]
macro_rules! text_enum {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal,)+ }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
        pub enum $name { $($(#[$vdoc])* #[serde(rename = $text)] #[schema(rename = $text)] $variant,)+ }

        impl $name {
            /// Every value.
            #[allow(dead_code, reason = "not every list of words is walked")]
            pub const ALL: &[Self] = &[$(Self::$variant,)+];

            /// The word for it in JSON and in the store.
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text,)+ }
            }

            /// The value of that name, or which there are.
            pub fn parse(text: &str) -> Result<Self, String> {
                match text {
                    $($text => Ok(Self::$variant),)+
                    _ => Err(format!("must be one of {}", [$($text),+].join(", "))),
                }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl $crate::domain::form::Field for $name {
            fn read(
                value: &serde_json::Value,
                spot: &$crate::domain::form::InputPath,
                faults: &mut Vec<$crate::domain::form::Fault>,
            ) -> Option<Self> {
                $crate::domain::values::read_text(value, spot, faults, Self::parse)
            }
        }

        impl<DB: sqlx::Database> sqlx::Type<DB> for $name where str: sqlx::Type<DB> {
            fn type_info() -> DB::TypeInfo { <str as sqlx::Type<DB>>::type_info() }
            fn compatible(ty: &DB::TypeInfo) -> bool { <str as sqlx::Type<DB>>::compatible(ty) }
        }

        impl<'q, DB: sqlx::Database> sqlx::Encode<'q, DB> for $name where &'q str: sqlx::Encode<'q, DB> {
            fn encode_by_ref(&self, buf: &mut DB::ArgumentBuffer) -> Result<sqlx::encode::IsNull, sqlx::error::BoxDynError> {
                self.as_str().encode(buf)
            }
        }

        impl<'r, DB: sqlx::Database> sqlx::Decode<'r, DB> for $name where &'r str: sqlx::Decode<'r, DB> {
            fn decode(value: DB::ValueRef<'r>) -> Result<Self, sqlx::error::BoxDynError> {
                Ok(Self::parse(<&'r str>::decode(value)?)?)
            }
        }
    };
}

/// Makes a serde type a JSON column: `jsonb` in PostgreSQL, checked `text` in SQLite.
#[macro_export]
macro_rules! json_column {
    ($($name:ty),+ $(,)?) => {$(
        $crate::json_column!(@ $name, sqlx::Sqlite);
        $crate::json_column!(@ $name, sqlx::Postgres);
    )+};
    (@ $name:ty, $db:ty) => {
        impl sqlx::Type<$db> for $name {
            fn type_info() -> <$db as sqlx::Database>::TypeInfo {
                <sqlx::types::Json<Self> as sqlx::Type<$db>>::type_info()
            }
            fn compatible(ty: &<$db as sqlx::Database>::TypeInfo) -> bool {
                <sqlx::types::Json<Self> as sqlx::Type<$db>>::compatible(ty)
            }
        }
        impl<'q> sqlx::Encode<'q, $db> for $name {
            fn encode_by_ref(
                &self,
                buf: &mut <$db as sqlx::Database>::ArgumentBuffer,
            ) -> Result<sqlx::encode::IsNull, sqlx::error::BoxDynError> {
                sqlx::Encode::<$db>::encode(sqlx::types::Json(self), buf)
            }
        }
        impl<'r> sqlx::Decode<'r, $db> for $name {
            fn decode(value: <$db as sqlx::Database>::ValueRef<'r>) -> Result<Self, sqlx::error::BoxDynError> {
                <sqlx::types::Json<Self> as sqlx::Decode<$db>>::decode(value).map(|json| json.0)
            }
        }
    };
}

/// Makes a type with `parse` and `Display` a string in JSON and a `text` column.
macro_rules! as_text {
    ($name:ident, $example:literal) => {
        impl Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                to.collect_str(self)
            }
        }
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                Self::parse(&String::deserialize(from)?).map_err(serde::de::Error::custom)
            }
        }
        impl Field for $name {
            fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
                read_text(value, spot, faults, Self::parse)
            }
        }
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                utoipa::openapi::ObjectBuilder::new()
                    .schema_type(utoipa::openapi::schema::Type::String)
                    .max_length(Some(100))
                    .examples([$example])
                    .into()
            }
        }
        impl ToSchema for $name {}
        impl<DB: Database> Type<DB> for $name
        where
            String: Type<DB>,
        {
            fn type_info() -> DB::TypeInfo {
                <String as Type<DB>>::type_info()
            }
            fn compatible(ty: &DB::TypeInfo) -> bool {
                <String as Type<DB>>::compatible(ty)
            }
        }
        impl<'q, DB: Database> Encode<'q, DB> for $name
        where
            String: Encode<'q, DB>,
        {
            fn encode_by_ref(&self, buf: &mut DB::ArgumentBuffer) -> Result<IsNull, BoxDynError> {
                self.to_string().encode(buf)
            }
        }
        impl<'r, DB: Database> Decode<'r, DB> for $name
        where
            &'r str: Decode<'r, DB>,
        {
            fn decode(value: DB::ValueRef<'r>) -> Result<Self, BoxDynError> {
                Ok(Self::parse(<&'r str>::decode(value)?)?)
            }
        }
    };
}

impl TimeZone {
    /// The zone of that IANA name.
    pub fn parse(text: &str) -> Result<Self, String> {
        text.parse()
            .map(Self)
            .map_err(|_| "must be a time zone of the IANA database, such as \"Europe/Vienna\"".to_owned())
    }
}

impl fmt::Display for TimeZone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.name())
    }
}

as_text!(TimeZone, "Europe/Vienna");

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::form::read;
    use super::*;

    fn sent<T: Field>(value: &Value) -> Result<T, String> {
        read::<T>(value, &InputPath::body()).map_err(|faults| faults[0].detail.clone())
    }

    #[test]
    fn an_instant_needs_its_offset_and_comes_back_in_utc() {
        let at: Timestamp = sent(&json!("2026-03-02T06:10:00.1234567+01:00")).unwrap();
        assert_eq!(at.to_string(), "2026-03-02T05:10:00.123456Z");
        for wrong in ["2026-03-02T06:10:00", "2026-03-02", "0001-01-01T00:00:00Z", "9999-01-01T00:00:00Z", ""]
        {
            assert!(sent::<Timestamp>(&json!(wrong)).is_err(), "{wrong}");
        }
    }

    #[test]
    fn text_is_trimmed_bounded_and_without_control_characters() {
        assert_eq!(sent::<Code>(&json!(" 41\u{32} ")).unwrap().as_str(), "412");
        assert_eq!(sent::<Name>(&json!("Žofka Ünal 牛")).unwrap().as_str(), "Žofka Ünal 牛");
        assert!(sent::<Code>(&json!("x".repeat(60))).is_ok());
        for wrong in
            [json!(""), json!("  "), json!("a\u{0}b"), json!("a\nb"), json!("x".repeat(61)), json!(4)]
        {
            assert!(sent::<Code>(&wrong).is_err(), "{wrong}");
        }
        assert_eq!(sent::<Note>(&json!("two\r\nlines\r\n")).unwrap().as_str(), "two\nlines");
        assert!(sent::<Note>(&json!("a\rb")).is_err());
        assert!(sent::<Code>(&json!("a\r\nb")).is_err());
    }

    #[test]
    fn numbers_have_a_range() {
        assert_eq!(sent::<Straws>(&json!(1)).unwrap().get(), 1);
        assert_eq!(sent::<Straws>(&json!(100_000)).unwrap().get(), 100_000);
        for wrong in [json!(0), json!(-0.0), json!(-1), json!(100_001), json!(1.5), json!("1"), json!(true)] {
            assert!(sent::<Straws>(&wrong).is_err(), "{wrong}");
        }
        assert!(sent::<Celsius>(&json!(35.6)).is_ok());
        assert!(sent::<Celsius>(&json!(100.1)).is_err());
    }

    #[test]
    fn a_zone_is_known_by_its_name_and_tells_the_day() {
        let vienna: TimeZone = sent(&json!("Europe/Vienna")).unwrap();
        let late = Timestamp::from(DateTime::parse_from_rfc3339("2026-06-30T22:30:00Z").unwrap().to_utc());
        assert_eq!(late.day_in(vienna).to_string(), "2026-07-01");
        assert_eq!(late.day_in(TimeZone::UTC).to_string(), "2026-06-30");
        assert!(sent::<TimeZone>(&json!("Mars/Olympus")).is_err());
    }
}
