//! What a request may hold and what an answer always holds, said exactly in the description.
//!
//! The same types describe both, and what holds of both is too loose for either: a herd that is entered
//! may leave its choice rule out, a herd that is told never does; an unknown member is refused in a
//! request, and an answer may gain members. So in the description
//!
//! - what is sent is closed to unknown members, and null may stand for what may be left out; what is both
//!   sent and told gets a schema of its own for sending, with `Input` behind its name;
//! - a list that is sent says how long it may be, where its type does not: what every list keeps to;
//! - a merge patch gets one with `Patch` behind its name, in which every member may be left out;
//! - what is told has all its members;
//! - what is made of parts in the code is one object, and what the code calls `Tagged<Herd>`, `Page<Tagged<Herd>>`
//!   and `HerdDetails` is a `Herd`, a `HerdList` and a `NewHerd`: generated clients get their names from here.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;
use utoipa::openapi::{
    self, Object, OneOfBuilder, RefOr, Schema,
    path::{Operation, PathItem},
    schema::{AdditionalProperties, ArrayItems, SchemaType, Type},
};

use crate::domain::form::MOST_ELEMENTS;

/// A problem document has other members beside its own, and not always the list of faults.
const OPEN: &str = "Problem";

/// Members that an answer has only when they are asked for, by the schema whose they are.
const ASKED_FOR: [(&str, &str); 4] =
    [("Tank", "nitrogen"), ("Service", "animal"), ("Service", "withdrawal"), ("Withdrawal", "animal")];

/// Makes the schemas of requests and answers say what holds of each.
pub fn sharpen(api: &mut openapi::OpenApi) {
    let Some(components) = &mut api.components else { return };
    let mut parts = std::mem::take(&mut components.schemas);
    refer_to_items(&mut parts);
    let known: Schemas =
        parts.iter().map(|(name, schema)| (name.clone(), whole_of(&parts, name, schema))).collect();
    let mut told = BTreeSet::new();
    for schema in own(&mut api.paths).flat_map(operations).flat_map(answers) {
        names(&known, schema, &mut told);
    }

    let mut sent = Sent { known: &known, told: &told, schemas: BTreeMap::new() };
    for item in own(&mut api.paths) {
        let bodies =
            [(&mut item.post, Role::Input), (&mut item.put, Role::Input), (&mut item.patch, Role::Patch)];
        for (operation, role) in bodies {
            let body = operation.as_mut().and_then(|operation| operation.request_body.as_mut());
            let contents = body.and_then(direct).into_iter().flat_map(|body| body.content.values_mut());
            for content in contents.filter_map(direct) {
                if let Some(schema) = &mut content.schema {
                    sent.close(schema, role);
                }
            }
        }
    }
    // What else is described, such as what stands in queries, is as it was.
    components.schemas = sent.schemas;
    for (name, schema) in &known {
        components.schemas.entry(name.clone()).or_insert_with(|| schema.clone());
    }

    for schema in own(&mut api.paths).flat_map(operations).flat_map(answers) {
        whole("", schema);
    }
    for name in told {
        if let Some(mut schema) = known.get(&name).cloned() {
            if name != OPEN {
                whole(&name, &mut schema);
            }
            components.schemas.insert(name, schema);
        }
    }
    drop_unmentioned(api);
    rename(api);
}

/// Lets the items of each page be the schema of the thing itself, so that it is the same in a list and alone.
fn refer_to_items(known: &mut Schemas) {
    let mut things = Schemas::new();
    for (name, schema) in known.iter_mut() {
        if let Some(thing) = name.strip_prefix("Page_")
            && let RefOr::T(Schema::Object(page)) = schema
            && let Some(RefOr::T(Schema::Array(list))) = page.properties.get_mut("items")
            && let ArrayItems::RefOrSchema(items) = &mut list.items
        {
            let reference = RefOr::Ref(openapi::Ref::from_schema_name(thing));
            things.insert(thing.to_owned(), std::mem::replace(items, reference));
        }
    }
    for (name, schema) in things {
        known.entry(name).or_insert(schema);
    }
}

