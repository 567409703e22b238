//! Keys by which callers are known: who may have one, and when one ends.

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        access::{Role, limits::KeyLimits},
        form::{Fault, InputPath},
        now::Now,
        rejection::Rejection,
        values::{BusinessId, GraceHours, KeyId, Name, Timestamp},
        webhooks::webhook::{HerdIds, TankIds},
    },
    form, text_enum,
};

/// Keys of a business that are good at once; more than any farm has.
pub const MOST_KEYS: i64 = 1000;

text_enum! {
    /// Whether a key opens the book.
    KeyState {
        /// It does.
        Good = "good",
        /// Its time is over.
        Expired = "expired",
        /// It was revoked.
        Revoked = "revoked",
    }
}

form! {
    /// A key that is to be made.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewKey, check NewKey::check {
        /// Who will hold it: a person, a phone, a program.
        #[schema(example = "Barn phone")]
        pub name: Name,
        /// What its holder may do.
        pub role: Role,
        /// Until when it is good; without end when not said.
        pub expires_at: Option<Timestamp>,
        /// Only for what is of these herds, 1 to 100, their tanks and those of no herd; for all when left out. Not with the role
        /// `manager`.
        #[schema(value_type = Option<Vec<uuid::Uuid>>, min_items = 1, max_items = 100)]
        pub herd_ids: Option<HerdIds>,
        /// Only for what is in these tanks, 1 to 100; for all, or all within reach of its herds, when left out. Not with the role
        /// `manager`.
        #[schema(value_type = Option<Vec<uuid::Uuid>>, min_items = 1, max_items = 100)]
        pub tank_ids: Option<TankIds>,
    }
}

impl NewKey {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        let herds = self.herd_ids.as_ref().map(|herds| ("herd_ids", herds.0.is_empty()));
        let tanks = self.tank_ids.as_ref().map(|tanks| ("tank_ids", tanks.0.is_empty()));
        for (member, is_empty) in herds.into_iter().chain(tanks) {
            if is_empty {
                let detail = "must name at least one; leave it out for a key without this limit";
                faults.push(spot.member(member).fault(detail));
            }
        }
    }

    /// What the key is to be limited to.
    pub fn limits(&self) -> KeyLimits {
        KeyLimits { herd_ids: self.herd_ids.clone(), tank_ids: self.tank_ids.clone() }
    }
}

form! {
    /// How a key's secret is replaced.
    #[derive(Clone, Debug, ToSchema)]
    pub struct KeyRotation {
        /// How long the secret before stays good, in hours; 0 when it is known to strangers. Default 24.
        #[schema(required = false)]
        pub overlap_hours: GraceHours = GraceHours::DAY,
    }
}

/// A key, without its secret.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
#[schema(as = Key)]
pub struct ApiKey {
    /// Its id.
    pub id: KeyId,
    /// Who holds it.
    pub name: Name,
    /// What the holder may do.
    pub role: Role,
    /// Whether it opens the book.
    pub state: KeyState,
    /// When it was made.
    pub created_at: Timestamp,
    /// Until when it is good; without end when null.
    pub expires_at: Option<Timestamp>,
    /// When it was revoked.
    pub revoked_at: Option<Timestamp>,
    /// When it was last used, to the hour; null when it never was.
    pub last_used_at: Option<Timestamp>,
    /// Until when the secret before the present one is good; null where there is none.
    pub previous_until: Option<Timestamp>,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub limits: KeyLimits,
}

/// The key that a request came with.
#[derive(Clone, Debug, Serialize, ToSchema, sqlx::FromRow)]
pub struct CurrentKey {
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub key: ApiKey,
    /// Whose book it opens.
    pub business_id: BusinessId,
    /// What that business is called.
    pub business_name: Name,
}

/// A key as it stands, and how many other managers' keys of its business are good.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct KeyStanding {
    /// The key.
    #[sqlx(flatten)]
    pub key: ApiKey,
    /// So many.
    pub other_managers: i64,
}

/// Whether a key may be made, where so many of the business are good.
///
/// # Errors
/// It would end before it begins, it is a manager's and limited, or there are too many.
pub fn may_make(new: &NewKey, good: i64, now: Now) -> Result<(), Rejection> {
    if new.expires_at.is_some_and(|end| end <= now.now.max(now.latest)) {
        let detail =
            "is past: the key would never be good; give a later time, or leave it out for a key without end";
        return Err(Rejection::Invalid(vec![Fault::at("expires_at", detail)]));
    }
    if new.role == Role::Manager && new.limits().any() {
        let member = if new.herd_ids.is_some() { "herd_ids" } else { "tank_ids" };
        let detail = "goes with no manager's key: who may make keys could make one without limits; leave it out, or choose \
             another role";
        return Err(Rejection::Invalid(vec![Fault::at(member, detail)]));
    }
    if good >= MOST_KEYS {
        return Err(Rejection::TooManyKeys);
    }
    Ok(())
}

