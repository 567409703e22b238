//! Rows that several tables were joined to.

use sqlx::{ColumnIndex, FromRow, Row, ValueRef as _};

use crate::domain::{
    animals::herd::HerdDetails,
    nitrogen::tank::Tank,
    straws::{lot::Lot, place::Place, sire::SireSummary, stock::Stock},
};

/// What a left join may bring, or not.
pub trait Joined {
    /// The column that is null when nothing was joined.
    const KEY: &'static str;
}

impl Joined for HerdDetails {
    const KEY: &'static str = "time_zone";
}
impl Joined for Lot {
    const KEY: &'static str = "lot_id";
}
impl Joined for SireSummary {
    const KEY: &'static str = "sire_id";
}
impl Joined for Place {
    const KEY: &'static str = "tank_id";
}

impl Joined for Tank {
    const KEY: &'static str = "canisters";
}

impl Joined for Stock {
    const KEY: &'static str = "place_id";
}

/// Reads what a left join brought: `#[sqlx(flatten, try_from = "LeftJoin<Lot>")] lot: Option<Lot>`.
pub struct LeftJoin<T>(Option<T>);

impl<'r, R: Row, T: FromRow<'r, R> + Joined> FromRow<'r, R> for LeftJoin<T>
where
    &'static str: ColumnIndex<R>,
{
    fn from_row(row: &'r R) -> sqlx::Result<Self> {
        let is_there = !row.try_get_raw(T::KEY)?.is_null();
        is_there.then(|| T::from_row(row)).transpose().map(Self)
    }
}

impl<T> From<LeftJoin<T>> for Option<T> {
    fn from(joined: LeftJoin<T>) -> Self {
        joined.0
    }
}

/// Reads what a statement selects only where it is asked for: `None` when it was not selected, `Some(None)` when nothing was joined.
#[derive(Debug)]
pub struct IfSelected<T>(pub Option<Option<T>>);

impl<'r, R: Row, T: FromRow<'r, R> + Joined> FromRow<'r, R> for IfSelected<T>
where
    &'static str: ColumnIndex<R>,
{
    fn from_row(row: &'r R) -> sqlx::Result<Self> {
        match row.try_get_raw(T::KEY) {
            Err(sqlx::Error::ColumnNotFound(_)) => Ok(Self(None)),
            Err(error) => Err(error),
            Ok(value) if value.is_null() => Ok(Self(Some(None))),
            Ok(_) => T::from_row(row).map(|joined| Self(Some(Some(joined)))),
        }
    }
}
