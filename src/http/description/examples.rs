//! An example of every answer that is JSON, as it was given on the demo's invented farm: `openapi/examples.json`, which
//! `tests/clients/examples.py` writes.

use serde_json::{Map, Value};
use utoipa::openapi::OpenApi;

use crate::http::schemas::{direct, methods};

/// By operation and status.
const TAKEN: &str = include_str!("../../../openapi/examples.json");

/// Puts each example at the answer of which it is one.
pub fn add(api: &mut OpenApi) {
    let mut taken: Map<String, Value> = serde_json::from_str(TAKEN).unwrap_or_default();
    for (_, operation) in api.paths.paths.values_mut().flat_map(methods) {
        let Some(mut answers) = operation.operation_id.as_ref().and_then(|id| taken.remove(id)) else {
            continue;
        };
        for (status, response) in &mut operation.responses.responses {
            let Some(content) =
                direct(response).and_then(|response| response.content.get_mut("application/json"))
            else {
                continue;
            };
            if let (Some(content), example @ (Value::Object(_) | Value::Array(_))) =
                (direct(content), answers[status.as_str()].take())
            {
                content.example = Some(example);
            }
        }
    }
}
