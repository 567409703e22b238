//! How long a straw may be above the frost line: when it is moved, and on its way to the bath.
//!
//! A fixed limit for each straw volume, and a record of what was measured; not a score. How warm a
//! straw gets in a given time depends on draught, posture and the nitrogen it carries, none of which
//! is known, and the harm threshold itself is disputed.

use chrono::TimeDelta;

use crate::domain::{
    animals::objection::{Deviation, DeviationKind},
    duration::{seconds_in_words, words},
    straws::semen::StrawVolume,
};

/// Seconds after which an exposure is too long, and where the figure comes from.
///
/// 0.25 ml, and where the volume is not known: 5 s (5-10 s: Univ. Illinois Extension, 8 May 2024). 0.5 ml: 8 s depress fertility
/// (Stroud, ARSBC 2014). In computed still air at 20 C a core reaches -130 C after 5.6-6.6 s and 9.1-10.7 s, which agrees.
pub fn limit(straw: Option<StrawVolume>) -> (i64, &'static str) {
    match straw {
        Some(StrawVolume::Quarter) => (5, "5 s for a 0.25 ml straw: Univ. Illinois Extension, 8 May 2024"),
        Some(StrawVolume::Half) => (8, "8 s depress fertility: Stroud, ARSBC 2014"),
        None => (5, "5 s where the volume is not known: Univ. Illinois Extension, 8 May 2024"),
    }
}

/// What to say of an exposure of so many seconds; nothing when it was short enough.
///
/// At least 10 s down before another try: trade guidance for sexed semen. The damage adds up: Stroud, ARSBC 2014.
pub fn warning(exposure_s: i64, straw: Option<StrawVolume>) -> Option<String> {
    let (limit_s, source) = limit(straw);
    (exposure_s > limit_s).then(|| {
        format!(
            "{} above the frost line are more than {limit_s} s ({source}). The damage adds up with every exposure; it is on \
             record. Down at least 10 s before another try; a thawed straw never goes back.",
            seconds_in_words(exposure_s)
        )
    })
}

/// Within how many seconds of leaving the tank a straw is to be in the bath: by then its core nears -80 C in still air at 20 C
/// (computed: 15.0-17.6 s for 0.25 ml, 24.7-28.8 s for 0.5 ml). A draught of 1 m/s is three times as fast. The stricter figure where
/// the volume is not known.
pub const fn to_bath_s(straw: Option<StrawVolume>) -> i64 {
    match straw {
        Some(StrawVolume::Half) => 25,
        Some(StrawVolume::Quarter) | None => 15,
    }
}

/// After how many seconds on its way to the bath it goes on record. Common practice, no source: nobody holds a straw in the air
/// for a minute.
const LATE_TO_BATH_S: i64 = 60;

/// What to say of a straw that took so long from the tank to the bath.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OnTheWay {
    /// Nothing.
    InTime,
    /// A warning.
    Slow(String),
    /// It goes on record.
    Late(Deviation),
}

/// Judges the way to the bath.
pub fn on_the_way(took: TimeDelta, straw: Option<StrawVolume>) -> OnTheWay {
    let within_s = to_bath_s(straw);
    let text = || {
        format!(
            "{} from the tank to the bath, more than {within_s} s: by then the core nears -80 C in still air, in a draught three times \
             as fast (computed). Check the bath first, then lift.",
            words(took)
        )
    };
    if took > TimeDelta::seconds(LATE_TO_BATH_S) {
        OnTheWay::Late(Deviation { kind: DeviationKind::LateToBath, text: text(), reason: None })
    } else if took > TimeDelta::seconds(within_s) {
        OnTheWay::Slow(text())
    } else {
        OnTheWay::InTime
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thin_straw_warms_sooner_than_a_thick_one() {
        // 5 s (0.25 ml): Univ. Illinois Extension, 8 May 2024; 8 s: Stroud, ARSBC 2014. The stricter where it is not known.
        for (straw, most) in [(Some(StrawVolume::Quarter), 5), (None, 5), (Some(StrawVolume::Half), 8)] {
            assert_eq!(warning(most, straw), None);
            let text = warning(most + 1, straw).unwrap();
            // At least 10 s down: trade guidance for sexed semen.
            assert!(text.contains("Down at least 10 s before another try"), "{text}");
            assert!(text.contains("a thawed straw never goes back"), "{text}");
        }
        assert!(warning(240, None).unwrap().starts_with("4 min above the frost line"));
    }

    #[test]
    fn the_way_to_the_bath_is_seconds() {
        // The core nears -80 C in computed still air after 15.0-17.6 s (0.25 ml) and 24.7-28.8 s (0.5 ml).
        for (straw, within_s) in [(Some(StrawVolume::Quarter), 15), (None, 15), (Some(StrawVolume::Half), 25)]
        {
            let judged = |seconds| on_the_way(TimeDelta::seconds(seconds), straw);
            assert_eq!(judged(-5), OnTheWay::InTime);
            assert_eq!(judged(within_s), OnTheWay::InTime);
            let OnTheWay::Slow(text) = judged(within_s + 1) else { panic!("a warning is due") };
            assert!(text.contains(&format!("more than {within_s} s")), "{text}");
            assert!(matches!(judged(60), OnTheWay::Slow(_)));
            let OnTheWay::Late(deviation) = judged(61) else { panic!("a deviation is due") };
            assert_eq!(deviation.kind, DeviationKind::LateToBath);
            let OnTheWay::Late(deviation) = judged(240) else { panic!("a deviation is due") };
            assert!(deviation.text.starts_with("4 min from the tank"), "{}", deviation.text);
        }
    }
}
