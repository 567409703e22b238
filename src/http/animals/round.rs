//! The day's round: as JSON, as CSV, and as a page to be printed.

use std::fmt::Write as _;

use axum::{
    Json,
    extract::{FromRequestParts, State},
    http::{HeaderValue, header, request::Parts},
    response::{IntoResponse, Response},
};
use utoipa::IntoParams;
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::animals::round,
    domain::{
        animals::{
            call_out::CallOut,
            choice::one_of,
            round::{DueAnimal, Lift, ReservedStraw, Round, Stop},
            timing::WindowState,
        },
        values::{Day, HerdId, TimeZone, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::Within,
        docs::Problems,
        extract::{Permit, Read},
        markup::{self, escaped},
        page::{HerdsParam, query_with_many, read_query},
        problem::Problem,
        table,
    },
    store::{Page, animals::herd},
    text_enum,
};

text_enum! {
    /// How the round is told.
    RoundFormat {
        /// For programs.
        Json = "json",
        /// Comma-separated values (RFC 4180), a line for each animal, and one for each request with the reason `request`.
        Csv = "csv",
        /// A page to be printed, one side for each herd.
        Html = "html",
    }
}

form! {
    /// Which round.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct WhichRound {
        /// The day; today at the herds when not said.
        #[param(value_type = Option<String>, format = Date)]
        pub date: Option<Day>,
        /// As JSON, CSV or a page to be printed. Default `json`.
        #[param(inline, required = false)]
        pub format: RoundFormat = RoundFormat::Json,
    }
}

/// Which round, and at which herds.
struct RoundQuery {
    which: WhichRound,
    herds: Vec<HerdId>,
}

impl FromRequestParts<App> for RoundQuery {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, Problem> {
        let (members, herds) = query_with_many(parts, "herd_id")?;
        Ok(Self { which: read_query::<WhichRound>(members)?, herds })
    }
}

/// The day's round.
#[utoipa::path(get, path = "/v1/round", operation_id = "get_round", tag = "Choosing",
    summary = "Get the day's round",
    description = "Whom to serve by when at each herd, with which straws, and which canisters to lift, each once: animals in heat \
        on that day, the earliest deadline first, with service number, rule, window, what stands against serving her, and the \
        straw that is hers on this list. Straws are reserved within the list only: two animals never count on the same last \
        straw, and the book reserves nothing. What the farm asked for and waits for is under `requests`. What runs short is listed with what to do. Who may come back into heat is under \
        `watch`. A forecast of nothing: what is not on record is not on the list.",
    params(WhichRound, HerdsParam),
    responses(
        (status = 200, description = "The round.", content(
            (Round = "application/json"), (String = "text/csv"), (String = "text/html"))),
        Problems))]
async fn read(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    query: RoundQuery,
) -> Result<Response, Problem> {
    let now = app.book.clock.now();
    let mut tx = app.book.db.read().await?;
    let herds = caller.herds(query.herds);
    let date = if let Some(date) = query.which.date {
        date
    } else {
        let all =
            herd::list(&mut tx, caller.business_id, Page { after: uuid::Uuid::nil(), limit: 500 }).await?;
        let one = all.iter().find(|herd| herds.is_empty() || herds.contains(&herd.id));
        now.day_in(one.map_or(TimeZone::UTC, |herd| herd.details.time_zone))
    };
    let round = round::of(&mut tx, &caller, date, &herds, now).await?;
    Ok(match query.which.format {
        RoundFormat::Json => Json(round).into_response(),
        RoundFormat::Csv => {
            let media = HeaderValue::from_static(table::CSV);
            ([(header::CONTENT_TYPE, media)], csv(&round)).into_response()
        }
        RoundFormat::Html => markup::printed(page(&round)),
    })
}

const COLUMNS: [&str; 22] = [
    "herd_name",
    "animal_number",
    "reason",
    "service_number",
    "rank",
    "semen_types",
    "earliest_at",
    "best_at",
    "latest_at",
    "state",
    "planned",
    "sire_name",
    "sire_identifiers",
    "semen_type",
    "batch",
    "owner_herd_name",
    "tank_name",
    "canister",
    "cane",
    "goblet",
    "short",
    "notes",
];

fn csv(round: &Round) -> Vec<u8> {
    let lines = round.stops.iter().flat_map(|stop| {
        let requests = stop.requests.iter().map(|request| request_line(stop, request));
        requests.chain(stop.animals.iter().map(|animal| line(stop, animal)))
    });
    table::table(Some(&COLUMNS), lines.map(Vec::from))
}

