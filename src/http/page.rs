//! Lists: a page at a time, by a cursor that is opaque to the client.
//!
//! A cursor holds where the page ended and a mark of the filters it was made under, so that it
//! cannot be followed with others by mistake. The next page starts after a key, not at a number
//! of rows, so it costs the same at any depth and skips or repeats nothing that was there.

use axum::{
    Json,
    extract::FromRequestParts,
    http::{HeaderValue, header, request::Parts},
    response::{IntoResponse, Response},
};
use base64::{Engine as _, prelude::BASE64_URL_SAFE_NO_PAD};
use chrono::DateTime;
use serde::Serialize;
use serde_json::{Map, Value};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::{
    domain::{
        form::{self, Fault, Field, Fields, InputPath},
        values::Timestamp,
    },
    http::{
        App,
        problem::{Kind, Problem},
    },
    store,
};

/// Items on a page when the client does not say.
const USUAL: i64 = 50;

/// Items on a page at most.
const MOST: i64 = 500;

/// What every list takes beside its filters.
const PAGE_PARAMETERS: [&str; 2] = ["limit", "cursor"];

/// The parameters that every list takes.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what Listing reads by hand")]
pub struct PageParams {
    /// Items on a page, 1 to 500; a page for a key that is limited may have fewer. Default 50.
    #[param(minimum = 1, maximum = 500, required = false)]
    limit: i64,
    /// `next_cursor` of the page before, with the same filters.
    #[param(required = false, max_length = 1000)]
    cursor: String,
}

/// A list's filters `F` and which page of it is asked for.
pub struct Listing<F> {
    /// The filters.
    pub filter: F,
    limit: i64,
    after: Option<String>,
    mark: u32,
    path: String,
    others: Vec<(String, String)>,
}

/// A place in a list whose things give several lines each: time, id, and which of its lines.
pub type TimeIdPart = (Timestamp, Uuid, i64);

/// A list without filters.
#[derive(Clone, Copy)]
pub struct NoFilter;

impl Field for NoFilter {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let before = faults.len();
        Fields::of(value, spot, faults).finish(faults);
        (faults.len() == before).then_some(Self)
    }
}

/// A page of a list.
#[derive(Serialize, ToSchema)]
pub struct Page<T> {
    /// What is on it.
    pub items: Vec<T>,
    /// Where the next page begins; null on the last.
    #[schema(max_length = 1000)]
    pub next_cursor: Option<String>,
}

impl<R> Page<R> {
    /// The page with each row shown by `show`.
    pub fn map<T>(self, show: impl Fn(R) -> T) -> Page<T> {
        Page { items: self.items.into_iter().map(show).collect(), next_cursor: self.next_cursor }
    }
}

/// The parameter by which a caller asks for more of each thing.
const INCLUDE: &str = "include";

/// What is to stand beside each thing: the words of `W`, with commas between.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Includes<W>(Vec<W>);

impl<W: PartialEq> Includes<W> {
    /// Whether that is asked for.
    pub fn has(&self, word: &W) -> bool {
        self.0.contains(word)
    }

    /// Whether anything is.
    pub fn any(&self) -> bool {
        !self.0.is_empty()
    }
}

impl<W: Field> Field for Includes<W> {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let text = value.as_str().unwrap_or_default();
        text.split(',')
            .map(|word| W::read(&Value::from(word.trim()), spot, faults))
            .collect::<Option<_>>()
            .map(Self)
    }

    fn absent() -> Option<Self> {
        Some(Self(Vec::new()))
    }
}

/// The query string as an object of texts, each parameter once.
pub fn query(parts: &Parts) -> Result<Map<String, Value>, Problem> {
    let mut read = Map::new();
    let mut faults = Vec::new();
    for (name, value) in form_urlencoded::parse(parts.uri.query().unwrap_or_default().as_bytes()) {
        // A list of words comes in one text with commas, or word by word: clients made by generators do either.
        if let Some(Value::String(words)) = read.get_mut(name.as_ref()).filter(|_| name == INCLUDE) {
            words.push(',');
            words.push_str(&value);
            continue;
        }
        if read.insert(name.to_string(), Value::String(value.to_string())).is_some() {
            faults.push(InputPath::query().member(&name).fault("stands twice"));
        }
    }
    if faults.is_empty() { Ok(read) } else { Err(Problem::invalid(Kind::InvalidQuery, faults)) }
}

