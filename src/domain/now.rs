//! What time it is, and what to think of a time that a client gives.

use chrono::TimeDelta;

use crate::domain::{duration::words, form::Fault, rejection::Rejection, values::Timestamp};

/// How far ahead of ours a client's clock may be. More is a typing error, not a wrong clock.
const MOST_AHEAD: TimeDelta = TimeDelta::hours(24);

/// From when on we say that a client's clock is ahead.
const TELL_AHEAD: TimeDelta = TimeDelta::minutes(5);

/// How far ahead of what was recorded before the clock is believed at once.
const BELIEVED_AHEAD: TimeDelta = TimeDelta::days(31);

/// How much later a clock that leapt further must be read again to be believed.
const CONFIRMED_AFTER: TimeDelta = TimeDelta::days(1);

/// The latest time that a book knows: what was recorded last, as far as it is believed.
///
/// A clock may be put back, and then what was recorded before it counts: a key that has expired stays expired, and the
/// time of recording stands still until the clock has caught up. A clock may as well leap ahead, and stand in 2099 for
/// a minute: were that believed, every key would expire and every later line carry that time for ever. The two cannot be
/// told apart by one reading, so a leap of more than 31 days needs another reading, one to 31 days after it, before it
/// counts; a smaller one is caught up with in as many days. After a winter in which nothing was recorded the clock
/// itself is right, and the book follows it a day later. Only where a store is made by a clock that is ahead, or one
/// stays ahead for more than a day of work, does that stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recorded {
    /// The latest time that is believed.
    pub known: Timestamp,
    /// When the clock was read first after it leapt further than is believed.
    pub leapt_to: Option<Timestamp>,
}

impl Recorded {
    /// What is known after something is recorded `now`.
    #[must_use]
    pub fn and(self, now: Timestamp) -> Self {
        let Self { known, leapt_to } = self;
        if now.since(known) <= BELIEVED_AHEAD {
            return Self { known: known.max(now), leapt_to: None };
        }
        match leapt_to.map(|first| (first, now.since(first))) {
            Some((first, since)) if (TimeDelta::zero()..CONFIRMED_AFTER).contains(&since) => {
                Self { known, leapt_to: Some(first) }
            }
            Some((_, since)) if (CONFIRMED_AFTER..=BELIEVED_AHEAD).contains(&since) => {
                Self { known: now, leapt_to: None }
            }
            _ => Self { known, leapt_to: Some(now) },
        }
    }

    /// The lesser of the clock and what would be known now: by it, what is old may be thrown away.
    #[must_use]
    pub fn believed(self, now: Timestamp) -> Timestamp {
        self.and(now).known.min(now)
    }

    /// The greater of the clock and what is known.
    pub fn latest(self, now: Timestamp) -> Timestamp {
        self.known.max(now)
    }
}

/// What this service's clock says, and what it said before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Now {
    /// Now.
    pub now: Timestamp,
    /// The latest time that the book knows; later than `now` when the clock went back.
    pub latest: Timestamp,
}

impl Now {
    /// The moment that a client gives, or now; and what to say when a clock seems to be wrong: the client's
    /// ahead of ours, or ours behind its own book.
    ///
    /// # Errors
    /// It lies more than 24 hours ahead.
    pub fn client_time(
        self,
        at: Option<Timestamp>,
        field: &'static str,
    ) -> Result<(Timestamp, Option<String>), Rejection> {
        let Self { now, latest } = self;
        let went_back = latest.since(now) > TELL_AHEAD;
        let Some(at) = at else {
            let warning = went_back.then(|| {
                format!(
                    "{field} was not told and is {now} by this service's clock, which went back: the book knew \
                     {latest} before. Send {field}, and have the service's clock looked at."
                )
            });
            return Ok((now, warning));
        };
        // A clock that went back, such as one without a battery, must not make the farm's own times impossible.
        let known = now.max(latest);
        if at.since(known) > MOST_AHEAD {
            return Err(Rejection::Invalid(vec![Fault::at(
                field,
                format!("lies more than 24 hours ahead of this service's clock, which says {known}"),
            )]));
        }
        let ahead = at.since(now);
        let warning = (ahead > TELL_AHEAD).then(|| {
            let whose = if went_back {
                "this service's clock went back; have it looked at"
            } else {
                "look at the sender's clock"
            };
            format!(
                "{field} is {} ahead of this service's clock; it is kept as told, but {whose}.",
                words(ahead)
            )
        });
        Ok((at, warning))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        Timestamp::from(chrono::DateTime::parse_from_rfc3339(text).unwrap().to_utc())
    }

    fn after(clock: &[&str]) -> Timestamp {
        let known = Recorded { known: at("2026-03-02T05:00:00Z"), leapt_to: None };
        clock.iter().fold(known, |known, now| known.and(at(now))).known
    }

    #[test]
    fn a_clock_that_goes_back_is_not_followed() {
        assert_eq!(after(&["2026-03-02T06:00:00Z", "2026-03-02T03:00:00Z"]), at("2026-03-02T06:00:00Z"));
        assert_eq!(after(&["1970-01-01T00:00:00Z", "1970-02-01T00:00:00Z"]), at("2026-03-02T05:00:00Z"));
    }

    #[test]
    fn a_leap_ahead_is_believed_when_a_later_reading_confirms_it() {
        let winter = ["2026-11-02T05:00:00Z", "2026-11-02T18:00:00Z"];
        assert_eq!(after(&winter), at("2026-03-02T05:00:00Z"));
        assert_eq!(after(&[winter[0], winter[1], "2026-11-03T05:00:00Z"]), at("2026-11-03T05:00:00Z"));
        // A service that writes once in a fortnight.
        assert_eq!(after(&["2026-03-16T05:00:00Z", "2026-03-30T05:00:00Z"]), at("2026-03-30T05:00:00Z"));
        assert_eq!(after(&["2026-11-02T05:00:00Z", "2026-11-16T05:00:00Z"]), at("2026-11-16T05:00:00Z"));
    }

    #[test]
    fn a_minute_in_2099_is_forgotten() {
        let minute = ["2099-01-01T00:00:00Z", "2099-01-01T00:01:00Z", "2026-03-02T06:00:00Z"];
        assert_eq!(after(&minute), at("2026-03-02T06:00:00Z"));
        // Nor do two leaps confirm each other, however they come.
        assert_eq!(after(&["2098-01-01T00:00:00Z", "2099-01-01T00:00:00Z"]), at("2026-03-02T05:00:00Z"));
        assert_eq!(after(&["2099-01-02T00:00:00Z", "2099-01-01T00:00:00Z"]), at("2026-03-02T05:00:00Z"));
        assert_eq!(
            after(&["2099-01-01T00:00:00Z", "2026-03-02T06:00:00Z", "2099-01-03T00:00:00Z"]),
            at("2026-03-02T06:00:00Z")
        );
    }
}