fn line(stop: &Stop, animal: &DueAnimal) -> [String; COLUMNS.len()] {
    let straw = animal.straw.as_ref();
    let of = |told: fn(&ReservedStraw) -> String| straw.map(told).unwrap_or_default();
    let types: Vec<String> = animal.semen_types.iter().map(ToString::to_string).collect();
    [
        stop.herd_name.to_string(),
        animal.animal_number.to_string(),
        animal.reason.to_string(),
        animal.numbered.service_number.to_string(),
        animal.numbered.rank.to_string(),
        types.join(" "),
        animal.timing.earliest_at.to_string(),
        animal.timing.best_at.to_string(),
        animal.timing.latest_at.to_string(),
        animal.timing.state.to_string(),
        planned(animal),
        of(|straw| straw.sire.name.to_string()),
        of(codes),
        of(|straw| straw.semen_type.to_string()),
        of(|straw| straw.lot.details.batch.as_ref().map(ToString::to_string).unwrap_or_default()),
        of(|straw| straw.owner_herd_name.as_ref().map(ToString::to_string).unwrap_or_default()),
        of(|straw| straw.tank_name.to_string()),
        of(|straw| straw.place.canister.to_string()),
        of(|straw| straw.place.cane.said().unwrap_or_default().to_owned()),
        of(|straw| straw.place.goblet.said().unwrap_or_default().to_owned()),
        animal.short.to_string(),
        notes(animal),
    ]
}

/// What the farm asks for: a line with the animals that it names, and by when.
fn request_line(stop: &Stop, request: &CallOut) -> [String; COLUMNS.len()] {
    COLUMNS.map(|column| match column {
        "herd_name" => stop.herd_name.to_string(),
        "animal_number" => waiting_numbers(request).join(" "),
        "reason" => "request".to_owned(),
        "latest_at" => request.wanted_by.map(|at| at.to_string()).unwrap_or_default(),
        "notes" => asked(request),
        _ => String::new(),
    })
}

/// The animals that it names and that nobody has served yet.
fn waiting_numbers(request: &CallOut) -> Vec<String> {
    let waiting = request.animals.iter().filter(|one| one.service_id.is_none());
    waiting.map(|one| one.animal_number.to_string()).collect()
}

