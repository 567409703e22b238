//! Liquid-nitrogen tanks.

use utoipa::IntoParams;

use super::catalogue::catalogue;
use crate::{
    domain::{
        tank::{Tank, TankDetails},
        values::{BusinessId, HerdId},
    },
    form,
    store::{self, Tx},
};

form! {
    /// Which tanks a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct TankFilter {
        /// Only this herd's own.
        pub herd_id: Option<HerdId>,
    }
}

async fn rows(
    tx: &mut Tx,
    business: BusinessId,
    filter: &TankFilter,
    page: store::Page,
) -> store::Result<Vec<Tank>> {
    store::tank::list(tx, business, filter.herd_id, page).await
}

catalogue! {
    thing Tank, details TankDetails, permission Manage,
    path "/v1/tanks", one "tank", tag "Tanks",
    create "create_tank" "Enter a tank"
        "A herd's own tank names its herd; the technician's names none. Liquid nitrogen burns and its gas displaces air \
         without warning: ventilate, wear gloves and a face shield, never seal the neck; local codes go before this.",
        example {"name": "Dairy room", "herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "canisters": 6, "capacity_l": 20.5, "full_depth_mm": 430, "min_depth_mm": 150, "static_loss_l_per_day": 0.11},
    list "list_tanks" "List the tanks" TankFilter, params TankFilter,
    read "read_tank" "Read a tank",
    change "change_tank" "Change a tank"
        "A merge patch. A canister in which straws hang cannot be taken away (409 `in-use`).",
        example {"name": "Heifer barn"},
    rows rows
}
