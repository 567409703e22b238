//! The sequential watch over technicians, lots, tanks and sires, against what each herd may expect.
//!
//! What is expected of a service is its own herd's conception with that class, semen type and service number in the two years
//! before, drawn towards published figures where that was seldom; so nobody is blamed for a hard herd, for cows, or for sexed
//! straws. Services with a known result are gone through in the order of time.

use std::collections::{BTreeMap, HashMap};

use chrono::TimeDelta;

use crate::{
    domain::{
        animals::choice::Class,
        reports::{
            conception::{MOST_GROUPS, Question},
            cusum::{Cusum, LIMIT, Scores, Share, fallen, run_length, scores},
            group::{Dimension, Part},
            prior::{expected, published},
            proportion::real,
            record::{AnimalRecord, ReportHerd},
        },
        straws::semen::SemenType,
        values::{HerdId, TimeZone, Timestamp},
    },
    text_enum,
};

text_enum! {
    /// Over whom or what is watched.
    Watched {
        /// Who served.
        Technician = "technician",
        /// The lot of straws.
        Lot = "lot",
        /// The tank that the straw hung in.
        Tank = "tank",
        /// The bull.
        Sire = "sire",
    }
}

impl Watched {
    /// How services are grouped for it.
    pub const fn dimension(self) -> Dimension {
        match self {
            Self::Technician => Dimension::Technician,
            Self::Lot => Dimension::Lot,
            Self::Tank => Dimension::Tank,
            Self::Sire => Dimension::Sire,
        }
    }

    /// What to look at first when its results fall.
    pub const fn look_first(self) -> &'static [&'static str] {
        match self {
            Self::Technician => &[
                "The thaw: bath, seconds to the bath, minutes to the use (GET /v1/reports/deviations; conception by bath and \
                 seconds_to_bath).",
                "Whose animals, heats and straws they were: conception by herd, lot and tank.",
                "Then watch the technique together; a licensed trainer knows what to look for.",
            ],
            Self::Lot | Self::Sire => &[
                "Where the straws hung and whom they served: GET /v1/reports/lot-trace/{id}.",
                "The level history of these tanks: GET /v1/tanks/{id}/nitrogen.",
                "The thaw: the supplier's instruction for these straws, bath and seconds to the bath. Then ask the supplier.",
            ],
            Self::Tank => &[
                "The level history of the tank, frost or sweat on its neck: GET /v1/tanks/{id}/nitrogen.",
                "How often it was opened and straws were lifted: GET /v1/reports/use.",
                "The thaw beside it: conception by bath and seconds_to_bath.",
            ],
        }
    }
}

/// Days before the span in which the expectation is learned.
pub const BASELINE_DAYS: i64 = 730;

/// Services that one watch goes through at most: each takes some dozen bytes until all are there and can be put in order.
pub const MOST_SERVICES: usize = 500_000;

/// Which services have one expectation: herd, class, type, and service number up to 3.
type Kind = (HerdId, Class, SemenType, i64);

#[derive(Clone, Copy, Debug)]
struct Seen {
    at: Timestamp,
    kind: u32,
    conceived: bool,
    /// By what is watched, whose it is; nobody's where it is not on record.
    of: [u32; Watched::ALL.len()],
}

const NOBODY: u32 = u32::MAX;

/// Numbers things in the order in which they come.
#[derive(Debug)]
struct Numbered<K>(HashMap<K, u32>);

impl<K: Eq + std::hash::Hash> Numbered<K> {
    fn of(&mut self, key: K) -> u32 {
        let next = u32::try_from(self.0.len()).unwrap_or(NOBODY);
        *self.0.entry(key).or_insert(next)
    }
}

/// Goes through one animal after the other.
#[derive(Debug)]
pub struct WatchCount {
    question: Question,
    watched: Vec<Watched>,
    zones: HashMap<HerdId, TimeZone>,
    kinds: Numbered<Kind>,
    baseline: BTreeMap<u32, (i64, i64)>,
    subjects: Numbered<(Watched, Part)>,
    /// By subject, the herd that most of its services were in.
    herds: HashMap<(u32, HerdId), i64>,
    seen: Vec<Seen>,
    too_many: bool,
}

/// How one of those watched stands.
#[derive(Clone, Debug, PartialEq)]
pub struct WatchedSubject {
    /// By what it is watched.
    pub watched: Watched,
    /// Who or which.
    pub part: Part,
    /// The herd of most of its services.
    pub herd: Option<HerdId>,
    /// Services with a known result.
    pub services: i64,
    /// Of which she conceived.
    pub conceived: i64,
    /// Of how many that was to be expected.
    pub expected: f64,
    /// The sum after the last of them.
    pub cusum: Cusum,
    /// Since when it alarms.
    pub since: Option<Timestamp>,
    /// Services from one false alarm to the next on the average, while all is as expected.
    pub in_control: f64,
    /// Services until a fall of the odds to 7 in 13 is found, on the average.
    pub when_fallen: f64,
}

