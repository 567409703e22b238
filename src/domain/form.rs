//! Reading what a client sent, so that every fault is named at once.
//!
//! A technician who posts a delivery with three mistakes should hear of three mistakes, each
//! with the place where it stands and what would be right, not of one after the other. Serde
//! stops at the first, so requests are read by [`form!`](crate::form!) structs instead:
//! each field is read on its own, faults are gathered, and what no field claims is refused.

use std::fmt::Write as _;

use serde_json::{Map, Value};

/// One thing that is wrong with a request, and where.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
pub struct Fault {
    /// JSON Pointer (RFC 6901) in URI fragment form to the value at fault, such as `#/place/canister`;
    /// for a query parameter its name.
    #[schema(example = "#/straws", max_length = 1000)]
    pub pointer: String,
    /// What is wrong and what would be right.
    #[schema(example = "must be a whole number from 1 to 100000", max_length = 2000)]
    pub detail: String,
}

/// Faults that one request is told of at most; who mends these hears of the others.
pub const MOST_FAULTS: usize = 100;

/// Characters of a pointer and of a detail, so that no answer grows with what was sent.
const LONGEST_POINTER: usize = 1000;
const LONGEST_DETAIL: usize = 2000;

impl Fault {
    /// A fault at one of the top fields of a body, or at a path below one.
    pub fn at(field: &str, detail: impl Into<String>) -> Self {
        Self { pointer: format!("#/{field}"), detail: shortened(detail.into(), LONGEST_DETAIL) }
    }
}

/// Where in the request reading has got to. Each spot only refers to the one around it; the pointer is
/// written when a fault is told.
#[derive(Clone, Copy, Debug)]
pub struct InputPath<'p> {
    inside: Option<(&'p InputPath<'p>, Step<'p>)>,
    /// Query parameters are all text: numbers and `true` may stand in it.
    text_only: bool,
    /// What may stand here too and was read before.
    beside: &'p [&'p str],
}

/// The last part of a spot.
#[derive(Clone, Copy, Debug)]
enum Step<'p> {
    Member(&'p str),
    Element(usize),
}

impl<'p> InputPath<'p> {
    /// The top of a JSON body.
    pub const fn body() -> Self {
        Self { inside: None, text_only: false, beside: &[] }
    }

    /// The query string, whose parameters are named without a pointer.
    pub const fn query() -> Self {
        Self { inside: None, text_only: true, beside: &[] }
    }

    /// The same, where members of these names were read before: they are known here too.
    #[must_use]
    pub const fn beside(self, beside: &'p [&'p str]) -> Self {
        Self { beside, ..self }
    }

    /// The member `name` of this spot.
    #[must_use]
    pub const fn member<'i>(&'i self, name: &'i str) -> InputPath<'i> {
        InputPath { inside: Some((self, Step::Member(name))), text_only: self.text_only, beside: &[] }
    }

    /// The element of that number, from 0, of this spot.
    #[must_use]
    pub const fn element(&self, number: usize) -> InputPath<'_> {
        InputPath { inside: Some((self, Step::Element(number))), text_only: self.text_only, beside: &[] }
    }

    /// A fault here.
    pub fn fault(&self, detail: impl Into<String>) -> Fault {
        let mut steps: Vec<Step<'p>> =
            std::iter::successors(self.inside, |(around, _)| around.inside).map(|(_, step)| step).collect();
        steps.reverse();
        let mut pointer = if self.text_only { String::new() } else { "#".to_owned() };
        for step in steps {
            if pointer.len() > LONGEST_POINTER {
                break;
            }
            if !self.text_only {
                pointer.push('/');
            }
            match step {
                Step::Member(name) => {
                    let name: String = name.chars().take(LONGEST_POINTER).collect();
                    pointer.push_str(&name.replace('~', "~0").replace('/', "~1"));
                }
                Step::Element(number) => {
                    let _ = write!(pointer, "{number}");
                }
            }
        }
        Fault {
            pointer: shortened(pointer, LONGEST_POINTER),
            detail: shortened(detail.into(), LONGEST_DETAIL),
        }
    }

    /// Whether values here are written as text, as in a query string.
    pub fn is_text_only(&self) -> bool {
        self.text_only
    }
}

/// Not more of a text than so many characters; that something is left out can be seen.
fn shortened(text: String, longest: usize) -> String {
    if text.len() <= longest || text.chars().count() <= longest {
        return text;
    }
    text.chars().take(longest - 3).chain("...".chars()).collect()
}

/// A value that can be read from what a client sent.
pub trait Field: Sized {
    /// Reads `value`; adds to `faults` and gives `None` when it is not right.
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self>;

