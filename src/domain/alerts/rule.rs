//! Alert rules: of what a farm wants to be told, and from which threshold on.
//!
//! A rule holds for one kind of alert and for a lot, a sire's straws of a type, a tank, a herd, or
//! everything. Where several hold, the narrowest decides, and one that is switched off silences what it
//! holds for.

use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{
    domain::{
        alerts::{
            AlertKind,
            stock::{Area, Lead, StockSubject, StockThreshold, Straw},
        },
        form::{Fault, InputPath},
        straws::semen::SemenType,
        values::{
            AlertRuleId, Coefficient, DepthMm, HerdId, LeadDays, LotId, Minutes, SireId, Straws, TankId,
            Threshold, Timestamp, WatchDays,
        },
    },
    form,
};

form! {
    /// Of what one wants to be told.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct AlertRuleDetails, check AlertRuleDetails::check {
        /// The kind of alert.
        pub kind: AlertKind,
        /// Only for this tank.
        pub tank_id: Option<TankId>,
        /// Only for this herd: its own tanks, its animals.
        pub herd_id: Option<HerdId>,
        /// Only for straws of this sire; with `semen_type`.
        pub sire_id: Option<SireId>,
        /// Only for straws of this type; with `sire_id`.
        pub semen_type: Option<SemenType>,
        /// Only for this lot.
        pub lot_id: Option<LotId>,
        /// False silences the alert where the rule holds. Default true.
        #[schema(required = false)]
        pub enabled: bool = true,
        /// `stock.low`: when fewer than so many usable straws are left. Without any threshold: 5.
        #[schema(example = 5)]
        pub below_straws: Option<Straws>,
        /// `stock.low`: when they last fewer than so many days, as likely as not.
        pub below_days: Option<WatchDays>,
        /// `stock.low`: when they run out before the next delivery with more than this probability.
        pub above_probability: Option<Coefficient>,
        /// With `above_probability`: days until a delivery that is ordered now. Default 14.
        pub lead_days: Option<LeadDays>,
        /// With `above_probability`: when the next delivery comes; once it is past, `lead_days` holds.
        pub delivery_at: Option<Timestamp>,
        /// `stock.low`: where the alert clears, in the threshold's unit. Default: `below_straws` itself; a quarter more
        /// than `below_days`; half of `above_probability`.
        pub clear_at: Option<Threshold>,
        /// `nitrogen.low`: the depth below which it is told. Default: the tank's minimum depth.
        pub below_depth_mm: Option<DepthMm>,
        /// `nitrogen.refill_due`: told so many days ahead. Default 3. `check.due`, `calving.due`, `return.watch`: told so many
        /// days before the first day that the watch list names. Default: on that day.
        pub within_days: Option<WatchDays>,
        /// `nitrogen.reading_overdue`: told when so many days passed without a reading. Default 7.
        pub every_days: Option<WatchDays>,
        /// `withdrawal.unresolved`: minutes after the straw should have been used. Default 60.
        pub grace_minutes: Option<Minutes>,
        /// `stocktake.difference`: told from so many straws on, missing and surplus added up. Default 1.
        pub min_difference: Option<Straws>,
    }
}

/// An alert rule.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct AlertRule {
    /// Its id.
    pub id: AlertRuleId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: AlertRuleDetails,
    /// When it was entered.
    pub created_at: Timestamp,
}

/// Straws below which stock is low where a rule names no threshold (no source: a rule says better).
const STRAWS: i64 = 5;

/// Days until a delivery where nothing is said (no source: ask the supplier).
pub const LEAD_DAYS: i64 = 14;

/// Days before a refill is due at which it is told (no source).
pub const REFILL_DAYS: i64 = 3;

/// Days before the first day of an animal's watch at which it is told (no source): the days of the watch have theirs, and
/// those of a calving begin twelve days before the likeliest.
pub const WATCH_DAYS: i64 = 0;

/// Days without a reading: daily or at least weekly (common practice, no source).
pub const READING_DAYS: i64 = 7;

/// Minutes that a straw may be unaccounted for after it should have been used (no source).
pub const GRACE_MINUTES: i64 = 60;

