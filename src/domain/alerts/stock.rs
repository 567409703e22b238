//! Whether straws run out.

use serde::Serialize;

use crate::domain::{
    alerts::{About, AlertKind, Figures, Finding, rule::AlertRuleDetails},
    straws::{demand::Demand, semen::SemenType},
    values::{HerdId, LotId, SireId, TankId, Timestamp},
};

/// Whose straws are watched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub enum Straw {
    /// A sire's of one type.
    Of(SireId, SemenType),
    /// A lot's.
    Lot(LotId),
}

/// Where they are watched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub enum Area {
    /// In every tank.
    Everywhere,
    /// In a herd's own tanks.
    Herd(HerdId),
    /// In one tank.
    Tank(TankId),
}

impl Area {
    /// The herd, when it is one's.
    pub fn herd(self) -> Option<HerdId> {
        if let Self::Herd(id) = self { Some(id) } else { None }
    }

    /// The tank, when it is one.
    pub fn tank(self) -> Option<TankId> {
        if let Self::Tank(id) = self { Some(id) } else { None }
    }
}

/// What an alert of stock is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StockSubject {
    /// Whose straws.
    pub straw: Straw,
    /// Where.
    pub area: Area,
}

impl StockSubject {
    /// What an alert says that it is about.
    pub fn about(&self) -> About {
        let mut about = About { herd_id: self.area.herd(), tank_id: self.area.tank(), ..About::default() };
        match self.straw {
            Straw::Of(sire, semen_type) => {
                (about.sire_id, about.semen_type) = (Some(sire), Some(semen_type));
            }
            Straw::Lot(lot) => about.lot_id = Some(lot),
        }
        about
    }

    /// What an alert of stock is about; `None` for one of another kind.
    pub fn of(about: &About) -> Option<Self> {
        let of_sire =
            about.sire_id.zip(about.semen_type).map(|(sire, semen_type)| Straw::Of(sire, semen_type));
        let straw = about.lot_id.map(Straw::Lot).or(of_sire)?;
        let area = match (about.tank_id, about.herd_id) {
            (Some(tank), _) => Area::Tank(tank),
            (_, Some(herd)) => Area::Herd(herd),
            (None, None) => Area::Everywhere,
        };
        Some(Self { straw, area })
    }

    /// Its address at this service.
    pub fn wire(&self) -> String {
        let place = match self.area {
            Area::Everywhere => String::new(),
            Area::Herd(id) => format!("&herd_id={id}"),
            Area::Tank(id) => format!("&tank_id={id}"),
        };
        match self.straw {
            Straw::Of(sire, semen_type) => {
                format!("/v1/stock/outlook?sire_id={sire}&semen_type={semen_type}{place}")
            }
            Straw::Lot(id) => format!("/v1/lots/{id}"),
        }
    }
}

/// When the next delivery comes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lead {
    /// Days until one that is ordered now.
    pub days: i64,
    /// The next one, where it is known.
    pub delivery_at: Option<Timestamp>,
}

impl Lead {
    /// Days until the next delivery.
    pub fn days_from(&self, now: Timestamp) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "days and seconds of a few years")]
        let known = self.delivery_at.map(|at| at.since(now).num_seconds() as f64 / 86_400.0);
        #[expect(clippy::cast_precision_loss, reason = "a number of days")]
        known.filter(|days| *days > 0.0).unwrap_or(self.days as f64)
    }
}

/// From when on stock is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StockThreshold {
    /// When none is left.
    Out,
    /// By their number.
    Straws {
        /// Told when fewer are left.
        below: i64,
        /// Over when so many are.
        clear_at: f64,
    },
    /// By how long they last.
    Days {
        /// Told when they last less.
        below: f64,
        /// Over when they last so long.
        clear_at: f64,
    },
    /// By how probable it is that they do not last until the next delivery.
    Probability {
        /// Told when it is more.
        above: f64,
        /// Over when it is no more than this.
        clear_at: f64,
        /// When the next delivery comes.
        lead: Lead,
    },
}

impl StockThreshold {
    /// Whether it asks how many are used.
    pub fn needs_demand(&self) -> bool {
        matches!(self, Self::Days { .. } | Self::Probability { .. })
    }

    /// What is found with so many usable straws left; `demand` is what is known of their use, `None` when that
    /// is too little to tell. Then only an empty tank is told.
    pub fn judge(&self, straws: i64, demand: Option<&Demand>, now: Timestamp) -> Finding {
        #[expect(clippy::cast_precision_loss, reason = "a number of straws")]
        let number = straws as f64;
        let left = counted(straws);
        let figures = |measured: f64, threshold: f64| Figures {
            straws: Some(straws),
            measured: Some(measured),
            threshold: Some(threshold),
        };
        let right = || Finding::Right { text: format!("{left} hang there now.") };
        match *self {
            Self::Out if straws <= 0 => {
                Finding::Wrong { figures: figures(number, 0.0), text: "None is left.".to_owned() }
            }
            Self::Out => right(),
            #[expect(clippy::cast_precision_loss, reason = "a number of straws")]
            Self::Straws { below, clear_at } => {
                if straws < below {
                    let text = format!("{left} left; told at fewer than {below}.");
                    Finding::Wrong { figures: figures(number, below as f64), text }
                } else if number >= clear_at {
                    right()
                } else {
                    Finding::Between
                }
            }
            Self::Days { below, clear_at } => {
                let Some(lasts) = demand.map(|demand| demand.lasts_days(straws)) else {
                    return empty_or_between(straws, figures(0.0, below));
                };
                if lasts.estimate < below {
                    let text = format!(
                        "{left} left, which last about {:.0} days ({:.0} to {:.0} in nine of ten cases) at the use \
                         so far; told at fewer than {below:.0} days.",
                        lasts.estimate, lasts.low, lasts.high
                    );
                    Finding::Wrong { figures: figures(rounded(lasts.estimate, 1.0e1), below), text }
                } else if lasts.estimate >= clear_at {
                    right()
                } else {
                    Finding::Between
                }
            }
            Self::Probability { above, clear_at, lead } => {
                let days = lead.days_from(now);
                let Some(runs_out) = demand.map(|demand| demand.runs_out(straws, days)) else {
                    return empty_or_between(straws, figures(1.0, above));
                };
                if runs_out > above || straws <= 0 {
                    let text = format!(
                        "{left} left, which run out before the next delivery in {days:.0} days with probability \
                         {runs_out:.2} at the use so far; told above {above:.2}."
                    );
                    Finding::Wrong { figures: figures(rounded(runs_out, 1.0e4), above), text }
                } else if runs_out <= clear_at {
                    right()
                } else {
                    Finding::Between
                }
            }
        }
    }
}