/// A schema as one object, where it is a sum of objects.
fn whole_of(known: &Schemas, name: &str, schema: &RefOr<Schema>) -> RefOr<Schema> {
    let Some(mut whole) = joined(known, schema) else { return schema.clone() };
    // The mark of its version does not make it another thing.
    if name.starts_with("Tagged_")
        && let RefOr::T(Schema::AllOf(sum)) = schema
        && let Some(RefOr::T(Schema::AllOf(thing))) = sum.items.first()
    {
        whole.description.clone_from(&thing.description);
    }
    RefOr::T(Schema::Object(whole))
}

/// The one object that a sum of objects is; `None` for what is no sum, or of other things.
fn joined(known: &Schemas, schema: &RefOr<Schema>) -> Option<Object> {
    let RefOr::T(Schema::AllOf(sum)) = schema else { return None };
    let mut whole = Object::with_type(Type::Object);
    whole.description.clone_from(&sum.description);
    for part in &sum.items {
        let part = match part {
            RefOr::Ref(reference) => known.get(name_of(reference))?,
            part @ RefOr::T(_) => part,
        };
        let part = match part {
            RefOr::T(Schema::Object(object)) if !object.properties.is_empty() => object.clone(),
            part => joined(known, part)?,
        };
        whole.properties.extend(part.properties);
        whole.required.extend(part.required);
    }
    Some(whole)
}

/// What a schema is called outside. What stands inside another thing, without the mark of its version, is told in
/// short there; where something else is called so, it is a record.
fn public(name: &str, known: &Schemas) -> String {
    // Languages keep this word for themselves.
    if name == "Class" {
        return "AnimalClass".to_owned();
    }
    if let Some(item) = name.strip_prefix("Page_") {
        let item = item.strip_prefix("Tagged_").unwrap_or(item);
        return format!("{item}List");
    }
    if let Some(thing) = name.strip_prefix("Tagged_") {
        return thing.to_owned();
    }
    if let Some(thing) = name.strip_prefix("WithCautions_") {
        return format!("{thing}WithCautions");
    }
    if let Some(thing) = name.strip_suffix("Details") {
        return format!("New{thing}");
    }
    if known.contains_key(&format!("Tagged_{name}")) {
        let summary = format!("{name}Summary");
        return if known.contains_key(&summary) { format!("{name}Record") } else { summary };
    }
    name.replace("DetailsPatch", "Patch")
}

/// Gives the schemas the names that they have outside.
fn rename(api: &mut openapi::OpenApi) {
    let Some(components) = &mut api.components else { return };
    let before = std::mem::take(&mut components.schemas);
    let names: BTreeMap<_, _> = before
        .keys()
        .map(|name| (name.clone(), public(name, &before)))
        .filter(|(name, to)| name != to)
        .collect();
    for (name, mut schema) in before {
        follow(&names, &mut schema);
        components.schemas.insert(names.get(&name).cloned().unwrap_or(name), schema);
    }
    for operation in own(&mut api.paths).flat_map(operations) {
        let body = operation.request_body.as_mut().and_then(direct);
        let contents = body.into_iter().flat_map(|body| body.content.values_mut()).filter_map(direct);
        contents.filter_map(|content| content.schema.as_mut()).for_each(|schema| follow(&names, schema));
        answers(operation).for_each(|schema| follow(&names, schema));
    }
}

/// Lets a schema refer to others by their new names.
fn follow(names: &BTreeMap<String, String>, schema: &mut RefOr<Schema>) {
    match schema {
        RefOr::Ref(reference) => {
            if let Some(name) = names.get(name_of(reference)) {
                reference.ref_location = format!("#/components/schemas/{name}");
            }
        }
        RefOr::T(schema) => parts_mut(schema).into_iter().for_each(|part| follow(names, part)),
    }
}

