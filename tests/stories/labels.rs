//! Labels of canisters: what hangs where, to be printed.

use serde_json::json;
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    world::{Farm, World},
};

on_both_stores!(each_canister_has_its_label,);

async fn each_canister_has_its_label(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let sire = json!({"name": "Invented <Two> & Co", "identifiers": [{"scheme": "farm", "id": "B-17"}]});
    let sire = client.make("/v1/sires", sire).await;
    let lot =
        client.make("/v1/lots", json!({"sire_id": sire, "semen_type": "sexed_male", "batch": "77"})).await;
    let place = json!({"tank_id": farm.tank, "canister": 3, "cane": "A", "goblet": "lower"});
    client.post("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 4})).await.created();
    client.make("/v1/holds", json!({"tank_id": farm.tank, "canister": 4, "reason": "Doubt."})).await;
    let reader = world.caller(Role::Reader).await;
    let page = reader.get(&format!("/v1/tanks/{}/labels", farm.tank)).await;
    assert_eq!((page.status, page.header("content-type")), (200, "text/html; charset=utf-8"));
    assert!(page.header("content-security-policy").contains("default-src 'none'"));
    let labels: Vec<&str> = page.text.split("<section>").skip(1).collect();
    assert_eq!(labels.len(), 6, "one for each canister: {}", page.text);
    for (label, number) in labels.iter().zip(1..) {
        assert!(label.contains(&format!("<span class=\"number\">{number}</span> Dairy room")), "{label}");
        assert!(label.contains("as the book stood at 2026-03-02 06:00 (Europe/Vienna)"), "{label}");
        assert_eq!(label.contains("empty"), ![3, 4].contains(&number), "{label}");
    }
    // By cane and goblet; what a name contains is no markup.
    let third = labels[2];
    let (first, second) =
        (third.find("Invented &lt;Two&gt; &amp; Co").unwrap(), third.find("Invented One").unwrap());
    assert!(first < second && third.contains("14 straws"), "{third}");
    assert!(
        third.contains("sexed (male)") && third.contains("B-17") && third.contains("batch 77"),
        "{third}"
    );
    assert!(labels[3].contains("ON HOLD: Doubt.") && !third.contains("ON HOLD"), "{}", labels[3]);
    assert!(page.text.contains("Liquid nitrogen burns"));
    reader.get(&format!("/v1/tanks/{lot}/labels")).await.problem(404, "not-found");
}
