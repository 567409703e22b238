//! Where ids come from: each sorts after those before it, also when the clock was put back.
//!
//! Lists, exports and those who follow them go by ids. An id of the clock's time alone (UUIDv7, RFC 9562) would sort
//! before a cursor that somebody holds once the clock was put back, and be missed for ever. So there is one source in a
//! process, and every business keeps the last id that was made for it: whoever gets the business's lock calls
//! [`after`], before he makes any.
//!
//! After a jump of the clock into the future ids go on from there. That wrongs nobody: an id's time is read by nobody,
//! only its place among the others counts.

use std::sync::{Mutex, MutexGuard, PoisonError};

use uuid::Uuid;

/// The last id that was made here, or is known to have been made elsewhere.
static LAST: Mutex<Uuid> = Mutex::new(Uuid::nil());

/// Bits of an id that count: without four of the version and two of the variant.
const COUNTED: u32 = 122;

/// A new id, after every one before it.
pub fn next() -> Uuid {
    let mut last = lock();
    *last = Uuid::now_v7().max(follower(*last));
    *last
}

/// The last id that was made; nil before the first.
pub fn last() -> Uuid {
    *lock()
}

/// Ids made from now on sort after `known`.
pub fn after(known: Uuid) {
    let mut last = lock();
    *last = known.max(*last);
}

fn lock() -> MutexGuard<'static, Uuid> {
    LAST.lock().unwrap_or_else(PoisonError::into_inner)
}

/// An id shortly after `id`: not the very next, so that nobody guesses one from another, and two processes that
/// follow the same do not meet (RFC 9562, section 6.2, monotonic random).
fn follower(id: Uuid) -> Uuid {
    // The last 32 bits of a UUIDv7 of the library are chance.
    let step = Uuid::now_v7().as_u128() & 0xffff_ffff;
    spread(counted(id).saturating_add(1 + step))
}

/// The bits that count, as a number in the order of ids.
fn counted(id: Uuid) -> u128 {
    let bits = id.as_u128();
    (bits >> 80 << 74) | ((bits >> 64 & 0xfff) << 62) | (bits & ((1 << 62) - 1))
}

/// The id of version 7 with these bits.
fn spread(counted: u128) -> Uuid {
    let counted = counted.min((1 << COUNTED) - 1);
    Uuid::from_u128(
        (counted >> 74 << 80)
            | (7 << 76)
            | ((counted >> 62 & 0xfff) << 64)
            | (0b10 << 62)
            | (counted & ((1 << 62) - 1)),
    )
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn each_id_sorts_after_those_before_whatever_the_clock_says() {
        let mut made = vec![next()];
        // Another process, whose clock stands in 2099.
        let ahead: Uuid = "03b5b0a4-2c00-7abc-8def-0123456789ab".parse().unwrap();
        after(ahead);
        made.extend([ahead]);
        made.extend((0..1000).map(|_| next()));
        after(Uuid::nil());
        made.push(next());
        assert!(made.is_sorted_by(|a, b| a < b), "{made:?}");
        assert!(
            made.iter().all(|id| id.get_version_num() == 7 && id.get_variant() == uuid::Variant::RFC4122)
        );
    }

    proptest! {
        #[test]
        fn a_follower_comes_after_and_is_an_id(bits in 0..(1_u128 << COUNTED) - (1 << 33)) {
            let id = spread(bits);
            prop_assert_eq!(counted(id), bits);
            prop_assert!(follower(id) > id);
            prop_assert_eq!(follower(id).get_version_num(), 7);
        }
    }
}