    /// What stands for a field that was not sent. `None` makes the field required.
    fn absent() -> Option<Self> {
        None
    }
}

impl<T: Field> Field for Option<T> {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        T::read(value, spot, faults).map(Some)
    }

    fn absent() -> Option<Self> {
        Some(None)
    }
}

/// How many elements a list in a request may have where nothing else is said.
pub const MOST_ELEMENTS: usize = 100;

impl<T: Field> Field for Vec<T> {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        let Value::Array(elements) = value else {
            faults.push(spot.fault(format!("must be a list, not {}", kind(value))));
            return None;
        };
        if elements.len() > MOST_ELEMENTS {
            faults.push(
                spot.fault(format!("must have at most {MOST_ELEMENTS} elements, not {}", elements.len())),
            );
            return None;
        }
        read_each(elements, spot, faults)
    }
}

/// Reads all elements of a list, until there are enough faults to tell.
pub fn read_each<T: Field>(elements: &[Value], spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Vec<T>> {
    let before = faults.len();
    let mut read = Vec::with_capacity(elements.len());
    for (n, element) in elements.iter().enumerate() {
        read.extend(T::read(element, &spot.element(n), faults));
        if faults.len() > MOST_FAULTS {
            break;
        }
    }
    (faults.len() == before).then_some(read)
}

impl Field for bool {
    fn read(value: &Value, spot: &InputPath, faults: &mut Vec<Fault>) -> Option<Self> {
        match value {
            Value::Bool(yes) => Some(*yes),
            Value::String(text) if spot.is_text_only() && text == "true" => Some(true),
            Value::String(text) if spot.is_text_only() && text == "false" => Some(false),
            other => {
                faults.push(spot.fault(format!("must be true or false, not {}", kind(other))));
                None
            }
        }
    }
}

/// Any JSON value, for what is kept as it came.
impl Field for Value {
    fn read(value: &Value, _: &InputPath, _: &mut Vec<Fault>) -> Option<Self> {
        Some(value.clone())
    }
}

/// A whole number, also when written `87.0` or `8.7e1`: JSON Schema counts those as integers.
pub fn whole_number(value: &Value, spot: &InputPath) -> Option<i64> {
    /// Beyond this a double no longer holds every whole number.
    const EXACT: f64 = 9_007_199_254_740_992.0;
    match value {
        Value::Number(number) => number.as_i64().or_else(|| {
            let float = number.as_f64()?;
            #[expect(clippy::cast_possible_truncation, reason = "whole and within the exact range")]
            (float.fract() == 0.0 && float.abs() <= EXACT).then_some(float as i64)
        }),
        Value::String(text) if spot.is_text_only() => text.parse().ok(),
        _ => None,
    }
}

/// The members of one JSON object, taken out one after the other.
pub struct Fields<'v> {
    members: Option<&'v Map<String, Value>>,
    taken: Vec<&'static str>,
    spot: &'v InputPath<'v>,
}

impl<'v> Fields<'v> {
    /// Starts on `value`, which must be an object.
    pub fn of(value: &'v Value, spot: &'v InputPath<'v>, faults: &mut Vec<Fault>) -> Self {
        let members = value.as_object();
        if members.is_none() {
            faults.push(spot.fault(format!("must be a JSON object, not {}", kind(value))));
        }
        Self { members, taken: Vec::new(), spot }
    }

    /// Reads the member `name`; absent and null mean the same.
    pub fn take<T: Field>(&mut self, name: &'static str, faults: &mut Vec<Fault>) -> Option<T> {
        self.take_or(name, T::absent, faults)
    }

    /// Reads the member `name`, with `default` where it was not sent.
    pub fn take_or<T: Field>(
        &mut self,
        name: &'static str,
        default: impl FnOnce() -> Option<T>,
        faults: &mut Vec<Fault>,
    ) -> Option<T> {
        self.taken.push(name);
        let spot = self.spot.member(name);
        match self.members?.get(name) {
            None | Some(Value::Null) => default().or_else(|| {
                faults.push(spot.fault("is required"));
                None
            }),
            Some(value) => T::read(value, &spot, faults),
        }
    }

    /// Refuses every member that was not taken; at the first it says what is known.
    pub fn finish(self, faults: &mut Vec<Fault>) {
        let members = self.members.into_iter().flat_map(Map::keys);
        for (n, name) in members.filter(|name| !self.taken.contains(&name.as_str())).enumerate() {
            if faults.len() > MOST_FAULTS {
                break;
            }
            let known: Vec<&str> = self.taken.iter().chain(self.spot.beside).copied().collect();
            let detail = match (n, known.as_slice()) {
                (0, []) => "is not known here; nothing may stand here".to_owned(),
                (0, known) => format!("is not known here; known are {}", known.join(", ")),
                _ => "is not known here".to_owned(),
            };
            faults.push(self.spot.member(name).fault(detail));
        }
    }
}