/// There is too much to go through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TooMuch;

impl WatchCount {
    /// Begins to watch; the question's `from` parts what is watched from what is expected.
    pub fn new(question: Question, watched: &[Watched], herds: &[ReportHerd]) -> Self {
        Self {
            question,
            watched: watched.to_vec(),
            zones: herds.iter().map(|herd| (herd.id, herd.time_zone)).collect(),
            kinds: Numbered(HashMap::new()),
            baseline: BTreeMap::new(),
            subjects: Numbered(HashMap::new()),
            herds: HashMap::new(),
            seen: Vec::new(),
            too_many: false,
        }
    }

    /// Takes up the services of an animal.
    pub fn add(&mut self, animal: &AnimalRecord) {
        let learned_from = self.question.from.plus(-TimeDelta::days(BASELINE_DAYS));
        for heat in animal.heats() {
            let own = animal.services.get(heat.services.clone()).unwrap_or_default();
            let Some(first) = own.first() else { continue };
            let (Some(herd), Some(semen_type), Some(conceived)) =
                (first.herd, first.semen_type, heat.conceived)
            else {
                continue;
            };
            let asked = &self.question.herds;
            let is_asked = asked.is_empty() || asked.contains(&herd);
            let natural = heat.services.clone().any(|n| !animal.kind(n).takes_straw());
            let unknown = own.iter().any(|service| service.sire.is_none());
            if !is_asked || natural || unknown || !(learned_from..self.question.to).contains(&heat.at) {
                continue;
            }
            let class = if animal.lactation(heat.at) > 0 { Class::Cow } else { Class::Heifer };
            let kind = self.kinds.of((herd, class, semen_type, first.service_number.clamp(1, 3)));
            if heat.at < self.question.from {
                let (took, of) = self.baseline.entry(kind).or_default();
                *took += i64::from(conceived);
                *of += 1;
                continue;
            }
            if self.seen.len() >= MOST_SERVICES || self.subjects.0.len() >= 4 * MOST_GROUPS {
                self.too_many = true;
                return;
            }
            let zone = self.zones.get(&herd).copied().unwrap_or(TimeZone::UTC);
            let mut of = [NOBODY; Watched::ALL.len()];
            for watched in &self.watched {
                let part = watched.dimension().of(animal, &heat, zone);
                if matches!(part, Part::None | Part::Several) {
                    continue;
                }
                let subject = self.subjects.of((*watched, part));
                *self.herds.entry((subject, herd)).or_default() += 1;
                if let Some(place) = of.get_mut(*watched as usize) {
                    *place = subject;
                }
            }
            self.seen.push(Seen { at: heat.at, kind, conceived, of });
        }
    }

    /// How each of those watched stands, in no order.
    ///
    /// # Errors
    /// There are more services or subjects than one watch goes through.
    pub fn finish(self) -> Result<Vec<WatchedSubject>, TooMuch> {
        if self.too_many {
            return Err(TooMuch);
        }
        let kinds: BTreeMap<u32, f64> = self
            .kinds
            .0
            .iter()
            .map(|((_, class, semen_type, service), kind)| {
                let (took, of) = self.baseline.get(kind).copied().unwrap_or_default();
                (*kind, expected(published(*class, *semen_type, *service), took, of))
            })
            .collect();
        let known: HashMap<u32, (f64, Scores)> =
            kinds.iter().map(|(kind, rate)| (*kind, (*rate, scores(*rate)))).collect();
        let mut seen = self.seen;
        seen.sort_by_key(|seen| seen.at);
        let mut runs: HashMap<u32, Run> = HashMap::new();
        for seen in &seen {
            let Some((rate, scores)) = known.get(&seen.kind) else { continue };
            for subject in seen.of.iter().filter(|subject| **subject != NOBODY) {
                runs.entry(*subject).or_default().add(seen, *rate, *scores);
            }
        }
        let mut most: HashMap<u32, (i64, HerdId)> = HashMap::new();
        for ((subject, herd), services) in self.herds {
            let best = most.entry(subject).or_insert((services, herd));
            *best = (*best).max((services, herd));
        }
        let told = self.subjects.0.iter().filter_map(|((watched, part), subject)| {
            let run = runs.get(subject)?;
            let herd = most.get(subject).map(|(_, herd)| *herd);
            Some(run.told(*watched, part.clone(), herd, &known))
        });
        Ok(told.collect())
    }
}

/// The services of one subject so far.
#[derive(Debug, Default)]
struct Run {
    services: i64,
    conceived: i64,
    expected: f64,
    cusum: Cusum,
    since: Option<Timestamp>,
    kinds: BTreeMap<u32, i64>,
}