impl AlertRuleDetails {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        self.check_scope(spot, faults);
        self.check_thresholds(spot, faults);
    }

    fn check_scope(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        let mut wrong = |field: &str, detail: &str| faults.push(spot.member(field).fault(detail));
        if self.sire_id.is_some() != self.semen_type.is_some() {
            let missing = if self.sire_id.is_some() { "semen_type" } else { "sire_id" };
            wrong(missing, "is required beside the other of sire_id and semen_type");
        }
        if self.tank_id.is_some() && self.herd_id.is_some() {
            wrong("herd_id", "must not stand beside tank_id; name one of them");
        }
        if self.lot_id.is_some() {
            for (named, field) in [
                (self.tank_id.is_some(), "tank_id"),
                (self.herd_id.is_some(), "herd_id"),
                (self.sire_id.is_some(), "sire_id"),
            ] {
                if named {
                    wrong(field, "must not stand beside lot_id; a lot is watched wherever it hangs");
                }
            }
        }
        if !self.kind.is_of_stock() {
            for (named, field) in [(self.sire_id.is_some(), "sire_id"), (self.lot_id.is_some(), "lot_id")] {
                if named {
                    wrong(field, "belongs to stock.low and stock.out");
                }
            }
        }
        if self.kind.is_of_book() {
            for (named, field) in [(self.tank_id.is_some(), "tank_id"), (self.herd_id.is_some(), "herd_id")] {
                if named {
                    wrong(field, "does not belong to this kind, which is of the whole book");
                }
            }
        }
        if self.tank_id.is_some()
            && (self.kind.is_of_animals()
                || matches!(
                    self.kind,
                    AlertKind::WithdrawalUnresolved
                        | AlertKind::RuleOverridden
                        | AlertKind::ConceptionFalling
                ))
        {
            wrong("tank_id", "does not belong to this kind; name a herd, or nothing");
        }
    }

    fn check_thresholds(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        let mut wrong = |field: &str, detail: &str| faults.push(spot.member(field).fault(detail));
        for (named, field, kind) in [
            (self.below_straws.is_some(), "below_straws", AlertKind::StockLow),
            (self.below_days.is_some(), "below_days", AlertKind::StockLow),
            (self.above_probability.is_some(), "above_probability", AlertKind::StockLow),
            (self.lead_days.is_some(), "lead_days", AlertKind::StockLow),
            (self.delivery_at.is_some(), "delivery_at", AlertKind::StockLow),
            (self.clear_at.is_some(), "clear_at", AlertKind::StockLow),
            (self.below_depth_mm.is_some(), "below_depth_mm", AlertKind::NitrogenLow),
            (self.every_days.is_some(), "every_days", AlertKind::NitrogenReadingOverdue),
            (self.grace_minutes.is_some(), "grace_minutes", AlertKind::WithdrawalUnresolved),
            (self.min_difference.is_some(), "min_difference", AlertKind::StocktakeDifference),
        ] {
            if named && self.kind != kind {
                wrong(field, &format!("belongs to {kind}"));
            }
        }
        if self.within_days.is_some()
            && self.kind != AlertKind::NitrogenRefillDue
            && !self.kind.is_of_animals()
        {
            let [check, calving, watch] = AlertKind::OF_ANIMALS;
            wrong(
                "within_days",
                &format!("belongs to {}, {check}, {calving} and {watch}", AlertKind::NitrogenRefillDue),
            );
        }
        let measures = [
            ("below_straws", self.below_straws.is_some()),
            ("below_days", self.below_days.is_some()),
            ("above_probability", self.above_probability.is_some()),
        ];
        for (field, _) in measures.iter().filter(|(_, named)| *named).skip(1) {
            wrong(field, "is a second threshold; a rule has one");
        }
        if self.lot_id.is_some() && (self.below_days.is_some() || self.above_probability.is_some()) {
            let field = if self.below_days.is_some() { "below_days" } else { "above_probability" };
            wrong(field, "is told of a sire and type, not of a lot, which is used up one after the other");
        }
        if self.above_probability.is_none() {
            for (named, field) in
                [(self.lead_days.is_some(), "lead_days"), (self.delivery_at.is_some(), "delivery_at")]
            {
                if named {
                    wrong(field, "belongs to above_probability");
                }
            }
        }
        if let Some(clear_at) = self.clear_at {
            let straws = self.below_straws.map_or(STRAWS, Straws::get);
            let (opens_at, clears_above) = match (self.below_days, self.above_probability) {
                (Some(days), _) => (days.real(), true),
                (_, Some(probability)) => (probability.get(), false),
                #[expect(clippy::cast_precision_loss, reason = "a number of straws")]
                (None, None) => (straws as f64, true),
            };
            if clears_above && clear_at.get() < opens_at {
                wrong("clear_at", "must not be less than the threshold");
            } else if !clears_above && clear_at.get() > opens_at {
                wrong("clear_at", "must not be more than the threshold");
            }
        }
    }

    /// Where it watches.
    pub fn area(&self) -> Area {
        match (self.tank_id, self.herd_id) {
            (Some(tank), _) => Area::Tank(tank),
            (_, Some(herd)) => Area::Herd(herd),
            (None, None) => Area::Everywhere,
        }
    }

    /// What it watches when straws of that lot, sire and type moved.
    pub fn subject(&self, lot: LotId, sire: SireId, semen_type: SemenType) -> StockSubject {
        let straw = if self.lot_id.is_some() { Straw::Lot(lot) } else { Straw::Of(sire, semen_type) };
        StockSubject { straw, area: self.area() }
    }

    /// How narrow it is: of two that hold for the same, the greater decides.
    pub fn narrowness(&self) -> u8 {
        let place = match self.area() {
            Area::Everywhere => 0,
            Area::Herd(_) => 1,
            Area::Tank(_) => 2,
        };
        place + if self.sire_id.is_some() || self.lot_id.is_some() { 3 } else { 0 }
    }

    /// Whether it holds for something that happened there.
    pub fn covers(&self, herd: Option<HerdId>, tank: Option<TankId>) -> bool {
        match self.area() {
            Area::Everywhere => true,
            Area::Herd(only) => herd == Some(only),
            Area::Tank(only) => tank == Some(only),
        }
    }

    /// The threshold of a rule about stock.
    pub fn stock_threshold(&self) -> StockThreshold {
        if self.kind == AlertKind::StockOut {
            return StockThreshold::Out;
        }
        let clear_at = self.clear_at.map(Threshold::get);
        if let Some(days) = self.below_days {
            let below = days.real();
            return StockThreshold::Days { below, clear_at: clear_at.unwrap_or(below * 1.25) };
        }
        if let Some(probability) = self.above_probability {
            let above = probability.get();
            let lead =
                Lead { days: self.lead_days.map_or(LEAD_DAYS, LeadDays::get), delivery_at: self.delivery_at };
            return StockThreshold::Probability { above, clear_at: clear_at.unwrap_or(above / 2.0), lead };
        }
        let below = self.below_straws.map_or(STRAWS, Straws::get);
        #[expect(clippy::cast_precision_loss, reason = "a number of straws")]
        let clear_at = clear_at.unwrap_or(below as f64);
        StockThreshold::Straws { below, clear_at }
    }

    /// How long a straw may be unaccounted for.
    pub fn grace(&self) -> TimeDelta {
        TimeDelta::minutes(self.grace_minutes.map_or(GRACE_MINUTES, Minutes::get))
    }

    /// From how many straws on a difference is told.
    pub fn min_difference(&self) -> i64 {
        self.min_difference.map_or(1, Straws::get)
    }

    /// What holds for this kind where no rule says anything.
    pub fn usual(kind: AlertKind) -> Self {
        Self {
            kind,
            tank_id: None,
            herd_id: None,
            sire_id: None,
            semen_type: None,
            lot_id: None,
            enabled: true,
            below_straws: None,
            below_days: None,
            above_probability: None,
            lead_days: None,
            delivery_at: None,
            clear_at: None,
            below_depth_mm: None,
            within_days: None,
            every_days: None,
            grace_minutes: None,
            min_difference: None,
        }
    }
}

/// Of rules of one kind, the one that decides for something that happened there: the narrowest that
/// holds; where none does, what holds without a rule. `None`: it is not told.
pub fn deciding(
    rules: &[AlertRule],
    kind: AlertKind,
    herd: Option<HerdId>,
    tank: Option<TankId>,
) -> Option<(Option<AlertRuleId>, AlertRuleDetails)> {
    let of_kind = rules.iter().filter(|rule| rule.details.kind == kind);
    let narrowest = of_kind
        .filter(|rule| rule.details.covers(herd, tank))
        .max_by_key(|rule| (rule.details.narrowness(), rule.id));
    match narrowest {
        Some(rule) => rule.details.enabled.then(|| (Some(rule.id), rule.details.clone())),
        None => (!kind.needs_rule()).then(|| (None, AlertRuleDetails::usual(kind))),
    }
}
