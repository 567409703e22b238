//! A schema for people: its members with all that is said of them, those within them too.

use std::fmt::Write as _;

use serde_json::Value;

use crate::http::{
    docs::text::{paragraphs, words},
    markup::escaped,
};

/// What begins every reference to a schema.
const SCHEMAS: &str = "#/components/schemas/";

/// What a reference leads to; everything else is what it is.
pub fn resolved<'a>(api: &'a Value, thing: &'a Value) -> &'a Value {
    let reference = thing["$ref"].as_str().and_then(|path| path.strip_prefix('#'));
    reference.and_then(|pointer| api.pointer(pointer)).unwrap_or(thing)
}

/// A schema with references followed and null set aside.
#[derive(Clone, Copy)]
pub struct Shape<'a> {
    /// Its name among the schemas.
    pub name: Option<&'a str>,
    /// What is said of this use of it, else of it.
    pub description: &'a str,
    /// The example of this use of it, else its own.
    pub example: Option<&'a Value>,
    pub schema: &'a Value,
    pub is_nullable: bool,
}

impl<'a> Shape<'a> {
    pub fn of(api: &'a Value, schema: &'a Value) -> Self {
        let mut shape = Self { name: None, description: "", example: None, schema, is_nullable: false };
        // What refers to nothing but itself ends all the same.
        for _ in 0..8 {
            let schema = shape.schema;
            if shape.description.is_empty() {
                shape.description = schema["description"].as_str().unwrap_or_default();
            }
            shape.example =
                shape.example.or_else(|| schema.get("example")).or_else(|| schema["examples"].get(0));
            shape.is_nullable |= kinds(schema).any(|kind| kind == "null");
            let next = if let Some(path) = schema["$ref"].as_str() {
                shape.name = shape.name.or_else(|| path.strip_prefix(SCHEMAS));
                resolved(api, schema)
            } else if let Some(only) = only_part(schema) {
                shape.is_nullable |= options(schema).any(is_null);
                only
            } else {
                return shape;
            };
            shape.schema = next;
        }
        shape
    }

    /// The members with their schemas, and whether each is required; of a sum those of all its parts, the last one's way.
    pub fn members(&self, api: &'a Value) -> Vec<(&'a str, &'a Value, bool)> {
        let mut found = Vec::new();
        gather(api, self.schema, &mut found, 0);
        found
    }

    /// What a list holds.
    pub fn items(&self) -> Option<&'a Value> {
        self.schema.get("items").filter(|items| items.is_object())
    }

    /// Whether it is of that kind.
    pub fn is(&self, kind: &str) -> bool {
        kinds(self.schema).any(|is| is == kind)
    }
}

fn gather<'a>(api: &'a Value, schema: &'a Value, found: &mut Vec<(&'a str, &'a Value, bool)>, depth: usize) {
    if depth > 8 {
        return;
    }
    let schema = resolved(api, schema);
    for part in list(&schema["allOf"]) {
        gather(api, part, found, depth + 1);
    }
    for (name, member) in schema["properties"].as_object().into_iter().flatten() {
        let is_required = list(&schema["required"]).any(|required| required == name);
        match found.iter_mut().find(|(known, ..)| known == name) {
            Some(known) => *known = (name, member, is_required || known.2),
            None => found.push((name, member, is_required)),
        }
    }
}

fn list(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}

/// The kinds of value that it may be.
fn kinds(schema: &Value) -> impl Iterator<Item = &str> {
    schema["type"].as_str().into_iter().chain(list(&schema["type"]).filter_map(Value::as_str))
}

fn is_null(schema: &Value) -> bool {
    schema["type"] == "null"
}

/// What it is one of, but for null.
pub fn options(schema: &Value) -> impl Iterator<Item = &Value> {
    list(&schema["oneOf"]).chain(list(&schema["anyOf"]))
}

/// What a schema is that only says that it may be null too, or that is a sum of one.
fn only_part(schema: &Value) -> Option<&Value> {
    let mut others = options(schema).filter(|option| !is_null(option));
    if let Some(only) = others.next() {
        return others.next().is_none().then_some(only);
    }
    let parts = schema["allOf"].as_array()?;
    (parts.len() == 1 && schema["properties"].is_null()).then(|| &parts[0])
}

