//! Whole lists taken out: as CSV for spreadsheets, as NDJSON for programs.

use std::collections::{BTreeMap, BTreeSet};
use tankside::{
    clock::Clock,
    domain::{access::Role, values::Timestamp},
    http::exchange::export::{Export, ExportFormat, ExportList},
    store::{self, Db},
};

use reqwest::Method;
use serde_json::{Value, json};
use sqlx::{Connection as _, Row as _};

use crate::{
    lists::{lists, stocked, whole},
    on_both_stores,
    world::{Answer, Client, Farm, MORNING, World, instant},
};

on_both_stores!(
    an_empty_list_is_a_header_or_nothing,
    every_list_is_whole_in_both_forms,
    no_cell_is_a_formula,
    mating_plans_have_a_line_for_each_choice,
    the_form_is_asked_for_in_the_query_or_by_accept,
    only_ones_own_is_taken_out_and_the_audit_is_for_managers,
    stock_is_told_at_one_line_of_the_ledger_while_straws_move,
    lines_added_meanwhile_neither_skip_nor_repeat_any,
);

async fn export(client: &Client, list: ExportList, format: ExportFormat) -> Answer {
    let answer = client.get(&format!("/v1/exports/{list}?format={format}")).await;
    assert_eq!(answer.status, 200, "{answer:?}");
    answer
}

