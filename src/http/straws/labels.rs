//! Labels for the canisters of a tank, to be printed and hung on them.

use std::fmt::Write as _;

use axum::{extract::State, response::Response};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    domain::{
        cautions,
        nitrogen::tank::Tank,
        straws::{lot::LotStatus, stock::Stock},
        values::{TankId, TimeZone},
    },
    http::{
        App,
        access::limits::OfTanks,
        docs::Problems,
        extract::{Id, Permit, Read},
        markup::{self, escaped},
        problem::Problem,
    },
    store::{
        animals::herd,
        nitrogen::tank,
        straws::stock::{self, Wanted},
    },
};

/// The labels.
#[utoipa::path(get, path = "/v1/tanks/{id}/labels", operation_id = "get_tank_labels", tag = "Tanks",
    summary = "Print labels for a tank's canisters",
    description = "A page to be printed in black and white and cut: a label for each canister, with its number, and by cane and \
        goblet the sires with their codes, the semen types and the straws as the book had them at the time that stands on it. A \
        label tells what hung there then; the code on the straw decides.",
    params(("id" = uuid::Uuid, Path, description = "The tank.")),
    responses((status = 200, description = "The page.", body = String, content_type = "text/html"), Problems))]
async fn labels(
    State(app): State<App>,
    caller: Permit<Read, OfTanks>,
    Id(id): Id,
) -> Result<Response, Problem> {
    let business = caller.business_id;
    let mut tx = app.book.db.read().await?;
    let tank = tank::find(&mut tx, business, TankId(id)).await?;
    let tank = tank.ok_or_else(|| Problem::not_there("tank", id))?;
    let herd = match tank.details.herd_id {
        Some(herd) => herd::find(&mut tx, business, herd).await?,
        None => None,
    };
    let zone = herd.map_or(TimeZone::UTC, |herd| herd.details.time_zone);
    let wanted = Wanted { tank: Some(tank.id), ..Wanted::default() };
    let first = (uuid::Uuid::nil(), uuid::Uuid::nil());
    let stock = stock::list(&mut tx, business, &wanted, first, i64::MAX).await?;
    let made = format!("{} ({zone})", app.book.clock.now().display_in(zone));
    Ok(markup::printed(page(&tank, stock, &made)))
}

/// A label for each canister, in black and white.
fn page(tank: &Tank, mut stock: Vec<Stock>, made: &str) -> String {
    stock.sort_by(|a, b| (&a.place, &a.sire.name, a.lot.id).cmp(&(&b.place, &b.sire.name, b.lot.id)));
    let name = escaped(tank.details.name.as_str());
    let mut body = String::new();
    for canister in 1..=tank.details.canisters.get() {
        let here: Vec<&Stock> = stock.iter().filter(|s| s.place.canister.get() == canister).collect();
        let _ = write!(body, "<section><h1><span class=\"number\">{canister}</span> {name}</h1>");
        if here.is_empty() {
            body.push_str("<p class=\"empty\">empty</p>");
        } else {
            body.push_str("<table><tr><th>Cane<th>Goblet<th>Sire<th>Type<th>Straws</tr>");
            for stock in &here {
                line(&mut body, stock);
            }
            body.push_str("</table>");
        }
        let straws: i64 = here.iter().map(|stock| stock.straws).sum();
        let _ =
            write!(body, "<p class=\"small\">{straws} straws, as the book stood at {made}.</p></section>");
    }
    for caution in cautions::TRANSFER {
        let _ = write!(body, "<p class=\"small\">{}</p>", escaped(caution));
    }
    markup::document(&format!("Labels of {name}"), STYLE, &body)
}

fn line(body: &mut String, stock: &Stock) {
    let lot = &stock.lot.details;
    let batch = lot.batch.as_ref().map(|batch| format!("batch {batch}"));
    let owner = stock.owner_herd_name.as_ref().map(|owner| format!("of {owner}"));
    let status = (lot.status != LotStatus::Usable).then(|| format!("NOT TO BE USED ({})", lot.status));
    let held = stock.on_hold.as_ref().map(|why| format!("ON HOLD: {why}"));
    let all =
        [Some(stock.sire.name.to_string()), Some(stock.sire.codes().join(" ")), batch, owner, status, held];
    let sire = all.into_iter().flatten().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ");
    let place = &stock.place;
    let _ = write!(
        body,
        "<tr><td>{}<td>{}<td>{}<td>{}<td class=\"count\">{}</tr>",
        escaped(place.cane.said().unwrap_or_default()),
        escaped(place.goblet.said().unwrap_or_default()),
        escaped(&sire),
        stock.semen_type.describe(),
        stock.straws
    );
}

const STYLE: &str = "body{font:10pt/1.3 sans-serif;color:#000;background:#fff;margin:1rem;display:grid;\
    grid-template-columns:1fr 1fr;gap:6mm}section{border:1px dashed #000;padding:3mm;break-inside:avoid}\
    h1{font-size:13pt;margin:0 0 2mm}.number{font-size:36pt;margin-right:3mm}.empty{font-size:16pt}\
    table{border-collapse:collapse;width:100%}th,td{border:1px solid #000;padding:1pt 3pt;text-align:left;vertical-align:top}\
    .count{font-weight:bold}.small{font-size:8pt;margin:2mm 0 0}body>p{grid-column:1/-1}@page{size:A4;margin:10mm}\
    @media print{body{margin:0}}";

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(labels))
}
