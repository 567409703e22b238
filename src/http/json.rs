//! Reading JSON strictly: a member that stands twice is a fault, not a guess.

use std::{cell::RefCell, fmt};

use serde::de::{DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

use crate::{
    domain::form::{Fault, InputPath},
    http::problem::{Kind, Problem},
};

/// Reads a whole body.
pub fn read(bytes: &[u8]) -> Result<Value, Problem> {
    let (faults, broke_off) = (RefCell::default(), RefCell::default());
    let mut from = serde_json::Deserializer::from_slice(bytes);
    let strict = Strict { spot: InputPath::body(), faults: &faults, broke_off: &broke_off };
    let value = strict
        .deserialize(&mut from)
        .and_then(|value| from.end().map(|()| value))
        .map_err(|error| unreadable(&error, broke_off.take()))?;
    let faults = faults.into_inner();
    if faults.is_empty() { Ok(value) } else { Err(Problem::invalid(Kind::InvalidInput, faults)) }
}

fn unreadable(error: &serde_json::Error, at: Option<InputPath>) -> Problem {
    // A number beyond what a double holds is well-formed JSON; it is its value that is wrong.
    if error.to_string().starts_with("number out of range") {
        let fault = at.unwrap_or_else(InputPath::body).fault("is a number beyond any that is right here");
        return Problem::invalid(Kind::InvalidInput, vec![fault]);
    }
    Problem::new(Kind::NotJson, format!("The body is not JSON: {error}."))
}

struct Strict<'f> {
    spot: InputPath,
    faults: &'f RefCell<Vec<Fault>>,
    /// The innermost value that could not be read.
    broke_off: &'f RefCell<Option<InputPath>>,
}

impl Strict<'_> {
    fn inside(&self, name: &str) -> Strict<'_> {
        Strict { spot: self.spot.member(name), ..*self }
    }
}

impl<'de> DeserializeSeed<'de> for Strict<'_> {
    type Value = Value;

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<Value, D::Error> {
        let read = from.deserialize_any(&self);
        if read.is_err() {
            self.broke_off.borrow_mut().get_or_insert(self.spot);
        }
        read
    }
}

impl<'de> Visitor<'de> for &Strict<'_> {
    type Value = Value;

    fn expecting(&self, to: &mut fmt::Formatter<'_>) -> fmt::Result {
        to.write_str("JSON")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Value, E> {
        Number::from_f64(value).map(Value::Number).ok_or_else(|| E::custom("number out of range"))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut elements: A) -> Result<Value, A::Error> {
        let mut list = Vec::new();
        while let Some(element) = elements.next_element_seed(self.inside(&list.len().to_string()))? {
            list.push(element);
        }
        Ok(Value::Array(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Value, A::Error> {
        let mut object = Map::new();
        while let Some(name) = members.next_key::<String>()? {
            let inside = self.inside(&name);
            let twice = object.contains_key(&name).then(|| inside.spot.fault("stands twice in the object"));
            let value = members.next_value_seed(inside)?;
            if let Some(fault) = twice {
                self.faults.borrow_mut().push(fault);
            }
            object.insert(name, value);
        }
        Ok(Value::Object(object))
    }

    fn visit_none<E: serde::de::Error>(self) -> Result<Value, E> {
        Err(E::custom("not JSON"))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn reads_what_serde_reads() {
        for text in [
            "{\"a\": [1, -2, 2.5, true, null, \"x\\u00e9\", {\"b\": {}}]}",
            "[]",
            "null",
            " 18446744073709551615 ",
        ] {
            assert_eq!(
                read(text.as_bytes()).unwrap(),
                serde_json::from_str::<Value>(text).unwrap(),
                "{text}"
            );
        }
        assert_eq!(read(b"{\"a\": -0}").unwrap(), json!({"a": -0.0}));
    }

    #[test]
    fn refuses_what_is_not_json_and_what_stands_twice() {
        // RFC 8259 leaves duplicate names open; RFC 7493 (I-JSON), section 2.3, forbids them.
        for (text, status) in [
            (&b"{"[..], 400),
            (b"{} x", 400),
            (b"\xff", 400),
            (b"{\"a\": \"\xc3\x28\"}", 400),
            (b"NaN", 400),
            (b"{\"a\": 1, \"a\": 1}", 422),
            (b"{\"a\": {\"b\": 1, \"b\": 2}}", 422),
            (b"{\"a\": 1e400}", 422),
        ] {
            assert_eq!(read(text).unwrap_err().status(), status, "{}", String::from_utf8_lossy(text));
        }
        let deep = "[".repeat(500) + &"]".repeat(500);
        assert_eq!(read(deep.as_bytes()).unwrap_err().status(), 400);
    }
}