/// The herds that an answer is about, as the description tells them.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what `query_with_many` reads by hand")]
pub struct HerdsParam {
    /// Only of this herd; may be repeated. All herds without it.
    #[param(required = false, max_items = 500)]
    herd_id: Vec<uuid::Uuid>,
}

/// How often a parameter that may be repeated may stand.
const MOST_REPEATED: usize = 500;

/// The same where one parameter names an id and may be repeated.
pub fn query_with_many<I: Field>(parts: &Parts, many: &str) -> Result<(Map<String, Value>, Vec<I>), Problem> {
    let (mut others, mut ids, mut faults) = (Map::new(), Vec::new(), Vec::new());
    let query = InputPath::query();
    for (name, value) in form_urlencoded::parse(parts.uri.query().unwrap_or_default().as_bytes()) {
        let value = Value::String(value.to_string());
        if name == many {
            ids.extend(I::read(&value, &query.member(many), &mut faults));
        } else if others.insert(name.to_string(), value).is_some() {
            faults.push(query.member(&name).fault("stands twice"));
        }
    }
    if ids.len() > MOST_REPEATED {
        let detail = format!("may stand at most {MOST_REPEATED} times; leave it out for all");
        faults.push(query.member(many).fault(detail));
    }
    if faults.is_empty() { Ok((others, ids)) } else { Err(Problem::invalid(Kind::InvalidQuery, faults)) }
}

/// Reads the parameters of a query.
pub fn read_query<T: Field>(members: Map<String, Value>) -> Result<T, Problem> {
    read_query_beside(members, &[])
}

/// The same where parameters of these names were read before.
fn read_query_beside<T: Field>(members: Map<String, Value>, beside: &[&str]) -> Result<T, Problem> {
    form::read(&Value::Object(members), &InputPath::query().beside(beside))
        .map_err(|faults| Problem::invalid(Kind::InvalidQuery, faults))
}

impl<F: Field> FromRequestParts<App> for Listing<F> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let mut members = query(parts)?;
        let limit = match members.remove("limit") {
            None => USUAL,
            Some(sent) => match form::whole_number(&sent, &InputPath::query()) {
                Some(limit) if (1..=MOST).contains(&limit) => limit,
                _ => {
                    let detail =
                        format!("must be a whole number from 1 to {MOST}; next_cursor leads to more");
                    return Err(wrong("limit", detail));
                }
            },
        };
        let cursor = members.remove("cursor");
        let others: Vec<(String, String)> = members
            .iter()
            .filter_map(|(name, value)| Some((name.clone(), value.as_str()?.to_owned())))
            .collect();
        let mark = crc32fast::hash(format!("{} {others:?}", parts.uri.path()).as_bytes());
        let after = match cursor {
            None => None,
            Some(sent) => Some(sent.as_str().and_then(|cursor| open(cursor, mark)).ok_or_else(bad_cursor)?),
        };
        let filter = read_query_beside(members, &PAGE_PARAMETERS)?;
        Ok(Self { filter, limit, after, mark, path: parts.uri.path().to_owned(), others })
    }
}

fn open(cursor: &str, mark: u32) -> Option<String> {
    let text = String::from_utf8(BASE64_URL_SAFE_NO_PAD.decode(cursor).ok()?).ok()?;
    let (made_under, after) = text.split_once(' ')?;
    (made_under == format!("{mark:08x}")).then(|| after.to_owned())
}

impl<F> Listing<F> {
    /// Where the page starts, one row more than it shows being asked for to know whether another follows.
    pub fn by_id(&self) -> Result<store::Page, Problem> {
        let after = match &self.after {
            None => Uuid::nil(),
            Some(after) => Uuid::try_parse(after).map_err(|_| bad_cursor())?,
        };
        Ok(store::Page { after, limit: self.limit + 1 })
    }

