//! Single values in the description, written where they stand.
//!
//! The code has a type for each id, name and number; to a client they are texts and numbers with bounds. Some generators
//! lose what refers to such a schema, above all where null may stand there too. So
//!
//! - a text, number or truth value stands where it is used; only lists of words, objects and lists keep schemas of their own;
//! - where null may stand for one of these, that is one more type; what refers to a schema is `oneOf` that and null;
//! - every whole number says how large it may be;
//! - what is said of a member stands at the member, not inside its `oneOf`.

use std::collections::BTreeMap;

use utoipa::openapi::{
    Object, OneOf, OpenApi, RefOr, Schema,
    schema::{KnownFormat, SchemaFormat, SchemaType, Type},
};

use super::every_schema;
use crate::http::schemas::{Schemas, is_null, name_of};

/// Writes single values where they stand.
pub fn simplify(api: &mut OpenApi) {
    let schemas = api.components.iter().flat_map(|components| &components.schemas);
    let single: Schemas = schemas
        .filter(|(_, schema)| matches!(schema, RefOr::T(Schema::Object(object)) if is_single(object)))
        .map(|(name, schema)| (name.clone(), schema.clone()))
        .collect();
    every_schema(api, &mut |schema| {
        write_here(&single, schema);
        join_null(schema);
        say_how_large(schema);
    });
}

/// A text, number or truth value, of no list.
fn is_single(object: &Object) -> bool {
    let SchemaType::Type(kind) = &object.schema_type else { return false };
    object.enum_values.is_none()
        && matches!(kind, Type::String | Type::Number | Type::Integer | Type::Boolean)
}

/// Puts a single value in the place of a reference to it, with what is said of it here.
fn write_here(single: &BTreeMap<String, RefOr<Schema>>, schema: &mut RefOr<Schema>) {
    let RefOr::Ref(reference) = schema else { return };
    let Some(RefOr::T(Schema::Object(object))) = single.get(name_of(reference)) else { return };
    let mut object = object.clone();
    if !reference.description.is_empty() {
        object.description = Some(std::mem::take(&mut reference.description));
    }
    *schema = RefOr::T(Schema::Object(object));
}

/// A whole number of which the code says no more is one of 64 bits.
fn say_how_large(schema: &mut RefOr<Schema>) {
    let RefOr::T(Schema::Object(object)) = schema else { return };
    let is_whole = match &object.schema_type {
        SchemaType::Type(kind) => *kind == Type::Integer,
        SchemaType::Array(kinds) => kinds.contains(&Type::Integer),
        SchemaType::AnyValue => false,
    };
    if is_whole && object.format.is_none() {
        object.format = Some(SchemaFormat::KnownFormat(KnownFormat::Int64));
    }
}

/// Makes of "this or null" one schema where it can be, else says at the top what is said of it.
fn join_null(schema: &mut RefOr<Schema>) {
    let RefOr::T(Schema::OneOf(options)) = schema else { return };
    let description = options.description.take();
    if let Some(mut joined) = with_null(options) {
        match &mut joined {
            Schema::Object(object) => object.description = description.or(object.description.take()),
            Schema::Array(array) => array.description = description.or(array.description.take()),
            _ => {}
        }
        *schema = RefOr::T(joined);
        return;
    }
    let inner = options.items.iter_mut().find_map(|item| match item {
        RefOr::Ref(reference) if !reference.description.is_empty() => {
            Some(std::mem::take(&mut reference.description))
        }
        _ => None,
    });
    options.description = description.or(inner);
}

/// The one schema that "this or null" is.
fn with_null(options: &OneOf) -> Option<Schema> {
    let [this, null] = options.items.as_slice() else { return None };
    let RefOr::T(this) = this else { return None };
    if !is_null(null) {
        return None;
    }
    let or_null = |types: &mut SchemaType| {
        if let SchemaType::Type(kind) = types {
            *types = SchemaType::Array(vec![kind.clone(), Type::Null]);
        }
    };
    let mut this = this.clone();
    match &mut this {
        Schema::Object(object) if is_single(object) => or_null(&mut object.schema_type),
        Schema::Array(array) => or_null(&mut array.schema_type),
        _ => return None,
    }
    Some(this)
}
