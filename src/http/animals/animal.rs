//! Animals.

use utoipa::IntoParams;

use crate::{
    book::Caller,
    domain::{
        animals::animal::{Animal, AnimalDetails},
        search::Query,
        values::{Code, HerdId},
    },
    form,
    http::catalogue::catalogue,
    store::{self, Tx},
};

form! {
    /// Which animals a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct AnimalFilter {
        /// Only of this herd.
        pub herd_id: Option<HerdId>,
        /// Only with this number.
        pub number: Option<Code>,
        /// Only with this official name, in its normal form and whatever scheme.
        pub identifier: Option<Code>,
        /// Only where each word of this is the beginning of her number, of a word of her name or of an official name.
        #[param(required = false, value_type = Option<String>, max_length = 100, example = "zof 41")]
        pub q: Option<Query>,
        /// Only those that left their herd, or only those that did not.
        pub left: Option<bool>,
    }
}

async fn rows(
    tx: &mut Tx,
    caller: &Caller,
    filter: &AnimalFilter,
    page: store::Page,
) -> store::Result<Vec<Animal>> {
    let wanted = store::animals::animal::Wanted {
        herd: caller.leading_herd(filter.herd_id),
        number: filter.number.clone(),
        identifier: filter.identifier.clone(),
        query: filter.q.clone(),
        left: filter.left,
    };
    store::animals::animal::list(tx, caller.business_id, wanted, page).await
}

catalogue! {
    thing Animal, details AnimalDetails, answer Tagged<Animal>, permission Report, limits Within,
    path "/v1/animals", one "animal", tag "Animals",
    create "create_animal" "Create an animal"
        "Whether she is a heifer or a cow, open or pregnant, and the number of her next service follow from what is \
         reported of her.",
        example {"herd_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b001", "number": "412", "born_on": "2023-05-02"},
    list "list_animals" "List animals" AnimalFilter, params AnimalFilter,
    read "get_animal" "Get an animal",
    change "update_animal" "Update an animal" "A merge patch.",
        example {"name": "Zofka", "left_on": null},
    rows rows
}
