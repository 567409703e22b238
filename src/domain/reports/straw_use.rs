//! How straws were used: for services, thrown away, exposed to warmth; and what they cost.

use std::collections::{BTreeMap, HashMap};

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    domain::{
        reports::{
            conception::{MOST_GROUPS, TooManyGroups},
            group::{Dimension, Part},
            record::ReportHerd,
        },
        straws::{
            exposure,
            lot::Cost,
            movement::MovementKind,
            semen::{SemenType, StrawVolume},
            withdrawal::{DiscardReason, WithdrawalState},
        },
        values::{ExposureSeconds, HerdId, LotId, SireId, Straws, Technician, TimeZone, Timestamp},
    },
    text_enum,
};

/// A line of the ledger that was not undone, as the report on use reads it.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct UseLine {
    /// Why straws moved.
    pub kind: MovementKind,
    /// How many.
    pub straws: Straws,
    /// When.
    pub occurred_at: Timestamp,
    /// Who.
    pub technician: Option<Technician>,
    /// Why they were thrown away.
    pub reason: Option<String>,
    /// Seconds above the frost line, as somebody measured them.
    pub exposure_s: Option<ExposureSeconds>,
    /// The lot.
    pub lot_id: LotId,
    /// Its sire.
    pub sire_id: SireId,
    /// Its type.
    pub semen_type: SemenType,
    /// Its straws' volume.
    pub straw_volume: Option<StrawVolume>,
    /// What a straw cost.
    pub cost: Option<Cost>,
    /// What became of a straw that was taken out for an animal.
    pub withdrawal_state: Option<WithdrawalState>,
    /// The animal's herd, or that of the tank.
    pub herd_id: Option<HerdId>,
    /// When the straw left the tank for an animal.
    pub withdrawn_at: Option<Timestamp>,
    /// When it went into the bath.
    pub thaw_started_at: Option<Timestamp>,
}

text_enum! {
    /// How straws came to be above the frost line.
    ExposureCause {
        /// Moved from one place to another, with the seconds that somebody measured.
        Transfer = "transfer",
        /// On the way to the bath, by the times on record.
        ToBath = "to_bath",
    }
}

/// Straws thrown away for one reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct DiscardedFor {
    /// Why.
    pub reason: DiscardReason,
    /// How many.
    #[schema(minimum = 0)]
    pub straws: i64,
}

/// Straws above the frost line from one cause.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ExposedBy {
    /// How it came about.
    pub cause: ExposureCause,
    /// How many times it is on record.
    #[schema(minimum = 0)]
    pub times: i64,
    /// Of these, how many were longer than the limit for the straw's volume: 5 s or 8 s when moved, 15 s or 25 s to the bath.
    #[schema(minimum = 0)]
    pub over_limit: i64,
    /// The longest, in seconds.
    #[schema(minimum = 0)]
    pub longest_s: i64,
}

/// What straws cost in one currency.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct StrawCost {
    /// ISO 4217 code.
    #[schema(min_length = 3, max_length = 3)]
    pub currency: String,
    /// Of the straws that were used, in the smallest unit.
    pub used_minor: i64,
    /// Of those thrown away.
    pub discarded_minor: i64,
}

/// How some straws were used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct StrawUse {
    /// Straws that went out for services, those not accounted for included.
    pub used: i64,
    /// Straws thrown away.
    pub discarded: i64,
    /// The same by reason.
    pub discards: Vec<DiscardedFor>,
    /// Straws above the frost line.
    pub exposures: Vec<ExposedBy>,
    /// What they cost, by currency.
    pub cost: Vec<StrawCost>,
    /// Straws used or thrown away whose lot has no cost.
    #[schema(minimum = 0)]
    pub without_cost: i64,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Sums {
    used: i64,
    discards: BTreeMap<DiscardReason, i64>,
    exposures: BTreeMap<ExposureCause, (i64, i64, i64)>,
    cost: BTreeMap<String, (i64, i64)>,
    without_cost: i64,
}

impl Sums {
    fn add(&mut self, line: &UseLine) {
        // A straw that was taken out and then thrown away counts where it was thrown away.
        let thrown_away = line.withdrawal_state == Some(WithdrawalState::Discarded);
        let (used, discarded) = match line.kind {
            MovementKind::Withdrawal if !thrown_away => (line.straws.get(), 0),
            MovementKind::Discard => (0, line.straws.get()),
            _ => (0, 0),
        };
        self.used += used;
        if discarded != 0 {
            let reason = line.reason.as_deref().and_then(|reason| DiscardReason::parse(reason).ok());
            *self.discards.entry(reason.unwrap_or(DiscardReason::Other)).or_default() += discarded;
        }
        match &line.cost {
            Some(cost) => {
                let own = self.cost.entry(cost.currency.to_string()).or_default();
                own.0 += used * cost.amount_minor.get();
                own.1 += discarded * cost.amount_minor.get();
            }
            None => self.without_cost += used + discarded,
        }
        if let Some(exposure_s) = line.exposure_s {
            let (limit, _) = exposure::limit(line.straw_volume);
            self.exposed(ExposureCause::Transfer, exposure_s.get(), limit);
        }
        if line.kind == MovementKind::Withdrawal
            && let Some((out, bath)) = line.withdrawn_at.zip(line.thaw_started_at)
        {
            let took = bath.since(out).num_seconds();
            if took >= 0 {
                self.exposed(ExposureCause::ToBath, took, exposure::to_bath_s(line.straw_volume));
            }
        }
    }

