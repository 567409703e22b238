//! Files that are taken in while the book is served.

use std::sync::Arc;

use axum::{
    body::to_bytes,
    extract::{FromRequest, FromRequestParts, Path, Request, State},
    http::{HeaderMap, StatusCode, header},
    response::{IntoResponse as _, Response},
};
use serde::Serialize;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        command::{Keyed, RequestContext, StoredResponse},
        exchange::import::{
            Subject, Summary,
            faults::{Faults, Wrong},
            while_serving::{TakeIn, Taken},
        },
    },
    domain::values::Name,
    form,
    http::{
        App,
        answer::{done, to_response},
        docs::{IdempotencyKey, Problems},
        extract::{
            MOST_BYTES, Manage, Permit, fingerprint_of, idempotency_key, media_type, other_media,
            plainly_coded, prefers_csv,
        },
        page::{query, read_query},
        problem::{Kind, Problem},
        table::{CSV, table},
    },
};

/// Lines that a file may have. The writer is held while they are taken in, and acts wait: seconds on a small machine.
const MOST_LINES: usize = 2000;

form! {
    /// How a file is taken in.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct ImportQuery {
        /// Whether the file is only checked: everything is done but the last step, and nothing is written. Default false.
        #[param(required = false)]
        pub dry_run: bool = false,
        /// The tank of lines that name none; for an inventory.
        pub tank_name: Option<Name>,
        /// The herd of lines that name none; for animals, services and mating plans.
        pub herd_name: Option<Name>,
    }
}

/// What came of a file.
#[derive(Serialize, ToSchema)]
pub struct ImportResult {
    /// Whether it was only checked, and nothing was written.
    dry_run: bool,
    #[serde(flatten)]
    summary: Summary,
}

/// A file to be taken in, and who asks.
struct ImportRequest {
    ask: RequestContext,
    act: TakeIn,
    /// Whether what is wrong with the file is told as CSV, too.
    faults_as_csv: bool,
}

impl FromRequest<App> for ImportRequest {
    type Rejection = Problem;

    async fn from_request(request: Request, app: &App) -> Result<Self, Problem> {
        let (mut parts, body) = request.into_parts();
        let caller = Permit::<Manage>::from_request_parts(&mut parts, app).await?.0;
        let named = Path::<String>::from_request_parts(&mut parts, app).await;
        let named = named.map(|Path(name)| name).unwrap_or_default();
        let subject = Subject::parse(&named)
            .map_err(|wrong| Problem::new(Kind::NotFound, format!("The list in the path {wrong}.")))?;
        let asked: ImportQuery = read_query(query(&parts)?)?;
        let given = given(subject, &asked)?;
        is_csv(&parts.headers)?;
        plainly_coded(&parts.headers)?;
        let key = idempotency_key(&parts.headers)?;
        let bytes = to_bytes(body, MOST_BYTES)
            .await
            .map_err(|_| too_large(&format!("The file has more than {MOST_BYTES} bytes, or broke off")))?;
        // A line break within quotation marks counts, too: this is a bound and no count.
        if bytes.split(|byte| *byte == b'\n').count() > MOST_LINES + 1 {
            return Err(too_large(&format!("The file has more than {MOST_LINES} lines")));
        }
        let path = parts.uri.path();
        let query = if asked.dry_run { "?dry_run=true" } else { "" };
        let request = format!("{} {path}{query}", parts.method);
        let keyed = key.map(|key| {
            let sent = json!({"given": given, "dry_run": asked.dry_run,
                              "file": format!("{:x}", Sha256::digest(&bytes))});
            Keyed { key, fingerprint: fingerprint_of(parts.method.as_str(), path, &sent) }
        });
        let file: Arc<[u8]> = Arc::from(&bytes[..]);
        let act = TakeIn { subject, given, dry_run: asked.dry_run, file };
        let ask = RequestContext::new(caller, request, path, &Value::Null, keyed, None);
        Ok(Self { ask, act, faults_as_csv: prefers_csv(&parts.headers) })
    }
}

/// What a column says where a line says nothing.
fn given(subject: Subject, asked: &ImportQuery) -> Result<Vec<(&'static str, String)>, Problem> {
    let said = [("tank_name", &asked.tank_name), ("herd_name", &asked.herd_name)];
    let mut given = Vec::new();
    for (column, name) in said {
        let Some(name) = name else { continue };
        if !subject.columns().iter().any(|known| known.name == column) || subject == Subject::Sires {
            let detail = format!("A file of {subject} has no column {column}; leave the parameter out.");
            return Err(Problem::new(Kind::InvalidQuery, detail));
        }
        given.push((column, name.as_str().to_owned()));
    }
    Ok(given)
}

