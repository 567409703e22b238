//! What every report is asked: of which herds, from when until when, and how it is written.

use axum::{extract::FromRequestParts, http::request::Parts};

use crate::{
    book::Caller,
    domain::{
        form::Field,
        values::{HerdId, Timestamp},
    },
    http::{
        App,
        page::{query_with_many, read_query, wrong},
        problem::Problem,
    },
    text_enum,
};

text_enum! {
    /// How a report is written.
    ReportFormat {
        /// JSON.
        Json = "json",
        /// Comma-separated values (RFC 4180), with a header.
        Csv = "csv",
    }
}

text_enum! {
    /// How a report of shares is written.
    PlottedFormat {
        /// JSON.
        Json = "json",
        /// Comma-separated values (RFC 4180), with a header.
        Csv = "csv",
        /// A picture: each group with its interval.
        Svg = "svg",
    }
}

/// What a report is asked, with its herds.
pub struct ReportQuery<Q> {
    /// What is asked.
    pub asked: Q,
    /// Of which herds; of all when empty.
    pub herds: Vec<HerdId>,
}

impl<Q: Field> FromRequestParts<App> for ReportQuery<Q> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let (members, herds) = query_with_many(parts, "herd_id")?;
        // A report for a key that is limited to herds is of these, where it does not say so.
        let herds = match parts.extensions.get::<Caller>() {
            Some(caller) => caller.herds(herds),
            None => herds,
        };
        Ok(Self { asked: read_query(members)?, herds })
    }
}

/// A span that ends after it begins.
///
/// # Errors
/// It does not.
pub fn span(from: Timestamp, to: Timestamp) -> Result<(Timestamp, Timestamp), Problem> {
    if from < to { Ok((from, to)) } else { Err(wrong("to", "must be after from")) }
}