/// The members of a schema as a list; those within members too, unless they are told `by_name`.
pub fn members_html(api: &Value, schema: &Value, by_name: bool) -> String {
    let mut out = String::new();
    let mut writer = Members { api, by_name, within: Vec::new(), out: &mut out };
    writer.inner(schema);
    out
}

/// How many levels stand open.
const OPEN: usize = 2;

struct Members<'a, 'o> {
    api: &'a Value,
    by_name: bool,
    /// The schemas that are being told, so that none is told within itself.
    within: Vec<&'a str>,
    out: &'o mut String,
}

impl<'a> Members<'a, '_> {
    /// What is within a schema: its members, those of its items, each of its forms.
    fn inner(&mut self, schema: &'a Value) {
        let shape = Shape::of(self.api, schema);
        if let Some(name) = shape.name {
            if self.within.contains(&name) {
                return;
            }
            self.within.push(name);
        }
        let members = shape.members(self.api);
        if !members.is_empty() {
            self.out.push_str("<ul class=\"members\">");
            for (name, member, is_required) in members {
                self.member(name, member, is_required);
            }
            self.out.push_str("</ul>");
        }
        if let Some(items) = shape.items() {
            self.inner(items);
        }
        for option in options(shape.schema).filter(|option| has_inner(self.api, option)) {
            let _ = write!(self.out, "<p>One form: {}</p>", type_html(self.api, option));
            self.inner(option);
        }
        let others = &shape.schema["additionalProperties"];
        if has_inner(self.api, others) {
            self.out.push_str("<p>Under each name:</p>");
            self.inner(others);
        }
        if shape.name.is_some() {
            self.within.pop();
        }
    }

    fn member(&mut self, name: &str, schema: &'a Value, is_required: bool) {
        let shape = Shape::of(self.api, schema);
        self.out.push_str("<li>");
        line_html(self.out, self.api, name, schema, is_required);
        let is_known = |name: &str| self.within.contains(&name);
        let known = shape.name.is_some_and(is_known)
            || shape.items().and_then(|items| Shape::of(self.api, items).name).is_some_and(is_known);
        if !self.by_name && !known && has_inner(self.api, schema) {
            let open = if self.within.len() <= OPEN { " open" } else { "" };
            let _ =
                write!(self.out, "<details{open}><summary>within <code>{}</code></summary>", escaped(name));
            self.inner(schema);
            self.out.push_str("</details>");
        }
        self.out.push_str("</li>");
    }
}

/// Whether there is something within.
fn has_inner(api: &Value, schema: &Value) -> bool {
    fn look(api: &Value, schema: &Value, depth: usize) -> bool {
        let shape = Shape::of(api, schema);
        !shape.members(api).is_empty()
            || (depth < 4
                && (shape.items().is_some_and(|items| look(api, items, depth + 1))
                    || options(shape.schema).any(|option| look(api, option, depth + 1))
                    || look(api, &shape.schema["additionalProperties"], depth + 1)))
    }
    look(api, schema, 0)
}

/// One name with its type, unit, range and description.
pub fn line_html(out: &mut String, api: &Value, name: &str, schema: &Value, is_required: bool) {
    let shape = Shape::of(api, schema);
    let unit = unit(api, name, &shape);
    let _ = write!(out, "<p><code class=\"name\">{}</code> <span class=\"type\">", escaped(name));
    typed(out, api, schema, unit, 0);
    out.push_str(if is_required { "</span> <b class=\"required\">required</b></p>" } else { "</span></p>" });
    out.push_str(&paragraphs(shape.description));
}

/// What kind of value it is, with the name of its schema and what holds of it.
pub fn type_html(api: &Value, schema: &Value) -> String {
    let mut out = String::from("<span class=\"type\">");
    typed(&mut out, api, schema, None, 0);
    out.push_str("</span>");
    out
}

