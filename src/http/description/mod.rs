//! The last touch to the OpenAPI description, after the routes have said what they are and
//! [`schemas`](crate::http::schemas) what their bodies hold: it is made such that programs can make clients of it.

mod examples;
mod headers;
mod problems;
pub mod served;
mod values;
mod words;

use utoipa::openapi::{OpenApi, RefOr, Schema};

use crate::http::schemas::{direct, drop_unmentioned, operations, parts_mut};

/// Finishes the description.
pub fn finish(api: &mut OpenApi) {
    values::simplify(api);
    drop_unmentioned(api);
    problems::narrow(api);
    headers::describe(api);
    words::complete(api);
    examples::add(api);
}

/// Has `change` made to every schema of the description, to those inside another first.
fn every_schema(api: &mut OpenApi, change: &mut impl FnMut(&mut RefOr<Schema>)) {
    let webhooks = api.webhooks.iter_mut().flat_map(|webhooks| webhooks.paths.values_mut());
    for operation in api.paths.paths.values_mut().chain(webhooks).flat_map(operations) {
        let parameters = operation.parameters.iter_mut().flatten().filter_map(direct);
        parameters
            .filter_map(|parameter| parameter.schema.as_mut())
            .for_each(|schema| inside_out(schema, change));
        let sent = operation.request_body.as_mut().and_then(direct);
        let told = operation.responses.responses.values_mut().filter_map(direct);
        let contents = sent.into_iter().flat_map(|body| body.content.values_mut());
        let contents = contents.chain(told.flat_map(|response| response.content.values_mut()));
        let schemas = contents.filter_map(direct).filter_map(|content| content.schema.as_mut());
        schemas.for_each(|schema| inside_out(schema, change));
    }
    let schemas = api.components.iter_mut().flat_map(|components| components.schemas.values_mut());
    schemas.for_each(|schema| inside_out(schema, change));
}

fn inside_out(schema: &mut RefOr<Schema>, change: &mut impl FnMut(&mut RefOr<Schema>)) {
    if let RefOr::T(schema) = schema {
        for part in parts_mut(schema) {
            inside_out(part, change);
        }
    }
    change(schema);
}
