//! Herds and what their owners decided.

use crate::{
    book::Caller,
    domain::animals::herd::{Herd, HerdDetails},
    http::{catalogue::catalogue, page::NoFilter},
    store::{self, Tx},
};

async fn rows(tx: &mut Tx, caller: &Caller, _: &NoFilter, page: store::Page) -> store::Result<Vec<Herd>> {
    store::animals::herd::list(tx, caller.business_id, page).await
}

catalogue! {
    thing Herd, details HerdDetails, answer Tagged<Herd>, permission Manage, limits Within,
    path "/v1/herds", one "herd", tag "Herds",
    create "create_herd" "Create a herd"
        "With its time zone and what its owner decided: the choice rule, the waiting period, the limit of kinship.",
        example {"name": "Lower Meadow", "time_zone": "Europe/Vienna", "location": {"scheme": "example.org/holding", "id": "LM-1"}},
    list "list_herds" "List herds" NoFilter,
    read "get_herd" "Get a herd",
    change "update_herd" "Update a herd"
        "A merge patch. A new choice rule counts from the next withdrawal; what is on record keeps what was decided then.",
        example {"waiting_days": 60},
    rows rows
}
