//! Traces by OpenTelemetry, where the operator names a collector: a request, its command, its statements, and attempts to tell
//! webhooks, each with who asked for it.
//!
//! A span here is one of the crate `tracing` that is begun by [`begin`]; [`layer`] keeps who it is and hands it over when it
//! ends, and [`export`] sends what has ended. Where no collector is named, none is begun. What is told of a span is said in
//! [`Beginning`], so that nothing strays into it: no query, header, body, key or person.

mod context;
mod export;
mod layer;

use std::{
    cell::RefCell,
    sync::atomic::{AtomicBool, Ordering},
};

use tracing::Span;

pub use context::{HEADER, TraceContext};
pub use export::{Export, endpoint_of, start};
pub use layer::TraceLayer;

/// Whether traces are exported.
static ON: AtomicBool = AtomicBool::new(false);

/// Whether traces are exported.
pub fn on() -> bool {
    ON.load(Ordering::Relaxed)
}

/// What a span stands for (OpenTelemetry protocol, `Span.SpanKind`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpanKind {
    /// Something within the service.
    Internal = 1,
    /// It answers a request.
    Server = 2,
    /// It asks somebody else.
    Client = 3,
}

/// What is told of a span when it begins.
#[derive(Debug)]
pub struct Beginning {
    /// Its name, of which there are few.
    pub name: String,
    /// What it stands for.
    pub kind: SpanKind,
    /// What is under it is left out where nothing is above it.
    pub needs_parent: bool,
    /// Who asked for it, in another process.
    pub parent: Option<TraceContext>,
    /// Who it is, where that was told already.
    pub own: Option<TraceContext>,
    /// Attributes by the names of OpenTelemetry's semantic conventions.
    pub attributes: Vec<(&'static str, Attribute)>,
}

impl Beginning {
    /// Something of that name and kind.
    pub fn new(name: impl Into<String>, kind: SpanKind) -> Self {
        let attributes = Vec::new();
        Self { name: name.into(), kind, needs_parent: false, parent: None, own: None, attributes }
    }
}

/// The value of an attribute.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Attribute {
    /// A text.
    Text(String),
    /// A number.
    Number(i64),
}

impl From<&str> for Attribute {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl From<i64> for Attribute {
    fn from(number: i64) -> Self {
        Self::Number(number)
    }
}

thread_local! {
    /// What the span is that is just being made in this thread.
    static BEGINNING: RefCell<Option<Beginning>> = const { RefCell::new(None) };
}

/// Makes a span by `make`, in this thread, and lets it be exported as `beginning` says.
pub fn begin(beginning: Beginning, make: impl FnOnce() -> Span) -> Span {
    BEGINNING.set(Some(beginning));
    let span = make();
    BEGINNING.set(None);
    span
}

/// A span for the traces only, which the log never shows.
pub fn unlogged(beginning: impl FnOnce() -> Beginning) -> Span {
    if on() {
        begin(beginning(), || tracing::trace_span!("traced", status = tracing::field::Empty))
    } else {
        Span::none()
    }
}
