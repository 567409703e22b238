//! Every way in which stock really changes, and how mistakes are undone.

use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    straws_are_hung_elsewhere,
    straws_are_thrown_away,
    a_stocktake_posts_differences_and_undoes_nothing,
    a_shortage_is_not_taken_off_twice,
    nothing_is_found_in_a_canister_that_the_tank_lost,
    a_count_that_cannot_be_right_any_more_is_taken_again,
    a_line_is_undone_once_and_only_if_the_straws_are_there,
    a_receipt_of_which_straws_were_used_is_put_right_by_counting,
    a_straw_found_after_the_count_comes_back,
    a_reversed_withdrawal_frees_its_service_number,
    a_batch_does_what_is_good_and_explains_the_rest,
    a_batch_takes_animals_receipts_and_readings,
    a_lot_is_traced_to_the_last_straw,
    the_audit_says_who_did_what,
);

async fn next_number(client: &Client, animal: &str) -> Value {
    client.get(&format!("/v1/animals/{animal}/next-service")).await.expect(200)["service_number"].clone()
}

async fn straws_are_hung_elsewhere(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let order = |straws: i64, exposure_s: i64| json!({"lot_id": farm.sexed, "from": farm.place(3), "to": farm.place(6), "straws": straws, "exposure_s": exposure_s});
    let moved = client.post("/v1/transfers", order(4, 5)).await.created();
    assert_eq!((&moved["from"]["straws_after"], &moved["to"]["straws_after"]), (&json!(6), &json!(4)));
    assert_eq!(moved["warnings"], json!([]));
    // 5 s for a 0.25 ml straw: Univ. Illinois Extension, 8 May 2024; the transfer is on record all the same.
    let long = client.post("/v1/transfers", order(1, 6)).await.created();
    assert!(long["warnings"][0].as_str().unwrap().contains("more than 5 s"), "{long:#}");
    assert_eq!(long["exposure_s"], 6);
    assert_eq!(farm.straws(client, &farm.sexed).await, 10, "none is lost on the way");
    let refused = client.post("/v1/transfers", order(6, 0)).await.problem(409, "not-in-stock");
    assert_eq!((&refused["requested"], &refused["available"]), (&json!(6), &json!(5)));
    let same = json!({"lot_id": farm.sexed, "from": farm.place(3), "to": farm.place(3), "straws": 1});
    assert_eq!(client.post("/v1/transfers", same).await.pointers(), ["#/to"]);
}

async fn straws_are_thrown_away(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let order = |straws: i64, reason: &str| json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": straws, "reason": reason});
    let gone = client.post("/v1/discards", order(2, "exposed")).await.created();
    assert_eq!((&gone["to"]["kind"], &gone["reason"]), (&json!("discarded"), &json!("exposed")));
    assert_eq!(farm.straws(client, &farm.sexed).await, 8);
    client.post("/v1/discards", order(9, "recalled")).await.problem(409, "not-in-stock");
    assert_eq!(client.post("/v1/discards", order(1, "other")).await.pointers(), ["#/note"]);
    assert_eq!(client.post("/v1/discards", order(1, "bored")).await.pointers(), ["#/reason"]);
}