/// What the farm says, who says it, and where he can be reached.
fn asked(request: &CallOut) -> String {
    let said = [
        request.text.as_ref().map(ToString::to_string),
        request.caller.as_ref().map(ToString::to_string),
        request.telephone.as_ref().map(ToString::to_string),
    ];
    said.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// What is planned for this service, first choice first.
fn planned(animal: &DueAnimal) -> String {
    animal.planned.iter().map(|choice| choice.choice.describe()).collect::<Vec<_>>().join("; ")
}

/// The sire's codes as they are printed on straws.
fn codes(straw: &ReservedStraw) -> String {
    straw.sire.codes().join(" ")
}

fn notes(animal: &DueAnimal) -> String {
    let against = animal.objections.iter().map(|objection| objection.text.as_str());
    against.chain(animal.cautions.iter().map(String::as_str)).collect::<Vec<_>>().join(" ")
}

/// One side for each herd, to be read in black and white and with gloves on.
fn page(round: &Round) -> String {
    let mut body = String::new();
    if round.stops.is_empty() {
        let _ = write!(body, "<section><h1>{}</h1><p>Nobody is due.</p></section>", round.date);
    }
    for stop in &round.stops {
        let zone = stop.time_zone;
        let made = round.made_at.display_in(zone);
        let _ = write!(
            body,
            "<section><h1>{}, {}</h1><p class=\"small\">As the book stood at {made}. Deadlines are in {zone}.</p>",
            escaped(stop.herd_name.as_str()),
            round.date
        );
        if !stop.requests.is_empty() {
            body.push_str("<h2>The farm asks</h2><table><tr><th>Animals<th>Asked<th>Wanted by<th>Says</tr>");
            for request in &stop.requests {
                let _ = write!(
                    body,
                    "<tr><td class=\"number\">{}<td>{}<td><b>{}</b><td>{}</tr>",
                    escaped(&waiting_numbers(request).join(", ")),
                    clock(request.asked_at, zone, round.date),
                    request.wanted_by.map(|at| clock(at, zone, round.date)).unwrap_or_default(),
                    escaped(&asked(request))
                );
            }
            body.push_str("</table>");
        }
        if !stop.lifts.is_empty() {
            body.push_str("<h2>Canisters, each lifted once</h2><div class=\"lifts\">");
            stop.lifts.iter().for_each(|lift| lift_html(&mut body, lift));
            body.push_str("</div>");
        }
        if !stop.animals.is_empty() {
            body.push_str(
                "<h2>Serve</h2><table><tr><th>Animal<th>Service<th>Serve<th>Straw<th>Planned<th>Heed</tr>",
            );
            stop.animals.iter().for_each(|animal| animal_html(&mut body, animal, zone, round.date));
            body.push_str("</table>");
        }
        if !stop.watch.is_empty() {
            body.push_str(
                "<h2>Watch for heat</h2><table><tr><th>Animal<th>Served<th>Comes back<th>Would be</tr>",
            );
            for watched in &stop.watch {
                let _ = write!(
                    body,
                    "<tr><td class=\"number\">{}<td>{}<td>{} to {}<td>service {}: {}</tr>",
                    escaped(watched.animal_number.as_str()),
                    watched.served_at.day_in(zone),
                    watched.return_watch.from_on,
                    watched.return_watch.to_on,
                    watched.numbered.service_number,
                    one_of(&watched.semen_types)
                );
            }
            body.push_str("</table>");
        }
        for shortage in round.shortages.iter().filter(|shortage| shortage.herd_id == stop.herd_id) {
            let _ = write!(body, "<p class=\"short\">{}</p>", escaped(&shortage.text));
        }
        for caution in &round.cautions {
            let _ = write!(body, "<p class=\"small\">{caution}</p>");
        }
        body.push_str("</section>");
    }
    markup::document(&format!("Round of {}", round.date), STYLE, &body)
}

fn lift_html(body: &mut String, lift: &Lift) {
    let _ = write!(
        body,
        "<div class=\"lift\"><b>{}: canister {}</b><ul>",
        escaped(lift.tank_name.as_str()),
        lift.canister
    );
    for lifted in &lift.straws {
        let place = &lifted.straw.place;
        let mark = [
            place.cane.said().map(|cane| format!("cane {cane}")),
            place.goblet.said().map(|goblet| format!("{goblet} goblet")),
        ];
        let mark: Vec<String> = mark.into_iter().flatten().collect();
        let _ = write!(
            body,
            "<li>{} for <b>{}</b> {}",
            escaped(&named(&lifted.straw)),
            escaped(lifted.animal_number.as_str()),
            escaped(&mark.join(", "))
        );
    }
    body.push_str("</ul></div>");
}

fn animal_html(body: &mut String, animal: &DueAnimal, zone: TimeZone, date: Day) {
    let timing = &animal.timing;
    let clock = |at| clock(at, zone, date);
    let when = match (timing.served_at, timing.state) {
        (Some(served_at), _) => format!("SERVED {}", clock(served_at)),
        (None, WindowState::Passed) => format!("TOO LATE since {}", clock(timing.latest_at)),
        (None, _) => {
            format!("{} until <b>{}</b>", clock(timing.earliest_at), clock(timing.latest_at))
        }
    };
    let straw = match &animal.straw {
        Some(straw) => named(straw),
        None if animal.short => "NO STRAW LEFT".to_owned(),
        None => "-".to_owned(),
    };
    let _ = write!(
        body,
        "<tr><td class=\"number\">{}<td>{}{}: {}<td>{when}<td>{}<td>{}<td>{}</tr>",
        escaped(animal.animal_number.as_str()),
        animal.numbered.service_number,
        if animal.numbered.rank > 1 { format!(", rank {}", animal.numbered.rank) } else { String::new() },
        one_of(&animal.semen_types),
        escaped(&straw),
        escaped(&planned(animal)),
        escaped(&notes(animal))
    );
}

/// A straw as it is told apart in the hand: sire, codes, batch, type.
fn named(straw: &ReservedStraw) -> String {
    let batch = straw.lot.details.batch.as_ref().map(|batch| format!("batch {batch}"));
    let owner = straw.owner_herd_name.as_ref().map(|owner| format!("of {owner}"));
    let all = [
        Some(straw.sire.name.to_string()),
        Some(codes(straw)),
        batch,
        Some(straw.semen_type.describe().to_owned()),
        owner,
    ];
    all.into_iter().flatten().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
}

/// The time of the day; with the day where it is another than the round's.
fn clock(at: Timestamp, zone: TimeZone, date: Day) -> String {
    let told = at.display_in(zone);
    match told.split_once(' ') {
        Some((_, time)) if at.day_in(zone) == date => time.to_owned(),
        _ => told,
    }
}

const STYLE: &str = "body{font:11pt/1.35 sans-serif;color:#000;background:#fff;margin:1rem}h1{font-size:16pt;margin:0}\
    h2{font-size:12pt;margin:.7em 0 .2em}table{border-collapse:collapse;width:100%}th,td{border:1px solid #000;padding:2pt 4pt;\
    text-align:left;vertical-align:top}.number{font-size:16pt;font-weight:bold}.small{font-size:9pt;margin:.3em 0}\
    .short{border:3px solid #000;padding:4pt;font-weight:bold}.lifts{display:flex;flex-wrap:wrap;gap:6pt}\
    .lift{border:1px solid #000;padding:3pt 6pt}.lift ul{margin:.2em 0;padding-left:1.1em}\
    @page{size:A4;margin:12mm}@media print{body{margin:0}section{break-after:page}section:last-child{break-after:auto}\
    tr,.lift{break-inside:avoid}}";

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(read))
}
