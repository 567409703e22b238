//! Alert rules: of what a farm wants to be told.

use utoipa::IntoParams;

use crate::{
    book::{Caller, alerts::rule::RemoveRule},
    domain::{
        alerts::{
            AlertKind,
            rule::{AlertRule, AlertRuleDetails},
        },
        values::AlertRuleId,
    },
    form,
    http::{
        answer::gone,
        catalogue::catalogue,
        docs::{IdempotencyKey, IfMatch},
        extract::DeleteRequest,
    },
    store::{self, Tx},
};

form! {
    /// Which rules a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct AlertRuleFilter {
        /// Only for this kind of alert.
        pub kind: Option<AlertKind>,
    }
}

async fn rows(
    tx: &mut Tx,
    caller: &Caller,
    filter: &AlertRuleFilter,
    page: store::Page,
) -> store::Result<Vec<AlertRule>> {
    store::alerts::rule::list(tx, caller.business_id, filter.kind, page).await
}

/// A rule is taken away.
#[utoipa::path(delete, path = "/v1/alert-rules/{id}", operation_id = "delete_alert_rule", tag = "Alerts",
    summary = "Delete an alert rule",
    description = "Its open alerts are over, unless another rule holds for the same: the first 50 at once, the others within half a minute.",
    params(("id" = uuid::Uuid, Path, description = "Its id."), IdempotencyKey, IfMatch),
    responses((status = 204, description = "It is gone."), Problems))]
async fn remove(
    State(app): State<App>,
    Id(id): Id,
    removal: DeleteRequest<Manage>,
) -> Result<Response, Problem> {
    let act = RemoveRule { id: AlertRuleId(id), if_match: removal.if_match.clone() };
    app.do_for(removal.ask, act, |()| Ok(gone())).await
}

/// The routes, each with its description.
pub fn all_routes() -> OpenApiRouter<App> {
    routes().routes(routes!(remove))
}

catalogue! {
    thing AlertRule, details AlertRuleDetails, answer Tagged<AlertRule>, permission Manage, limits Whole,
    path "/v1/alert-rules", one "alert rule", tag "Alerts",
    create "create_alert_rule" "Create an alert rule"
        "A rule holds for one kind of alert and for a lot, a sire's straws of a type, a tank, a herd, or everything; where several \
         hold, the narrowest decides, and one with `enabled` false silences. `stock.low`, `stock.out`, `check.due`, \
         `calving.due` and `return.watch` are told only where a rule says so. The other kinds are told without one, with the defaults named here; a rule changes them. Of nitrogen \
         nothing is told of a tank that was never read. What a new rule finds is told within half a minute. 409 `in-use` when \
         another rule holds for the same.",
        example {"kind": "stock.low", "sire_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0ad", "semen_type": "sexed_female", "below_straws": 5},
    list "list_alert_rules" "List alert rules" AlertRuleFilter, params AlertRuleFilter,
    read "get_alert_rule" "Get an alert rule",
    change "update_alert_rule" "Update an alert rule"
        "A merge patch. The first 50 of its open alerts are looked at anew at once, the others and all that it watches within half a \
         minute.",
        example {"below_straws": 8},
    rows rows
}