    fn exposed(&mut self, cause: ExposureCause, seconds: i64, limit: i64) {
        let (times, over, longest) = self.exposures.entry(cause).or_default();
        *times += 1;
        *over += i64::from(seconds > limit);
        *longest = (*longest).max(seconds);
    }

    fn told(self) -> StrawUse {
        let discards: Vec<_> =
            self.discards.into_iter().map(|(reason, straws)| DiscardedFor { reason, straws }).collect();
        let exposures = self.exposures.into_iter();
        let cost = self.cost.into_iter();
        StrawUse {
            used: self.used,
            discarded: discards.iter().map(|discard| discard.straws).sum(),
            discards,
            exposures: exposures
                .map(|(cause, (times, over_limit, longest_s))| ExposedBy {
                    cause,
                    times,
                    over_limit,
                    longest_s,
                })
                .collect(),
            cost: cost
                .map(|(currency, (used_minor, discarded_minor))| StrawCost {
                    currency,
                    used_minor,
                    discarded_minor,
                })
                .collect(),
            without_cost: self.without_cost,
        }
    }
}

/// What straws have in common, and how they were used.
pub type UseGroup = (Vec<Part>, StrawUse);

/// By what use is grouped.
pub const USE_DIMENSIONS: [Dimension; 6] = [
    Dimension::Sire,
    Dimension::Lot,
    Dimension::SemenType,
    Dimension::Technician,
    Dimension::Herd,
    Dimension::Month,
];

/// Counts one line of the ledger after the other.
#[derive(Debug)]
pub struct UseCount {
    by: Vec<Dimension>,
    zones: HashMap<HerdId, TimeZone>,
    groups: BTreeMap<Vec<Part>, Sums>,
    all: Sums,
    too_many: bool,
}

impl UseCount {
    /// Begins to count by some of [`USE_DIMENSIONS`].
    pub fn new(by: Vec<Dimension>, herds: &[ReportHerd]) -> Self {
        let zones = herds.iter().map(|herd| (herd.id, herd.time_zone)).collect();
        Self { by, zones, groups: BTreeMap::new(), all: Sums::default(), too_many: false }
    }

    /// Counts a line.
    pub fn add(&mut self, line: &UseLine) {
        self.all.add(line);
        let key: Vec<Part> = self.by.iter().map(|by| self.part(*by, line)).collect();
        if self.groups.len() < MOST_GROUPS || self.groups.contains_key(&key) {
            self.groups.entry(key).or_default().add(line);
        } else {
            self.too_many = true;
        }
    }

    fn part(&self, by: Dimension, line: &UseLine) -> Part {
        match by {
            Dimension::Sire => Part::Id(line.sire_id.0),
            Dimension::Lot => Part::Id(line.lot_id.0),
            Dimension::SemenType => {
                let place = SemenType::ALL.iter().position(|semen_type| *semen_type == line.semen_type);
                let place = place.and_then(|place| u8::try_from(place).ok()).unwrap_or(u8::MAX);
                Part::Class(place, line.semen_type.as_str())
            }
            Dimension::Technician => {
                line.technician.as_ref().map_or(Part::None, |who| Part::Text(who.to_string()))
            }
            Dimension::Herd => line.herd_id.map_or(Part::None, |herd| Part::Id(herd.0)),
            Dimension::Month => {
                let zone = line.herd_id.and_then(|herd| self.zones.get(&herd)).copied();
                let day = line.occurred_at.day_in(zone.unwrap_or(TimeZone::UTC)).to_string();
                Part::Text(day.get(..7).unwrap_or(&day).to_owned())
            }
            _ => Part::None,
        }
    }

