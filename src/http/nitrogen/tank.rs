//! Liquid-nitrogen tanks.

use serde::Serialize;
use utoipa::{IntoParams, ToSchema};

use crate::{
    book::nitrogen::status,
    domain::{
        nitrogen::tank::{Tank, TankDetails},
        values::{HerdId, Timestamp},
    },
    form,
    http::{
        catalogue::catalogue,
        nitrogen::status::{NitrogenState, aside},
    },
    store, text_enum,
};

text_enum! {
    /// What a list of tanks shows besides.
    Include {
        /// How each stands with its nitrogen.
        Nitrogen = "nitrogen",
    }
}

form! {
    /// Which tanks a list shows, and what of them.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct TankFilter {
        /// Only this herd's own.
        pub herd_id: Option<HerdId>,
        /// What to show besides.
        #[param(inline)]
        pub include: Option<Include>,
    }
}

/// A tank with its nitrogen.
#[derive(Serialize, ToSchema)]
pub struct TankItem {
    #[allow(missing_docs)]
    #[serde(flatten)]
    tank: Tagged<Tank>,
    /// How it stands with its nitrogen. What to heed stands with `GET /v1/tanks/{id}/nitrogen`.
    nitrogen: NitrogenState,
}

/// A page of tanks, without or with their nitrogen.
#[derive(Serialize, ToSchema)]
#[serde(untagged)]
#[allow(dead_code, reason = "describes what the list answers")]
enum TankPage {
    /// As they are.
    Plain(Page<Tagged<Tank>>),
    /// With `include=nitrogen`.
    WithNitrogen(Page<TankItem>),
}

/// Tanks.
#[utoipa::path(get, path = "/v1/tanks", operation_id = "list_tanks", tag = "Tanks", summary = "List tanks",
    description = "With `include=nitrogen` each tells how it stands with its nitrogen, an estimate from its readings and refills. \
        Frost or sweat on a tank's neck means moving its straws at once, whatever stands here; local codes go before this.",
    params(PageParams, TankFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = TankPage), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read>,
    listing: Listing<TankFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let filter = &listing.filter;
    let tanks =
        store::nitrogen::tank::list(&mut tx, caller.business_id, filter.herd_id, listing.by_id()?).await?;
    if filter.include.is_none() {
        return Ok(listing.list(tanks, |tank| tank.id.to_string(), Tagged::new));
    }
    let now = app.book.clock.now();
    let records = status::records_of(&mut tx, caller.business_id, &tanks, now).await?;
    drop(tx);
    let items = with_nitrogen(records, now).await?;
    Ok(listing.list(items, |item| item.tank.thing.id.to_string(), |item| item))
}

/// Reckons many tanks, on as many processors as there are.
async fn with_nitrogen(records: Vec<status::TankRecord>, now: Timestamp) -> Result<Vec<TankItem>, Problem> {
    let hands = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let share = records.len().div_ceil(hands).max(1);
    let item = move |record: status::TankRecord| {
        let nitrogen = NitrogenState::from(&record.standing(now));
        TankItem { tank: Tagged::new(record.tank), nitrogen }
    };
    let shares: Vec<_> = records
        .chunks(share)
        .map(|share| {
            let share = share.to_vec();
            aside(move || share.into_iter().map(item).collect::<Vec<_>>())
        })
        .collect();
    Ok(futures_util::future::try_join_all(shares).await?.into_iter().flatten().collect())
}

catalogue! {
    thing Tank, details TankDetails, permission Manage,
    path "/v1/tanks", one "tank", tag "Tanks",
    create "create_tank" "Create a tank"
        "A herd's own tank names its herd; the technician's names none. Liquid nitrogen burns and its gas displaces air \
         without warning: ventilate, wear gloves and a face shield, never seal the neck; local codes go before this.",
        example {"name": "Dairy room", "herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "canisters": 6, "capacity_l": 20.5, "full_depth_mm": 430, "min_depth_mm": 150, "static_loss_l_per_day": 0.11},
    list own,
    read "get_tank" "Get a tank",
    change "update_tank" "Update a tank"
        "A merge patch. A canister in which straws hang cannot be taken away (409 `in-use`).",
        example {"name": "Heifer barn"}
}