/// The lines of an NDJSON export.
async fn items(client: &Client, list: ExportList) -> Vec<Value> {
    let answer = export(client, list, ExportFormat::Ndjson).await;
    answer.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// The lines of a CSV export, each by the names of its columns.
async fn lines(client: &Client, list: ExportList) -> Vec<BTreeMap<String, String>> {
    let answer = export(client, list, ExportFormat::Csv).await;
    let mut csv = csv::Reader::from_reader(answer.text.as_bytes());
    let header = csv.headers().unwrap().clone();
    let line = |record: csv::StringRecord| {
        header.iter().map(str::to_owned).zip(record.iter().map(str::to_owned)).collect()
    };
    csv.records().map(|record| line(record.unwrap())).collect()
}

fn path(list: ExportList) -> String {
    match list {
        ExportList::NitrogenReadings | ExportList::Refills | ExportList::Repairs => {
            format!("/v1/tanks/{{id}}/{list}")
        }
        ExportList::Register => "/v1/reports/register".to_owned(),
        _ => format!("/v1/{list}"),
    }
}

/// All items of the list's pages; of what is listed by tank, those of all tanks in the order of entry.
async fn pages(client: &Client, list: ExportList) -> Vec<Value> {
    let path = path(list);
    if !path.contains("{id}") {
        return whole(client, &path, "", 500).await;
    }
    let mut all = Vec::new();
    for tank in whole(client, "/v1/tanks", "", 500).await {
        all.extend(whole(client, &path.replace("{id}", tank["id"].as_str().unwrap()), "", 500).await);
    }
    all.sort_by_key(|item| item["id"].as_str().unwrap().to_owned());
    all
}

async fn an_empty_list_is_a_header_or_nothing(world: &World) {
    for list in ExportList::ALL {
        let csv = export(&world.manager, *list, ExportFormat::Csv).await;
        assert_eq!(csv.header("content-type"), "text/csv; charset=utf-8; header=present");
        assert_eq!(csv.header("content-disposition"), format!("attachment; filename=\"{list}.csv\""));
        assert_eq!(csv.text.matches("\r\n").count(), 1, "{}", csv.text);
        assert!(csv.text.ends_with("\r\n") && csv.text.contains(','), "{}", csv.text);
        let ndjson = export(&world.manager, *list, ExportFormat::Ndjson).await;
        assert_eq!(ndjson.header("content-type"), "application/x-ndjson");
        assert_eq!(ndjson.text, "");
    }
}

/// A member as a cell shows it.
fn shown(member: &Value) -> String {
    match member {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        Value::Array(none) if none.is_empty() => String::new(),
        other => other.to_string(),
    }
}

async fn every_list_is_whole_in_both_forms(world: &World) {
    let client = &world.manager;
    stocked(client).await;
    // More than are read at a time, of the ledger, the stock and the animals.
    let farm = Farm::found(client).await;
    for cane in 0..510 {
        let place = json!({"tank_id": farm.tank, "canister": cane % 6 + 1, "cane": cane.to_string()});
        let receipt = json!({"lot_id": farm.sexed, "place": place, "straws": 1});
        client.post("/v1/receipts", receipt).await.created();
        farm.animal(client, &cane.to_string()).await;
    }
    // What is sent where, who may ask and who may read a calendar are settings; the outlook and charges are reckoned, not on record.
    let not_taken_out =
        ["/v1/webhooks", "/v1/stock/outlook", "/v1/calendars", "/v1/reports/charges", "/v1/keys"];
    let paths = lists().into_iter().map(|(path, _)| path.to_owned());
    let paths: BTreeSet<String> = paths.filter(|path| !not_taken_out.contains(&path.as_str())).collect();
    let plans = ExportList::MatingPlans;
    let listed = ExportList::ALL.iter().copied().filter(|list| *list != plans);
    assert_eq!(paths, listed.clone().map(path).collect(), "every list can be taken out");
    for list in &listed.collect::<Vec<_>>() {
        let all = pages(client, *list).await;
        assert!(!all.is_empty(), "{list} shows nothing, so the story tells nothing");
        assert_eq!(items(client, *list).await, all, "{list}");
        let lines = lines(client, *list).await;
        assert_eq!(lines.len(), all.len(), "{list}");
        for (line, item) in lines.iter().zip(&all) {
            for (name, member) in item.as_object().unwrap() {
                // What is not a column itself is shown by columns that say what of it they show.
                let Some(cell) = line.get(name) else {
                    let stands_for = match name.as_str() {
                        // Her kinship is reckoned for the answer to a command, and null in a list.
                        "etag" | "kinship" => continue,
                        "place" => "canister",
                        "lot" => "lot_id",
                        "sire" => "sire_id",
                        "due" => "due_on",
                        "return_watch" => "return_watch_from_on",
                        "recheck" => "recheck_from_on",
                        "fits" => "fits_service_id",
                        "location" => "location_id",
                        "from" => "from_kind",
                        "to" => "to_kind",
                        "party" | "consignment" => "party_name",
                        "animal" => "animal_id",
                        other => panic!("{list} has no column for {other}"),
                    };
                    assert!(line.contains_key(stands_for), "{list}: {stands_for}");
                    continue;
                };
                let shown = if name == "rule" { shown(&member["text"]) } else { shown(member) };
                assert_eq!(*cell, shown, "{list} {name}");
            }
        }
    }
    let stock = lines(client, ExportList::Stock).await;
    let item = &items(client, ExportList::Stock).await[0];
    for (column, pointer) in [
        ("tank_id", "/place/tank_id"),
        ("canister", "/place/canister"),
        ("cane", "/place/cane"),
        ("goblet", "/place/goblet"),
        ("lot_id", "/lot/id"),
        ("batch", "/lot/batch"),
        ("straw_ml", "/lot/straw_ml"),
        ("sire_id", "/sire/id"),
        ("sire_name", "/sire/name"),
    ] {
        assert_eq!(stock[0][column], shown(item.pointer(pointer).unwrap()), "{column}");
    }
    let ledger = lines(client, ExportList::Movements).await;
    let taken = ledger.iter().find(|line| line["kind"] == "withdrawal").unwrap();
    assert_eq!((taken["from_kind"].as_str(), taken["to_kind"].as_str()), ("tank", "used"));
    assert_eq!((taken["from_canister"].as_str(), taken["to_canister"].as_str()), ("3", ""));
    assert_eq!(taken["from_straws_after"], "9");
}

async fn mating_plans_have_a_line_for_each_choice(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let other = client.make("/v1/sires", json!({"name": "=Invented"})).await;
    let mut plans = Vec::new();
    // More than are read at a time.
    for number in 1..=510 {
        let animal = farm.animal(client, &number.to_string()).await;
        if number % 100 != 1 && number < 500 {
            continue;
        }
        let choices = json!([{"sire_id": farm.sire, "service_number": 1, "semen_type": "sexed_female"}, {"sire_id": other}]);
        let plan = json!({"choices": choices, "note": format!("Number {number}")}).to_string().into_bytes();
        let path = format!("/v1/animals/{animal}/mating-plan");
        client.send(Method::PUT, &path, &[("content-type", "application/json")], plan).await.created();
        plans.push((number.to_string(), client.get(&path).await.expect(200)));
    }
    let told = items(client, ExportList::MatingPlans).await;
    let cells = lines(client, ExportList::MatingPlans).await;
    assert_eq!((told.len(), cells.len()), (2 * plans.len(), 2 * plans.len()));
    for ((number, plan), lines) in plans.iter().zip(told.chunks(2)) {
        for (n, line) in lines.iter().enumerate() {
            assert_eq!((&line["animal_number"], &line["rank"]), (&json!(number), &json!(n + 1)));
            for (name, value) in plan["choices"][n].as_object().unwrap() {
                assert_eq!(line[name], *value, "{name}");
            }
            for name in ["note", "source", "planned_at", "recorded_by", "animal_id"] {
                assert_eq!(line[name], plan[name], "{name}");
            }
        }
    }
    assert_eq!((cells[0]["from_service"].as_str(), cells[0]["herd_name"].as_str()), ("1", "Lower Meadow"));
    assert_eq!((cells[1]["sire_name"].as_str(), cells[1]["semen_type"].as_str()), ("'=Invented", ""));
}

async fn no_cell_is_a_formula(world: &World) {
    let client = &world.manager;
    // OWASP ASVS 5.0, 1.2.10 names these signs. A tab, a carriage return or a NUL cannot begin a text of the
    // book, which is trimmed and has no control characters; the unit test has them.
    let names = ["=HYPERLINK(\"x\")", "+43", "-5", "@SUM(A1)", "'=1", "Müller; Söhne", "a=b", "'s"];
    for name in names {
        client.make("/v1/sires", json!({"name": name})).await;
    }
    let farm = Farm::found(client).await;
    let animal = farm.animal(client, "1").await;
    let note = "=1\nsaid \"yes\", then no";
    client.make("/v1/heats", json!({"animal_id": animal, "note": note})).await;
    let csv = export(client, ExportList::Sires, ExportFormat::Csv).await.text;
    // RFC 4180, 2.5 to 2.7: a quotation mark is doubled, in a field in quotation marks.
    assert!(csv.contains(",\"'=HYPERLINK(\"\"x\"\")\","), "{csv}");
    let cells: Vec<String> = lines(client, ExportList::Sires)
        .await
        .into_iter()
        .map(|mut line| line.remove("name").unwrap())
        .collect();
    assert_eq!(
        cells[..8],
        ["'=HYPERLINK(\"x\")", "'+43", "'-5", "'@SUM(A1)", "''=1", "Müller; Söhne", "a=b", "'s"]
    );
    assert_eq!(lines(client, ExportList::Heats).await[0]["note"], format!("'{note}"));
    // Programs that read NDJSON run no formulas.
    let plain: Vec<Value> =
        items(client, ExportList::Sires).await.iter().map(|sire| sire["name"].clone()).collect();
    assert_eq!(plain[..8], names.map(Value::from));
    for list in ExportList::ALL {
        for line in lines(client, *list).await {
            for (column, cell) in line {
                assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\0']), "{list} {column}: {cell}");
            }
        }
    }
}

async fn the_form_is_asked_for_in_the_query_or_by_accept(world: &World) {
    let client = &world.manager;
    Farm::found(client).await;
    let media = async |path: &str, accept: &str| {
        let answer = client.send(Method::GET, path, &[("accept", accept)], vec![]).await;
        let told = answer.header("content-type").split(';').next().unwrap().to_owned();
        answer.status.eq(&200).then_some(told).unwrap()
    };
    let (csv, ndjson) = ("text/csv", "application/x-ndjson");
    for (query, accept, told) in [
        ("", "*/*", csv),
        ("", "text/csv", csv),
        ("", "application/x-ndjson", ndjson),
        ("", "text/html, application/x-ndjson;q=0.9", ndjson),
        ("", "application/json", csv),
        ("?format=csv", "application/x-ndjson", csv),
        ("?format=ndjson", "text/csv", ndjson),
    ] {
        assert_eq!(media(&format!("/v1/exports/herds{query}"), accept).await, told, "{query} {accept}");
    }
    for (query, at) in [("format=xml", "format"), ("limit=5", "limit"), ("format=csv&format=csv", "format")] {
        let answer = client.get(&format!("/v1/exports/herds?{query}")).await;
        assert_eq!(answer.pointers(), [at]);
        answer.problem(400, "invalid-query");
    }
    for name in ["nothing", "Herds", "keys", "%ff", "%00", "business"] {
        let told = client.get(&format!("/v1/exports/{name}")).await.problem(404, "not-found");
        assert!(told["detail"].as_str().unwrap().contains("must be one of herds, tanks, "), "{told}");
    }
}

async fn only_ones_own_is_taken_out_and_the_audit_is_for_managers(world: &World) {
    let us = &world.manager;
    stocked(us).await;
    let first = async |kind: &str| {
        let all = us.get(&format!("/v1/{kind}?limit=1")).await.expect(200);
        all["items"][0]["id"].as_str().unwrap().to_owned()
    };
    let plan = json!({"choices": [{"sire_id": first("sires").await}]}).to_string().into_bytes();
    let path = format!("/v1/animals/{}/mating-plan", first("animals").await);
    us.send(Method::PUT, &path, &[("content-type", "application/json")], plan).await.created();
    let neighbour = world.neighbour().await;
    let other = Farm::found(&neighbour).await;
    let theirs = items(&neighbour, ExportList::Herds).await;
    assert_eq!(theirs.len(), 1);
    assert_eq!(theirs[0]["id"], other.herd);
    for list in ExportList::ALL {
        let theirs = items(&neighbour, *list).await;
        // Plans have no list of their own, and nothing is planned next door.
        let expected = match list {
            ExportList::MatingPlans => Vec::new(),
            list => pages(&neighbour, *list).await,
        };
        assert_eq!(theirs, expected, "{list}");
        let ours: BTreeSet<String> =
            items(&world.manager, *list).await.iter().map(ToString::to_string).collect();
        assert!(!ours.is_empty() && theirs.iter().all(|item| !ours.contains(&item.to_string())), "{list}");
    }
    for role in Role::ALL {
        let caller = world.caller(*role).await;
        for list in ExportList::ALL {
            let answer = caller.get(&format!("/v1/exports/{list}")).await;
            if *list == ExportList::Audit && *role != Role::Manager {
                answer.problem(403, "forbidden");
            } else {
                assert_eq!(answer.status, 200, "{role} {list}");
            }
        }
    }
}

/// The same list, taken out piece by piece as the service does it.
async fn begun(world: &World, list: ExportList) -> (Db, Export) {
    let db = Db::open(&world.database_url).await.unwrap();
    let business = store::access::business::all(&mut db.read().await.unwrap()).await.unwrap()[0].id;
    let clock = Clock::from_fn(|| Timestamp::from(instant(MORNING)));
    (db.clone(), Export::new(db, clock, business, list, ExportFormat::Ndjson))
}

async fn piece(export: &mut Export) -> Option<Vec<Value>> {
    let piece = String::from_utf8(export.next().await.unwrap()?).unwrap();
    Some(piece.lines().map(|line| serde_json::from_str(line).unwrap()).collect())
}

async fn stock_is_told_at_one_line_of_the_ledger_while_straws_move(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let place = |n: i64| json!({"tank_id": farm.tank, "canister": n % 6 + 1, "cane": n.to_string()});
    for n in 0..510 {
        let receipt = json!({"lot_id": farm.sexed, "place": place(n), "straws": 2});
        client.post("/v1/receipts", receipt).await.created();
    }
    let before = whole(client, "/v1/stock", "", 500).await;
    let (db, mut export) = begun(world, ExportList::Stock).await;
    let mut told = piece(&mut export).await.unwrap();
    assert!(told.len() < before.len(), "a second piece follows");
    if world.database_url.starts_with("sqlite") {
        // Between two pieces nothing keeps the log from being folded into the file.
        let mut other = sqlx::SqliteConnection::connect(&world.database_url).await.unwrap();
        let row = sqlx::query("pragma wal_checkpoint(truncate)").fetch_one(&mut other).await.unwrap();
        assert_eq!((row.get::<i64, _>(0), row.get::<i64, _>(1)), (0, 0), "busy, pages left in the log");
    }
    let (first, last) = (told[0]["place"].clone(), before.last().unwrap()["place"].clone());
    for (from, to) in [(&last, &first), (&first, &place(600))] {
        let lot = &before.iter().find(|item| item["place"] == *from).unwrap()["lot"]["id"];
        let transfer = json!({"lot_id": lot, "from": from, "to": to, "straws": 1});
        client.post("/v1/transfers", transfer).await.created();
    }
    farm.receive(client, &farm.conventional, 1, 7).await;
    while let Some(more) = piece(&mut export).await {
        told.extend(more);
    }
    assert_eq!(told, before);
    assert_ne!(whole(client, "/v1/stock", "", 500).await, before);
    drop(export);
    db.close().await;
}

async fn lines_added_meanwhile_neither_skip_nor_repeat_any(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for _ in 0..505 {
        farm.receive(client, &farm.sexed, 3, 1).await;
    }
    let before = whole(client, "/v1/movements", "", 500).await;
    let (db, mut export) = begun(world, ExportList::Movements).await;
    let mut told = piece(&mut export).await.unwrap();
    farm.receive(client, &farm.sexed, 3, 1).await;
    while let Some(more) = piece(&mut export).await {
        told.extend(more);
    }
    assert_eq!(told[..before.len()], before);
    let numbers: Vec<_> = told.iter().map(|line| line["seq"].as_u64().unwrap()).collect();
    assert_eq!(numbers, (1..=numbers.len() as u64).collect::<Vec<_>>());
    drop(export);
    db.close().await;
}
