//! How long the stock lasts.

use crate::{
    domain::{
        alerts::stock::{Area, Lead},
        straws::{
            demand::{Interval, UseHistory},
            semen::SemenType,
        },
        values::{BusinessId, SireId, Timestamp},
    },
    store::{
        self, Tx,
        straws::demand::{Held, WantedOutlook},
    },
};

/// What is asked of an outlook.
#[derive(Clone, Debug)]
pub struct ForecastRequest {
    /// Of which straws.
    pub wanted: WantedOutlook,
    /// When the next delivery comes.
    pub lead: Lead,
    /// With which probability the stock is to last until then.
    pub service_level: f64,
}

/// A sire's straws of one type, and how long they last.
#[derive(Clone, Debug)]
pub struct StockForecast {
    /// The straws.
    pub held: Held,
    /// How they were used.
    pub used: UseHistory,
    /// What that says; `None` when it is too little to tell.
    pub forecast: Option<Shortage>,
}

/// What the use so far says of the days to come.
#[derive(Clone, Copy, Debug)]
pub struct Shortage {
    /// Straws a day.
    pub daily_use: Interval,
    /// Variance over mean of the use: 1 where straws are taken one by one.
    pub dispersion: f64,
    /// Days until the last straw is taken.
    pub lasts_days: Interval,
    /// The fewest straws that last until the next delivery at the service level asked for.
    pub reorder_point: i64,
    /// How probable it is that they do not last until then.
    pub runs_out: f64,
}

/// The outlook of every sire and type asked for; the cursor is a sire and a type.
pub async fn outlook(
    tx: &mut Tx,
    business: BusinessId,
    asked: &ForecastRequest,
    after: (uuid::Uuid, &'static str),
    limit: i64,
    now: Timestamp,
) -> store::Result<Vec<StockForecast>> {
    let mut outlooks = Vec::new();
    for held in store::straws::demand::held(tx, business, &asked.wanted, after, limit).await? {
        let of: (SireId, SemenType) = (held.sire.id, held.semen_type);
        let area: Area = asked.wanted.area;
        let used = store::straws::demand::history(tx, business, of, area, now).await?;
        let days = asked.lead.days_from(now);
        let forecast = used.learned().map(|demand| Shortage {
            daily_use: demand.daily_use(),
            dispersion: demand.phi,
            lasts_days: demand.lasts_days(held.straws),
            reorder_point: demand.reorder_point(days, asked.service_level),
            runs_out: demand.runs_out(held.straws, days),
        });
        outlooks.push(StockForecast { held, used, forecast });
    }
    Ok(outlooks)
}
