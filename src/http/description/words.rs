//! What is said of operations that are like many others, where the route itself says nothing more.

use utoipa::openapi::{OpenApi, RefOr, path::Operation};

use crate::http::schemas::methods;

/// Gives every operation a description.
pub fn complete(api: &mut OpenApi) {
    for (path, item) in &mut api.paths.paths {
        for (method, operation) in methods(item) {
            if operation.description.is_none() && method == "get" {
                operation.description = Some(read(path, operation));
            }
        }
    }
}

/// What holds of a read.
fn read(path: &str, operation: &Operation) -> String {
    let mut parameters = operation.parameters.iter().flatten();
    let is_list =
        parameters.any(|parameter| matches!(parameter, RefOr::T(parameter) if parameter.name == "cursor"));
    let mut told = if is_list {
        "A page at a time: `next_cursor`, with the same filters, leads to the next. Filters hold together."
            .to_owned()
    } else {
        "As it stands in this business's book.".to_owned()
    };
    if path.contains('{') && !is_list {
        told.push_str(" What is another business's is not there.");
    }
    if operation.responses.responses.contains_key("304") {
        told.push_str(" With its ETag as If-None-Match it is told only when it is another by now.");
    }
    told
}
