//! What is published of conception, for herds of which little is known.

use crate::domain::{
    animals::choice::Class,
    reports::proportion::{Prior, real},
    straws::semen::SemenType,
};

/// Conception by class, semen type and service number, and where the figures come from.
///
/// Sexed heifers 45 / 39 / 35 %, first-lactation cows 29 / 27 / 25 %, conventional heifers 57 % (Norman & Hutchison 2009);
/// conventional cows 30 % (Norman 2010, J Dairy Sci 93:3880). All cows are taken as first-lactation cows, and semen sexed for
/// males as that sexed for females: no figure was found.
pub fn published(class: Class, semen_type: SemenType, service: i64) -> f64 {
    let by_service = |rates: [f64; 3]| {
        let place = usize::try_from(service.clamp(1, 3) - 1).unwrap_or(0);
        rates.get(place).copied().unwrap_or(rates[2])
    };
    match (class, semen_type.is_sexed()) {
        (Class::Heifer, true) => by_service([0.45, 0.39, 0.35]),
        (Class::Cow, true) => by_service([0.29, 0.27, 0.25]),
        (Class::Heifer, false) => 0.57,
        (Class::Cow, false) => 0.30,
    }
}

/// Where [`published`] comes from.
pub const SOURCE: &str = "Norman & Hutchison 2009 (sexed: heifers 45 / 39 / 35 %, first-lactation cows 29 / 27 / 25 % by service; \
    conventional heifers 57 %); Norman 2010, J Dairy Sci 93:3880 (conventional cows 30 %).";

/// Herds differ by a standard deviation of 8 points (8-12: Everett & Bean 1986; Quebec, CJAS 1993).
pub const HERD_SD: f64 = 0.08;

/// The same on the scale of log odds, where all types and services shift together: 0.32, which is 8 points at one half.
pub const HERD_LOGIT_SD: f64 = 0.32;

/// Share of heifer calves by semen type: 90 % sexed for females, 10 % sexed for males (Norman 2010: about 90 %); 48.5 %
/// conventional (1.06 males for each female, Beef Magazine).
pub const fn females(semen_type: SemenType) -> f64 {
    match semen_type {
        SemenType::SexedFemale => 0.90,
        SemenType::SexedMale => 0.10,
        SemenType::Conventional => 0.485,
    }
}

/// A herd's own conception drawn towards what is published: the more, the fewer of its services are known.
pub fn expected(published: f64, conceived: i64, known: i64) -> f64 {
    Prior::spread(published, HERD_SD).mean_after(conceived, known)
}

/// How uncertain a herd's shift on the scale of log odds still is after so many known services at these rates: the
/// information of each is p (1 - p).
pub fn remaining_sd(prior_sd: f64, known: impl IntoIterator<Item = (f64, i64)>) -> f64 {
    if prior_sd <= 0.0 {
        return 0.0;
    }
    let seen: f64 = known.into_iter().map(|(rate, services)| real(services) * rate * (1.0 - rate)).sum();
    (1.0 / (1.0 / (prior_sd * prior_sd) + seen)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_herd_of_its_own_is_known_by_its_services() {
        assert!((expected(0.45, 0, 0) - 0.45).abs() < 1e-12);
        // At 45 % and 8 points the published figure weighs 37.7 services: 0.45 * 0.55 / 0.0064 - 1.
        assert!((expected(0.45, 38, 38) - (0.45 * 37.67 + 38.0) / 75.67).abs() < 1e-3);
        assert!((remaining_sd(0.32, [(0.5, 0)]) - 0.32).abs() < 1e-12);
        // 8 points at one half: 0.32 * 0.5 * 0.5.
        assert!((HERD_LOGIT_SD * 0.25 - HERD_SD).abs() < 1e-12);
        assert!(remaining_sd(0.32, [(0.5, 1000)]) < 0.07);
        assert!(remaining_sd(0.0, [(0.5, 10)]) == 0.0);
    }
}
