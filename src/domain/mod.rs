//! Pure values, rules and mathematics: no I/O, no clock.
//!
//! A rule of the trade stands here, once, as a plain function from values to a verdict, so that
//! it can be read and tested without a server. Everything above gathers values, asks here, and
//! writes down what came out.
//!
//! - [`form`], [`values`], [`cell`]: reading what a client sent; values that cannot be wrong; text in spreadsheets
//! - [`duration`], [`clock_time`], [`cautions`]: lengths of time in words, hours of the day; what to heed with an act
//! - [`ids`], [`now`]: ids that sort by time, and what time it is
//! - [`row`]: reading rows that several tables were joined to
//! - [`identifiers`], [`place`], [`semen`]: names, where a straw hangs, what is in it
//! - [`herd`], [`tank`], [`sire`], [`lot`], [`animal`], [`movement`], [`stocktake`], [`withdrawal`],
//!   [`service`]: what is on record
//! - [`change`], [`exchange`]: what changed, what herd systems tell
//! - [`choice`], [`history`], [`kinship`], [`verdict`]: which straw she may have
//! - [`demand`], [`alert`]: how long the stock lasts; what needs attention
//! - [`event`], [`webhook`], [`address`]: what others are told of, whom, and where that may lead
//! - [`reports`]: results, use and season reckoned from what is on record
//! - [`exposure`], [`thaw`], [`timing`], [`gestation`]: how to thaw it, when to use it, what follows
//! - [`level`], [`nitrogen`]: the liquid that keeps it: how much, how long it lasts, is the tank failing

pub mod access;
pub mod alerts;
pub mod animals;
pub mod backups;
pub mod cautions;
pub mod clock_time;
pub mod duration;
pub mod exchange;
pub mod form;
pub mod identifiers;
pub mod ids;
pub mod nitrogen;
pub mod now;
pub mod rejection;
pub mod reports;
pub mod row;
pub mod search;
pub mod straws;
pub mod values;
pub mod webhooks;
