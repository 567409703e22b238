//! Lots of straws.

use utoipa::IntoParams;

use crate::{
    book::Caller,
    domain::{
        straws::{
            lot::{Lot, LotDetails, LotStatus},
            semen::SemenType,
        },
        values::{HerdId, SireId},
    },
    form,
    http::catalogue::catalogue,
    store::{self, Tx},
};

form! {
    /// Which lots a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct LotFilter {
        /// Only of this sire.
        pub sire_id: Option<SireId>,
        /// Only of this semen type.
        pub semen_type: Option<SemenType>,
        /// Only in this state.
        pub status: Option<LotStatus>,
        /// Only those that belong to this herd's owner.
        pub owner_herd_id: Option<HerdId>,
    }
}

async fn rows(
    tx: &mut Tx,
    caller: &Caller,
    filter: &LotFilter,
    page: store::Page,
) -> store::Result<Vec<Lot>> {
    let wanted = store::straws::lot::Wanted {
        sire: filter.sire_id,
        semen_type: filter.semen_type,
        status: filter.status,
        owner_herd: filter.owner_herd_id,
    };
    store::straws::lot::list(tx, caller.business_id, wanted, page).await
}

catalogue! {
    thing Lot, details LotDetails, answer Tagged<Lot>, permission Manage, limits Within,
    path "/v1/lots", one "lot", tag "Lots",
    create "create_lot" "Create a lot"
        "Straws of one sire, one semen type, one collection. The supplier's printed thawing instruction overrides any other.",
        example {"sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b03a", "semen_type": "sexed_female", "batch": "24117", "collected_on": "2024-04-26", "straw_ml": 0.25, "sexed_percentage": 90},
    list "list_lots" "List lots" LotFilter, params LotFilter,
    read "get_lot" "Get a lot",
    change "update_lot" "Update a lot"
        "A merge patch. `status` `quarantined` or `recalled` stops withdrawals at once. Once its straws have moved, its sire \
         and semen type are settled (409 `in-use`).",
        example {"status": "quarantined"},
    rows rows
}
