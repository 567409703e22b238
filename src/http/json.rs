//! Reading JSON strictly: a member that stands twice is a fault, not a guess.

use std::{cell::RefCell, fmt};

use serde::de::{DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

use crate::{
    domain::form::{Fault, InputPath, MOST_FAULTS},
    http::problem::{Kind, Problem},
};

/// Values that a body may have, all of them counted: twice what the largest stocktake has. In memory a value takes
/// up to thirty times the bytes that it was sent in.
const MOST_VALUES: usize = 100_000;

/// Lists and objects that may stand in one another.
const DEEPEST: usize = 32;

/// Bytes of a member's name; no name that is known here has half as many.
const LONGEST_NAME: usize = 200;

/// Reads a whole body.
pub fn read(bytes: &[u8]) -> Result<Value, Problem> {
    let progress = RefCell::default();
    let mut from = serde_json::Deserializer::from_slice(bytes);
    let strict = Strict { spot: InputPath::body(), depth: 0, progress: &progress };
    let read = strict.deserialize(&mut from).and_then(|value| from.end().map(|()| value));
    let Progress { faults, number, stopped, .. } = progress.into_inner();
    match read {
        Ok(value) if faults.is_empty() => Ok(value),
        Err(error) if !stopped => Err(unreadable(&error, number)),
        _ => Err(Problem::invalid(Kind::InvalidInput, faults)),
    }
}

fn unreadable(error: &serde_json::Error, number: Option<Fault>) -> Problem {
    // A number beyond what a double holds is well-formed JSON; it is its value that is wrong.
    match number.filter(|_| is_out_of_range(error)) {
        Some(fault) => Problem::invalid(Kind::InvalidInput, vec![fault]),
        None if (error.line(), error.column()) == (1, 0) => {
            Problem::new(Kind::NotJson, "The body is empty; send a JSON object.")
        }
        None if error.is_eof() => {
            let (line, column) = (error.line(), error.column());
            let detail = format!("The body is not JSON: it ends too early, at line {line} column {column}.");
            Problem::new(Kind::NotJson, detail)
        }
        None => Problem::new(Kind::NotJson, format!("The body is not JSON: {error}.")),
    }
}

fn is_out_of_range(error: &impl fmt::Display) -> bool {
    error.to_string().starts_with("number out of range")
}

/// How far the reading of a body has got.
#[derive(Default)]
struct Progress {
    values: usize,
    faults: Vec<Fault>,
    /// Reading was given up, because of the last fault or of their number.
    stopped: bool,
    /// The number that no double can hold.
    number: Option<Fault>,
}

struct Strict<'f> {
    spot: InputPath<'f>,
    depth: usize,
    progress: &'f RefCell<Progress>,
}

impl Strict<'_> {
    fn member<'i>(&'i self, name: &'i str) -> Strict<'i> {
        Strict { spot: self.spot.member(name), depth: self.depth + 1, progress: self.progress }
    }

    fn element(&self, number: usize) -> Strict<'_> {
        Strict { spot: self.spot.element(number), depth: self.depth + 1, progress: self.progress }
    }

    /// Notes a fault; gives up once there are enough to tell.
    fn fault<E: serde::de::Error>(&self, spot: &InputPath, detail: impl Into<String>) -> Result<(), E> {
        let mut progress = self.progress.borrow_mut();
        progress.faults.push(spot.fault(detail));
        if progress.faults.len() <= MOST_FAULTS {
            return Ok(());
        }
        progress.stopped = true;
        Err(E::custom("too many faults"))
    }

    /// Gives up.
    fn stop<E: serde::de::Error>(&self, spot: &InputPath, detail: String) -> E {
        let mut progress = self.progress.borrow_mut();
        progress.faults.push(spot.fault(detail));
        progress.stopped = true;
        E::custom("too much")
    }

    /// Counts this value.
    fn count<E: serde::de::Error>(&self) -> Result<(), E> {
        self.progress.borrow_mut().values += 1;
        if self.progress.borrow().values > MOST_VALUES {
            return Err(self
                .stop(&InputPath::body(), format!("has more than {MOST_VALUES} values; send it in parts")));
        }
        if self.depth > DEEPEST {
            let detail = format!("has more than {DEEPEST} lists and objects in one another");
            return Err(self.stop(&InputPath::body(), detail));
        }
        Ok(())
    }
}

