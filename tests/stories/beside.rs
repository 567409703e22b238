//! What stands beside services and withdrawals where it is asked for: the same as it is told alone, in the same request.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::{
    on_both_stores,
    statements::cost,
    world::{Client, Farm, World},
};

on_both_stores!(
    a_service_brings_its_animal_and_its_withdrawal,
    a_withdrawal_brings_its_animal,
    what_stands_beside_costs_no_statement,
    an_unknown_word_names_the_known,
);

/// An animal as she is told alone, without the mark of her version.
async fn animal(client: &Client, id: &str) -> Value {
    let mut animal = client.get(&format!("/v1/animals/{id}")).await.expect(200);
    animal.as_object_mut().unwrap().remove("etag");
    animal
}

/// A cow of whom all is known, a service of hers with a straw, its withdrawal, and a service with a foreign straw.
struct Served {
    cow: String,
    withdrawal: String,
    with_straw: String,
    foreign: String,
}

async fn served(world: &World) -> Served {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let dam = farm.animal(client, "1").await;
    let cow = json!({"herd_id": farm.herd, "number": "412", "name": "Meadow", "born_on": "2024-05-02", "breed": "HOL",
                     "sire_id": client.make("/v1/sires", json!({"name": "Invented Nine"})).await, "dam_id": dam,
                     "groups": ["show"], "identifiers": [{"scheme": "org.example.tag", "id": "A-1"}]});
    let cow = client.make("/v1/animals", cow).await;
    let foreign = json!({"animal_id": cow, "served_at": "2026-01-05T08:00:00Z"});
    let foreign = client.make("/v1/services", foreign).await;
    let order = json!({"animal_id": cow, "lot_id": farm.sexed, "technician": "T. Example", "straw_read": "24117",
                       "override": {"reason": "Agreed by telephone."}});
    let withdrawal = client.make("/v1/withdrawals", order).await;
    world.pass(TimeDelta::seconds(8));
    let bath = json!({"bath_temp_c": 35.6, "bath_volume_ml": 1000});
    client.post(&format!("/v1/withdrawals/{withdrawal}/thaw"), bath).await.expect(200);
    world.pass(TimeDelta::minutes(3));
    let with_straw = client.make("/v1/services", json!({"withdrawal_id": withdrawal})).await;
    Served { cow, withdrawal, with_straw, foreign }
}

async fn a_service_brings_its_animal_and_its_withdrawal(world: &World) {
    let client = &world.manager;
    let Served { cow, withdrawal, with_straw, foreign } = served(world).await;
    let read =
        async |id: &str, query: &str| client.get(&format!("/v1/services/{id}{query}")).await.expect(200);
    let her = animal(client, &cow).await;
    for state in ["served", "thawed"] {
        let plain = read(&with_straw, "").await;
        assert!(plain.get("animal").is_none() && plain.get("withdrawal").is_none(), "{plain:#}");
        let out = client.get(&format!("/v1/withdrawals/{withdrawal}")).await.expect(200);
        assert_eq!((&out["state"], &out["override_reason"]), (&json!(state), &json!("Agreed by telephone.")));
        let mut whole = plain.clone();
        whole["animal"] = her.clone();
        assert_eq!(read(&with_straw, "?include=animal").await, whole);
        whole["withdrawal"] = out.clone();
        // Words may come in one text, or one by one.
        for query in ["?include=animal,withdrawal", "?include=withdrawal&include=animal"] {
            assert_eq!(read(&with_straw, query).await, whole);
        }
        let listed = client.get("/v1/services?include=animal,withdrawal").await.expect(200);
        assert_eq!(listed["items"], json!([read(&foreign, "?include=animal,withdrawal").await, whole]));
        whole.as_object_mut().unwrap().remove("animal");
        let listed = client.get("/v1/services?include=withdrawal&limit=1").await.expect(200);
        let next = format!(
            "/v1/services?include=withdrawal&limit=1&cursor={}",
            listed["next_cursor"].as_str().unwrap()
        );
        assert_eq!(client.get(&next).await.expect(200)["items"], json!([whole]));
        if state == "served" {
            let reversal = format!("/v1/services/{with_straw}/reversal");
            let undone = client.post(&reversal, json!({})).await.expect(200);
            assert!(undone.get("animal").is_none(), "{undone:#}");
        }
    }
    // Asked for, and there is none.
    let foreign = read(&foreign, "?include=animal,withdrawal").await;
    assert_eq!((&foreign["withdrawal"], &foreign["animal"]), (&Value::Null, &her));
    assert!(foreign.as_object().unwrap().contains_key("withdrawal"));
}

async fn a_withdrawal_brings_its_animal(world: &World) {
    let client = &world.manager;
    let Served { cow, withdrawal, .. } = served(world).await;
    let path = format!("/v1/withdrawals/{withdrawal}");
    let mut whole = client.get(&path).await.expect(200);
    assert!(whole.get("animal").is_none(), "{whole:#}");
    whole["animal"] = animal(client, &cow).await;
    assert_eq!(client.get(&format!("{path}?include=animal")).await.expect(200), whole);
    for filter in ["", "&state=served", "&technician=T.+Example", &format!("&animal_id={cow}")] {
        let listed = client.get(&format!("/v1/withdrawals?include=animal{filter}")).await.expect(200);
        assert_eq!(listed["items"], json!([whole]), "{filter}");
    }
    // What is next door is not there, with whatever beside it.
    let neighbour = world.neighbour().await;
    neighbour.get(&format!("{path}?include=animal")).await.problem(404, "not-found");
}

async fn what_stands_beside_costs_no_statement(world: &World) {
    let client = &world.manager;
    let Served { cow, .. } = served(world).await;
    let sire = client.get("/v1/services?limit=2").await.expect(200)["items"][1]["sire"]["id"].clone();
    let sire = sire.as_str().unwrap().to_owned();
    world.stop_clockwork().await;
    world.db().record_statements();
    client.get("/v1/business").await.expect(200);
    for (list, words) in [("services", "animal,withdrawal"), ("withdrawals", "animal")] {
        for filter in [format!("animal_id={cow}"), format!("sire_id={sire}&technician=T.+Example")] {
            let path = format!("/v1/{list}?{filter}");
            let (plain, without) = cost(world, client.get(&path)).await;
            assert!(!plain.expect(200)["items"].as_array().unwrap().is_empty());
            let (beside, with) = cost(world, client.get(&format!("{path}&include={words}"))).await;
            beside.expect(200);
            assert_eq!(with.len(), without.len(), "{path}: {with:#?}");
            assert!(with.len() <= 3, "{path}: {with:#?}");
        }
    }
}

async fn an_unknown_word_names_the_known(world: &World) {
    let client = &world.manager;
    let Served { withdrawal, with_straw, .. } = served(world).await;
    for (path, known) in [
        ("/v1/services".to_owned(), "animal, withdrawal"),
        (format!("/v1/services/{with_straw}"), "animal, withdrawal"),
        ("/v1/withdrawals".to_owned(), "animal"),
        (format!("/v1/withdrawals/{withdrawal}"), "animal"),
    ] {
        for wrong in ["herd", "animal,herd", "", "Animal"] {
            let told = client.get(&format!("{path}?include={wrong}")).await.problem(400, "invalid-query");
            assert_eq!(told["detail"], format!("include must be one of {known}."), "{path} {wrong}");
        }
        let told = client.get(&format!("{path}?colour=red")).await.problem(400, "invalid-query");
        assert!(told["detail"].as_str().unwrap().contains("known are"), "{told}");
    }
}
