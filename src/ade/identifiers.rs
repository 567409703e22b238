//! Names: the standard's schemes and ours.

use serde_json::{Value, json};

use crate::domain::{
    exchange::scheme,
    identifiers::{ExternalId, Identifiers},
};

pub use scheme::ours;

/// A name as herd systems are told it.
pub fn theirs(name: &ExternalId) -> Value {
    json!({"scheme": scheme::theirs(name), "id": name.id})
}

/// The names of a sire or animal, one of each scheme: several of one scheme would mean several sires.
/// Last our own, by which it is known here without doubt.
pub fn all(names: &Identifiers, own_scheme: &str, own_id: uuid::Uuid) -> Vec<Value> {
    let mut told: Vec<Value> = Vec::new();
    for name in names.iter().map(theirs).chain([json!({"scheme": own_scheme, "id": own_id})]) {
        if !told.iter().any(|known| known["scheme"] == name["scheme"]) {
            told.push(name);
        }
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_scheme_has_two_names() {
        // ICAR's list of animal schemes; Interbull formats 010, 200 and 605.
        let name = ours("icar.Interbull", "hol zzz m a12345").unwrap();
        assert_eq!((name.scheme.as_str(), name.id.as_str()), ("international-id", "HOLZZZM000000A12345"));
        assert_eq!(theirs(&name), json!({"scheme": "icar.Interbull", "id": "HOLZZZM000000A12345"}));
        let odd = ours("icar.Interbull", "not one").unwrap();
        assert_eq!((odd.scheme.as_str(), odd.id.as_str()), ("icar.Interbull", "not one"));
        let chip = ours("std.iso.11785", "276 000012345678").unwrap();
        assert_eq!((chip.scheme.as_str(), chip.id.as_str()), ("iso-11784", "276000012345678"));
        assert!(ours("eu.bovine", &"x".repeat(61)).is_err());
    }

    #[test]
    fn one_name_of_each_scheme() {
        let names = ["a", "b"].map(|id| ours("farm", id).unwrap());
        let id = uuid::Uuid::nil();
        let told = all(&Identifiers::of(names), "own", id);
        assert_eq!(told, [json!({"scheme": "farm", "id": "a"}), json!({"scheme": "own", "id": id})]);
    }
}