async fn a_stocktake_posts_differences_and_undoes_nothing(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // By hand: 10 sexed by the book when counting began; 8 are counted; 1 is withdrawn before the
    // count is posted. Difference 8 - 10 = -2; balance 10 - 1 - 2 = 7, not the 8 that were counted.
    let as_of_seq = client.get("/v1/stock").await.expect(200)["as_of_seq"].clone();
    let animal = farm.animal(client, "1").await;
    client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await.created();
    let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 8});
    let taken = json!({"tank_id": farm.tank, "complete": true, "as_of_seq": as_of_seq, "counts": [count]});
    let stocktake = client.post("/v1/stocktakes", taken).await.created();
    let lines = stocktake["lines"].as_array().unwrap();
    let told: Vec<_> =
        lines.iter().map(|line| (&line["expected"], &line["counted"], &line["difference"])).collect();
    // Complete: the ten conventional straws that nobody counted are not there.
    assert_eq!(told, [(&json!(10), &json!(8), &json!(-2)), (&json!(10), &json!(0), &json!(-10))]);
    assert_eq!(farm.straws(client, &farm.sexed).await, 9, "nothing is posted yet");
    let accept = format!("/v1/stocktakes/{}/acceptance", stocktake["id"].as_str().unwrap());
    let accepted = client.post(&accept, json!({})).await.expect(200);
    assert!(accepted["lines"][0]["movement_id"].is_string());
    assert_eq!(farm.straws(client, &farm.sexed).await, 7);
    assert_eq!(farm.straws(client, &farm.conventional).await, 0);
    client.post(&accept, json!({})).await.problem(409, "in-use");

    // Partial: only what was counted is compared, and what is found is posted too.
    let count = json!({"lot_id": farm.conventional, "place": farm.place(4), "straws": 3});
    let partial =
        client.post("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await.created();
    assert_eq!(partial["lines"].as_array().unwrap().len(), 1);
    client
        .post(&format!("/v1/stocktakes/{}/acceptance", partial["id"].as_str().unwrap()), json!({}))
        .await
        .expect(200);
    assert_eq!(farm.straws(client, &farm.conventional).await, 3);

    let twice = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1});
    let twice = json!({"tank_id": farm.tank, "counts": [twice, twice]});
    assert_eq!(client.post("/v1/stocktakes", twice).await.pointers(), ["#/counts/1"]);
    let ahead = json!({"tank_id": farm.tank, "as_of_seq": 999, "counts": []});
    assert_eq!(client.post("/v1/stocktakes", ahead).await.pointers(), ["#/as_of_seq"]);
}

// The arithmetic of the stories of counts and reversals is worked by hand beside them: difference = counted -
// book at the line of the count; balance = balance now + difference. Common practice, no source.

async fn a_count_that_cannot_be_right_any_more_is_taken_again(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let count = |straws: i64| json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": straws});
    let take = async |counts: Value| {
        let taken = json!({"tank_id": farm.tank, "counts": counts});
        client.post("/v1/stocktakes", taken).await.created()
    };
    let accept = |taken: &Value| format!("/v1/stocktakes/{}/acceptance", taken["id"].as_str().unwrap());
    // 10 by the book, 2 counted: 2 - 10 = -8. The conventional ones are 10 and 11 counted: +1.
    let other = json!({"lot_id": farm.conventional, "place": farm.place(4), "straws": 11});
    let taken = take(json!([count(2), other])).await;
    assert_eq!(taken["lines"][0]["difference"], -8);
    // 5 are hung elsewhere before it is posted: 10 - 5 = 5 hang there, and 8 cannot be missing of 5.
    let onward = json!({"lot_id": farm.sexed, "from": farm.place(3), "to": farm.place(6), "straws": 5});
    client.post("/v1/transfers", onward).await.created();
    let refused = client.post(&accept(&taken), json!({})).await.problem(409, "not-in-stock");
    assert_eq!((&refused["requested"], &refused["available"]), (&json!(8), &json!(5)));
    assert_eq!(farm.straws(client, &farm.conventional).await, 10, "all or none");
    // Counted again: 2 - 5 = -3, and 5 - 3 = 2 hang there; with the 5 elsewhere 7.
    let again = take(json!([count(2)])).await;
    assert_eq!((&again["lines"][0]["expected"], &again["lines"][0]["difference"]), (&json!(5), &json!(-3)));
    client.post(&accept(&again), json!({})).await.expect(200);
    assert_eq!(farm.straws(client, &farm.sexed).await, 7);
}

async fn a_receipt_of_which_straws_were_used_is_put_right_by_counting(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // 5 were entered, 4 came. One was used before it was noticed: the book says 4, 3 hang there.
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 5});
    let receipt = client.post("/v1/receipts", receipt).await.created();
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.sexed, "place": farm.place(1)});
    let taken = client.post("/v1/withdrawals", order).await.created();
    client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    // 5 would have to go back and 4 hang there by the book.
    let undo = format!("/v1/movements/{}/reversal", receipt["id"].as_str().unwrap());
    let refused = client.post(&undo, json!({"reason": "wrong_data"})).await.problem(409, "not-in-stock");
    assert_eq!((&refused["requested"], &refused["available"]), (&json!(5), &json!(4)));
    // So it is counted: 3 - 4 = -1; 10 + 5 - 1 - 1 = 13 of the lot are left, and the used one stays used.
    let count = json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 3});
    let stocktake =
        client.post("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await.created();
    let accept = format!("/v1/stocktakes/{}/acceptance", stocktake["id"].as_str().unwrap());
    client.post(&accept, json!({})).await.expect(200);
    assert_eq!(farm.straws(client, &farm.sexed).await, 13);
    let trace = client.get(&format!("/v1/reports/lot-trace/{}", farm.sexed)).await.expect(200);
    let totals =
        json!({"received": 15, "in_stock": 13, "used": 1, "discarded": 0, "consigned": 0, "counted": -1});
    assert_eq!(trace["totals"], totals, "15 - 1 = 13 + 1 + 0");
}

