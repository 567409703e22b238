//! A report as CSV and as a picture.

use axum::{
    http::{HeaderMap, HeaderValue, header},
    response::{IntoResponse, Response},
};

use crate::{
    domain::reports::proportion::{Estimate, Proportion},
    http::{
        App,
        nitrogen::status::aside,
        picture::{self, Drawing},
        problem::{Kind, Problem, internal},
        table::{CSV, table},
    },
};

/// A table as comma-separated values.
pub fn csv(name: &str, columns: &[&str], lines: impl IntoIterator<Item = Vec<String>>) -> Response {
    let mut headers = HeaderMap::new();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(CSV));
    if let Ok(name) = HeaderValue::try_from(format!("attachment; filename=\"{name}.csv\"")) {
        headers.insert(header::CONTENT_DISPOSITION, name);
    }
    (headers, table(Some(columns), lines)).into_response()
}

/// The columns of a share.
pub const SHARE: [&str; 6] = ["numerator", "denominator", "estimate", "low", "high", "judgement"];

/// The cells of a share.
pub fn share(share: &Proportion) -> Vec<String> {
    vec![
        share.numerator.to_string(),
        share.denominator.to_string(),
        number(share.estimate),
        number(share.low),
        number(share.high),
        share.judgement.unwrap_or_default().to_owned(),
    ]
}

/// The cells of an estimate with its interval; empty where there is none.
pub fn estimate(estimate: Option<Estimate>) -> [String; 3] {
    let figures = estimate.map(|of| [of.estimate, of.low, of.high]);
    figures.map_or_else(Default::default, |figures| figures.map(|figure| figure.to_string()))
}

/// A figure in a cell; nothing where there is none.
pub fn number(figure: Option<f64>) -> String {
    figure.map_or_else(String::new, |figure| figure.to_string())
}

/// A count in a cell; nothing where there is none.
pub fn told<T: std::fmt::Display>(value: Option<T>) -> String {
    value.map_or_else(String::new, |value| value.to_string())
}

/// A picture, drawn beside the requests when it is its turn.
pub async fn svg(
    app: &App,
    headers: &HeaderMap,
    picture: impl Drawing + Send + 'static,
) -> Result<Response, Problem> {
    let turn = app
        .pictures
        .take()
        .await
        .ok_or_else(|| Problem::new(Kind::Overloaded, "As many pictures are being drawn as can be."))?;
    let bytes = aside(move || picture::svg(&picture, None)).await?.map_err(|error| {
        tracing::error!(%error, "a picture could not be drawn");
        internal()
    })?;
    drop(turn);
    Ok(picture::answer(bytes, "image/svg+xml", headers))
}