fn typed(out: &mut String, api: &Value, schema: &Value, unit: Option<&str>, depth: usize) {
    let shape = Shape::of(api, schema);
    if let Some(name) = shape.name {
        let _ = write!(out, "<a href=\"#schema-{0}\">{0}</a> ", escaped(name));
    }
    if depth > 3 {
        return;
    }
    let forms: Vec<_> = options(shape.schema).filter(|option| !is_null(option)).collect();
    if let Some(items) = shape.items() {
        out.push_str("list of ");
        typed(out, api, items, unit, depth + 1);
    } else if forms.len() > 1 {
        for (n, form) in forms.iter().enumerate() {
            out.push_str(if n == 0 { "" } else { " or " });
            typed(out, api, form, unit, depth + 1);
        }
    } else {
        let kinds: Vec<_> = kinds(shape.schema).filter(|kind| *kind != "null").collect();
        out.push_str(&if kinds.is_empty() { "object".to_owned() } else { escaped(&kinds.join(" or ")) });
        if let Some(format) = shape.schema["format"].as_str().filter(|format| !is_of_machine(format)) {
            let _ = write!(out, " ({})", escaped(format));
        }
        if let Some(unit) = unit {
            let _ = write!(out, " in {}", escaped(unit));
        }
    }
    let limits = limits(shape.schema);
    for said in &limits {
        let _ = write!(out, ", {said}");
    }
    let values: Vec<_> = values(shape.schema).collect();
    if !values.is_empty() {
        let values: Vec<_> = values.iter().map(|value| format!("<code>{}</code>", escaped(value))).collect();
        let _ = write!(out, ": {}", values.join(", "));
    }
    if shape.is_nullable {
        out.push_str(if limits.is_empty() && values.is_empty() { " or null" } else { ", or null" });
    }
}

/// Says how wide a number is in a program, and no more than its kind does.
fn is_of_machine(format: &str) -> bool {
    matches!(format, "int32" | "int64" | "float" | "double") || format.starts_with("uint")
}

/// The values that it may have, where those are listed; but for null.
pub fn values(schema: &Value) -> impl Iterator<Item = String> {
    list(&schema["enum"]).chain(schema.get("const")).filter(|value| !value.is_null()).map(plain)
}

/// A value as it is written in JSON, text without its quotation marks.
pub fn plain(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_owned)
}

/// The ranges: of a number, of the length of a text, of how many a list holds; a pattern; what stands for nothing.
fn limits(schema: &Value) -> Vec<String> {
    let range = |least: &str, most: &str, of: &str| {
        let known = |name: &str| schema.get(name).filter(|value| value.is_number()).map(Value::to_string);
        match (known(least), known(most)) {
            (Some(least), Some(most)) if least == most => Some(format!("{least}{of}")),
            (Some(least), Some(most)) => Some(format!("{least} to {most}{of}")),
            (Some(least), None) => Some(format!("at least {least}{of}")),
            (None, Some(most)) => Some(format!("at most {most}{of}")),
            (None, None) => None,
        }
    };
    let said = |name: &str, words: &str| {
        let value = schema.get(name).filter(|value| !value.is_null());
        value.map(|value| format!("{words} <code>{}</code>", escaped(&plain(value))))
    };
    let numbers = [
        range("minimum", "maximum", ""),
        range("exclusiveMinimum", "exclusiveMaximum", ", both excluded"),
        range("minLength", "maxLength", " characters"),
        range("minItems", "maxItems", " items"),
        said("multipleOf", "a multiple of"),
        said("pattern", "matches"),
        said("default", "by default"),
    ];
    numbers.into_iter().flatten().collect()
}

/// Ends of names, and the units that they say.
const UNITS: [(&[&str], &str); 12] = [
    (&["l", "per", "day"], "litres a day"),
    (&["litres", "per", "day"], "litres a day"),
    (&["mm"], "millimetres"),
    (&["c"], "degrees Celsius"),
    (&["ml"], "millilitres"),
    (&["l"], "litres"),
    (&["kg"], "kilograms"),
    (&["ms"], "milliseconds"),
    (&["s"], "seconds"),
    (&["minutes"], "minutes"),
    (&["hours"], "hours"),
    (&["days"], "days"),
];

