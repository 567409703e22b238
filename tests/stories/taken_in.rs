//! Files that are taken in over HTTP, while the book is served.

use std::fmt::Write as _;

use reqwest::Method;
use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    imports::taken_by_command,
    on_both_stores,
    world::{Answer, Client, World},
};

on_both_stores!(
    a_file_is_taken_in_while_the_book_is_served,
    what_is_wrong_with_a_file_is_told_by_line_and_column,
    a_file_that_is_only_checked_changes_nothing,
    the_same_delivery_is_taken_in_once,
    a_file_is_sent_plainly_and_has_a_bound,
    a_file_is_a_managers_to_send,
    acts_go_on_beside_a_file,
);

async fn farm(client: &Client) {
    let herd = client.make("/v1/herds", json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna"})).await;
    client.make("/v1/tanks", json!({"name": "Dairy room", "herd_id": herd})).await;
}

async fn send(client: &Client, path: &str, file: impl Into<Vec<u8>>) -> Answer {
    client.send(Method::POST, path, &[("content-type", "text/csv")], file.into()).await
}

async fn straws(client: &Client) -> Value {
    client.get("/v1/stock").await.expect(200)["total_straws"].clone()
}

const INVENTORY: &str = "\
tank_name,canister,cane,sire_name,sire_breed,semen_type,batch,straws
Dairy room,3,B,Invented One,HOL,sexed_female,24117,10
Dairy room,4,,Invented Two,JER,conventional,,7
";

/// Lists that show whether anything was taken in.
async fn book(client: &Client) -> Vec<Value> {
    let mut told = Vec::new();
    for list in ["sires", "lots", "animals", "movements", "services", "alerts", "keys", "audit"] {
        let mut list = client.get(&format!("/v1/{list}?limit=500")).await.expect(200);
        for item in list["items"].as_array_mut().unwrap() {
            // It is noted by the clock.
            item.as_object_mut().unwrap().remove("last_used_at");
        }
        told.push(list);
    }
    told
}

async fn a_file_is_taken_in_while_the_book_is_served(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let told = send(client, "/v1/imports/inventory", INVENTORY).await.expect(200);
    let expected = json!({
        "dry_run": false, "rows": 2, "skipped": 0, "straws": 17, "receipts": 2, "sires": 2, "sires_completed": 0,
        "lots": 2, "animals": 0, "calvings": 0, "services": 0, "mating_plans": 0});
    assert_eq!(told, expected);
    assert_eq!(straws(client).await, 17);
    let sires = "name,breed,sire_name\nInvented Three,HOL,Invented One\n";
    assert_eq!(send(client, "/v1/imports/sires", sires).await.expect(200)["sires"], 1);
    let hers = "/v1/imports/animals?herd_name=Lower+Meadow";
    let animals = "number,born_on\n412,2023-05-02\n413,2023-06-02\n";
    let told = send(client, hers, animals).await.expect(200);
    assert_eq!((&told["animals"], &told["skipped"]), (&json!(2), &json!(0)));
    let services = "herd_name,animal_number,served_at,sire_name,semen_type\n\
                    Lower Meadow,412,2026-01-19T07:40:00+01:00,Invented One,sexed_female\n";
    assert_eq!(send(client, "/v1/imports/services", services).await.expect(200)["services"], 1);
    let plans = "herd_name,animal_number,sire_name\nLower Meadow,413,Invented Three\n";
    assert_eq!(send(client, "/v1/imports/mating-plans", plans).await.expect(200)["mating_plans"], 1);
    // What is in the book just so is passed over.
    let told = send(client, hers, animals).await.expect(200);
    assert_eq!((&told["animals"], &told["skipped"]), (&json!(0), &json!(2)));
    // It was done with the caller's key; none was made for it.
    assert_eq!(client.get("/v1/keys").await.expect(200)["items"].as_array().unwrap().len(), 1);
    let audit = client.get("/v1/audit?limit=500").await.expect(200);
    let requests: Vec<_> = audit["items"].as_array().unwrap().iter().map(|act| &act["request"]).collect();
    assert!(requests.contains(&&json!("POST /v1/imports/services")), "{requests:?}");
    // A neighbour's names lead nowhere.
    let next_door = send(&world.neighbour().await, "/v1/imports/inventory", INVENTORY).await;
    let told = next_door.problem(422, "file-wrong");
    assert!(told["faults"][0]["detail"].as_str().unwrap().contains("the book has no tank yet"), "{told}");
}

async fn what_is_wrong_with_a_file_is_told_by_line_and_column(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let before = book(client).await;
    let file = "\
tank_name,canister,sire_name,semen_type,straws
Dairy room,3,Invented One,sexed_female,10
Dairy rom,3,Invented One,sexed_female,10
Dairy room,3,Invented One,sexed,-1
Dairy room,3,Invented One
";
    let told = send(client, "/v1/imports/inventory", file).await.problem(422, "file-wrong");
    let faults = told["faults"].as_array().unwrap();
    let at: Vec<_> =
        faults.iter().map(|fault| (fault["line"].as_u64().unwrap(), fault["column"].as_str())).collect();
    assert_eq!(at, [(3, Some("tank_name")), (4, Some("semen_type")), (4, Some("straws")), (5, None)]);
    assert_eq!(told["more_faults"], 0);
    let begins = "Nothing was taken in: 4 things are wrong. The first: line 3, tank_name:";
    assert!(told["detail"].as_str().unwrap().starts_with(begins), "{told}");
    // The same as a table, for those who mend the file where such tables are read.
    let as_table = async |accept: &str, file: &str| {
        let headers = [("content-type", "text/csv"), ("accept", accept)];
        client.send(Method::POST, "/v1/imports/inventory", &headers, file.as_bytes().to_vec()).await
    };
    let table = as_table("text/csv", file).await;
    assert_eq!(
        (table.status, table.header("content-type")),
        (422, "text/csv; charset=utf-8; header=present")
    );
    let mut lines = csv::Reader::from_reader(table.text.as_bytes());
    assert_eq!(lines.headers().unwrap(), vec!["line", "column", "fault", "column_holds"]);
    let lines: Vec<_> = lines.records().map(Result::unwrap).collect();
    assert_eq!(lines.len(), faults.len());
    for (line, fault) in lines.iter().zip(faults) {
        assert_eq!(line[0], fault["line"].to_string());
        assert_eq!(&line[1], fault["column"].as_str().unwrap_or_default());
        assert_eq!(&line[2], fault["detail"].as_str().unwrap());
        assert_eq!(line[3].is_empty(), line[1].is_empty(), "what the column holds helps to mend it");
    }
    assert_eq!(&lines[1][3], "conventional, sexed_female or sexed_male.");
    // RFC 9110, section 12.5.1: what is named, and what weighs more.
    for (accept, is_table) in [
        ("text/csv;q=0.9, application/json;q=0.5", true),
        ("application/problem+json, text/csv;q=0.5", false),
        ("Text/CSV", true),
        ("text/csv;q=0", false),
        ("*/*", false),
        ("application/json", false),
    ] {
        let told = as_table(accept, file).await;
        assert_eq!(told.header("content-type").starts_with("text/csv"), is_table, "{accept}");
    }
    // What is wrong with the file as a whole has no lines.
    as_table("text/csv", "colour,tank_name\n").await.problem(422, "file-wrong");
    as_table("text/csv", "").await.problem(422, "file-wrong");
    let header = "tank_name,canister,sire_name,semen_type,straws\n";
    let many = format!("{header}{}", "Dairy room,3,Invented One,sexed_female,none\n".repeat(300));
    let table = as_table("text/csv", &many).await;
    assert!(table.text.ends_with(",,100 more are wrong,\r\n"), "{}", table.text);
    let told = send(client, "/v1/imports/inventory", many).await.problem(422, "file-wrong");
    assert_eq!((told["faults"].as_array().unwrap().len(), &told["more_faults"]), (200, &json!(100)));
    let told = send(client, "/v1/imports/inventory", "colour,tank_name\n").await.problem(422, "file-wrong");
    assert!(told["detail"].as_str().unwrap().contains("colour"), "{told}");
    send(client, "/v1/imports/inventory", "").await.problem(422, "file-wrong");
    assert_eq!(book(client).await, before, "one fault, and nothing is taken in");
    let told = send(client, "/v1/imports/cows", INVENTORY).await.problem(404, "not-found");
    let lists = "inventory, sires, animals, services, mating-plans";
    assert!(told["detail"].as_str().unwrap().contains(lists), "{told}");
    for (query, known) in
        [("colour=red", "dry_run"), ("dry_run=maybe", "dry_run"), ("herd_name=Lower+Meadow", "herd_name")]
    {
        let path = format!("/v1/imports/inventory?{query}");
        let told = send(client, &path, INVENTORY).await.problem(400, "invalid-query");
        assert!(told["detail"].as_str().unwrap().contains(known), "{told}");
    }
    assert_eq!(book(client).await, before);
}

async fn a_file_that_is_only_checked_changes_nothing(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let before = book(client).await;
    let path = "/v1/imports/inventory?dry_run=true";
    let told = send(client, path, INVENTORY).await.expect(200);
    assert_eq!((&told["dry_run"], &told["straws"], &told["sires"]), (&json!(true), &json!(17), &json!(2)));
    let wrong = "tank_name,canister,semen_type,straws\nDairy room,3,sexed,1\n";
    send(client, path, wrong).await.problem(422, "file-wrong");
    // That it was checked is on record, as such, and nothing else.
    let mut after = book(client).await;
    let checked = after[7]["items"].as_array_mut().unwrap().pop().unwrap();
    assert_eq!(checked["request"], "POST /v1/imports/inventory?dry_run=true");
    assert_eq!(after, before);
    let with_key = async |path: &str| {
        let headers = [("content-type", "text/csv"), ("idempotency-key", "spring")];
        client.send(Method::POST, path, &headers, INVENTORY.into()).await
    };
    with_key("/v1/imports/inventory").await.expect(200);
    let again = with_key("/v1/imports/inventory").await;
    assert_eq!(again.header("idempotent-replayed"), "true");
    assert_eq!(again.expect(200)["straws"], 17);
    with_key(path).await.problem(422, "idempotency-mismatch");
    // Another file, and the same with another tank where it names none, are other requests.
    with_key("/v1/imports/inventory?tank_name=Dairy+room").await.problem(422, "idempotency-mismatch");
    let headers = [("content-type", "text/csv"), ("idempotency-key", "spring")];
    let other = INVENTORY.replace("24117", "24119");
    let other = client.send(Method::POST, "/v1/imports/inventory", &headers, other.into()).await;
    other.problem(422, "idempotency-mismatch");
    assert_eq!(straws(client).await, 17);
}

async fn the_same_delivery_is_taken_in_once(world: &World) {
    let client = &world.manager;
    farm(client).await;
    send(client, "/v1/imports/inventory", INVENTORY).await.expect(200);
    for path in ["/v1/imports/inventory", "/v1/imports/inventory?dry_run=true"] {
        let told = send(client, path, INVENTORY).await.problem(409, "file-known");
        assert!(told["detail"].as_str().unwrap().contains("received_at"), "{told}");
    }
    assert_eq!(straws(client).await, 17);
    // So it is by whatever way it came.
    let told = taken_by_command(world, INVENTORY).await.unwrap_err();
    assert!(told[0].contains("imported before"), "{told:?}");
    let other = INVENTORY.replace("24117", "24119");
    taken_by_command(world, &other).await.unwrap();
    send(client, "/v1/imports/inventory", other).await.problem(409, "file-known");
    assert_eq!(straws(client).await, 34);
}

async fn a_file_is_sent_plainly_and_has_a_bound(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let with = async |headers: &[(&str, &str)], file: Vec<u8>| {
        client.send(Method::POST, "/v1/imports/inventory", headers, file).await
    };
    let csv = ("content-type", "text/csv");
    for (headers, word) in [
        (vec![("content-type", "application/json")], "text/csv"),
        (vec![], "text/csv"),
        (vec![csv, ("content-encoding", "gzip")], "without Content-Encoding"),
        (vec![("content-type", "text/csv; charset=utf-16")], "UTF-8"),
    ] {
        let told = with(&headers, INVENTORY.into()).await.problem(415, "unsupported-media-type");
        assert!(told["detail"].as_str().unwrap().contains(word), "{told}");
    }
    // What the headers do not say shows in the file: RFC 1952, 2.3.1; RFC 2781, 3.2; the ZIP format's local file header.
    let utf_16: Vec<u8> = "\u{feff}tank_name".encode_utf16().flat_map(u16::to_le_bytes).collect();
    for (file, word) in [
        (vec![0x1f, 0x8b, 8, 0, 0, 0, 0, 0], "gzip"),
        (b"PK\x03\x04\x14\x00".to_vec(), "spreadsheet"),
        (utf_16, "UTF-16"),
    ] {
        let told = with(&[csv], file).await.problem(422, "file-wrong");
        assert!(told["detail"].as_str().unwrap().contains(word), "{told}");
    }
    let header = "tank_name,canister,sire_name,semen_type,straws\n";
    let lines = |n: usize| format!("{header}{}", "Dairy room,2,Invented One,conventional,1\n".repeat(n));
    let told = with(&[csv], lines(2000).into()).await.problem(413, "too-large");
    assert!(told["detail"].as_str().unwrap().contains("tankside import"), "{told}");
    let wide = format!("{header}Dairy room,1,{},conventional,1\n", "x".repeat(1024 * 1024));
    with(&[csv], wide.into()).await.problem(413, "too-large");
    assert_eq!(straws(client).await, 0);
    let marked = [("content-type", "text/csv; charset=\"UTF-8\"; header=present")];
    with(&marked, format!("\u{feff}{}", lines(20)).into()).await.expect(200);
    assert_eq!(straws(client).await, 20);
}

async fn a_file_is_a_managers_to_send(world: &World) {
    farm(&world.manager).await;
    for role in [Role::Reader, Role::Technician, Role::Integration] {
        let answer = send(&world.caller(role).await, "/v1/imports/inventory", INVENTORY).await;
        let refused = answer.problem(403, "forbidden");
        assert!(refused["detail"].as_str().unwrap().contains("a manager's key may"), "{refused}");
    }
    assert_eq!(straws(&world.manager).await, 0);
}

async fn acts_go_on_beside_a_file(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let file = (0..60).fold("number,born_on\n".to_owned(), |mut file, n| {
        let _ = writeln!(file, "{n},2023-05-02");
        file
    });
    let import = send(client, "/v1/imports/animals?herd_name=Lower+Meadow", file);
    let acts = async {
        for n in 0..10 {
            client.make("/v1/sires", json!({"name": format!("Invented {n}")})).await;
        }
    };
    let (told, ()) = tokio::join!(import, acts);
    assert_eq!(told.expect(200)["animals"], 60);
    assert_eq!(client.get("/v1/sires").await.expect(200)["items"].as_array().unwrap().len(), 10);
}
