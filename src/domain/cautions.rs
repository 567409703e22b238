//! What to heed with an act, beside its answer: short, and always after local codes and licensed practice.
//!
//! Gas and burns: OSHA, 29 CFR 1910.146 (hazardous below 19.5 % oxygen) and the trade's safety notes. Vehicles: 3 L spilled in a
//! closed car can take oxygen below 15 % (Univ. Alaska Fairbanks, 2012). Straws: 5-10 s to find the cane, else lower it (Univ.
//! Illinois Extension, 8 May 2024), then at least 10 s down (trade guidance for sexed semen). Thawing: Heersche, Univ. Kentucky.
//! A straw that bursts, infections and handling: common practice, no source.

use crate::domain::straws::semen::StrawVolume;

/// In computed still air the core nears -80 C after 15.0-17.6 s (0.25 ml) and 24.7-28.8 s (0.5 ml).
const TO_BATH: &str = "Straight into the bath that was checked, within 15 s; in a draught within 5 s.";

const TO_BATH_HALF: &str = "Straight into the bath that was checked, within 25 s; in a draught within 8 s.";

const NITROGEN: &str = "Liquid nitrogen burns, and its gas displaces air without warning: dry loose gloves, face shield, open doors.";

const STRAW: &str = "Straws stay below the frost line. Not found in 5 s: down at least 10 s before another try. Tweezers, never fingers; \
    plug back at once. A thawed straw never goes back.";

const VEHICLE: &str =
    "A tank travels upright and tied down, never in the driver's compartment, never with a sealed neck.";

const BURST: &str =
    "A straw with trapped nitrogen can burst as it warms: tweezers, eyes shielded, face away.";

const USE: &str =
    "Dry the straw, warm the gun, keep both out of sun and cold. Use the straw in time or discard it.";

macro_rules! infection {
    () => {
        "Some infections of cattle pass to people: gloves for calf, afterbirth and fluids, then wash. Pregnant people keep \
         away from them. Report abortions as the law asks."
    };
}

macro_rules! local {
    () => {
        "Local codes and licensed practice go before this."
    };
}

const INFECTION: &str = infection!();

const HANDLING: &str = "Handle her calmly, in a place that holds her safely; a clean sleeve for each animal. Only trained hands: stop when \
    she fights, bleeds or the gun does not pass easily, and ask a veterinarian.";

const LICENCE: &str =
    "Local codes and licensed practice go before this; insemination may need a licence or approved training.";

const LOCAL: &str = local!();

/// Before a straw is lifted, and when it was.
pub const fn withdrawal(straw: Option<StrawVolume>) -> &'static [&'static str] {
    match straw {
        Some(StrawVolume::Half) => &[TO_BATH_HALF, STRAW, NITROGEN, LOCAL],
        Some(StrawVolume::Quarter) | None => &[TO_BATH, STRAW, NITROGEN, LOCAL],
    }
}

/// A straw in the bath.
pub const THAW: &[&str] = &[BURST, USE, LOCAL];

/// Straws thrown away.
pub const DISCARD: &[&str] = &[NITROGEN, BURST, "Semen is discarded as local codes ask.", LOCAL];

/// Straws that come in.
pub const RECEIPT: &[&str] = &[NITROGEN, STRAW, VEHICLE, LOCAL];

/// Straws hung elsewhere.
pub const TRANSFER: &[&str] = &[NITROGEN, STRAW, VEHICLE, LOCAL];

/// A calving or an abortion.
pub const CALVING: &[&str] = &[INFECTION, LOCAL];

/// Where a calving is near, in one text.
pub const BIRTH: &str = concat!(infection!(), " ", local!());

/// A pregnancy check.
pub const CHECK: &[&str] =
    &["Handle her calmly; a clean sleeve for each animal. Only trained hands.", INFECTION, LOCAL];

/// A service.
pub const SERVICE: &[&str] = &[HANDLING, LICENCE];

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [&[&str]; 9] = [
        withdrawal(None),
        withdrawal(Some(StrawVolume::Half)),
        THAW,
        DISCARD,
        RECEIPT,
        TRANSFER,
        CALVING,
        CHECK,
        SERVICE,
    ];

    #[test]
    fn every_caution_is_short_and_defers_to_local_codes() {
        for cautions in ALL {
            assert!(
                cautions.last().is_some_and(|last| last.starts_with("Local codes and licensed practice"))
            );
            for text in cautions {
                assert!((20..=220).contains(&text.len()), "{} characters: {text}", text.len());
            }
        }
    }

    #[test]
    fn each_act_says_what_can_hurt_in_it() {
        for (cautions, what) in [
            (withdrawal(None), "within 15 s"),
            (withdrawal(Some(StrawVolume::Quarter)), "within 15 s"),
            (withdrawal(Some(StrawVolume::Half)), "within 25 s"),
            (withdrawal(None), "displaces air"),
            (withdrawal(None), "at least 10 s"),
            (withdrawal(None), "never goes back"),
            (THAW, "burst"),
            (DISCARD, "burst"),
            (RECEIPT, "driver's compartment"),
            (TRANSFER, "driver's compartment"),
            (CALVING, "Pregnant people"),
            (CHECK, "Pregnant people"),
            (SERVICE, "stop when"),
        ] {
            assert!(cautions.concat().contains(what), "{what}");
        }
    }
}
