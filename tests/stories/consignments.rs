//! What comes in and goes out by a delivery note, and the register that an inspector asks for.

use serde_json::{Value, json};

use crate::{
    lists::whole,
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(
    a_delivery_note_is_taken_in_at_once,
    straws_leave_for_another_keeper,
    a_line_that_cannot_be_done_stops_all,
    the_register_tells_origin_and_destination,
    the_register_is_read_by_time,
);

fn line(lot: &str, place: &Value, straws: i64) -> Value {
    json!({"lot_id": lot, "place": place, "straws": straws})
}

fn consignment(direction: &str, lines: &[Value]) -> Value {
    json!({"direction": direction, "lines": lines, "documents": ["DN-4711", "INV-9"], "document_on": "2026-02-27",
           "party": {"name": "Invented Station", "approval_number": "ZZ 00 123", "address": "Invented Road 1"}})
}

async fn stock_of(client: &Client, lot: &str) -> i64 {
    let stock = client.get(&format!("/v1/stock?lot_id={lot}")).await.expect(200);
    stock["total_straws"].as_i64().unwrap()
}

async fn a_delivery_note_is_taken_in_at_once(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // Both lots hang in a goblet where nothing hung before, one of them twice.
    let place = json!({"tank_id": farm.tank, "canister": 5, "cane": "Z"});
    let lines =
        [line(&farm.sexed, &place, 5), line(&farm.conventional, &place, 7), line(&farm.sexed, &place, 2)];
    let before = (stock_of(client, &farm.sexed).await, stock_of(client, &farm.conventional).await);
    let came = client.post("/v1/consignments", consignment("in", &lines)).await.created();
    let after = (stock_of(client, &farm.sexed).await, stock_of(client, &farm.conventional).await);
    assert_eq!(after, (before.0 + 7, before.1 + 7));
    assert_eq!(came["lines"].as_array().unwrap().len(), 3);
    let path = format!("/v1/consignments/{}", came["id"].as_str().unwrap());
    assert_eq!(client.get(&path).await.expect(200), came, "what is read is what was answered");
    for (n, told) in came["lines"].as_array().unwrap().iter().enumerate() {
        let movement = format!("/v1/movements/{}", told["movement_id"].as_str().unwrap());
        let movement = client.get(&movement).await.expect(200);
        assert_eq!((&movement["kind"], &movement["straws"]), (&json!("receipt"), &lines[n]["straws"]));
        assert_eq!(movement["from"]["kind"], "supplier");
    }
    let last =
        client.get(&format!("/v1/movements/{}", came["lines"][2]["movement_id"].as_str().unwrap())).await;
    assert_eq!(last.expect(200)["to"]["straws_after"], 7, "on top of the first line");
    let changes = client.get("/v1/changes?limit=1000").await.expect(200);
    let change = changes["items"].as_array().unwrap().iter().find(|change| change["kind"] == "consignment");
    assert_eq!(change.unwrap()["href"], path.as_str());
}

async fn straws_leave_for_another_keeper(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (lot, place) = (&farm.sexed, farm.place(3));
    let before = stock_of(client, lot).await;
    let left = client.post("/v1/consignments", consignment("out", &[line(lot, &place, 4)])).await.created();
    assert_eq!(stock_of(client, lot).await, before - 4);
    let movement = left["lines"][0]["movement_id"].as_str().unwrap();
    let told = client.get(&format!("/v1/movements/{movement}")).await.expect(200);
    assert_eq!((&told["kind"], &told["to"]["kind"]), (&json!("consignment"), &json!("keeper")));
    let trace = client.get(&format!("/v1/reports/lot-trace/{lot}")).await.expect(200);
    assert_eq!(trace["totals"]["consigned"], 4);
    let sum = |name: &str| trace["totals"][name].as_i64().unwrap();
    assert_eq!(
        sum("received") + sum("counted"),
        sum("in_stock") + sum("used") + sum("discarded") + sum("consigned")
    );
    let by_direction = whole(client, "/v1/consignments", "direction=out", 10).await;
    assert_eq!(by_direction.len(), 1);
    assert_eq!(whole(client, "/v1/consignments", "direction=in", 10).await.len(), 0);

    // A mistake is undone like any other, and stays to be seen.
    let path = format!("/v1/movements/{movement}/reversal");
    let undone = client.post(&path, json!({"reason": "did_not_happen"})).await.created();
    assert_eq!(stock_of(client, lot).await, before);
    let path = format!("/v1/consignments/{}", left["id"].as_str().unwrap());
    assert_eq!(client.get(&path).await.expect(200)["lines"][0]["reversed_by"], undone["id"]);
    let trace = client.get(&format!("/v1/reports/lot-trace/{lot}")).await.expect(200);
    assert_eq!(trace["totals"]["consigned"], 0);
}

async fn a_line_that_cannot_be_done_stops_all(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let ledger = whole(client, "/v1/movements", "", 500).await;
    let held = stock_of(client, &farm.sexed).await;
    let enough = line(&farm.sexed, &farm.place(3), held - 1);
    let too_many = line(&farm.sexed, &farm.place(3), 2);
    let answer = client.post("/v1/consignments", consignment("out", &[enough.clone(), too_many])).await;
    assert_eq!((answer.body["requested"].as_i64(), answer.body["available"].as_i64()), (Some(2), Some(1)));
    answer.problem(409, "not-in-stock");
    let nowhere = line(&farm.sexed, &json!({"tank_id": farm.tank, "canister": 7}), 1);
    let answer = client.post("/v1/consignments", consignment("in", &[enough.clone(), nowhere])).await;
    assert_eq!(answer.pointers(), ["#/lines/1/place/canister"]);
    answer.problem(422, "invalid-input");
    let answer = client.post("/v1/consignments", consignment("in", &[])).await;
    assert_eq!(answer.pointers(), ["#/lines"]);
    answer.problem(422, "invalid-input");
    assert_eq!(whole(client, "/v1/movements", "", 500).await, ledger, "nothing was written");
}

async fn the_register_tells_origin_and_destination(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (lot, place) = (&farm.sexed, farm.place(3));
    client.post("/v1/consignments", consignment("in", &[line(lot, &place, 3)])).await.created();
    let animal = farm.animal(client, "412").await;
    let taken = client.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": lot})).await;
    let service = client.make("/v1/services", json!({"withdrawal_id": taken})).await;
    let discard = json!({"lot_id": lot, "place": place, "straws": 1, "reason": "exposed"});
    client.post("/v1/discards", discard).await.created();
    let elsewhere = json!({"lot_id": lot, "from": place, "to": farm.place(4), "straws": 1});
    client.post("/v1/transfers", elsewhere).await.created();
    let out = client.post("/v1/consignments", consignment("out", &[line(lot, &place, 2)])).await.created();
    let undo = format!("/v1/movements/{}/reversal", out["lines"][0]["movement_id"].as_str().unwrap());
    client.post(&undo, json!({"reason": "wrong_data"})).await.created();

    let answer = client.get("/v1/reports/register?limit=500").await.expect(200);
    let text = answer["retention"]["text"].as_str().unwrap();
    // Regulation (EU) 2016/429 with (EU) 2020/686: three years; England, regulation 14: two.
    for said in ["2016/429", "2020/686", "three years", "two years", "national law", "authority"] {
        assert!(text.contains(said), "{said}: {text}");
    }
    let entries: Vec<_> =
        answer["items"].as_array().unwrap().iter().filter(|entry| entry["lot_id"] == **lot).collect();
    let told: Vec<_> = entries
        .iter()
        .map(|entry| {
            let ends = ["from", "to"].map(|end| entry[end]["kind"].as_str().unwrap());
            (entry["kind"].as_str().unwrap(), ends[0], ends[1], entry["straws"].as_i64().unwrap())
        })
        .collect();
    assert_eq!(
        told,
        [
            ("receipt", "supplier", "tank", 10),
            ("receipt", "supplier", "tank", 3),
            ("withdrawal", "tank", "used", 1),
            ("discard", "tank", "discarded", 1),
            ("consignment", "tank", "keeper", 2),
            ("reversal", "keeper", "tank", 2),
        ],
        "what was only hung elsewhere is left out"
    );
    assert_eq!(entries[0]["consignment"], Value::Null);
    for n in [1, 4, 5] {
        let c = &entries[n]["consignment"];
        assert_eq!(
            (&c["party"]["approval_number"], &c["documents"][0]),
            (&json!("ZZ 00 123"), &json!("DN-4711"))
        );
    }
    let used = entries[2];
    assert_eq!((&used["animal"]["number"], &used["animal"]["herd_id"]), (&json!("412"), &json!(farm.herd)));
    assert_eq!((&used["service_id"], &used["withdrawal_state"]), (&json!(service), &json!("served")));
    assert_eq!((&used["lot"]["batch"], &used["sire"]["id"]), (&json!("24117"), &json!(farm.sire)));

    // The same as a file, whole, and as an export.
    let csv = client.get("/v1/reports/register?format=csv").await;
    let ledger = answer["items"].as_array().unwrap().len();
    let mut reader = csv::Reader::from_reader(csv.text.as_bytes());
    let column = reader.headers().unwrap().iter().position(|name| name == "approval_number").unwrap();
    let records: Vec<_> = reader.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), ledger);
    assert_eq!(records.iter().filter(|record| &record[column] == "ZZ 00 123").count(), 3);
    assert_eq!(client.get("/v1/exports/register").await.text, csv.text);
}