async fn a_shortage_is_not_taken_off_twice(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let take = async |place: Value, straws: i64| {
        let count = json!({"lot_id": farm.sexed, "place": place, "straws": straws});
        let taken = json!({"tank_id": farm.tank, "counts": [count]});
        client.post("/v1/stocktakes", taken).await.created()["id"].as_str().unwrap().to_owned()
    };
    let accept = |id: &str| format!("/v1/stocktakes/{id}/acceptance");
    // Two people count 7 where the book says 10: 7 - 10 = -3, once.
    let (first, second) = (take(farm.place(3), 7).await, take(farm.place(3), 7).await);
    client.post(&accept(&first), json!({})).await.expect(200);
    let refused = client.post(&accept(&second), json!({})).await.problem(409, "count-again");
    assert!(refused["detail"].as_str().unwrap().contains("canister 3"), "{refused}");
    assert_eq!(farm.straws(client, &farm.sexed).await, 7);

    // 5 more are entered at another place by mistake; a count there finds none, and the mistake is found, too.
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 5});
    let receipt = client.post("/v1/receipts", receipt).await.created();
    let undo = format!("/v1/movements/{}/reversal", receipt["id"].as_str().unwrap());
    let open = take(farm.place(1), 0).await;
    client.post(&undo, json!({"reason": "did_not_happen"})).await.created();
    client.post(&accept(&open), json!({})).await.problem(409, "count-again");
    assert_eq!(farm.straws(client, &farm.sexed).await, 7, "0 - 0 at that place");

    // The other way round: the count is accepted first, and then the line before it cannot be undone any more.
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 5});
    let receipt = client.post("/v1/receipts", receipt).await.created();
    let undo = format!("/v1/movements/{}/reversal", receipt["id"].as_str().unwrap());
    let counted = take(farm.place(1), 0).await;
    let accepted = client.post(&accept(&counted), json!({})).await.expect(200);
    let why = json!({"reason": "did_not_happen"});
    let refused = client.post(&undo, why.clone()).await.problem(409, "not-reversible");
    assert_eq!(refused["stocktake_id"], json!(counted));
    assert_eq!(farm.straws(client, &farm.sexed).await, 7);
    // When the count was the mistake, its own line is undone, and then the receipt may be.
    let line = accepted["lines"][0]["movement_id"].as_str().unwrap().to_owned();
    client.post(&format!("/v1/movements/{line}/reversal"), why.clone()).await.created();
    assert_eq!(farm.straws(client, &farm.sexed).await, 12);
    client.post(&undo, why).await.created();
    assert_eq!(farm.straws(client, &farm.sexed).await, 7);
}

async fn nothing_is_found_in_a_canister_that_the_tank_lost(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let count = json!({"lot_id": farm.sexed, "place": farm.place(6), "straws": 2});
    let taken = json!({"tank_id": farm.tank, "counts": [count]});
    let taken = client.post("/v1/stocktakes", taken).await.created();
    client.patch(&format!("/v1/tanks/{}", farm.tank), None, json!({"canisters": 5})).await.expect(200);
    let accept = format!("/v1/stocktakes/{}/acceptance", taken["id"].as_str().unwrap());
    let refused = client.post(&accept, json!({})).await.problem(409, "in-use");
    assert!(refused["detail"].as_str().unwrap().contains("has no canister 6 any more"), "{refused}");
    assert_eq!(farm.straws(client, &farm.sexed).await, 10);
}

