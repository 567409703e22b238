//! Lists of ids in a statement: one text for however many, so that it is prepared once.

use serde::Serialize;

/// The end of a condition on an id: that it is in a list, given as JSON text.
///
/// PostgreSQL takes an array to be short; of `in (select ...)` it expects so much that it compiles the
/// statement first, which takes longer than running it.
macro_rules! ids_in {
    (sqlite, $list:literal) => {
        concat!("in (select unhex(value, '-') from json_each(", $list, "))")
    };
    (postgres, $list:literal) => {
        concat!("= any (array(select value::uuid from json_array_elements_text((", $list, ")::json)))")
    };
}
pub(crate) use ids_in;

/// Ids as the JSON text that `ids_in!` reads.
pub fn json_ids<I: Serialize>(ids: &[I]) -> String {
    serde_json::to_string(ids).unwrap_or_default()
}