impl Run {
    fn add(&mut self, seen: &Seen, rate: f64, scores: Scores) {
        self.services += 1;
        self.conceived += i64::from(seen.conceived);
        self.expected += rate;
        *self.kinds.entry(seen.kind).or_default() += 1;
        if self.cusum.add(scores, seen.conceived) {
            self.since = Some(seen.at);
        }
        if !self.cusum.alarm {
            self.since = None;
        }
    }

    fn told(
        &self,
        watched: Watched,
        part: Part,
        herd: Option<HerdId>,
        known: &HashMap<u32, (f64, Scores)>,
    ) -> WatchedSubject {
        let mix = |takes: fn(f64) -> f64| -> Vec<Share> {
            let own = self.kinds.iter().filter_map(|(kind, services)| {
                let (rate, scores) = known.get(kind)?;
                Some(Share {
                    share: real(*services) / real(self.services),
                    takes: takes(*rate),
                    scores: *scores,
                })
            });
            own.collect()
        };
        WatchedSubject {
            watched,
            part,
            herd,
            services: self.services,
            conceived: self.conceived,
            expected: self.expected,
            cusum: self.cusum,
            since: self.since,
            in_control: run_length(&mix(|rate| rate), LIMIT),
            when_fallen: run_length(&mix(fallen), LIMIT),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{
        animals::history::CheckResult,
        reports::fixture::{ai, animal, calved, checked, day, herd},
    };

    fn watch(results: &[(i64, &str, bool)], from: i64) -> Vec<WatchedSubject> {
        let question = Question {
            from: day(from),
            to: day(1000),
            observed_until: day(1000),
            horizon: TimeDelta::zero(),
            herds: Vec::new(),
            by: Vec::new(),
        };
        let mut count = WatchCount::new(question, &[Watched::Technician, Watched::Sire], &[herd()]);
        for (on, who, took) in results {
            let result = if *took { CheckResult::Pregnant } else { CheckResult::Empty };
            count.add(&animal(
                &[(*on, ai(1, 1, who, SemenType::Conventional))],
                &[(on + 40, checked(result))],
            ));
        }
        let mut told = count.finish().unwrap();
        told.sort_by(|a, b| (a.watched, &a.part).cmp(&(b.watched, &b.part)));
        told
    }

    #[test]
    fn one_technicians_results_fall_and_anothers_do_not() {
        // Two years at one half, then Anna fails twenty times in a row while Bert goes on.
        let mut results: Vec<_> = (0..400).map(|on| (on, "Anna", on % 2 == 0)).collect();
        results.extend((0..20).map(|n| (500 + n, "Anna", false)));
        results.extend((0..20).map(|n| (500 + n, "Bert", n % 2 == 0)));
        let told = watch(&results, 450);
        let [anna, bert, sire] = &told[..] else { panic!("{told:?}") };
        assert!(anna.cusum.alarm && !bert.cusum.alarm);
        // 16 failures of a half expected; the prior of 57 % makes the expectation 50.6 %, at which each adds 12 units too.
        assert_eq!(anna.since, Some(day(515)));
        assert_eq!((anna.services, anna.conceived, sire.services), (20, 0, 40));
        assert!((anna.expected / 20.0 - 0.506).abs() < 0.002, "{}", anna.expected);
        assert!(anna.in_control > 1000.0 && anna.when_fallen < 75.0);
        assert_eq!(anna.herd, Some(herd().id));
    }

    #[test]
    fn an_alarm_that_is_over_has_no_beginning_and_nobody_is_watched_unnamed() {
        // Twenty failures, then as many conceptions: the sum is below half of the limit again.
        let mut results: Vec<_> = (0..20).map(|n| (500 + n, "Anna", false)).collect();
        results.extend((20..40).map(|n| (500 + n, "Anna", true)));
        // Nobody is named: counted for the sire, and for no technician.
        results.push((560, "", true));
        let told = watch(&results, 450);
        let [anna, sire] = &told[..] else { panic!("{told:?}") };
        assert_eq!((anna.services, anna.cusum.alarm, anna.since), (40, false, None));
        assert_eq!((sire.watched, sire.services), (Watched::Sire, 41));
    }

    #[test]
    fn without_a_past_the_published_figures_are_expected() {
        let told = watch(&[(500, "Anna", true)], 450);
        assert!(
            (told[0].expected - 0.57).abs() < 1e-12,
            "conventional heifers 57 % (Norman & Hutchison 2009)"
        );
        let question = Question {
            from: day(450),
            to: day(1000),
            observed_until: day(1000),
            horizon: TimeDelta::zero(),
            herds: Vec::new(),
            by: Vec::new(),
        };
        let mut count = WatchCount::new(question, &[Watched::Sire], &[herd()]);
        let served = [(500, ai(1, 1, "Anna", SemenType::Conventional))];
        count.add(&animal(&served, &[(300, calved()), (540, checked(CheckResult::Pregnant))]));
        let cow = count.finish().unwrap()[0].expected;
        assert!((cow - 0.30).abs() < 1e-12, "conventional cows 30 % (Norman 2010)");
    }
}
