//! Operations that will go: their answers say since when one should not build on them (RFC 9745) and when they go (RFC 8594).
//! docs/versions.md says what is promised.

use std::sync::Arc;

use axum::{
    Router,
    extract::{MatchedPath, Request},
    http::{HeaderMap, HeaderName, HeaderValue, Method, header},
    middleware::{self, Next},
    response::Response,
};
use chrono::NaiveDate;

/// An operation that will go.
pub struct Deprecated {
    /// Its method.
    pub method: Method,
    /// Its path, as the description has it.
    pub path: &'static str,
    /// The day since which one should not build on it, such as `2027-03-01`.
    pub since: &'static str,
    /// The day on which it goes, once that is known.
    pub gone_on: Option<&'static str>,
    /// A page that says what to use in its place.
    pub instead: &'static str,
}

/// All of them. Each is marked `deprecated` in the description too (`#[deprecated]` on its handler).
pub const DEPRECATED: &[Deprecated] = &[];

const DEPRECATION: HeaderName = HeaderName::from_static("deprecation");
const SUNSET: HeaderName = HeaderName::from_static("sunset");

impl Deprecated {
    /// What its answers say; nothing where the table itself is wrong, which a test finds.
    fn headers(&self) -> Option<HeaderMap> {
        let moment = |day: &str| Some(day.parse::<NaiveDate>().ok()?.and_hms_opt(0, 0, 0)?.and_utc());
        let mut headers = HeaderMap::new();
        // A date of a structured field (RFC 9651, 3.3.7).
        let since = format!("@{}", moment(self.since)?.timestamp());
        headers.insert(DEPRECATION, HeaderValue::try_from(since).ok()?);
        if let Some(day) = self.gone_on {
            // An HTTP-date (RFC 9110, 5.6.7).
            let at = moment(day)?.format("%a, %d %b %Y %H:%M:%S GMT").to_string();
            headers.insert(SUNSET, HeaderValue::try_from(at).ok()?);
        }
        let link = format!("<{}>; rel=\"deprecation\"; type=\"text/html\"", self.instead);
        headers.insert(header::LINK, HeaderValue::try_from(link).ok()?);
        Some(headers)
    }
}

/// Has the answers of what stands in `table` say so. An empty table costs nothing.
pub fn told<S: Clone + Send + Sync + 'static>(routes: Router<S>, table: &[Deprecated]) -> Router<S> {
    if table.is_empty() {
        return routes;
    }
    let table: Arc<[_]> =
        table.iter().filter_map(|one| Some((one.method.clone(), one.path, one.headers()?))).collect();
    routes.layer(middleware::from_fn(move |request: Request, next: Next| {
        let table = table.clone();
        async move {
            let route = request.extensions().get::<MatchedPath>().cloned();
            let method = request.method().clone();
            let mut answer = next.run(request).await;
            let found = route.and_then(|route| {
                table.iter().find(|(known, path, _)| *known == method && *path == route.as_str())
            });
            if let Some((_, _, headers)) = found {
                say(&mut answer, headers);
            }
            answer
        }
    }))
}

/// Beside what the answer links to already.
fn say(answer: &mut Response, headers: &HeaderMap) {
    for (name, value) in headers {
        answer.headers_mut().append(name, value.clone());
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use axum::{body::Body, http::StatusCode, routing::get};
    use tower::ServiceExt as _;

    use super::*;

    const MADE_UP: &[Deprecated] = &[
        Deprecated {
            method: Method::GET,
            path: "/v1/canes/{id}",
            since: "2023-06-30",
            gone_on: Some("2018-12-31"),
            instead: "https://tankside.example/docs/versions",
        },
        Deprecated {
            method: Method::POST,
            path: "/v1/canes",
            since: "2023-06-30",
            gone_on: None,
            instead: "/problems",
        },
    ];

    async fn answer(method: Method, path: &str) -> Response {
        let linked = || async { ([(header::LINK, "</v1/canes?cursor=x>; rel=\"next\"")], "") };
        let routes = Router::new()
            .route("/v1/canes/{id}", get(linked).post(linked))
            .route("/v1/canes", get(linked).post(linked));
        let request = Request::builder().method(method).uri(path).body(Body::empty()).unwrap();
        told(routes, MADE_UP).oneshot(request).await.unwrap()
    }

    #[tokio::test]
    async fn what_will_go_says_since_when_and_until_when() {
        let told = answer(Method::GET, "/v1/canes/7").await;
        assert_eq!(told.status(), StatusCode::OK);
        // RFC 9745, section 2.1, has @1688169599, one second before 1 July 2023; RFC 8594, section 3, the form of the other.
        assert_eq!(told.headers()[DEPRECATION], format!("@{}", 1_688_169_599 - 86_399));
        assert_eq!(told.headers()[SUNSET], "Mon, 31 Dec 2018 00:00:00 GMT");
        let links: Vec<_> = told.headers().get_all(header::LINK).iter().collect();
        assert_eq!(links.len(), 2, "beside what is linked already");
        assert_eq!(
            links[1],
            "<https://tankside.example/docs/versions>; rel=\"deprecation\"; type=\"text/html\""
        );
        // Not known until when.
        let told = answer(Method::POST, "/v1/canes").await;
        assert!(told.headers().contains_key(DEPRECATION) && !told.headers().contains_key(SUNSET));
        // Another method of the same path, and another path.
        for (method, path) in [(Method::POST, "/v1/canes/7"), (Method::GET, "/v1/canes")] {
            assert!(!answer(method, path).await.headers().contains_key(DEPRECATION), "{path}");
        }
    }

    #[test]
    fn the_table_and_the_description_name_the_same() {
        let described = serde_json::to_value(crate::http::description()).unwrap();
        let mut marked = BTreeSet::new();
        for (path, operations) in described["paths"].as_object().unwrap() {
            for (method, operation) in operations.as_object().unwrap() {
                if operation["deprecated"] == true {
                    marked.insert((method.to_uppercase(), path.clone()));
                }
            }
        }
        let table: BTreeSet<_> =
            DEPRECATED.iter().map(|one| (one.method.to_string(), one.path.to_owned())).collect();
        assert_eq!(table, marked);
        assert!(DEPRECATED.iter().chain(MADE_UP).all(|one| one.headers().is_some()));
    }
}
