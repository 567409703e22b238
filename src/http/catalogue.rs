//! The routes of what is entered and changed alike: herds, tanks, sires, lots, animals.
//!
//! Each resource has its file with its filters; the four handlers are written here once.

/// Writes the handlers of one resource, and `routes()` with them and their description. A file that shows more in
/// its list says `list own` and writes its `list` itself.
macro_rules! catalogue {
    (
        thing $thing:ident, details $details:ident, answer $answer:ty, permission $permission:ident, limits $limits:ident,
        path $path:tt, one $one:tt, tag $tag:tt,
        create $create:tt $create_summary:tt $create_text:tt, example $example:tt,
        list $(own)? $($list:literal $list_summary:literal $filter:ty $(, params $params:ident)?)?,
        read $read:tt $read_summary:tt,
        change $change:tt $change_summary:tt $change_text:tt, example $change_example:tt
        $(, rows $rows:expr)?
    ) => {
        use axum::{extract::State, http::HeaderMap, response::Response};
        use utoipa_axum::{router::OpenApiRouter, routes};

        use crate::{
            book::catalogue::{Add, Change},
            http::{
                App,
                access::limits::$limits,
                answer::{Tagged, all_tagged, tagged},
                extract::{CommandRequest, Id, Permit, Read, $permission},
                page::{Listing, Page, PageParams},
                problem::Problem,
                docs::Problems,
            },
        };

        #[utoipa::path(post, path = $path, operation_id = $create, tag = $tag, summary = $create_summary,
            description = $create_text,
            request_body(content = $details, example = json!($example)),
            params(crate::http::docs::IdempotencyKey),
            responses(
                (status = 201, description = "Entered.", body = $answer,
                 headers(("Location" = String, description = "Where it is to be found."),
                         ("ETag" = String, description = "Its version."))),
                Problems))]
        async fn create(
            State(app): State<App>,
            command: CommandRequest<$details, $permission, crate::http::extract::Optional, $limits>,
        ) -> Result<Response, Problem> {
            let act = Add::<$thing> { details: command.body.clone() };
            app.perform(command, act, |thing| {
                let location = format!(concat!($path, "/{}"), thing.id);
                tagged(201, Some(location), thing)
            })
            .await
        }

        $(#[utoipa::path(get, path = $path, operation_id = $list, tag = $tag, summary = $list_summary,
            params(PageParams $(, $params)?),
            responses((status = 200, description = "A page of them, in the order of entry.", body = Page<$answer>), Problems))]
        async fn list(
            State(app): State<App>,
            caller: Permit<Read, $limits>,
            listing: Listing<$filter>,
        ) -> Result<Response, Problem> {
            let mut tx = app.book.db.read().await?;
            let rows = $rows(&mut tx, &caller, &listing.filter, listing.by_id()?).await?;
            let place = |thing: &Tagged<$thing>| thing.thing.id.to_string();
            Ok(listing.list_within(all_tagged(rows)?, place, |thing| caller.may_see(&thing.thing)))
        })?

        #[utoipa::path(get, path = concat!($path, "/{id}"), operation_id = $read, tag = $tag, summary = $read_summary,
            params(("id" = uuid::Uuid, Path, description = "Its id.")),
            responses(
                (status = 200, description = "As it stands.", body = $answer,
                 headers(("ETag" = String, description = "Its version."))),
                (status = 304, description = "It is still the version in If-None-Match."),
                Problems))]
        async fn read(
            State(app): State<App>,
            caller: Permit<Read, $limits>,
            Id(id): Id,
            headers: HeaderMap,
        ) -> Result<Response, Problem> {
            let mut tx = app.book.db.read().await?;
            let found = <$thing as crate::book::catalogue::CatalogueItem>::find(&mut tx, caller.business_id, id).await?;
            let found = found.ok_or_else(|| {
                Problem::not_there($one, id)
            })?;
            Ok(Tagged::new(found)?.answer(&headers))
        }

        #[utoipa::path(patch, path = concat!($path, "/{id}"), operation_id = $change, tag = $tag, summary = $change_summary,
            description = $change_text,
            request_body(content = $details, content_type = "application/merge-patch+json",
                description = "The members that are to be different; null removes one (RFC 7396).",
                example = json!($change_example)),
            params(("id" = uuid::Uuid, Path, description = "Its id."), crate::http::docs::IdempotencyKey,
                crate::http::docs::IfMatch),
            responses(
                (status = 200, description = "As it stands now.", body = $answer,
                 headers(("ETag" = String, description = "Its new version."))),
                Problems))]
        async fn change(
            State(app): State<App>,
            Id(id): Id,
            command: CommandRequest<serde_json::Value, $permission, crate::http::extract::Optional, $limits>,
        ) -> Result<Response, Problem> {
            let act = Change::<$thing> {
                id,
                patch: command.body.clone(),
                if_match: command.if_match.clone(),
                kind: std::marker::PhantomData,
            };
            app.perform(command, act, |thing| tagged(200, None, thing)).await
        }

        /// The routes, each with its description.
        pub fn routes() -> OpenApiRouter<App> {
            OpenApiRouter::new().routes(routes!(list, create)).routes(routes!(read, change))
        }
    };
}

pub(crate) use catalogue;