/// RFC 7111 and RFC 4180 name the type.
fn is_csv(headers: &HeaderMap) -> Result<(), Problem> {
    if media_type(headers) == "text/csv" {
        return Ok(());
    }
    Err(other_media(headers, "the file as text/csv, in UTF-8"))
}

fn too_large(what: &str) -> Problem {
    let detail = format!(
        "{what}; acts would wait too long while it is taken in. Send it in parts, or use the command `tankside import`."
    );
    Problem::new(Kind::TooLarge, detail)
}

/// A file is taken in.
#[utoipa::path(post, path = "/v1/imports/{list}", operation_id = "import_list", tag = "Business",
    summary = "Import a list",
    description = "Takes in what was kept elsewhere from a CSV file of at most 2000 lines and 1 MiB, as the command `tankside import` \
        does: all of it or nothing, in one transaction, while the book is served; other acts wait for it. Every fault is named by \
        line and column (422 `file-wrong`), with `Accept: text/csv` in a table to be opened beside the file. Animals, sires and services that are in the book just so are passed over, so a file may \
        be sent again; the same file of an inventory is taken in once (409 `file-known`). `tankside import template` prints the \
        columns; docs/import-export.md explains them.",
    request_body(content = String, content_type = "text/csv", description = "The file, with a header.",
        example = "name,breed\nInvented Three,HOL\n"),
    params(("list" = inline(Subject), Path, description = "What the file is about."), ImportQuery, IdempotencyKey),
    responses((status = 200, description = "Taken in, or checked.", body = ImportResult), Problems,
        (status = 422, description = "What is wrong, in lines.", body = String, content_type = "text/csv")))]
async fn import(State(app): State<App>, request: ImportRequest) -> Result<Response, Problem> {
    let ImportRequest { ask, act, faults_as_csv } = request;
    let (subject, dry_run) = (act.subject, act.dry_run);
    let (reply, replayed) = app.run(ask, act, move |taken| answer(taken, dry_run)).await?;
    if faults_as_csv && let Some(lines) = lines_of_faults(subject, &reply) {
        let told = table(Some(&["line", "column", "fault", "column_holds"]), lines);
        return Ok((StatusCode::UNPROCESSABLE_ENTITY, [(header::CONTENT_TYPE, CSV)], told).into_response());
    }
    to_response(reply, replayed)
}

/// What is wrong with the lines of a file, a line for each fault: where, what, and what belongs there. `None` where it is something else
/// that is answered.
fn lines_of_faults(subject: Subject, reply: &StoredResponse) -> Option<Vec<Vec<String>>> {
    let told: Value = serde_json::from_str(&reply.body).ok().filter(|_| reply.status == 422)?;
    let line = |fault: &Value| {
        let text = |member: &str| fault[member].as_str().unwrap_or_default();
        let column = subject.columns().iter().find(|column| column.name == text("column"));
        let holds = column.map_or("", |column| column.what);
        let at = fault["line"].as_u64().map(|line| line.to_string());
        [&at.unwrap_or_default(), text("column"), text("detail"), holds].map(ToOwned::to_owned).to_vec()
    };
    let mut lines: Vec<_> = told["faults"].as_array()?.iter().map(line).collect();
    if let Some(more @ 1..) = told["more_faults"].as_u64() {
        lines.push(vec![String::new(), String::new(), format!("{more} more are wrong"), String::new()]);
    }
    Some(lines)
}

fn answer(taken: Taken, dry_run: bool) -> serde_json::Result<StoredResponse> {
    match taken {
        Taken::In(summary) => done(&ImportResult { dry_run, summary }),
        Taken::Wrong(faults) => Ok(wrong(&faults).reply()),
        Taken::Unusable(why) => {
            let detail = format!("Nothing was taken in: {why}.");
            Ok(Problem::new(Kind::FileWrong, detail).reply())
        }
        Taken::Repeated(why) => {
            Ok(Problem::new(Kind::FileKnown, format!("Nothing was taken in: {why}.")).reply())
        }
    }
}

fn wrong(faults: &Faults) -> Problem {
    let first = faults.shown().first().map(ToString::to_string).unwrap_or_default();
    let count = u64::try_from(faults.shown().len()).unwrap_or(u64::MAX).saturating_add(faults.more());
    let detail = match count {
        1 => format!("Nothing was taken in: {first}."),
        _ => format!("Nothing was taken in: {count} things are wrong. The first: {first}."),
    };
    let told = |wrong: &Wrong| json!({"line": wrong.line, "column": wrong.column, "detail": wrong.detail});
    Problem::new(Kind::FileWrong, detail)
        .with("faults", faults.shown().iter().map(told).collect::<Vec<Value>>())
        .with("more_faults", faults.more())
}

/// The route with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(import))
}
