//! What time it is, and what to think of a time that a client gives.

use chrono::TimeDelta;

use crate::domain::{duration::words, form::Fault, rejection::Rejection, values::Timestamp};

/// How far ahead of ours a client's clock may be. More is a typing error, not a wrong clock.
const MOST_AHEAD: TimeDelta = TimeDelta::hours(24);

/// From when on we say that a client's clock is ahead.
const TELL_AHEAD: TimeDelta = TimeDelta::minutes(5);

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