/// Drops the schemas to which nothing refers.
pub fn drop_unmentioned(api: &mut openapi::OpenApi) {
    loop {
        let Ok(whole) = serde_json::to_value(&*api) else { return };
        let mut mentioned = BTreeSet::new();
        mentions(&whole, &mut mentioned);
        let Some(components) = &mut api.components else { return };
        let before = components.schemas.len();
        components.schemas.retain(|name, _| mentioned.contains(name));
        if components.schemas.len() == before {
            return;
        }
    }
}

/// Gathers the names of all schemas to which a description refers anywhere.
fn mentions(part: &Value, found: &mut BTreeSet<String>) {
    match part {
        Value::Object(members) => {
            let name = members.get("$ref").and_then(Value::as_str).and_then(|path| path.rsplit('/').next());
            found.extend(name.map(ToOwned::to_owned));
            members.values().for_each(|member| mentions(member, found));
        }
        Value::Array(elements) => elements.iter().for_each(|element| mentions(element, found)),
        _ => {}
    }
}

/// The paths whose bodies are by our own forms; others may follow a standard that says what is open.
fn own(paths: &mut openapi::Paths) -> impl Iterator<Item = &mut PathItem> {
    paths.paths.iter_mut().filter(|(path, _)| path.starts_with("/v1/")).map(|(_, item)| item)
}

/// The operations of a path.
pub fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    methods(item).map(|(_, operation)| operation)
}

/// The operations of a path with their methods.
pub fn methods(item: &mut PathItem) -> impl Iterator<Item = (&'static str, &mut Operation)> {
    let all = [
        ("get", &mut item.get),
        ("post", &mut item.post),
        ("put", &mut item.put),
        ("patch", &mut item.patch),
        ("delete", &mut item.delete),
    ];
    all.into_iter().filter_map(|(method, operation)| operation.as_mut().map(|operation| (method, operation)))
}

fn answers(operation: &mut Operation) -> impl Iterator<Item = &mut RefOr<Schema>> {
    let responses = operation.responses.responses.values_mut().filter_map(direct);
    let contents = responses.flat_map(|response| response.content.values_mut()).filter_map(direct);
    contents.filter_map(|content| content.schema.as_mut())
}

/// What stands here itself, not by reference.
pub fn direct<T>(part: &mut RefOr<T>) -> Option<&mut T> {
    match part {
        RefOr::T(part) => Some(part),
        RefOr::Ref(_) => None,
    }
}

/// Schemas by their names.
pub type Schemas = BTreeMap<String, RefOr<Schema>>;

/// The name of the schema to which that leads.
pub fn name_of(reference: &openapi::Ref) -> &str {
    reference.ref_location.rsplit('/').next().unwrap_or_default()
}

/// The schemas that stand directly in this one.
pub fn parts(schema: &Schema) -> Vec<&RefOr<Schema>> {
    match schema {
        Schema::Object(object) => object.properties.values().collect(),
        Schema::Array(array) => match &array.items {
            ArrayItems::RefOrSchema(items) => vec![&**items],
            ArrayItems::False => Vec::new(),
        },
        Schema::OneOf(options) => options.items.iter().collect(),
        Schema::AllOf(options) => options.items.iter().collect(),
        Schema::AnyOf(options) => options.items.iter().collect(),
        _ => Vec::new(),
    }
}

/// The same to be changed.
pub fn parts_mut(schema: &mut Schema) -> Vec<&mut RefOr<Schema>> {
    match schema {
        Schema::Object(object) => object.properties.values_mut().collect(),
        Schema::Array(array) => match &mut array.items {
            ArrayItems::RefOrSchema(items) => vec![&mut **items],
            ArrayItems::False => Vec::new(),
        },
        Schema::OneOf(options) => options.items.iter_mut().collect(),
        Schema::AllOf(options) => options.items.iter_mut().collect(),
        Schema::AnyOf(options) => options.items.iter_mut().collect(),
        _ => Vec::new(),
    }
}

/// Gathers the names of all that a schema refers to.
fn names(known: &Schemas, schema: &RefOr<Schema>, found: &mut BTreeSet<String>) {
    match schema {
        RefOr::Ref(reference) => {
            let name = name_of(reference);
            if found.insert(name.to_owned())
                && let Some(target) = known.get(name)
            {
                names(known, target, found);
            }
        }
        RefOr::T(schema) => parts(schema).into_iter().for_each(|part| names(known, part, found)),
    }
}