/// Whether there is anything to revoke: a second time changes nothing.
///
/// # Errors
/// Nobody could make or revoke keys any more.
pub fn may_revoke(standing: &KeyStanding) -> Result<bool, Rejection> {
    let KeyStanding { key, other_managers } = standing;
    if key.state == KeyState::Good && key.role == Role::Manager && *other_managers == 0 {
        return Err(Rejection::LastManagerKey { key: key.id });
    }
    Ok(key.state != KeyState::Revoked)
}

/// Until when the secret before is good, where a key's secret is replaced now; nothing when it ends at once.
///
/// # Errors
/// The key has ended.
pub fn previous_until(
    key: &ApiKey,
    overlap: GraceHours,
    now: Timestamp,
) -> Result<Option<Timestamp>, Rejection> {
    if key.state != KeyState::Good {
        return Err(Rejection::KeyEnded { key: key.id, state: key.state });
    }
    let overlap = TimeDelta::hours(overlap.get());
    Ok((overlap > TimeDelta::zero()).then(|| now.plus(overlap)))
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;
    use crate::domain::values::{HerdId, TankId};

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from(DateTime::from_timestamp(1_800_000_000 + seconds, 0).unwrap())
    }

    fn key(role: Role, state: KeyState) -> ApiKey {
        ApiKey {
            id: KeyId::new(),
            name: Name::parse("Barn phone").unwrap(),
            role,
            state,
            created_at: at(0),
            expires_at: None,
            revoked_at: None,
            last_used_at: None,
            previous_until: None,
            limits: KeyLimits::default(),
        }
    }

    #[test]
    fn a_key_ends_after_it_begins_by_the_clock_and_by_the_book() {
        let new = |end: Option<i64>| NewKey {
            name: Name::parse("Barn phone").unwrap(),
            role: Role::Reader,
            expires_at: end.map(at),
            herd_ids: None,
            tank_ids: None,
        };
        let now = Now { now: at(100), latest: at(200) };
        for (end, may) in [(None, true), (Some(201), true), (Some(200), false), (Some(100), false)] {
            assert_eq!(may_make(&new(end), 0, now).is_ok(), may, "{end:?}");
        }
        assert!(may_make(&new(None), MOST_KEYS - 1, now).is_ok());
        assert!(matches!(may_make(&new(None), MOST_KEYS, now), Err(Rejection::TooManyKeys)));
    }

    #[test]
    fn a_managers_key_has_no_limits() {
        let now = Now { now: at(0), latest: at(0) };
        let new = |role, herd_ids, tank_ids| NewKey {
            name: Name::parse("Barn phone").unwrap(),
            role,
            expires_at: None,
            herd_ids,
            tank_ids,
        };
        let (herds, tanks) = (HerdIds(vec![HerdId::new()]), TankIds(vec![TankId::new()]));
        for role in Role::ALL {
            for (herds, tanks) in [(Some(herds.clone()), None), (None, Some(tanks.clone()))] {
                assert_eq!(may_make(&new(*role, herds, tanks), 0, now).is_ok(), *role != Role::Manager);
            }
        }
        assert!(may_make(&new(Role::Manager, None, None), 0, now).is_ok());
    }

    #[test]
    fn one_managers_key_stays() {
        let revoke =
            |role, state, other_managers| may_revoke(&KeyStanding { key: key(role, state), other_managers });
        assert!(matches!(revoke(Role::Manager, KeyState::Good, 0), Err(Rejection::LastManagerKey { .. })));
        assert!(revoke(Role::Manager, KeyState::Good, 1).unwrap());
        // One that opens nothing is not the last that does.
        assert!(revoke(Role::Manager, KeyState::Expired, 0).unwrap());
        assert!(!revoke(Role::Manager, KeyState::Revoked, 0).unwrap());
        for role in [Role::Reader, Role::Technician, Role::Integration] {
            assert!(revoke(role, KeyState::Good, 0).unwrap());
        }
    }

    #[test]
    fn the_secret_before_stays_good_for_the_overlap_and_no_longer() {
        let good = key(Role::Reader, KeyState::Good);
        let overlap = |hours| GraceHours::new(hours).unwrap();
        assert_eq!(previous_until(&good, overlap(0), at(0)).unwrap(), None);
        assert_eq!(previous_until(&good, overlap(2), at(0)).unwrap(), Some(at(7200)));
        for state in [KeyState::Expired, KeyState::Revoked] {
            let ended = key(Role::Reader, state);
            assert!(matches!(previous_until(&ended, overlap(2), at(0)), Err(Rejection::KeyEnded { .. })));
        }
    }
}
