//! Keeps of each span who it is and when it began, and hands it over when it has ended.

use std::time::Instant;

use tokio::sync::mpsc;
use tracing::{
    Subscriber,
    field::{Field, Visit},
    span::{Attributes, Id, Record},
};
use tracing_subscriber::{Layer, layer::Context, registry::LookupSpan};

use crate::{
    clock::Clock,
    domain::values::Timestamp,
    traces::{Attribute, BEGINNING, Beginning, SpanKind, TraceContext},
};

/// A span that has ended.
#[derive(Debug)]
pub(super) struct Ended {
    pub(super) context: TraceContext,
    pub(super) parent: Option<u64>,
    pub(super) name: String,
    pub(super) kind: SpanKind,
    pub(super) began_at: Timestamp,
    pub(super) took_ns: u64,
    pub(super) attributes: Vec<(&'static str, Attribute)>,
    pub(super) is_error: bool,
}

/// A span that goes on.
struct Going {
    context: TraceContext,
    parent: Option<u64>,
    beginning: Beginning,
    began_at: Timestamp,
    since: Instant,
    status: Option<i64>,
}

/// The part of the log's subscriber that sees spans.
pub struct TraceLayer {
    pub(super) ended: mpsc::Sender<Ended>,
    pub(super) clock: Clock,
}

impl<S: Subscriber + for<'s> LookupSpan<'s>> Layer<S> for TraceLayer {
    fn on_new_span(&self, attributes: &Attributes<'_>, id: &Id, context: Context<'_, S>) {
        let Some(beginning) = BEGINNING.take() else { return };
        let above = match attributes.parent() {
            Some(parent) => context.span(parent),
            None if attributes.is_contextual() => context.lookup_current(),
            None => None,
        };
        let mut above = above.into_iter().flat_map(|span| span.scope());
        let above = above.find_map(|span| span.extensions().get::<Going>().map(|going| going.context));
        let parent = beginning.parent.or(above);
        if beginning.needs_parent && parent.is_none() {
            return;
        }
        let own =
            beginning.own.unwrap_or_else(|| parent.map_or_else(TraceContext::begin, TraceContext::child));
        let Some(span) = context.span(id) else { return };
        span.extensions_mut().insert(Going {
            context: own,
            parent: parent.map(|parent| parent.span),
            beginning,
            began_at: self.clock.now(),
            since: Instant::now(),
            status: None,
        });
    }

    fn on_record(&self, id: &Id, values: &Record<'_>, context: Context<'_, S>) {
        if let Some(span) = context.span(id)
            && let Some(going) = span.extensions_mut().get_mut::<Going>()
        {
            values.record(&mut Status(&mut going.status));
        }
    }

    fn on_close(&self, id: Id, context: Context<'_, S>) {
        let Some(span) = context.span(&id) else { return };
        let Some(Going { context, parent, beginning, began_at, since, status }) =
            span.extensions_mut().remove()
        else {
            return;
        };
        if !context.sampled {
            return;
        }
        let Beginning { name, kind, mut attributes, .. } = beginning;
        // Semantic conventions for HTTP: an answer 4xx is the error of who asked, so of a client's span only.
        let wrong_from = if kind == SpanKind::Client { 400 } else { 500 };
        let is_error = status.is_some_and(|status| status >= wrong_from || status == 0);
        if let Some(status) = status.filter(|status| *status > 0) {
            attributes.push(("http.response.status_code", status.into()));
            if is_error {
                attributes.push(("error.type", status.to_string().as_str().into()));
            }
        }
        let took_ns = u64::try_from(since.elapsed().as_nanos()).unwrap_or(u64::MAX);
        let ended = Ended { context, parent, name, kind, began_at, took_ns, attributes, is_error };
        // Nobody waits for a collector.
        if self.ended.try_send(ended).is_err() {
            metrics::counter!("tankside_traces_dropped_total", "why" => "queue").increment(1);
        }
    }
}

/// Takes the status of an answer; 0 where none came.
struct Status<'s>(&'s mut Option<i64>);

impl Visit for Status<'_> {
    fn record_u64(&mut self, field: &Field, value: u64) {
        if field.name() == "status" {
            *self.0 = i64::try_from(value).ok();
        }
    }

    fn record_debug(&mut self, _: &Field, _: &dyn std::fmt::Debug) {}
}