async fn a_straw_found_after_the_count_comes_back(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // 9 counted of 10: one line of -1. Later it is found at the bottom of the canister: 9 + 1 = 10.
    let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 9});
    let stocktake =
        client.post("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await.created();
    let path = format!("/v1/stocktakes/{}", stocktake["id"].as_str().unwrap());
    let accepted = client.post(&format!("{path}/acceptance"), json!({})).await.expect(200);
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
    let line = accepted["lines"][0]["movement_id"].as_str().unwrap().to_owned();
    let found = json!({"reason": "did_not_happen"});
    let back = client.post(&format!("/v1/movements/{line}/reversal"), found).await.created();
    assert_eq!((&back["from"]["kind"], &back["to"]["straws_after"]), (&json!("counted"), &json!(10)));
    assert_eq!(back["stocktake_id"], stocktake["id"]);
    // The stocktake stays accepted, and what it found stays to be seen.
    let seen = client.get(&path).await.expect(200);
    assert_eq!((&seen["state"], &seen["lines"][0]["difference"]), (&json!("accepted"), &json!(-1)));
    client.post(&format!("{path}/acceptance"), json!({})).await.problem(409, "in-use");
}

async fn a_line_is_undone_once_and_only_if_the_straws_are_there(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 5});
    let receipt = client.post("/v1/receipts", receipt).await.created();
    let undo = format!("/v1/movements/{}/reversal", receipt["id"].as_str().unwrap());
    let onward = json!({"lot_id": farm.sexed, "from": farm.place(1), "to": farm.place(2), "straws": 1});
    let onward = client.post("/v1/transfers", onward).await.created();
    // 5 came and 1 went on: 4 hang there, so 5 cannot be taken back.
    let refused = client.post(&undo, json!({"reason": "wrong_data"})).await.problem(409, "not-in-stock");
    assert_eq!((&refused["requested"], &refused["available"]), (&json!(5), &json!(4)));
    let back = format!("/v1/movements/{}/reversal", onward["id"].as_str().unwrap());
    client.post(&back, json!({"reason": "did_not_happen"})).await.created();
    let undone = client.post(&undo, json!({"reason": "wrong_data"})).await.created();
    assert_eq!((&undone["kind"], &undone["reverses"]), (&json!("reversal"), &receipt["id"]));
    assert_eq!(farm.straws(client, &farm.sexed).await, 10);
    let pair = client.get(&format!("/v1/movements/{}", receipt["id"].as_str().unwrap())).await.expect(200);
    assert_eq!(pair["reversed_by"], undone["id"], "the pair stays to be seen");
    client.post(&undo, json!({"reason": "wrong_data"})).await.problem(409, "already-reversed");
    // A reversal can itself be reversed.
    let again = format!("/v1/movements/{}/reversal", undone["id"].as_str().unwrap());
    client.post(&again, json!({"reason": "wrong_data"})).await.created();
    assert_eq!(farm.straws(client, &farm.sexed).await, 15);
}

async fn a_reversed_withdrawal_frees_its_service_number(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let taken =
        client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await.created();
    client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    world.pass(chrono::TimeDelta::days(21));
    assert_eq!(next_number(client, &animal).await, 2);
    let lines = client.get("/v1/movements?kind=withdrawal").await.expect(200);
    let undo = format!("/v1/movements/{}/reversal", lines["items"][0]["id"].as_str().unwrap());
    client.post(&undo, json!({"reason": "did_not_happen"})).await.created();
    assert_eq!(next_number(client, &animal).await, 1);
    assert_eq!(farm.straws(client, &farm.sexed).await, 10);
    let path = format!("/v1/withdrawals/{}", taken["id"].as_str().unwrap());
    assert_eq!(client.get(&path).await.expect(200)["state"], "reversed");
    client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.problem(409, "already-resolved");

    // A service alone is taken back: the straw stays out and is unresolved again.
    let taken =
        client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await.created();
    let service = client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
    let undo = format!("/v1/services/{}/reversal", service["id"].as_str().unwrap());
    assert!(client.post(&undo, json!({})).await.expect(200)["reversed_at"].is_string());
    client.post(&undo, json!({})).await.problem(409, "not-reversible");
    assert_eq!(next_number(client, &animal).await, 1);
    client.post("/v1/services", json!({"withdrawal_id": taken["id"]})).await.created();
}

