//! Herd systems that speak the open Animal Data Exchange (ICAR ADE, version 1.3), both ways.
//!
//! What the standard asks of paths, envelopes, batches and errors is said beside each check; that every
//! answer is valid is checked by an implementation that is not ours, in tests/ade.

mod coming_in;
mod going_out;
mod talking;

use std::collections::BTreeMap;

use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::world::{Answer, Client, Farm, World};

pub const SOURCE: &str = "org.example.herdsystem";

/// The standard's reproduction and registration URL schemes.
pub const RESOURCES: [&str; 8] = [
    "inseminations",
    "heats",
    "pregnancy-checks",
    "parturitions",
    "abortions",
    "do-not-breeds",
    "mating-recommendations",
    "animals",
];

/// A farm at an official location, with a herd system's key.
pub struct Yard {
    pub manager: Client,
    pub herd_system: Client,
    pub farm: Farm,
    pub at: String,
}

impl Yard {
    pub async fn of(world: &World) -> Self {
        let manager = world.manager.clone();
        let farm = Farm::found(&manager).await;
        let location = json!({"location": {"scheme": "uk.cph", "id": "34/123/1234"}});
        manager.patch(&format!("/v1/herds/{}", farm.herd), None, location).await.expect(200);
        let names = json!({"identifiers": [
            {"scheme": "international-id", "id": "HOLZZZM000000A12345"},
            {"scheme": "org.example.aicode", "id": "XA871"},
        ]});
        manager.patch(&format!("/v1/sires/{}", farm.sire), None, names).await.expect(200);
        let herd_system = world.caller(Role::Integration).await;
        Self { manager, herd_system, farm, at: "/ade/locations/uk.cph/34%2F123%2F1234".to_owned() }
    }

    /// An animal with two official names; gives her id here.
    pub async fn animal(&self, number: &str) -> String {
        let animal = json!({"herd_id": self.farm.herd, "number": number, "born_on": "2023-05-02", "identifiers": [
            {"scheme": "eu.bovine", "id": format!("XX 0417 {number}")},
            {"scheme": "iso-11784", "id": format!("2760000000{number:0>5}")},
        ]});
        self.manager.make("/v1/animals", animal).await
    }

    pub async fn send(&self, what: &str, resource: &Value) -> Value {
        self.herd_system.post(&format!("{}/{what}", self.at), resource.clone()).await.expect(200)
    }

    pub async fn get(&self, what: &str) -> Value {
        self.herd_system.get(&format!("{}/{what}", self.at)).await.expect(200)
    }

    pub async fn members(&self, what: &str) -> Vec<Value> {
        self.get(what).await["member"].as_array().unwrap().clone()
    }

    pub async fn next(&self, animal: &str) -> Value {
        self.manager.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200)
    }

    pub async fn flagged(&self) -> Vec<Value> {
        let page = self.manager.get("/v1/ade-items?flagged=true").await.expect(200);
        page["items"].as_array().unwrap().clone()
    }

    pub async fn services(&self, animal: &str) -> Vec<Value> {
        let page = self.manager.get(&format!("/v1/services?animal_id={animal}")).await.expect(200);
        let services = page["items"].as_array().unwrap();
        services.iter().filter(|service| service["reversed_at"].is_null()).cloned().collect()
    }

    pub async fn sexed_left(&self) -> i64 {
        self.farm.straws(&self.manager, &self.farm.sexed).await
    }

    pub async fn settle(&self, item: &Value, resolution: Value) -> Answer {
        let path = format!("/v1/ade-items/{}/resolution", item["id"].as_str().unwrap());
        self.manager.post(&path, resolution).await
    }

    /// The number of the last change in the book.
    pub async fn last_change(&self) -> i64 {
        let mut after = 0;
        loop {
            let page = self.manager.get(&format!("/v1/changes?limit=1000&after={after}")).await.expect(200);
            after = page["next_cursor"].as_i64().unwrap();
            if page["has_more"] == false {
                return after;
            }
        }
    }

    /// Everything in the book and in what was sent.
    pub async fn everything(&self) -> BTreeMap<String, Value> {
        let mut all = BTreeMap::new();
        for list in [
            "business",
            "herds",
            "tanks",
            "sires",
            "lots",
            "animals",
            "movements",
            "stock",
            "withdrawals",
            "services",
            "heats",
            "pregnancy-checks",
            "calvings",
            "abortions",
            "do-not-breed",
            "ade-items",
            "changes",
        ] {
            let query = if list == "business" { "" } else { "?limit=500" };
            all.insert(list.to_owned(), self.manager.get(&format!("/v1/{list}{query}")).await.expect(200));
        }
        all
    }
}

/// The object with more members.
pub fn with_members(mut object: Value, more: Value) -> Value {
    let Value::Object(more) = more else { panic!("{more} is no object") };
    object.as_object_mut().unwrap().extend(more);
    object
}

/// An event of the animal with that number.
pub fn event(id: &str, number: &str, at: &str, more: Value) -> Value {
    let event = json!({
        "id": null,
        "meta": {"source": SOURCE, "sourceId": id, "modified": "2026-03-02T04:00:00Z"},
        "animal": {"scheme": "eu.bovine", "id": format!("XX 0417 {number}")},
        "eventDateTime": at,
    });
    with_members(event, more)
}

/// An insemination of the animal with that number with a straw that is told so.
pub fn insemination(id: &str, number: &str, at: &str, straw: Value) -> Value {
    let mut more = json!({"resourceType": "icarReproInseminationEventResource", "inseminationType": "Insemination",
                          "responsible": "TECH-07"});
    more["straw"] = straw;
    event(id, number, at, more)
}

/// The sexed straw of the invented farm, as a herd system would name it.
pub fn sexed() -> Value {
    json!({"resourceType": "icarReproSemenStrawResource", "batch": "24117", "preservationType": "Frozen",
           "sireIdentifiers": [{"scheme": "org.example.aicode", "id": "XA871"}],
           "isSexedSemen": true, "sexedGender": "Female"})
}

/// The same as it changed over there at that time.
pub fn modified(resource: &Value, at: &str) -> Value {
    let mut resource = resource.clone();
    resource["meta"]["modified"] = json!(at);
    resource
}

pub const JSON: (&str, &str) = ("content-type", "application/json");

pub fn cow(id: &str, more: Value) -> Value {
    let cow = json!({
        "resourceType": "icarAnimalCoreResource",
        "meta": {"source": SOURCE, "sourceId": id, "modified": "2026-03-02T04:00:00Z"},
        "identifier": {"scheme": "eu.bovine", "id": "XX 0417 00212"},
        "alternativeIdentifiers": [{"scheme": "std.iso.11785", "id": "276000000000212"}],
        "specie": "Cattle", "gender": "Female", "birthDate": "2023-02-17T00:00:00Z", "managementTag": "212",
        "name": "Clover", "primaryBreed": {"scheme": "icar.breed-3", "id": "HOL"}, "coatColor": "black",
    });
    with_members(cow, more)
}
