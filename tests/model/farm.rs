//! The invented farm on which every sequence is played: two herds, a tank each and the technician's,
//! two sires, five lots of which two have an owner, four heifers. Facts only; who starts it is `service.rs`, what follows from it
//! `rules.rs`.

/// Seconds of a day.
pub const DAY: i64 = 86_400;

/// When a sequence begins, in seconds before the service's clock, which stands still at 0.
pub const START: i64 = -700 * DAY;

/// A lot of straws.
pub struct Lot {
    pub sire: usize,
    pub semen_type: &'static str,
    /// Dates in this form sort as text. Without one it is used last.
    pub collected_on: Option<&'static str>,
    /// The herd whose straws they are; for anybody where none.
    pub owner: Option<usize>,
}

pub const SIRES: usize = 2;

pub const LOTS: &[Lot] = &[
    Lot { sire: 0, semen_type: "sexed_female", collected_on: Some("2023-04-26"), owner: None },
    Lot { sire: 0, semen_type: "conventional", collected_on: Some("2023-05-17"), owner: None },
    Lot { sire: 0, semen_type: "conventional", collected_on: Some("2023-03-01"), owner: Some(1) },
    Lot { sire: 1, semen_type: "sexed_male", collected_on: None, owner: None },
    Lot { sire: 1, semen_type: "conventional", collected_on: Some("2023-05-17"), owner: Some(0) },
];

/// Whose tank it is; the third is the technician's.
pub const TANKS: &[Option<usize>] = &[Some(0), Some(1), None];

/// Canisters of every tank.
pub const CANISTERS: i64 = 2;

/// Marks of canes; the empty one stands for "not said". Capitals come before small letters.
pub const CANES: &[&str] = &["", "B", "a"];

/// A female.
pub struct Animal {
    pub herd: usize,
    /// Days before [`START`].
    pub age_at_start: i64,
    pub sire: Option<usize>,
}

pub const ANIMALS: &[Animal] = &[
    Animal { herd: 0, age_at_start: 500, sire: None },
    // A mating with her own sire gives an inbreeding of a quarter, twice the default limit.
    Animal { herd: 0, age_at_start: 500, sire: Some(1) },
    Animal { herd: 1, age_at_start: 500, sire: None },
    // Under the age of first service when the sequence begins, and above it later.
    Animal { herd: 0, age_at_start: 355, sire: None },
];

/// A heifer younger than so many days is not served: the default of a herd.
pub const FIRST_SERVICE_DAYS: i64 = 365;

/// Inseminations within so many seconds of a service's first one are the same service: the default.
pub const SAME_HEAT: i64 = 48 * 3_600;

/// All semen types, as they are listed for a service of which the choice rule says nothing.
const ANY: &[&str] = &["conventional", "sexed_female", "sexed_male"];

/// The second herd's own choice rule, as it is sent.
pub fn choice_rule() -> serde_json::Value {
    serde_json::json!([
        {"from_service": 1, "class": "heifer", "semen_types": ["sexed_male"], "otherwise": ["conventional"]},
        {"from_service": 1, "to_service": 2, "to_lactation": 1, "semen_types": ["conventional", "sexed_female"]},
    ])
}

/// What the choice rule allows, the wanted first, and what it allows where none of that is in reach. The first herd has the
/// default: sexed for females at the first service, conventional after that (common practice, no source).
pub fn allowed(
    herd: usize,
    service_number: usize,
    calvings: usize,
) -> (&'static [&'static str], &'static [&'static str]) {
    match (herd, service_number, calvings) {
        (0, 1, _) => (&["sexed_female"], &[]),
        (0, _, _) => (&["conventional"], &[]),
        (_, _, 0) => (&["sexed_male"], &["conventional"]),
        (_, 1..=2, 1) => (&["conventional", "sexed_female"], &[]),
        _ => (ANY, &[]),
    }
}
