//! Examples of what is sent and answered: those of the description, else one made from the schema.

use std::fmt::Write as _;

use serde_json::{Map, Value};

use crate::http::{
    docs::schema::{Shape, options, plain, resolved},
    docs::text::words,
    markup::escaped,
};

/// How deep an example goes.
const DEEPEST: usize = 8;

/// An example with what it shows.
pub struct Example {
    label: String,
    value: Value,
    /// Nobody wrote it: it only has the right form.
    is_made: bool,
}

/// What is an example of a media type's content; `is_sent` in a request, where what may be left out is.
pub fn of_media(api: &Value, media: &Value, is_sent: bool) -> Vec<Example> {
    let written = |label: &str, value: &Value| Example {
        label: label.to_owned(),
        value: value.clone(),
        is_made: false,
    };
    if let Some(value) = media.get("example") {
        return vec![written("", value)];
    }
    let named = media["examples"].as_object().into_iter().flatten().filter_map(|(name, example)| {
        let example = resolved(api, example);
        let label = ["summary", "description"].iter().find_map(|member| example[member].as_str());
        Some(written(label.unwrap_or(name), example.get("value")?))
    });
    let named: Vec<_> = named.collect();
    if !named.is_empty() {
        return named;
    }
    let schema = &media["schema"];
    if let Some(value) = Shape::of(api, schema).example {
        return vec![written("", value)];
    }
    let made = Maker { api, is_sent }.value(schema, &mut Vec::new());
    made.map(|value| Example { label: String::new(), value, is_made: true }).into_iter().collect()
}

/// The examples of a media type, each to be copied, or to be sent from the page.
pub fn html(api: &Value, kind: &str, media: &Value, is_sent: bool) -> String {
    let is_json = kind.ends_with("json") && kind != "application/x-ndjson";
    let mut out = String::new();
    for example in of_media(api, media, is_sent) {
        // Of what is no JSON only what somebody wrote is an example.
        if example.is_made && !is_json {
            continue;
        }
        let text = if is_json {
            serde_json::to_string_pretty(&example.value).unwrap_or_default()
        } else {
            plain(&example.value)
        };
        let label = match (example.label.is_empty(), example.is_made) {
            (false, _) => format!("Example: {}", words(&example.label)),
            (true, false) => "Example".to_owned(),
            (true, true) => "Its form, with made-up values".to_owned(),
        };
        let _ = write!(
            out,
            "<figure class=\"example\" data-media=\"{}\"><figcaption>{label}</figcaption><pre>{}</pre></figure>",
            escaped(kind),
            escaped(&text)
        );
    }
    out
}

/// Makes an example from a schema.
struct Maker<'a> {
    api: &'a Value,
    is_sent: bool,
}

impl<'a> Maker<'a> {
    fn value(&self, schema: &'a Value, within: &mut Vec<&'a str>) -> Option<Value> {
        let shape = Shape::of(self.api, schema);
        if let Some(example) = shape.example {
            return Some(example.clone());
        }
        let schema = shape.schema;
        let said =
            ["const", "default"].iter().find_map(|name| schema.get(name)).or_else(|| schema["enum"].get(0));
        if let Some(said) = said {
            return Some(said.clone());
        }
        let name = shape.name.unwrap_or_default();
        if within.len() >= DEEPEST || (!name.is_empty() && within.contains(&name)) {
            return None;
        }
        within.push(name);
        let made = self.of_shape(&shape, within);
        within.pop();
        made
    }

    fn of_shape(&self, shape: &Shape<'a>, within: &mut Vec<&'a str>) -> Option<Value> {
        let members = shape.members(self.api);
        if !members.is_empty() {
            let mut object = Map::new();
            for (name, member, is_required) in members {
                if !is_required && self.is_sent {
                    continue;
                }
                object.insert(name.to_owned(), self.value(member, within).unwrap_or_default());
            }
            return Some(object.into());
        }
        if let Some(items) = shape.items() {
            return Some(Value::Array(self.value(items, within).into_iter().collect()));
        }
        if let Some(form) = options(shape.schema).next() {
            return self.value(form, within);
        }
        Some(if shape.is("string") {
            of_text(shape.schema["format"].as_str()).into()
        } else if shape.is("integer") || shape.is("number") {
            shape.schema.get("minimum").cloned().unwrap_or_else(|| 1.into())
        } else if shape.is("boolean") {
            false.into()
        } else if shape.is("null") {
            Value::Null
        } else {
            Map::new().into()
        })
    }
}

/// Formats of JSON Schema 2020-12 (Validation, section 7.3).
fn of_text(format: Option<&str>) -> &'static str {
    match format {
        Some("uuid") => "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa",
        Some("date-time") => "2026-03-02T05:10:00Z",
        Some("date") => "2026-03-02",
        Some("time") => "05:10:00",
        Some("uri") => "https://farm.example/",
        _ => "...",
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn what_is_written_goes_before_what_is_made() {
        let schema = json!({"type": "object", "required": ["id"], "properties": {
            "id": {"type": "string", "format": "uuid"}, "note": {"type": "string", "example": "Lame."},
            "deep": {"type": "array", "items": {"type": "integer", "minimum": 3}}}});
        let api = json!({"components": {"examples": {"x": {"summary": "Two", "value": 2}}}});
        let one = |media: &Value, is_sent| {
            let mut all = of_media(&api, media, is_sent);
            let one = all.remove(0);
            (one.label, one.value, one.is_made)
        };
        let id = "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa";
        let media = json!({"schema": schema});
        assert_eq!(one(&media, true), (String::new(), json!({"id": id}), true));
        let whole = json!({"id": id, "note": "Lame.", "deep": [3]});
        assert_eq!(one(&media, false), (String::new(), whole, true));
        let media = json!({"schema": schema, "example": null});
        assert_eq!(one(&media, true), (String::new(), Value::Null, false));
        let media = json!({"schema": schema, "examples": {"a": {"$ref": "#/components/examples/x"}}});
        assert_eq!(one(&media, true), ("Two".to_owned(), json!(2), false));
    }

    #[test]
    fn what_is_within_itself_ends() {
        let api = json!({"components": {"schemas": {"A": {"type": "object", "required": ["a"],
            "properties": {"a": {"oneOf": [{"$ref": "#/components/schemas/A"}, {"type": "null"}]}}}}}});
        let media = json!({"schema": {"$ref": "#/components/schemas/A"}});
        assert_eq!(of_media(&api, &media, false)[0].value, json!({"a": null}));
    }
}
