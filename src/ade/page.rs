//! Reading a collection: its parameters, its pages, the links between them.

use std::str::FromStr as _;

use axum::http::{HeaderMap, Uri, header, uri::Authority};
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::{
    ade::{answer::AdeError, identifiers::ours},
    book::exchange::ingest::own,
    domain::{
        exchange::ade::ItemKind,
        form::{Fault, Field as _, InputPath},
        values::{AnimalId, HerdId, Timestamp},
    },
    store::exchange::outgoing::ItemFilter,
};

/// Members on a page when nothing is said.
const USUAL: i64 = 100;

/// Members on a page at most.
const MOST: i64 = 500;

/// Which page of a collection is asked for.
#[derive(Debug, Default)]
pub struct Wanted {
    from: Option<Timestamp>,
    to: Option<Timestamp>,
    scheme: Option<String>,
    id: Option<String>,
    /// After the change of this number.
    pub after: i64,
    /// Members on a page.
    pub size: i64,
}

/// Where query parameters stand.
const QUERY: InputPath<'static> = InputPath::query();

impl Wanted {
    /// Reads the query. What is not known is refused: a filter that is passed over would give too much.
    pub fn read(uri: &Uri) -> Result<Self, AdeError> {
        let mut wanted = Self { size: USUAL, ..Self::default() };
        let mut faults = Vec::new();
        let mut seen = Vec::new();
        for (name, value) in form_urlencoded::parse(uri.query().unwrap_or_default().as_bytes()) {
            let spot = QUERY.member(&name);
            if seen.contains(&name) {
                faults.push(spot.fault("stands twice"));
                continue;
            }
            match name.as_ref() {
                "meta-modified-from" => wanted.from = instant(&value, &spot, &mut faults),
                "meta-modified-to" => wanted.to = instant(&value, &spot, &mut faults),
                "animal-scheme" => wanted.scheme = Some(value.to_string()),
                "animal-id" => wanted.id = Some(value.to_string()),
                "after" => match value.parse() {
                    Ok(after) if after >= 0 => wanted.after = after,
                    _ => faults.push(spot.fault("must be that of a link in view")),
                },
                "page-size" => match value.parse::<i64>() {
                    Ok(size) if size > 0 => wanted.size = size.min(MOST),
                    _ => faults.push(spot.fault("must be a whole number from 1; at most 500 are given")),
                },
                _ => faults.push(spot.fault(
                    "is not known here; known are meta-modified-from, meta-modified-to, animal-scheme, animal-id, \
                     page-size",
                )),
            }
            seen.push(name);
        }
        if wanted.scheme.is_some() != wanted.id.is_some() {
            let missing = if wanted.scheme.is_some() { "animal-id" } else { "animal-scheme" };
            faults.push(InputPath::query().member(missing).fault("is required with the other"));
        }
        if faults.is_empty() { Ok(wanted) } else { Err(AdeError::query(faults)) }
    }

    /// What is asked of the store; `None` when no animal can have that name.
    pub fn item_filter(&self, herd: HerdId, kind: ItemKind) -> Option<ItemFilter> {
        let mut told = ItemFilter {
            herd,
            kind,
            from: self.from,
            to: self.to,
            animal: None,
            animal_id: None,
            // Whoever asks what changed must hear what was taken back.
            with_reversed: self.from.is_some(),
        };
        if let (Some(scheme), Some(id)) = (&self.scheme, &self.id) {
            if scheme == own::ANIMAL {
                told.animal_id = Some(AnimalId(Uuid::try_parse(id).ok()?));
            } else {
                told.animal = Some(ours(scheme, id).ok()?);
            }
        }
        Some(told)
    }
}

/// An instant; a `+` that arrives as a blank, because it was not encoded, is taken for what it was.
fn instant(text: &str, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Timestamp> {
    Timestamp::read(&Value::from(text.replace(' ', "+")), spot, faults)
}

/// Where this service is, as its caller knows it.
pub fn base(headers: &HeaderMap, uri: &Uri) -> String {
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok());
    let host = host.and_then(|host| Authority::from_str(host).ok());
    let host = uri.authority().cloned().or(host);
    let proxied = headers.get("x-forwarded-proto").is_some_and(|proto| proto.as_bytes() == b"https");
    let scheme = if proxied { "https" } else { "http" };
    host.map_or_else(|| "http://localhost".to_owned(), |host| format!("{scheme}://{host}"))
}

/// What may stand in a part of a path as it is (RFC 3986, section 2.3).
const UNRESERVED: &AsciiSet = &NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~');

/// Part of a path, encoded.
fn segment(text: &str) -> impl std::fmt::Display {
    utf8_percent_encode(text, UNRESERVED)
}

/// The path of a location.
pub fn location_path(location: &(String, String)) -> String {
    format!("/ade/locations/{}/{}", segment(&location.0), segment(&location.1))
}

/// The collection: its view with links, its members.
pub fn collection(
    members: &[Value],
    total: i64,
    size: i64,
    next_after: Option<i64>,
    base: &str,
    uri: &Uri,
) -> Value {
    let path = uri.path();
    let others: Vec<(String, String)> = form_urlencoded::parse(uri.query().unwrap_or_default().as_bytes())
        .filter(|(name, _)| name != "after")
        .map(|(name, value)| {
            let is_time = name.starts_with("meta-modified-");
            (name.to_string(), if is_time { value.replace(' ', "+") } else { value.to_string() })
        })
        .collect();
    let link = |after: Option<i64>| {
        let mut query = form_urlencoded::Serializer::new(String::new());
        query.extend_pairs(&others);
        if let Some(after) = after {
            query.append_pair("after", &after.to_string());
        }
        match query.finish() {
            empty if empty.is_empty() => format!("{base}{path}"),
            query => format!("{base}{path}?{query}"),
        }
    };
    let mut view = json!({"totalItems": total, "pageSize": size, "first": link(None)});
    if next_after.is_some() {
        view["next"] = link(next_after).into();
    }
    json!({"view": view, "member": members})
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_keep_every_filter_and_are_absolute() {
        // view.next: format uri; the page parameters are the server's own.
        let uri: Uri = "/ade/locations/uk.cph/34%2F123%2F1234/heats?meta-modified-from=2025-03-01T00:00:00 00:00&after=3"
            .replace(' ', "+")
            .parse()
            .unwrap();
        let page = collection(&[], 0, 100, Some(7), "http://localhost:8080", &uri);
        let path = "http://localhost:8080/ade/locations/uk.cph/34%2F123%2F1234/heats";
        assert_eq!(
            page["view"]["first"],
            format!("{path}?meta-modified-from=2025-03-01T00%3A00%3A00%2B00%3A00")
        );
        assert_eq!(
            page["view"]["next"],
            format!("{path}?meta-modified-from=2025-03-01T00%3A00%3A00%2B00%3A00&after=7")
        );
        assert!(collection(&[], 0, 100, None, "", &uri)["view"].get("next").is_none());
        let wanted = Wanted::read(&uri).unwrap();
        assert_eq!(wanted.from.unwrap().to_string(), "2025-03-01T00:00:00Z");
    }

    #[test]
    fn a_location_is_one_part_of_a_path_whatever_is_in_it() {
        let location = ("uk.cph".to_owned(), "34/123/1234 é".to_owned());
        assert_eq!(location_path(&location), "/ade/locations/uk.cph/34%2F123%2F1234%20%C3%A9");
    }
}
