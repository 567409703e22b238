//! Keys by which callers are known: made, listed, replaced and revoked by managers; and whose key this is.

use axum::{Json, extract::State, response::Response};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::{
        access::key::{AddKey, RevokeKey, RotateKey, Secret},
        command::On,
    },
    domain::{
        access::{
            Role,
            key::{ApiKey, CurrentKey, KeyRotation, KeyState, NewKey},
        },
        values::KeyId,
    },
    form,
    http::{
        App,
        access::limits::Within,
        answer::{created, done, gone},
        docs::{IdempotencyKey, Problems},
        extract::{CommandRequest, DeleteRequest, Id, Manage, Permit, Read},
        page::{Listing, Page, PageParams},
        problem::{Problem, no_random_numbers},
    },
    store::access::key,
};

/// A key whose secret was just made.
#[derive(Serialize, ToSchema)]
#[allow(dead_code, reason = "describes an answer to which the secret is added at the last moment")]
pub struct KeyWithSecret {
    #[serde(flatten)]
    key: ApiKey,
    /// What its holder sends as `Authorization: Bearer`; shown this once. A repeated answer under the same Idempotency-Key has
    /// none: replace the secret then.
    #[schema(example = "tks_0123456789ABCDEFGHIJKLMNOPQRST_000000", max_length = 100)]
    secret: Option<String>,
}

/// A key is made.
#[utoipa::path(post, path = "/v1/keys", operation_id = "create_key", tag = "Business",
    summary = "Create a key",
    description = "For this business's book. The answer shows the secret this once; only its hash is kept. Give each person, phone and \
        program a key of its own: who did what stands under the key, and one that is lost is revoked without the others. With `herd_ids` or \
        `tank_ids` it is good for what is of these herds or in these tanks only: what is beyond is to it as if it were not there, and what \
        is not kept to that is refused with 403 `key-limited`.",
    request_body(content = NewKey, examples(
        ("of a phone" = (summary = "For a while", value = json!({
            "name": "Barn phone", "role": "technician", "expires_at": "2027-01-01T00:00:00Z"}))),
        ("of one farm's software" = (summary = "For one herd", value = json!({
            "name": "Upper Farm's herd software", "role": "integration",
            "herd_ids": ["01976f0e-5a52-7c3e-9d61-0c7a51e6b001"]}))),
        ("of a sensor" = (summary = "For one tank", value = json!({
            "name": "Level sensor", "role": "integration", "tank_ids": ["01976f0e-5a52-7c3e-9d61-0c7a51e6b02a"]}))))),
    params(IdempotencyKey),
    responses(
        (status = 201, description = "Made.", body = KeyWithSecret,
         headers(("Location" = String, description = "Where it is to be found."))),
        Problems))]
async fn create(
    State(app): State<App>,
    command: CommandRequest<NewKey, Manage>,
) -> Result<Response, Problem> {
    let secret = Secret::random().map_err(no_random_numbers)?;
    let act = AddKey { new: command.body.clone(), hash: secret.hash() };
    let answer = app
        .perform_and_show(command, act, secret.reveal(), |key| created(format!("/v1/keys/{}", key.id), &key))
        .await?;
    if answer.status().is_success() {
        app.known_keys.add(&secret.hash());
    }
    Ok(answer)
}

form! {
    /// Which keys a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct KeyFilter {
        /// Only with this role.
        #[param(inline)]
        pub role: Option<Role>,
        /// Only in this state.
        #[param(inline)]
        pub state: Option<KeyState>,
    }
}

/// Keys.
#[utoipa::path(get, path = "/v1/keys", operation_id = "list_keys", tag = "Business",
    summary = "List keys",
    description = "Without their secrets, also those that have ended: lines of the ledger name them.",
    params(PageParams, KeyFilter),
    responses((status = 200, description = "A page of them, in the order of entry.", body = Page<ApiKey>), Problems))]
async fn list(
    State(app): State<App>,
    caller: Permit<Manage>,
    listing: Listing<KeyFilter>,
) -> Result<Response, Problem> {
    let KeyFilter { role, state } = listing.filter;
    let now = app.book.clock.now();
    let mut tx = app.book.db.read().await?;
    let rows = key::list(&mut tx, caller.business_id, now, role, state, listing.by_id()?).await?;
    Ok(listing.list(rows, |key| key.id.to_string()))
}

/// Whose key this is.
#[utoipa::path(get, path = "/v1/keys/current", operation_id = "get_current_key", tag = "Business",
    summary = "Get the key of this request",
    description = "Who is asking: the key that this request came with, what its holder may do, until when, and in whose book.",
    responses((status = 200, description = "The key.", body = CurrentKey), Problems))]
async fn current(State(app): State<App>, caller: Permit<Read, Within>) -> Result<Json<CurrentKey>, Problem> {
    let now = app.book.clock.now();
    let mut tx = app.book.db.read().await?;
    let found = key::current(&mut tx, caller.business_id, caller.key_id, now).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("key", caller.key_id.0))
}

/// One key.
#[utoipa::path(get, path = "/v1/keys/{id}", operation_id = "get_key", tag = "Business",
    summary = "Get a key",
    params(("id" = uuid::Uuid, Path, description = "Its id.")),
    responses((status = 200, description = "As it stands.", body = ApiKey), Problems))]
async fn read(State(app): State<App>, caller: Permit<Manage>, Id(id): Id) -> Result<Json<ApiKey>, Problem> {
    let now = app.book.clock.now();
    let mut tx = app.book.db.read().await?;
    let found = key::find(&mut tx, caller.business_id, KeyId(id), now).await?;
    found.map(Json).ok_or_else(|| Problem::not_there("key", id))
}

/// A key is revoked.
#[utoipa::path(delete, path = "/v1/keys/{id}", operation_id = "revoke_key", tag = "Business",
    summary = "Revoke a key",
    description = "It opens nothing any more: at once here, within five seconds where several processes serve the book. It stays to be \
        seen. The last manager's key that is good is not revoked (409 `last-manager-key`): make another first.",
    params(("id" = uuid::Uuid, Path, description = "Its id."), IdempotencyKey),
    responses((status = 204, description = "Revoked, now or before."), Problems))]
async fn revoke(
    State(app): State<App>,
    Id(id): Id,
    removal: DeleteRequest<Manage>,
) -> Result<Response, Problem> {
    app.do_for(removal.ask, RevokeKey { id: KeyId(id) }, |()| Ok(gone())).await
}

/// A secret is replaced.
#[utoipa::path(post, path = "/v1/keys/{id}/rotation", operation_id = "rotate_key", tag = "Business",
    summary = "Rotate a key's secret",
    description = "The key keeps its id, name, role, end and limits. The secret before stays good for the overlap, so that its holder can change \
        it in peace; 0 hours end it at once. A third secret ends the first at once.",
    request_body(content = KeyRotation, example = json!({"overlap_hours": 24})),
    params(("id" = uuid::Uuid, Path, description = "The key."), IdempotencyKey),
    responses((status = 200, description = "Replaced.", body = KeyWithSecret), Problems))]
async fn rotate(
    State(app): State<App>,
    Id(id): Id,
    command: CommandRequest<KeyRotation, Manage>,
) -> Result<Response, Problem> {
    let secret = Secret::random().map_err(no_random_numbers)?;
    let rotation = On { id: KeyId(id), command: command.body.clone() };
    let act = RotateKey { rotation, hash: secret.hash() };
    app.perform_and_show(command, act, secret.reveal(), |key| done(&key)).await
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list, create))
        .routes(routes!(current))
        .routes(routes!(read, revoke))
        .routes(routes!(rotate))
}