impl<'de> DeserializeSeed<'de> for Strict<'_> {
    type Value = Value;

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<Value, D::Error> {
        self.count()?;
        let read = from.deserialize_any(&self);
        if let Err(error) = &read
            && self.progress.borrow().number.is_none()
            && is_out_of_range(error)
        {
            let fault = self.spot.fault("is a number beyond any that is right here");
            self.progress.borrow_mut().number = Some(fault);
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
        while let Some(element) = elements.next_element_seed(self.element(list.len()))? {
            list.push(element);
        }
        Ok(Value::Array(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Value, A::Error> {
        let mut object = Map::new();
        while let Some(name) = members.next_key::<String>()? {
            if name.len() > LONGEST_NAME {
                // Nothing below it can be right, and no pointer could name it.
                let detail = format!("has a member whose name is longer than {LONGEST_NAME} bytes");
                return Err(self.stop(&self.spot, detail));
            }
            if object.contains_key(&name) {
                self.fault(&self.spot.member(&name), "stands twice in the object")?;
            }
            let value = members.next_value_seed(self.member(&name))?;
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
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::http::extract::MOST_BYTES;

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
    }

    #[test]
    fn what_would_take_much_memory_is_given_up() {
        let deep = |levels: usize| "[".repeat(levels) + &"]".repeat(levels);
        let named = |bytes: usize| format!("{{\"{}\": 1}}", "n".repeat(bytes));
        let list = |values: usize| format!("[{}]", vec!["1"; values - 1].join(","));
        for (right, wrong) in [
            (deep(DEEPEST + 1), deep(DEEPEST + 2)),
            (named(LONGEST_NAME), named(LONGEST_NAME + 1)),
            (list(MOST_VALUES), list(MOST_VALUES + 1)),
        ] {
            assert!(read(right.as_bytes()).is_ok());
            assert_eq!(read(wrong.as_bytes()).unwrap_err().status(), 422);
        }
        // Of nesting beyond what the parser can bear no more is read either.
        assert_eq!(read(deep(100_000).as_bytes()).unwrap_err().status(), 422);
    }

    /// Bodies that repeat, nest and name without measure. Cut off at what is read at most it is no JSON, which is
    /// hostile as well.
    fn hostile() -> impl Strategy<Value = String> {
        let name =
            prop_oneof![Just(1), Just(8), 100..300_usize, Just(50_000)].prop_map(|long| "n".repeat(long));
        let inside =
            prop_oneof![Just("1"), Just("{}"), Just("1e999"), Just("{\"a\":1,\"a\":1}"), Just("[[\"\"]]")];
        let again = prop_oneof![1..4_usize, Just(90), Just(300_000)];
        let layer = (name, again, any::<bool>());
        (inside, prop::collection::vec(layer, 1..40)).prop_map(|(inside, layers)| {
            layers.into_iter().fold(inside.to_owned(), |inside, (name, again, in_list)| {
                let one = if in_list { inside } else { format!("\"{name}\":{inside}") };
                let again = again.min(MOST_BYTES / (one.len() + 1)).max(1);
                let all = vec![one; again].join(",");
                let mut body = if in_list { format!("[{all}]") } else { format!("{{{all}}}") };
                body.truncate(MOST_BYTES);
                body
            })
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// A body of a few hundred kilobytes once had an answer of hundreds of megabytes.
        #[test]
        fn no_answer_is_much_longer_than_what_was_sent(body in hostile()) {
            if let Err(problem) = read(body.as_bytes()) {
                let told: Value = serde_json::from_str(&problem.reply().body).unwrap();
                let faults = told["errors"].as_array().map_or(0, Vec::len);
                prop_assert!(faults <= MOST_FAULTS, "{faults} faults");
                prop_assert!(problem.reply().body.len() <= body.len() + 120_000);
            }
        }
    }
}