/// A field's name as clients write it: without the mark of a raw identifier.
pub fn plain(name: &'static str) -> &'static str {
    name.strip_prefix("r#").unwrap_or(name)
}

/// Names the kind of a JSON value for a message.
pub fn kind(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "true or false",
        Value::Number(_) => "a number",
        Value::String(_) => "text",
        Value::Array(_) => "a list",
        Value::Object(_) => "an object",
    }
}

/// Reads a whole request; all faults if there is one.
pub fn read<T: Field>(value: &Value, spot: &InputPath) -> Result<T, Vec<Fault>> {
    let mut faults = Vec::new();
    match T::read(value, spot, &mut faults) {
        Some(read) if faults.is_empty() => Ok(read),
        _ => Err(faults),
    }
}

/// Declares a struct that is read from a client's JSON object, every fault named at once.
///
/// A field of type `Option` may be left out; `= value` after a field's type gives its default.
/// A method named by `check` sees the read struct and may add faults that concern several fields.
#[macro_export]
macro_rules! form {
    ($(#[$meta:meta])* pub struct $name:ident $(, check $check:path)? {
        $($(#[$fmeta:meta])* pub $field:ident: $type:ty $(= $default:expr)?,)*
    }) => {
        $(#[$meta])*
        pub struct $name { $($(#[$fmeta])* pub $field: $type,)* }

        impl $crate::domain::form::Field for $name {
            fn read(
                value: &serde_json::Value,
                spot: &$crate::domain::form::InputPath,
                faults: &mut Vec<$crate::domain::form::Fault>,
            ) -> Option<Self> {
                let before = faults.len();
                #[allow(unused_mut)]
                let mut fields = $crate::domain::form::Fields::of(value, spot, faults);
                $(let $field: Option<$type> =
                    $crate::form!(@take fields, faults, $field, $type $(, $default)?);)*
                fields.finish(faults);
                if faults.len() > before { return None; }
                let read = Self { $($field: $field?,)* };
                $($check(&read, spot, faults);)?
                (faults.len() == before).then_some(read)
            }
        }
    };
    (@take $fields:ident, $faults:ident, $field:ident, $type:ty) => {
        $fields.take::<$type>($crate::domain::form::plain(stringify!($field)), $faults)
    };
    (@take $fields:ident, $faults:ident, $field:ident, $type:ty, $default:expr) => {
        $fields.take_or::<$type>($crate::domain::form::plain(stringify!($field)), || Some($default), $faults)
    };
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::values::Name;
    use serde_json::json;

    form! {
        /// A form for the tests.
        #[derive(Debug, PartialEq, utoipa::ToSchema)]
        pub struct Sample {
            /// Whose it is.
            pub name: Name,
            /// Whether it is cold.
            pub cold: bool = true,
            /// What lies in it.
            pub inside: Option<Vec<Inner>>,
        }
    }

    form! {
        /// Something inside.
        #[derive(Debug, PartialEq, utoipa::ToSchema)]
        pub struct Inner {
            /// What it is called.
            pub name: Name,
        }
    }

    #[test]
    fn every_fault_is_named_at_once_with_its_place() {
        let sent = json!({"cold": "yes", "inside": [{"name": ""}, {"nam/e": 1}], "colour": 1});
        let faults = read::<Sample>(&sent, &InputPath::body()).unwrap_err();
        let pointers: Vec<_> = faults.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(
            pointers,
            ["#/name", "#/cold", "#/inside/0/name", "#/inside/1/name", "#/inside/1/nam~1e", "#/colour"]
        );
    }

    #[test]
    fn null_is_absent_and_defaults_apply() {
        let read = read::<Sample>(&json!({"name": " Box ", "cold": null}), &InputPath::body()).unwrap();
        assert_eq!((read.name.as_str(), read.cold, read.inside), ("Box", true, None));
    }

    #[test]
    fn whole_numbers_may_be_written_as_floats_and_nothing_else() {
        let spot = InputPath::body();
        for (value, whole) in [
            (json!(87), Some(87)),
            (json!(87.0), Some(87)),
            (json!(8.7e1), Some(87)),
            (json!(87.5), None),
            (json!("87"), None),
            (json!(true), None),
            (json!(9_223_372_036_854_775_808_u64), None),
            (json!(1e300), None),
        ] {
            assert_eq!(whole_number(&value, &spot), whole, "{value}");
        }
        assert_eq!(whole_number(&json!("87"), &InputPath::query()), Some(87));
    }
}
