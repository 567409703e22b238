//! Reports: what came of the services, how straws were used, what a season takes.
//!
//! Each is a pure function, or an accumulator that what is on record is put into once, animal by animal, and whose memory
//! does not grow with the book.
//!
//! - [`proportion`]: shares with their intervals, and drawing them towards what is usual
//! - [`record`]: what is on record of one animal, and her services heat by heat
//! - [`group`]: by what services are grouped
//! - [`conception`]: conception and non-return
//! - [`pregnancy_rate`], [`calving_interval`]: how fast females get pregnant, how far calvings lie apart
//! - [`straw_use`], [`deviation_trend`]: straws used, thrown away and exposed; what was out of the ordinary
//! - [`season`], [`season_book`], [`distribution`], [`prior`]: what a season takes
//! - [`cusum`], [`watch`]: results that fall
//! - [`charges`]: what was done for each owner, with prices

pub mod calving_interval;
pub mod charges;
pub mod conception;
pub mod cusum;
pub mod deviation_trend;
pub mod distribution;
pub mod group;
pub mod pregnancy_rate;
pub mod prior;
pub mod proportion;
pub mod record;
pub mod season;
pub mod season_book;
pub mod straw_use;
pub mod watch;

#[cfg(test)]
mod fixture;
