//! Kinds of service: inseminations, matings by a bull and embryo transfers, each counting as what it is.

use serde_json::{Value, json};

use crate::{
    ade::{Yard, event, modified},
    on_both_stores,
    world::{Client, Farm, World, instant},
};

on_both_stores!(
    a_natural_mating_is_a_service_without_a_straw,
    an_embryo_transfer_takes_no_number_and_credits_the_embryos_sire,
    what_belongs_to_a_straw_is_refused_of_other_kinds,
    a_donor_is_exempt_from_the_choice_rule,
    herd_software_tells_and_reads_every_kind,
    a_kind_that_is_corrected_gives_its_straw_back,
);

async fn next(client: &Client, animal: &str) -> Value {
    client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200)
}

async fn a_natural_mating_is_a_service_without_a_straw(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let mating = json!({"kind": "natural", "animal_id": animal, "sire_id": farm.sire,
                        "served_at": "2026-02-01T08:00:00+01:00"});
    let mated = client.post("/v1/services", mating).await.created();
    assert_eq!(
        (&mated["kind"], &mated["service_number"], &mated["rank"]),
        (&json!("natural"), &json!(1), &json!(1))
    );
    assert_eq!(
        (&mated["straws"], &mated["semen_type"], &mated["place"]),
        (&json!(0), &Value::Null, &Value::Null)
    );
    assert!(mated["numbering"].as_str().unwrap().contains("takes the next service number"), "{mated:#}");
    // Holstein heifer 277.8 d: Norman et al. 2009, J Dairy Sci 92:2259-2269; 278 d from 1 February.
    assert_eq!((&mated["sire"]["id"], &mated["due"]["due_on"]), (&json!(farm.sire), &json!("2026-11-06")));
    let read = client.get(&format!("/v1/services/{}", mated["id"].as_str().unwrap())).await.expect(200);
    assert_eq!((&read["straws"], &read["kind"], &read["due"]), (&json!(0), &json!("natural"), &mated["due"]));

    // It counts for the next number, and nothing was used.
    let now = next(client, &animal).await;
    assert_eq!((&now["service_number"], &now["semen_types"]), (&json!(2), &json!(["conventional"])));
    assert_eq!(farm.straws(client, &farm.sexed).await + farm.straws(client, &farm.conventional).await, 20);
    let outlook = client.get(&format!("/v1/stock/outlook?sire_id={}", farm.sire)).await.expect(200);
    let used: Vec<_> = outlook["items"].as_array().unwrap().iter().map(|of| &of["used"]).collect();
    assert!(used.iter().all(|used| used.is_null() || **used == json!(0)), "{outlook:#}");
    let trace = client.get(&format!("/v1/reports/lot-trace/{}", farm.conventional)).await.expect(200);
    assert_eq!((&trace["totals"]["used"], &trace["services"]), (&json!(0), &json!([])));
}

async fn an_embryo_transfer_takes_no_number_and_credits_the_embryos_sire(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (animal, donor) = (farm.animal(client, "412").await, farm.elder(client, "7").await);
    let other = client.make("/v1/sires", json!({"name": "Invented Two", "breed": "LIM"})).await;
    farm.served(client, &animal, "2026-01-05T08:00:00+01:00").await;
    let transfer = json!({"kind": "embryo_transfer", "animal_id": animal, "sire_id": other, "donor_id": donor,
                          "served_at": "2026-02-08T08:00:00+01:00"});
    let done = client.post("/v1/services", transfer).await.created();
    assert_eq!(
        (&done["service_number"], &done["rank"], &done["straws"]),
        (&Value::Null, &Value::Null, &json!(0))
    );
    assert_eq!((&done["sire"]["id"], &done["donor_id"]), (&json!(other), &json!(donor)));
    assert!(done["numbering"].as_str().unwrap().contains("takes no service number"), "{done:#}");
    // The embryo is 7 days old (common practice, no source): conceived on 1 February; Limousin 289 d (Nevada Extension).
    assert_eq!((&done["due"]["due_on"], &done["due"]["days"]), (&json!("2026-11-17"), &json!(289)));
    // Her own heat was then as well: a normal cycle of 18-24 d (Extension; NZ AB series I).
    assert_eq!(
        (&done["return_watch"]["from_on"], &done["return_watch"]["to_on"]),
        (&json!("2026-02-19"), &json!("2026-02-25"))
    );
    let list = client.get(&format!("/v1/services?animal_id={animal}")).await.expect(200);
    let numbers: Vec<_> =
        list["items"].as_array().unwrap().iter().map(|service| service["service_number"].clone()).collect();
    assert_eq!(numbers, [json!(1), Value::Null]);
    assert_eq!(next(client, &animal).await["service_number"], 2, "the transfer took none");
    let nobody = json!({"kind": "embryo_transfer", "animal_id": animal, "donor_id": farm.sire});
    client.post("/v1/services", nobody).await.problem(404, "not-found");
}

async fn what_belongs_to_a_straw_is_refused_of_other_kinds(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let taken = client.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await;
    for (wrong, pointers) in [
        (json!({"kind": "natural", "withdrawal_id": taken}), vec!["#/withdrawal_id", "#/animal_id"]),
        (json!({"kind": "natural"}), vec!["#/animal_id"]),
        (json!({"kind": "natural", "animal_id": animal, "semen_type": "conventional"}), vec!["#/semen_type"]),
        (
            json!({"kind": "embryo_transfer", "animal_id": animal, "semen_from_herd_stock": true}),
            vec!["#/semen_from_herd_stock"],
        ),
        (json!({"kind": "natural", "animal_id": animal, "donor_id": animal}), vec!["#/donor_id"]),
        (json!({"kind": "bull", "animal_id": animal}), vec!["#/kind"]),
    ] {
        let refused = client.post("/v1/services", wrong.clone()).await;
        assert_eq!(refused.pointers(), pointers, "{wrong}");
        refused.problem(422, "invalid-input");
    }
}

