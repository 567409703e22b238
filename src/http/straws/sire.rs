//! Sires.

use utoipa::IntoParams;

use crate::{
    book::Caller,
    domain::{
        search::Query,
        straws::sire::{Sire, SireDetails},
        values::Code,
    },
    form,
    http::catalogue::catalogue,
    store::{self, Tx},
};

form! {
    /// Which sires a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct SireFilter {
        /// Only of this breed.
        pub breed: Option<Code>,
        /// Only with this official name, in its normal form and whatever scheme.
        pub identifier: Option<Code>,
        /// Only where each word of this is the beginning of a word of his name or of an official name.
        #[param(required = false, value_type = Option<String>, max_length = 100, example = "invented")]
        pub q: Option<Query>,
    }
}

async fn rows(
    tx: &mut Tx,
    caller: &Caller,
    filter: &SireFilter,
    page: store::Page,
) -> store::Result<Vec<Sire>> {
    let (breed, identifier) = (filter.breed.clone(), filter.identifier.clone());
    match &filter.q {
        Some(query) => {
            store::straws::sire::search(tx, caller.business_id, query, breed, identifier, page).await
        }
        None => store::straws::sire::list(tx, caller.business_id, breed, identifier, page).await,
    }
}

catalogue! {
    thing Sire, details SireDetails, answer Tagged<Sire>, permission Manage, limits Within,
    path "/v1/sires", one "sire", tag "Sires",
    create "create_sire" "Create a sire"
        "With his official names: `international-id` (Interbull, 19 characters) and `uniform-code` are checked and kept in \
         their normal form beside their scheme. His parents, where known, let kinship be judged.",
        example {"name": "Invented One", "breed": "HOL", "identifiers": [{"scheme": "international-id", "id": "HOLZZZM000000A12345"}]},
    list "list_sires" "List sires" SireFilter, params SireFilter,
    read "get_sire" "Get a sire",
    change "update_sire" "Update a sire" "A merge patch.",
        example {"breed": "JER"},
    rows rows
}