/// Says that every member is there.
fn whole(name: &str, schema: &mut RefOr<Schema>) {
    let RefOr::T(schema) = schema else { return };
    let thing = name.strip_prefix("WithCautions_").unwrap_or(name);
    if let Schema::Object(object) = schema {
        object.required = object
            .properties
            .keys()
            .filter(|name| !ASKED_FOR.contains(&(thing, name.as_str())))
            .cloned()
            .collect();
    }
    for part in parts_mut(schema) {
        whole("", part);
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Role {
    Input,
    Patch,
}

/// The schemas of what is sent, as they are made.
struct Sent<'k> {
    known: &'k Schemas,
    told: &'k BTreeSet<String>,
    schemas: Schemas,
}

impl Sent<'_> {
    /// Closes a schema and all that it refers to.
    fn close(&mut self, schema: &mut RefOr<Schema>, role: Role) {
        match schema {
            RefOr::Ref(reference) => {
                let name = self.version(name_of(reference), role);
                reference.ref_location = format!("#/components/schemas/{name}");
            }
            RefOr::T(schema) => {
                for part in parts_mut(schema) {
                    self.close(part, role);
                }
                if let Schema::Array(list) = schema {
                    list.max_items.get_or_insert(MOST_ELEMENTS);
                }
                if let Schema::Object(object) = schema
                    && !object.properties.is_empty()
                {
                    object.additional_properties = Some(Box::new(AdditionalProperties::FreeForm(false)));
                    let required = &object.required;
                    let optional = object.properties.iter_mut().filter(|(name, _)| !required.contains(name));
                    optional.for_each(|(_, member)| or_null(member));
                    if role == Role::Patch {
                        object.required.clear();
                    }
                }
            }
        }
    }

    /// The name under which that schema is sent.
    fn version(&mut self, name: &str, role: Role) -> String {
        let Some(schema) = self.known.get(name) else { return name.to_owned() };
        // A list is replaced as a whole, also by a patch.
        let role = if matches!(schema, RefOr::T(Schema::Array(_))) { Role::Input } else { role };
        let version = match role {
            _ if !self.holds_members(schema) => name.to_owned(),
            Role::Input if !self.told.contains(name) => name.to_owned(),
            Role::Input => format!("{name}Input"),
            Role::Patch => format!("{name}Patch"),
        };
        if !self.schemas.contains_key(&version) {
            let mut schema = schema.clone();
            self.schemas.insert(version.clone(), schema.clone());
            self.close(&mut schema, role);
            self.schemas.insert(version.clone(), schema);
        }
        version
    }

    /// Whether there are objects in it, or it is a single value.
    fn holds_members(&self, schema: &RefOr<Schema>) -> bool {
        match schema {
            RefOr::Ref(reference) => {
                self.known.get(name_of(reference)).is_some_and(|target| self.holds_members(target))
            }
            RefOr::T(Schema::Object(object)) => !object.properties.is_empty(),
            RefOr::T(schema) => parts(schema).into_iter().any(|part| self.holds_members(part)),
        }
    }
}

/// Lets null stand there too.
fn or_null(schema: &mut RefOr<Schema>) {
    match schema {
        RefOr::T(Schema::Object(Object { schema_type: SchemaType::Array(types), .. }))
            if types.contains(&Type::Null) => {}
        RefOr::T(Schema::OneOf(options)) if options.items.iter().any(is_null) => {}
        other => {
            let options = OneOfBuilder::new().item(other.clone()).item(null());
            *other = Schema::OneOf(options.build()).into();
        }
    }
}

fn null() -> Schema {
    openapi::ObjectBuilder::new().schema_type(Type::Null).build().into()
}

/// Whether that is null and nothing else.
pub fn is_null(schema: &RefOr<Schema>) -> bool {
    matches!(schema, RefOr::T(Schema::Object(object)) if object.schema_type == SchemaType::Type(Type::Null))
}