async fn a_donor_is_exempt_from_the_choice_rule(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "412").await;
    let order = json!({"animal_id": animal, "lot_id": farm.conventional});
    client.post("/v1/withdrawals", order.clone()).await.problem(409, "choice-rule");
    client.patch(&format!("/v1/animals/{animal}"), None, json!({"donor": true})).await.expect(200);
    let now = next(client, &animal).await;
    assert_eq!(now["semen_types"], json!(["conventional", "sexed_female", "sexed_male"]));
    assert!(now["rule"]["text"].as_str().unwrap().contains("donor"), "{now:#}");
    let taken = client.post("/v1/withdrawals", order).await.created();
    assert_eq!(taken["deviations"], json!([]));
    let served = client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    assert_eq!((&served["deviations"], &served["kind"]), (&json!([]), &json!("ai")));
    client.patch(&format!("/v1/animals/{animal}"), None, json!({"donor": false})).await.expect(200);
    assert_eq!(next(client, &animal).await["semen_types"], json!(["sexed_female"]));
}

async fn herd_software_tells_and_reads_every_kind(world: &World) {
    let yard = Yard::of(world).await;
    let (animal, donor) = (yard.animal("412").await, yard.animal("413").await);
    let sire = json!([{"scheme": "org.example.aicode", "id": "XA871"}]);
    let told = |id: &str, at: &str, more: Value| event(id, "412", at, more);
    let matings = [
        (
            "1",
            "2026-01-04T08:00:00Z",
            json!({"inseminationType": "NaturalService", "sireIdentifiers": sire}),
            "natural",
        ),
        (
            "2",
            "2026-01-25T08:00:00Z",
            json!({"inseminationType": "RunWithBull", "sireIdentifiers": sire,
                                            "eventEndDateTime": "2026-02-02T08:00:00Z"}),
            "natural",
        ),
        (
            "3",
            "2026-02-22T08:00:00Z",
            json!({"inseminationType": "Implantation",
            "embryo": {"resourceType": "icarReproEmbryoResource", "sireIdentifiers": sire,
                       "donorIdentifiers": [{"scheme": "eu.bovine", "id": "XX 0417 413"}]}}),
            "embryo_transfer",
        ),
    ];
    for (id, at, more, _) in &matings {
        let back = yard.send("inseminations", &told(id, at, more.clone())).await;
        assert_eq!(back["inseminationType"], more["inseminationType"], "it is told again as it came");
    }
    let services = yard.services(&animal).await;
    let kinds: Vec<_> =
        services.iter().map(|service| (&service["kind"], &service["service_number"])).collect();
    let (natural, transfer) = (json!("natural"), json!("embryo_transfer"));
    assert_eq!(kinds, [(&natural, &json!(1)), (&natural, &json!(2)), (&transfer, &Value::Null)]);
    assert!(services.iter().all(|service| service["sire"]["id"] == json!(yard.farm.sire)), "{services:#?}");
    assert_eq!(services[2]["donor_id"], json!(donor));
    assert_eq!((yard.sexed_left().await, yard.flagged().await), (10, vec![]));

    // What was entered here is read as the standard has it (icarReproInseminationType).
    let other = yard.animal("500").await;
    for (kind, more) in [("natural", json!({})), ("embryo_transfer", json!({"donor_id": donor}))] {
        let mut service = json!({"kind": kind, "animal_id": other, "sire_id": yard.farm.sire,
                                 "served_at": if kind == "natural" { "2026-02-01T08:00:00Z" } else { "2026-02-20T08:00:00Z" }});
        service.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        yard.manager.make("/v1/services", service).await;
    }
    let members = yard.members("inseminations").await;
    let of = |kind: &str| {
        let hers =
            |m: &&Value| m["meta"]["source"] != json!(crate::ade::SOURCE) && m["inseminationType"] == kind;
        members.iter().find(hers).unwrap_or_else(|| panic!("no {kind} in {members:#?}"))
    };
    let mating = of("NaturalService");
    assert_eq!(
        (&mating["rank"], &mating["straw"], &mating["semenFromFarmStocks"]),
        (&json!(1), &Value::Null, &Value::Null)
    );
    assert_eq!(mating["sireIdentifiers"][0]["id"], "HOLZZZM000000A12345");
    let implantation = of("Implantation");
    assert_eq!((&implantation["rank"], &implantation["straw"]), (&Value::Null, &Value::Null));
    assert_eq!(implantation["embryo"]["resourceType"], "icarReproEmbryoResource");
    assert_eq!(implantation["embryo"]["donorIdentifiers"][0]["id"], "XX 0417 413");
    assert_eq!(instant(implantation["eventDateTime"].as_str().unwrap()), instant("2026-02-20T08:00:00Z"));
}

async fn a_kind_that_is_corrected_gives_its_straw_back(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let at = "2026-03-01T08:00:00Z";
    let ai = crate::ade::insemination("1", "412", at, crate::ade::sexed());
    yard.send("inseminations", &ai).await;
    assert_eq!(yard.sexed_left().await, 9);
    let mut mating = modified(&ai, "2026-03-02T05:00:00Z");
    mating["inseminationType"] = json!("NaturalService");
    yard.send("inseminations", &mating).await;
    assert_eq!(yard.sexed_left().await, 10, "no straw was used");
    let services = yard.services(&animal).await;
    assert_eq!(
        (services.len(), &services[0]["kind"], &services[0]["straws"]),
        (1, &json!("natural"), &json!(0))
    );
}
