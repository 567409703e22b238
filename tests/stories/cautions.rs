//! What to heed stands beside what was done.

use serde_json::{Value, json};

use crate::{
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(each_act_says_what_can_hurt_and_lists_do_not_repeat_it);

fn told(answer: &Value) -> String {
    let all = answer["cautions"].as_array().unwrap_or_else(|| panic!("no cautions in {answer:#}")).iter();
    all.map(|caution| caution.as_str().unwrap()).collect::<Vec<_>>().join("\n")
}

/// Does something and looks for what must be said with it.
async fn says(client: &Client, path: &str, body: Value, what: &[&str]) -> Value {
    let answer = client.post(path, body).await;
    assert!(answer.status < 300, "{:#}", answer.body);
    let told = told(&answer.body);
    for what in what.iter().chain(&["Local codes and licensed practice"]) {
        assert!(told.contains(what), "{path} does not say {what:?}: {told}");
    }
    answer.body
}

async fn each_act_says_what_can_hurt_and_lists_do_not_repeat_it(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let gas = "displaces air without warning";
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 4});
    says(client, "/v1/receipts", receipt, &[gas, "never in the driver's compartment"]).await;
    let transfer = json!({"lot_id": farm.sexed, "from": farm.place(3), "to": farm.place(1), "straws": 1});
    says(client, "/v1/transfers", transfer, &[gas, "never in the driver's compartment", "at least 10 s"])
        .await;
    let discard = json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 1, "reason": "dropped"});
    says(client, "/v1/discards", discard, &[gas, "can burst"]).await;
    let order = json!({"animal_id": animal, "lot_id": farm.sexed});
    let lifted = [gas, "within 15 s", "at least 10 s", "A thawed straw never goes back"];
    let taken = says(client, "/v1/withdrawals", order.clone(), &lifted).await;
    let path = format!("/v1/withdrawals/{}", taken["id"].as_str().unwrap());
    says(client, &format!("{path}/thaw"), json!({"bath_temp_c": 35.6}), &["can burst"]).await;
    says(client, "/v1/services", json!({"withdrawal_id": taken["id"]}), &["calmly", "stop when"]).await;
    let other = client.make("/v1/withdrawals", order).await;
    let discard = json!({"reason": "dropped"});
    says(client, &format!("/v1/withdrawals/{other}/discard"), discard, &["can burst"]).await;
    let check = json!({"animal_id": animal, "method": "ultrasound", "result": "empty"});
    says(client, "/v1/pregnancy-checks", check, &["Pregnant people keep away"]).await;
    for path in ["/v1/abortions", "/v1/calvings"] {
        says(client, path, json!({"animal_id": animal}), &["Pregnant people keep away", "afterbirth"]).await;
    }
    // Before the plug comes off it is said too.
    let next = client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200);
    assert!(told(&next).contains("A thawed straw never goes back"), "{next:#}");

    for list in ["withdrawals", "services", "movements", "pregnancy-checks", "calvings", "abortions"] {
        let page = client.get(&format!("/v1/{list}")).await.expect(200);
        assert!(!page["items"].as_array().unwrap().is_empty());
        assert!(
            page["items"].as_array().unwrap().iter().all(|item| item.get("cautions").is_none()),
            "{list}"
        );
    }
    assert!(client.get(&path).await.expect(200).get("cautions").is_none());
}
