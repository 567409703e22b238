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

/// A tank.
#[derive(Serialize, ToSchema)]
#[schema(as = Tank)]
pub struct TankAnswer {
    #[allow(missing_docs)]
    #[serde(flatten)]
    tank: Tagged<Tank>,
    /// With `include=nitrogen`: how it stands with its nitrogen. What to heed stands with
    /// `GET /v1/tanks/{id}/nitrogen`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = NitrogenState)]
    nitrogen: Option<NitrogenState>,
}

/// Tanks.
#[utoipa::path(get, path = "/v1/tanks", operation_id = "list_tanks", tag = "Tanks", summary = "List tanks",
    description = "With `include=nitrogen` each tells how it stands with its nitrogen, an estimate from its readings and refills. \
        Frost or sweat on a tank's neck means moving its straws at once, whatever stands here; local codes go before this.",
    params(PageParams, TankFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<TankAnswer>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Read, Within>,
    listing: Listing<TankFilter>,
) -> Result<Response, Problem> {
    let mut tx = app.book.db.read().await?;
    let filter = &listing.filter;
    let tanks =
        store::nitrogen::tank::list(&mut tx, caller.business_id, filter.herd_id, listing.by_id()?).await?;
    if filter.include.is_none() {
        let place = |tank: &Tagged<Tank>| tank.thing.id.to_string();
        return Ok(listing.list_within(all_tagged(tanks)?, place, |tank| caller.may_see(&tank.thing)));
    }
    let now = app.book.clock.now();
    let records = status::records_of(&mut tx, caller.business_id, &tanks, now).await?;
    drop(tx);
    let items = with_nitrogen(records, now).await?;
    let place = |item: &TankAnswer| item.tank.thing.id.to_string();
    Ok(listing.list_within(items, place, |item| caller.may_see(&item.tank.thing)))
}

/// Reckons many tanks, on as many processors as there are.
pub(crate) async fn with_nitrogen(
    records: Vec<status::TankRecord>,
    now: Timestamp,
) -> Result<Vec<TankAnswer>, Problem> {
    let hands = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let share = records.len().div_ceil(hands).max(1);
    let item = move |record: status::TankRecord| {
        let nitrogen = NitrogenState::from(&record.standing(now));
        Ok(TankAnswer { tank: Tagged::new(record.tank)?, nitrogen: Some(nitrogen) })
    };
    let shares: Vec<_> = records
        .chunks(share)
        .map(|share| {
            let share = share.to_vec();
            aside(move || share.into_iter().map(item).collect::<serde_json::Result<Vec<_>>>())
        })
        .collect();
    let mut all = Vec::new();
    for share in futures_util::future::try_join_all(shares).await? {
        all.extend(share?);
    }
    Ok(all)
}

catalogue! {
    thing Tank, details TankDetails, answer TankAnswer, permission Manage, limits Within,
    path "/v1/tanks", one "tank", tag "Tanks",
    create "create_tank" "Create a tank"
        "A herd's own tank names its herd; the technician's names none. Liquid nitrogen burns and its gas displaces air \
         without warning: ventilate, wear gloves and a face shield, never seal the neck; local codes go before this.",
        example {"name": "Dairy room", "herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b001", "canisters": 6, "capacity_l": 24.0, "full_depth_mm": 440, "min_depth_mm": 150, "static_loss_l_per_day": 0.12},
    list own,
    read "get_tank" "Get a tank",
    change "update_tank" "Update a tank"
        "A merge patch. A canister in which straws hang cannot be taken away (409 `in-use`).",
        example {"name": "Heifer barn"}
}