    /// The same for a list in the order of two ids.
    pub fn by_two_ids(&self) -> Result<((Uuid, Uuid), i64), Problem> {
        let after = match &self.after {
            None => (Uuid::nil(), Uuid::nil()),
            Some(after) => {
                let (first, second) = after.split_once(' ').ok_or_else(bad_cursor)?;
                let id = |text| Uuid::try_parse(text).map_err(|_| bad_cursor());
                (id(first)?, id(second)?)
            }
        };
        Ok((after, self.limit + 1))
    }

    /// The same for a list in the order of an id and a word, which `parse` reads.
    pub fn by_id_and<W>(
        &self,
        parse: impl Fn(&str) -> Result<W, String>,
    ) -> Result<((Uuid, Option<W>), i64), Problem> {
        let after = match &self.after {
            None => (Uuid::nil(), None),
            Some(after) => {
                let (id, word) = after.split_once(' ').ok_or_else(bad_cursor)?;
                let id = Uuid::try_parse(id).map_err(|_| bad_cursor())?;
                (id, Some(parse(word).map_err(|_| bad_cursor())?))
            }
        };
        Ok((after, self.limit + 1))
    }

    /// The same for the ledger, in the order of its lines.
    pub fn by_line(&self) -> Result<(i64, i64), Problem> {
        let after = match &self.after {
            None => 0,
            Some(after) => after.parse().map_err(|_| bad_cursor())?,
        };
        Ok((after, self.limit + 1))
    }

    /// The same for lines of the ledger in the order of time.
    pub fn by_time_and_line(&self) -> Result<(Option<(Timestamp, i64)>, i64), Problem> {
        let after = match &self.after {
            None => None,
            Some(after) => {
                let (at, line) = after.split_once(' ').ok_or_else(bad_cursor)?;
                let at = DateTime::parse_from_rfc3339(at).map_err(|_| bad_cursor())?;
                Some((Timestamp::from(at.to_utc()), line.parse().map_err(|_| bad_cursor())?))
            }
        };
        Ok((after, self.limit + 1))
    }

    /// The same for what several lines are made of, in the order of time: time, id, and which of its lines, up to ten.
    pub fn by_time_id_and_part(&self) -> Result<(Option<TimeIdPart>, i64), Problem> {
        let after = match &self.after {
            None => None,
            Some(after) => {
                let mut parts = after.split(' ');
                let mut next = || parts.next().ok_or_else(bad_cursor);
                let at = DateTime::parse_from_rfc3339(next()?).map_err(|_| bad_cursor())?;
                let id = Uuid::try_parse(next()?).map_err(|_| bad_cursor())?;
                let part = next()?;
                let is_whole = part.len() == 1 && parts.next().is_none();
                let part = part.parse().ok().filter(|_| is_whole).ok_or_else(bad_cursor)?;
                Some((Timestamp::from(at.to_utc()), id, part))
            }
        };
        Ok((after, self.limit + 1))
    }

    /// The page: of `rows`, read with one more than it shows; `place` tells where a row stands.
    pub fn page<T>(&self, mut rows: Vec<T>, place: impl Fn(&T) -> String) -> Page<T> {
        let shown = usize::try_from(self.limit).unwrap_or(usize::MAX);
        let more = rows.len() > shown;
        rows.truncate(shown);
        let next_cursor = rows
            .last()
            .filter(|_| more)
            .map(|last| BASE64_URL_SAFE_NO_PAD.encode(format!("{:08x} {}", self.mark, place(last))));
        Page { items: rows, next_cursor }
    }

    /// The answer with `body`, and a `Link` to the next page where there is one.
    pub fn answer(&self, next_cursor: Option<&str>, body: impl Serialize) -> Response {
        let mut response = Json(body).into_response();
        if let Some(cursor) = next_cursor {
            let limit = self.limit.to_string();
            let query = form_urlencoded::Serializer::new(String::new())
                .extend_pairs(&self.others)
                .append_pair("limit", &limit)
                .append_pair("cursor", cursor)
                .finish();
            if let Ok(link) = HeaderValue::try_from(format!("<{}?{query}>; rel=\"next\"", self.path)) {
                response.headers_mut().insert(header::LINK, link);
            }
        }
        response
    }