async fn the_register_is_read_by_time(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    // Entered in another order than they happened in, and several at one time.
    for (hour, straws) in [(9, 1), (7, 2), (8, 3), (8, 4), (7, 5), (10, 6)] {
        let at = format!("2026-02-20T{hour:02}:00:00Z");
        let receipt =
            json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": straws, "received_at": at});
        client.post("/v1/receipts", receipt).await.created();
    }
    let straws =
        |entries: &[Value]| entries.iter().map(|entry| entry["straws"].as_i64().unwrap()).collect::<Vec<_>>();
    let span = "from=2026-02-20T07:00:00Z&to=2026-02-20T10:00:00Z";
    for limit in 1..=6 {
        let entries = whole(client, "/v1/reports/register", span, limit).await;
        assert_eq!(straws(&entries), [2, 5, 3, 4, 1], "by {limit}");
    }
    let late = whole(client, "/v1/reports/register", "from=2026-02-20T10:00:00Z", 100).await;
    assert_eq!(straws(&late)[0], 6);
    let early = whole(client, "/v1/reports/register", "to=2026-02-20T08:00:00Z", 100).await;
    assert_eq!(straws(&early), [2, 5]);
    let csv = client.get(&format!("/v1/reports/register?{span}&format=csv")).await.text;
    assert_eq!(csv.lines().count(), 6, "a header and five lines");
}