/// With too little use to tell anything, an empty tank is still an empty tank.
fn empty_or_between(straws: i64, figures: Figures) -> Finding {
    if straws > 0 {
        return Finding::Between;
    }
    Finding::Wrong { figures, text: "None is left.".to_owned() }
}

fn rounded(number: f64, places: f64) -> f64 {
    (number * places).round() / places
}

/// So many straws, in words.
pub fn counted(straws: i64) -> String {
    if straws == 1 { "1 straw".to_owned() } else { format!("{straws} straws") }
}

/// Of the rules that hold for one subject, the one that decides.
pub fn deciding<'r>(
    rules: impl Iterator<Item = &'r super::rule::AlertRule>,
    kind: AlertKind,
    subject: StockSubject,
) -> Option<&'r super::rule::AlertRule> {
    let holds = |d: &AlertRuleDetails| {
        let straw = match subject.straw {
            Straw::Lot(lot) => d.lot_id == Some(lot),
            Straw::Of(sire, semen_type) => {
                d.lot_id.is_none() && d.sire_id.zip(d.semen_type).is_none_or(|of| of == (sire, semen_type))
            }
        };
        d.kind == kind && d.area() == subject.area && straw
    };
    rules.filter(|rule| holds(&rule.details)).max_by_key(|rule| (rule.details.narrowness(), rule.id))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> Timestamp {
        Timestamp::from(chrono::DateTime::UNIX_EPOCH)
    }

    fn is_wrong(threshold: StockThreshold, straws: i64, demand: Option<&Demand>) -> Option<bool> {
        match threshold.judge(straws, demand, now()) {
            Finding::Wrong { .. } => Some(true),
            Finding::Right { .. } => Some(false),
            Finding::Between => None,
        }
    }

    #[test]
    fn a_count_opens_below_its_threshold_and_clears_where_it_says() {
        let threshold = StockThreshold::Straws { below: 5, clear_at: 8.0 };
        for (straws, wrong) in [(4, Some(true)), (5, None), (7, None), (8, Some(false))] {
            assert_eq!(is_wrong(threshold, straws, None), wrong, "{straws}");
        }
        assert_eq!(is_wrong(StockThreshold::Out, 0, None), Some(true));
        assert_eq!(is_wrong(StockThreshold::Out, 1, None), Some(false));
    }

    #[test]
    fn too_little_use_tells_only_of_an_empty_tank() {
        let lead = Lead { days: 14, delivery_at: None };
        for threshold in [
            StockThreshold::Days { below: 10.0, clear_at: 12.5 },
            StockThreshold::Probability { above: 0.1, clear_at: 0.05, lead },
        ] {
            assert_eq!(is_wrong(threshold, 1, None), None);
            assert_eq!(is_wrong(threshold, 0, None), Some(true));
        }
    }

    #[test]
    fn a_forecast_opens_and_clears_apart() {
        // A straw a day, known well: 10 straws last about 10 days.
        let demand = Demand { x: 100.0, t: 100.0, phi: 1.0 };
        let days = StockThreshold::Days { below: 10.0, clear_at: 12.5 };
        for (straws, wrong) in [(8, Some(true)), (11, None), (14, Some(false))] {
            assert_eq!(is_wrong(days, straws, Some(&demand)), wrong, "{straws}");
        }
        let lead = Lead { days: 14, delivery_at: None };
        let probability = StockThreshold::Probability { above: 0.1, clear_at: 0.05, lead };
        for straws in 10..30 {
            let runs_out = demand.runs_out(straws, 14.0);
            let wrong = if runs_out > 0.1 {
                Some(true)
            } else if runs_out <= 0.05 {
                Some(false)
            } else {
                None
            };
            assert_eq!(is_wrong(probability, straws, Some(&demand)), wrong, "{straws}");
        }
    }

    #[test]
    fn a_known_delivery_counts_until_it_is_past() {
        let at = |days| Some(now().plus(chrono::TimeDelta::days(days)));
        let days = |delivery_at| Lead { days: 14, delivery_at }.days_from(now());
        assert!((days(at(3)) - 3.0).abs() < 1e-9);
        assert!((days(at(-1)) - 14.0).abs() < 1e-9);
        assert!((days(None) - 14.0).abs() < 1e-9);
    }
}