async fn a_batch_does_what_is_good_and_explains_the_rest(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (one, two) = (farm.animal(client, "1").await, farm.animal(client, "2").await);
    let items = json!([
        {"idempotency_key": "a", "animal_id": one, "lot_id": farm.sexed},
        {"idempotency_key": "b", "animal_id": two, "lot_id": farm.conventional},
        {"idempotency_key": "c", "animal_id": two},
        {"animal_id": two, "lot_id": farm.sexed},
        {"idempotency_key": "a", "animal_id": one, "lot_id": farm.sexed},
    ]);
    let statuses = |told: &Value| -> Vec<u64> {
        told["results"].as_array().unwrap().iter().map(|item| item["status"].as_u64().unwrap()).collect()
    };
    let told = client.post("/v1/withdrawals/batch", items.clone()).await.expect(207);
    // What a batch tells has happened: the rule makes a deviation of it.
    assert_eq!(statuses(&told), [201, 201, 422, 422, 201]);
    assert_eq!(told["results"][1]["body"]["deviations"][0]["kind"], "choice_rule");
    assert_eq!(
        (&told["results"][0]["replayed"], &told["results"][4]["replayed"]),
        (&json!(false), &json!(true))
    );
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);
    // Sent again as a whole it adds nothing; the same key answers the same alone.
    let again = client.post("/v1/withdrawals/batch", items).await.expect(207);
    assert_eq!(again["results"][0]["body"], told["results"][0]["body"]);
    let alone = client.post_as("/v1/withdrawals", "a", json!({"animal_id": one, "lot_id": farm.sexed})).await;
    assert_eq!(alone.headers["idempotent-replayed"], "true");
    assert_eq!(farm.straws(client, &farm.sexed).await, 9);

    let lines =
        format!("{}\n\nnot json\n", json!({"idempotency_key": "d", "animal_id": two, "lot_id": farm.sexed}));
    let headers = [("content-type", "application/x-ndjson")];
    let told = client
        .send(reqwest::Method::POST, "/v1/withdrawals/batch", &headers, lines.into_bytes())
        .await
        .expect(207);
    assert_eq!(statuses(&told), [201, 400]);
    client.post("/v1/withdrawals/batch", json!([])).await.problem(422, "invalid-input");
    client.post("/v1/withdrawals/batch", json!({})).await.problem(422, "invalid-input");

    let neighbour = world.neighbour().await;
    let ours = json!([{"idempotency_key": "a", "animal_id": one, "lot_id": farm.sexed}]);
    let told = neighbour.post("/v1/withdrawals/batch", ours).await.expect(207);
    assert_eq!(statuses(&told), [404], "another business's animal does not exist");
}

async fn a_batch_takes_animals_receipts_and_readings(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let line = |key: &str, step: &str, more: &Value| {
        let mut line = json!({"idempotency_key": key, "step": step});
        line.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        line
    };
    let receipt = json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 4});
    let reading = json!({"tank_id": farm.tank, "read_at": "2026-03-01T06:10:00Z", "depth_mm": 310});
    let animal = |number: &str| json!({"herd_id": farm.herd, "number": number});
    let lines = [
        line("1", "animal", &animal("501")),
        line("2", "receipt", &receipt),
        line("3", "nitrogen_reading", &reading),
        line("4", "receipt", &json!({"lot_id": farm.sexed, "place": farm.place(99), "straws": 4})),
        line("5", "animal", &json!({"number": "502"})),
        line("6", "nitrogen_reading", &json!({"depth_mm": 310})),
        line("7", "animal", &json!({"herd_id": farm.herd, "number": 7})),
        line("8", "animal", &animal("503")),
    ];
    let sent: Vec<String> = lines.iter().map(ToString::to_string).collect();
    let send = async |caller: &Client| {
        let headers = [("content-type", "application/x-ndjson")];
        let body = sent.join("\n").into_bytes();
        caller.send(reqwest::Method::POST, "/v1/batch", &headers, body).await.expect(207)
    };
    let statuses = |told: &Value| -> Vec<u64> {
        told["results"].as_array().unwrap().iter().map(|item| item["status"].as_u64().unwrap()).collect()
    };
    let count = async |path: &str| client.get(path).await.expect(200)["items"].as_array().unwrap().len();
    let all = async || {
        let readings = format!("/v1/tanks/{}/nitrogen-readings", farm.tank);
        (count("/v1/animals").await, count(&readings).await, farm.straws(client, &farm.sexed).await)
    };
    let told = send(client).await;
    assert_eq!(statuses(&told), [201, 201, 201, 422, 422, 422, 422, 201], "{told:#}");
    // Those after a refused one went on.
    assert_eq!(all().await, (2, 1, 14));
    let wrong = |n: usize| told["results"][n]["body"]["errors"][0]["pointer"].clone();
    assert_eq!(
        [wrong(3), wrong(4), wrong(5), wrong(6)],
        ["#/place/canister", "#/herd_id", "#/tank_id", "#/number"]
    );
    // The same again adds nothing, and each key answers the same alone.
    let again = send(client).await;
    assert_eq!(statuses(&again), statuses(&told));
    assert_eq!(all().await, (2, 1, 14));
    let at = format!("/v1/tanks/{}/nitrogen-readings", farm.tank);
    let mut alone = reading;
    alone.as_object_mut().unwrap().remove("tank_id");
    for (n, path, body) in
        [(0, "/v1/animals", animal("501")), (1, "/v1/receipts", receipt), (2, at.as_str(), alone)]
    {
        let one = client.post_as(path, &(n + 1).to_string(), body).await;
        assert_eq!(one.header("idempotent-replayed"), "true");
        assert_eq!(one.created(), told["results"][n]["body"]);
    }
    // A key may do in a batch what it may do alone: herd software enters animals and readings, and moves no straws.
    let herd_software = world.caller(Role::Integration).await;
    let more = json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 4});
    let items = json!([line("10", "animal", &animal("504")), line("9", "receipt", &more)]);
    let told = herd_software.post("/v1/batch", items).await.expect(207);
    assert_eq!(statuses(&told), [201, 403]);
    let refused = told["results"][1]["body"]["detail"].as_str().unwrap();
    assert!(refused.contains("technician's or manager's"), "{refused}");
    world.caller(Role::Reader).await.post("/v1/batch", json!([])).await.problem(403, "forbidden");
    assert_eq!(all().await, (3, 1, 14));
    // Another business's ids name nothing.
    let told = send(&world.neighbour().await).await;
    assert_eq!(statuses(&told), [404, 404, 404, 404, 422, 422, 422, 404]);
    // Nothing was done at the cow, so nothing that was refused is told to the office.
    assert_eq!(count("/v1/alerts").await, 0);
}

