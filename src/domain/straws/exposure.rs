//! How long a straw may be above the frost line when it is moved.
//!
//! A fixed limit for each straw volume, and a record of what was measured; not a score. How warm a
//! straw gets in a given time depends on draught, posture and the nitrogen it carries, none of which
//! is known, and the harm threshold itself is disputed.

use crate::domain::straws::semen::StrawVolume;

/// Seconds after which an exposure is too long, and where the figure comes from.
///
/// 0.25 ml: 5 s (5-10 s: Univ. Illinois Extension, 8 May 2024), then at least 10 s down before a retry (common
/// practice, no source, for sexed straws, which come in this volume). 0.5 ml, and where the volume is not known: 8 s depress fertility (Stroud, ARSBC 2014).
/// In computed still air at 20 C a core reaches -130 C after 5.6-6.6 s and 9.1-10.7 s, which agrees.
pub fn limit(straw: Option<StrawVolume>) -> (i64, &'static str) {
    match straw {
        Some(StrawVolume::Quarter) => (5, "5 s for a 0.25 ml straw: Univ. Illinois Extension, 8 May 2024"),
        Some(StrawVolume::Half) | None => (8, "8 s depress fertility: Stroud, ARSBC 2014"),
    }
}

/// What to say of an exposure of so many seconds; nothing when it was short enough.
pub fn warning(exposure_s: i64, straw: Option<StrawVolume>) -> Option<String> {
    let (limit_s, source) = limit(straw);
    (exposure_s > limit_s).then(|| {
        format!(
            "{exposure_s} s above the frost line are more than {limit_s} s ({source}). The damage adds up with every \
             exposure; it is on record."
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thin_straw_warms_sooner_than_a_thick_one() {
        // 5 s (0.25 ml): Univ. Illinois Extension, 8 May 2024; 8 s: Stroud, ARSBC 2014.
        assert_eq!(warning(5, Some(StrawVolume::Quarter)), None);
        assert!(warning(6, Some(StrawVolume::Quarter)).is_some());
        assert_eq!(warning(8, Some(StrawVolume::Half)), None);
        assert!(warning(9, Some(StrawVolume::Half)).is_some());
        assert!(warning(9, None).is_some_and(|text| text.contains("Stroud")));
    }
}