    /// The answer for a list of which the page is the whole body: what was selected.
    pub fn list<T: Serialize>(&self, rows: Vec<T>, place: impl Fn(&T) -> String) -> Response {
        self.list_within(rows, place, |_| true)
    }

    /// The same without the rows that the caller may not see. They are left out once the page is cut, so it may be shorter than
    /// asked for, or empty, and yet not the last: `next_cursor` says.
    pub fn list_within<T: Serialize>(
        &self,
        rows: Vec<T>,
        place: impl Fn(&T) -> String,
        may_see: impl Fn(&T) -> bool,
    ) -> Response {
        let mut page = self.page(rows, place);
        page.items.retain(may_see);
        let next = page.next_cursor.clone();
        self.answer(next.as_deref(), page)
    }
}

fn bad_cursor() -> Problem {
    wrong("cursor", "must be the next_cursor of a page with the same filters")
}

/// A parameter of the query is wrong.
pub fn wrong(parameter: &str, detail: impl Into<String>) -> Problem {
    Problem::invalid(Kind::InvalidQuery, vec![InputPath::query().member(parameter).fault(detail)])
}

#[cfg(test)]
mod tests {
    use proptest::{prelude::*, test_runner::TestCaseError};

    use super::*;

    const MARK: u32 = 0x00c0_ffee;

    fn at(after: &str) -> Listing<NoFilter> {
        Listing {
            filter: NoFilter,
            limit: 1,
            after: Some(after.to_owned()),
            mark: MARK,
            path: "/v1/herds".to_owned(),
            others: Vec::new(),
        }
    }

    /// A place that is a client's own is refused by each list or is one in it; none is taken for another.
    #[test]
    fn texts_near_places_are_places_or_refused() {
        crate::fuzz::against("cursors", |after| {
            let listing = at(after);
            if let Ok(page) = listing.by_id() {
                prop_assert_eq!(Uuid::try_parse(after), Ok(page.after));
            }
            let _ = (listing.by_two_ids().is_ok(), listing.by_line().is_ok());
            let _ = (listing.by_time_and_line().is_ok(), listing.by_time_id_and_part().is_ok());
            let _ = listing
                .by_id_and(|word| if word.len() < 40 { Ok(word.to_owned()) } else { Err(String::new()) });
            // What a page gives leads to where it ended, and nowhere else under other filters.
            let cursor = listing.page(vec![after.to_owned(), String::new()], Clone::clone).next_cursor;
            let cursor = cursor.ok_or_else(|| TestCaseError::fail("no cursor"))?;
            prop_assert_eq!(open(&cursor, MARK), Some(after.to_owned()));
            prop_assert_eq!(open(&cursor, MARK + 1), None);
            // The place itself is no cursor, whatever it looks like.
            prop_assert_eq!(open(after, MARK), None);
            Ok(())
        });
    }

    proptest! {
        /// A cursor with another letter is refused, or leads to another place of the same list: never to a fault.
        #[test]
        fn a_cursor_that_was_changed_is_read_or_refused(index in any::<prop::sample::Index>(), with in "[A-Za-z0-9_-]") {
            let listing = at("0190f3a0-0000-7000-8000-000000000000");
            let place = "0190f3a0-0000-7000-8000-000000000000 stock.low".to_owned();
            let mut cursor = listing.page(vec![place.clone(), place], Clone::clone).next_cursor.unwrap();
            let index = index.index(cursor.len());
            cursor.replace_range(index..=index, &with);
            if let Some(after) = open(&cursor, MARK) {
                let again = BASE64_URL_SAFE_NO_PAD.encode(format!("{MARK:08x} {after}"));
                prop_assert_eq!(again, cursor);
            }
        }
    }
}
