//! Pages of HTML without scripts: the description, and what is printed.

use axum::{
    http::{HeaderValue, header},
    response::{Html, IntoResponse as _, Response},
};

/// Text in a page.
pub fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// A page of its own, with its style in it.
pub fn document(title: &str, style: &str, body: &str) -> String {
    format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\">\
         <title>{title}</title><style>{style}</style><body>{body}</body></html>"
    )
}

/// The answer with a page to be printed, which loads nothing.
pub fn printed(document: String) -> Response {
    let policy = HeaderValue::from_static("default-src 'none'; style-src 'unsafe-inline'");
    ([(header::CONTENT_SECURITY_POLICY, policy)], Html(document)).into_response()
}