    /// In all, and group by group.
    ///
    /// # Errors
    /// There are too many groups to tell.
    pub fn finish(self) -> Result<(StrawUse, Vec<UseGroup>), TooManyGroups> {
        if self.too_many {
            return Err(TooManyGroups);
        }
        let groups = self.groups.into_iter().map(|(key, sums)| (key, sums.told())).collect();
        Ok((self.all.told(), groups))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::domain::{
        reports::fixture::{day, herd, id},
        values::{Code, MinorUnits},
    };

    fn line(kind: MovementKind, straws: i64) -> UseLine {
        UseLine {
            kind,
            straws: Straws::new(straws).unwrap(),
            occurred_at: day(0),
            technician: Technician::parse("Anna").ok(),
            reason: None,
            exposure_s: None,
            lot_id: LotId(id(5)),
            sire_id: SireId(id(2)),
            semen_type: SemenType::SexedFemale,
            straw_volume: Some(StrawVolume::Quarter),
            cost: Some(Cost {
                amount_minor: MinorUnits::new(4500).unwrap(),
                currency: Code::parse("EUR").unwrap(),
            }),
            withdrawal_state: None,
            herd_id: None,
            withdrawn_at: None,
            thaw_started_at: None,
        }
    }

    #[test]
    fn a_straw_that_was_out_and_thrown_away_was_not_used() {
        let mut count = UseCount::new(vec![Dimension::SemenType], &[herd()]);
        let (served, thrown) = (Some(WithdrawalState::Served), Some(WithdrawalState::Discarded));
        count.add(&UseLine { withdrawal_state: served, ..line(MovementKind::Withdrawal, 1) });
        count.add(&UseLine { withdrawal_state: thrown, ..line(MovementKind::Withdrawal, 1) });
        let reason = Some("thawed_not_used".to_owned());
        count.add(&UseLine { withdrawal_state: thrown, reason, ..line(MovementKind::Discard, 1) });
        let (all, groups) = count.finish().unwrap();
        assert_eq!((all.used, all.discarded), (1, 1));
        assert_eq!(all.discards, [DiscardedFor { reason: DiscardReason::ThawedNotUsed, straws: 1 }]);
        assert_eq!((all.cost[0].used_minor, all.cost[0].discarded_minor), (4500, 4500));
        assert_eq!(groups.len(), 1);
    }

    #[test]
    fn an_exposure_is_measured_against_the_limit_of_its_volume() {
        // 5 s for 0.25 ml when moved (Univ. Illinois Extension, 8 May 2024); 15 s to the bath (computed).
        let moved = |seconds| UseLine {
            exposure_s: ExposureSeconds::new(seconds),
            ..line(MovementKind::Transfer, 4)
        };
        let mut count = UseCount::new(vec![], &[]);
        for seconds in [5, 6, 9] {
            count.add(&moved(seconds));
        }
        let to_bath = |seconds| UseLine {
            withdrawn_at: Some(day(0)),
            thaw_started_at: Some(day(0).plus(chrono::TimeDelta::seconds(seconds))),
            ..line(MovementKind::Withdrawal, 1)
        };
        // In the bath before it was out: told wrongly, and no exposure.
        for seconds in [15, 16, -3] {
            count.add(&to_bath(seconds));
        }
        let (all, _) = count.finish().unwrap();
        let told: Vec<_> = all.exposures.iter().map(|by| (by.times, by.over_limit, by.longest_s)).collect();
        assert_eq!(told, [(3, 2, 9), (2, 1, 16)]);
        assert_eq!(all.used, 3);
    }

    proptest! {
        #[test]
        fn the_groups_sum_to_the_whole(
            lines in proptest::collection::vec((1..9_i64, 0..3_usize, any::<bool>(), 0..90_i64, any::<bool>()), 0..40),
        ) {
            let lines: Vec<_> = lines.into_iter().map(|(straws, who, used, on, has_cost)| {
                let own = line(if used { MovementKind::Withdrawal } else { MovementKind::Discard }, straws);
                UseLine {
                    technician: Technician::parse(["A", "B", "C"][who]).ok(),
                    occurred_at: day(on),
                    cost: own.cost.clone().filter(|_| has_cost),
                    ..own
                }
            }).collect();
            let mut count = UseCount::new(vec![Dimension::Technician, Dimension::Month], &[]);
            for line in &lines {
                count.add(line);
            }
            let (all, groups) = count.finish().unwrap();
            let sum = |of: fn(&StrawUse) -> i64| groups.iter().map(|(_, own)| of(own)).sum::<i64>();
            prop_assert_eq!(sum(|own| own.used), all.used);
            prop_assert_eq!(sum(|own| own.discarded), all.discarded);
            prop_assert_eq!(sum(|own| own.without_cost), all.without_cost);
            let cost = |own: &StrawUse| own.cost.iter().map(|cost| cost.used_minor + cost.discarded_minor).sum::<i64>();
            prop_assert_eq!(sum(cost), cost(&all));
            let total: i64 = lines.iter().map(|line| line.straws.get()).sum();
            prop_assert_eq!(all.used + all.discarded, total);
        }
    }
}