async fn a_lot_is_traced_to_the_last_straw(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (served, waiting) = (farm.animal(client, "1").await, farm.animal(client, "2").await);
    let withdraw = async |animal: &str| {
        client.post("/v1/withdrawals", json!({"animal_id": animal, "lot_id": farm.sexed})).await.created()
    };
    let taken = withdraw(&served).await;
    client
        .post("/v1/services", json!({"withdrawal_id": taken["id"], "technician": "T. Example"}))
        .await
        .created();
    withdraw(&waiting).await;
    let order = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 2, "reason": "dropped"});
    client.post("/v1/discards", order).await.created();
    world.pass(chrono::TimeDelta::days(30));
    let check = json!({"animal_id": served, "method": "ultrasound", "result": "pregnant"});
    client.post("/v1/pregnancy-checks", check).await.created();
    let trace = client.get(&format!("/v1/reports/lot-trace/{}", farm.sexed)).await.expect(200);
    // 10 came = 6 hang + 2 went out + 2 thrown away.
    let totals =
        json!({"received": 10, "in_stock": 6, "used": 2, "discarded": 2, "consigned": 0, "counted": 0});
    assert_eq!(trace["totals"], totals);
    let service = &trace["services"][0];
    assert_eq!((&service["animal_number"], &service["result"]), (&json!("1"), &json!("pregnant")));
    assert_eq!(service["technician"], "T. Example");
    assert_eq!(trace["unresolved"][0]["animal_id"], json!(waiting));
    assert_eq!(trace["stock"][0]["straws"], 6);
}

async fn the_audit_says_who_did_what(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let technician = world.caller(Role::Technician).await;
    let animal = farm.animal(client, "1").await;
    let order = json!({"animal_id": animal, "lot_id": farm.conventional});
    technician.post_as("/v1/withdrawals", "try", order).await.problem(409, "choice-rule");
    let last = client.get("/v1/audit?limit=500").await.expect(200)["items"]
        .as_array()
        .unwrap()
        .last()
        .unwrap()
        .clone();
    assert_eq!((&last["request"], &last["status"]), (&json!("POST /v1/withdrawals"), &json!(409)));
    assert_eq!((&last["key_name"], &last["idempotency_key"]), (&json!("A caller"), &json!("try")));
    technician.get("/v1/audit").await.problem(403, "forbidden");
}
