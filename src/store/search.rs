//! The words by which animals and sires are found.

use serde_json::json;
use uuid::Uuid;

use crate::{
    domain::{search::Query, values::BusinessId},
    store::{Result, Tx},
    text_enum,
};

text_enum! {
    /// Who is found.
    SearchSubject {
        /// An animal.
        Animal = "animal",
        /// A sire.
        Sire = "sire",
    }
}

macro_rules! add {
    ($words:literal, $before:literal) => {
        concat!(
            $before,
            "insert into search_word (business_id, subject_id, subject, word) select $1, $2, $3, ",
            $words
        )
    };
}

/// Makes these the words by which the subject is found, in one call.
pub async fn set(
    tx: &mut Tx,
    business: BusinessId,
    subject: SearchSubject,
    id: Uuid,
    words: &[String],
) -> Result<()> {
    tx.sql_for(
        add!(
            "value from json_each($4)",
            "delete from search_word where business_id = $1 and subject_id = $2; "
        ),
        // What a `with` deletes the rest of the statement still sees, so only what is not there is added.
        "with gone as (
             delete from search_word where business_id = $1 and subject_id = $2
               and word not in (select q.value from json_array_elements_text($4::json) as q(value)))
         insert into search_word (business_id, subject_id, subject, word)
         select $1, $2, $3, q.value from json_array_elements_text($4::json) as q(value)
         on conflict (business_id, subject, word, subject_id) do nothing",
    )
    .bind(business)
    .bind(id)
    .bind(subject)
    .bind(json!(words).to_string())
    .run()
    .await
    .map(drop)
}

/// A query as statements take it: a JSON list of words, each with what comes after all that begin with it.
pub(in crate::store) fn spans(query: Option<&Query>) -> Option<String> {
    query.map(|query| json!(query.spans()).to_string())
}

/// Whether `$id` is found by the query in `$query`: the first word by the key of `search_word`, the others by what else she
/// is called.
macro_rules! is_found {
    (sqlite, $subject:literal, $id:literal, $query:literal) => {
        is_found!(@ $subject, $id, concat!($query, " ->> 0 ->> 0"), concat!($query, " ->> 0 ->> 1"),
            concat!("json_each(", $query, ") q"), "q.value ->> 0", "q.value ->> 1")
    };
    (postgres, $subject:literal, $id:literal, $query:literal) => {
        is_found!(@ $subject, $id, concat!("(", $query, "::json -> 0 ->> 0)"), concat!("(", $query, "::json -> 0 ->> 1)"),
            concat!("json_array_elements(", $query, "::json) as q(value)"), "q.value ->> 0", "q.value ->> 1")
    };
    (@ $subject:literal, $id:literal, $from:expr, $to:expr, $words:expr, $word_from:literal, $word_to:literal) => {
        concat!(
            $id, " in (
                 select w.subject_id from search_word w
                 where w.business_id = $1 and w.subject = '", $subject, "' and w.word >= ", $from, " and w.word < ", $to, "
                   and not exists (
                       select 1 from ", $words, "
                       where not exists (
                           select 1 from search_word o
                           where o.business_id = $1 and o.subject_id = w.subject_id
                             and o.word >= ", $word_from, " and o.word < ", $word_to, ")))"
        )
    };
}
pub(in crate::store) use is_found;
