//! Devices that keep acts until there is a signal, and what they say of themselves with each request.

use axum::{
    extract::State,
    http::{HeaderMap, HeaderName},
    response::Response,
};
use chrono::DateTime;
use percent_encoding::percent_decode_str;
use utoipa_axum::{router::OpenApiRouter, routes};
use uuid::Uuid;

use crate::{
    domain::{
        access::device::{Device, DeviceNote, Waiting},
        values::{DeviceId, Name, Timestamp},
    },
    http::{
        App,
        docs::Problems,
        extract::{Permit, Read},
        page::{Listing, NoFilter, Page, PageParams},
        problem::Problem,
    },
    store::access::device,
};

const DEVICE: HeaderName = HeaderName::from_static("tankside-device");
const WAITING: HeaderName = HeaderName::from_static("tankside-waiting");
const DEVICE_NAME: HeaderName = HeaderName::from_static("tankside-device-name");

/// What a device says of itself: `Tankside-Device: <uuid>`, `Tankside-Waiting: <count>[; oldest=<RFC 3339>]`,
/// `Tankside-Device-Name: <percent-encoded>`. What cannot be read says nothing: no act is refused for it.
pub fn note(headers: &HeaderMap) -> Option<DeviceNote> {
    let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
    let id = DeviceId(Uuid::try_parse(text(DEVICE)?.trim()).ok()?);
    let name = text(DEVICE_NAME).and_then(|told| percent_decode_str(told).decode_utf8().ok());
    Some(DeviceNote {
        id,
        name: name.and_then(|name| Name::parse(&name).ok()),
        waiting: text(WAITING).and_then(waiting),
    })
}

fn waiting(told: &str) -> Option<Waiting> {
    let mut parts = told.split(';').map(str::trim);
    let acts = parts.next()?.parse().ok()?;
    let oldest = parts.find_map(|part| part.strip_prefix("oldest="));
    let oldest = oldest.and_then(|at| DateTime::parse_from_rfc3339(at.trim_matches('"')).ok());
    Some(Waiting { acts, oldest_at: oldest.map(|at| Timestamp::from(at.to_utc())) })
}

/// Devices.
#[utoipa::path(get, path = "/v1/devices", operation_id = "list_devices", tag = "Business",
    summary = "List devices",
    description = "Devices that keep what was done until there is a signal: when each was last heard, and how many acts waited on it \
        then that this book does not know. A device says so with every request: `Tankside-Device: <uuid>`, \
        `Tankside-Waiting: <count>; oldest=<date and time>` and, if it likes, `Tankside-Device-Name`. Written at most once a minute.",
    params(PageParams),
    responses((status = 200, description = "A page of them, by their ids.", body = Page<Device>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<NoFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let rows = device::list(&mut tx, caller.business_id, listing.by_id()?).await?;
    Ok(listing.list(rows, |device| device.id.to_string()))
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(list))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_read_says_nothing() {
        let id = "019cacea-b970-7c3e-9d61-0c7a51e6b0ff";
        let told = |device: &str, waiting: &str, name: &str| {
            let mut headers = HeaderMap::new();
            for (key, value) in [(DEVICE, device), (WAITING, waiting), (DEVICE_NAME, name)] {
                headers.insert(key, value.parse().unwrap());
            }
            note(&headers)
        };
        let oldest = "2026-03-02T05:10:00.250Z";
        let whole = told(id, &format!("3; oldest={oldest}"), "Stall%20%C3%BCber").unwrap();
        assert_eq!(whole.name.unwrap().as_str(), "Stall über");
        let waiting = whole.waiting.unwrap();
        assert_eq!(waiting.acts, 3);
        assert_eq!(waiting.oldest_at.unwrap().to_string(), oldest);
        assert_eq!(told("phone", "3", ""), None);
        for wrong in ["", "-1", "many", "3.5", "99999999999"] {
            assert_eq!(
                told(id, wrong, "%ff").unwrap(),
                DeviceNote { id: whole.id, name: None, waiting: None }
            );
        }
        assert_eq!(
            told(id, "2; oldest=yesterday", "").unwrap().waiting,
            Some(Waiting { acts: 2, oldest_at: None })
        );
        assert_eq!(note(&HeaderMap::new()), None);
    }
}