/// In what a number is measured: as the schema says, or by the end of its name.
fn unit<'a>(api: &'a Value, name: &str, shape: &Shape<'a>) -> Option<&'a str> {
    if let Some(unit) = shape.schema["x-unit"].as_str() {
        return Some(unit);
    }
    let inner = shape.items().map_or(*shape, |items| Shape::of(api, items));
    if !inner.is("integer") && !inner.is("number") {
        return None;
    }
    let parts: Vec<_> = name.split('_').collect();
    // A name of one letter is a name.
    let found = UNITS.iter().find(|(end, _)| parts.ends_with(end) && (parts.len() > 1 || name.len() > 2));
    found.map(|(_, unit)| *unit)
}

/// The schemas by name, each with an anchor; what is within one is told by its name.
pub fn schemas_html(api: &Value) -> String {
    let mut out = String::new();
    for (name, schema) in api["components"]["schemas"].as_object().into_iter().flatten() {
        let description = schema["description"].as_str().unwrap_or_default();
        let first = first_sentence(description);
        // What stands above already is not repeated.
        let rest = if first == description.trim_end_matches('.') { "" } else { description };
        let _ = write!(
            out,
            "<details class=\"entry schema\" id=\"schema-{name}\"><summary><h3><code>{name}</code></h3> <span>{first}</span></summary>\
             <p>{kind}</p>{description}{members}</details>",
            name = escaped(name),
            first = words(first),
            kind = type_html(api, schema),
            description = paragraphs(rest),
            members = members_html(api, schema, true),
        );
    }
    out
}

fn first_sentence(text: &str) -> &str {
    let end = [". ", ": ", "; ", "\n"].iter().filter_map(|end| text.find(end)).min();
    text[..end.unwrap_or(text.len())].trim_end_matches('.')
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn api() -> Value {
        json!({"components": {"schemas": {
            "Depth": {"type": "integer", "description": "A depth in millimetres.", "minimum": 0, "maximum": 5000},
            "Node": {"type": "object", "required": ["depth_mm"], "properties": {
                "depth_mm": {"$ref": "#/components/schemas/Depth"},
                "next": {"oneOf": [{"$ref": "#/components/schemas/Node", "description": "The one below <it>."}, {"type": "null"}]},
                "colour": {"type": ["string", "null"], "enum": ["red", "blue"]}
            }},
            "Sum": {"allOf": [{"$ref": "#/components/schemas/Node"}, {"type": "object", "required": ["colour"],
                "properties": {"colour": {"type": "string", "const": "red"}, "of": {"type": "array",
                "maxItems": 3, "items": {"$ref": "#/components/schemas/Inner"}}}}]},
            "Inner": {"type": "object", "properties": {"deepest": {"type": "boolean"}}}
        }}})
    }

    #[test]
    fn a_member_is_told_with_type_range_unit_and_whether_it_is_required() {
        let api = api();
        let told = members_html(&api, &json!({"$ref": "#/components/schemas/Node"}), false);
        for said in [
            "<code class=\"name\">depth_mm</code> <span class=\"type\"><a href=\"#schema-Depth\">Depth</a> integer in millimetres, 0 to 5000</span> \
             <b class=\"required\">required</b>",
            "A depth in millimetres.",
            "The one below &lt;it&gt;.",
            "object or null",
            "string: <code>red</code>, <code>blue</code>, or null",
        ] {
            assert!(told.contains(said), "{said} is not in {told}");
        }
        // A schema is not told within itself, for ever.
        assert_eq!(told.matches("depth_mm").count(), 1);
    }

    #[test]
    fn a_sum_is_one_list_and_what_is_within_a_list_is_told() {
        let api = api();
        let told = members_html(&api, &json!({"$ref": "#/components/schemas/Sum"}), false);
        // Its own, and that of the one within `next`.
        assert_eq!(told.matches("<code class=\"name\">colour</code>").count(), 2);
        assert!(told.contains("string: <code>red</code></span> <b class=\"required\">required"), "{told}");
        assert!(told.contains("deepest") && told.contains("at most 3 items"), "{told}");
        let by_name = members_html(&api, &json!({"$ref": "#/components/schemas/Sum"}), true);
        assert!(!by_name.contains("deepest") && by_name.contains("#schema-Inner"), "{by_name}");
    }
}
