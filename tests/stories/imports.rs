//! What was kept elsewhere is taken in: all of a file or nothing, every fault by its line and column.
//!
//! The files are taken in as the command does it; what came of them is read over HTTP.

use std::fmt::Write as _;

use std::{
    collections::BTreeMap,
    io::{self, Cursor, Read},
};

use serde_json::{Value, json};
use tankside::{
    book::exchange::import::{Failure, Import, Subject, Summary},
    domain::values::Timestamp,
    store::{self, Db},
};

use crate::{
    lists::{lists, stocked, whole},
    on_both_stores,
    world::{Client, Farm, MORNING, World, instant},
};

on_both_stores!(
    an_inventory_becomes_sires_lots_and_receipts,
    a_file_is_understood_however_a_spreadsheet_saved_it,
    animals_come_with_their_dams_and_last_calvings,
    nobody_comes_as_an_ancestor_of_its_own,
    services_are_numbered_by_the_rule_whatever_their_order,
    every_fault_is_named_by_line_and_column,
    one_fault_and_nothing_is_taken_in,
    a_dry_run_says_all_and_changes_nothing,
    a_file_that_was_taken_in_is_not_taken_in_twice,
    a_file_that_breaks_off_leaves_nothing_behind,
    of_very_many_faults_the_first_are_told_and_all_are_counted,
    an_export_of_the_stock_is_an_inventory_with_the_same_balances,
    sires_come_without_straws,
    an_export_of_the_sires_gives_the_same_sires,
    sires_come_with_their_dams_sires,
    plans_come_with_their_choices_in_order,
    what_is_wrong_with_a_plan_is_named_by_line_and_column,
    an_export_of_the_plans_gives_the_same_plans,
    it_is_on_record_who_took_in_what,
    only_ones_own_book_is_read_and_written,
);

/// Takes `file` in as the business of `client`; else every fault, or why the file is of no use.
async fn taken(
    client: &Client,
    world: &World,
    subject: Subject,
    dry_run: bool,
    file: impl Read + Send + 'static,
) -> Result<Summary, Vec<String>> {
    let db = Db::open(&world.database_url).await.unwrap();
    let own = client.get("/v1/business").await.expect(200)["id"].as_str().unwrap().to_owned();
    let businesses = store::access::business::all(&mut db.read().await.unwrap()).await.unwrap();
    let business = businesses.iter().find(|business| business.id.to_string() == own).unwrap().id;
    let import = Import { business, subject, source: "kept.csv", given: &[], dry_run };
    let outcome = import.run(&db, Timestamp::from(instant(MORNING)), file, |_| {}).await;
    db.close().await;
    outcome.map_err(|failure| match failure {
        Failure::Wrong(faults) => {
            let mut told: Vec<String> = faults.shown().iter().map(ToString::to_string).collect();
            if faults.more() > 0 {
                told.push(format!("{} more", faults.more()));
            }
            told
        }
        Failure::Unusable(why) | Failure::Repeated(why) => vec![why],
        Failure::Store(error) => panic!("{error}"),
    })
}

/// Takes an inventory in as the command does.
pub async fn taken_by_command(world: &World, file: &str) -> Result<Summary, Vec<String>> {
    take(world, Subject::Inventory, file).await
}

async fn take(world: &World, subject: Subject, file: &str) -> Result<Summary, Vec<String>> {
    taken(&world.manager, world, subject, false, Cursor::new(file.to_owned())).await
}

/// Every list of the book but those of single tanks, into which nothing is imported.
async fn everything(client: &Client) -> BTreeMap<&'static str, Vec<Value>> {
    let mut book = BTreeMap::from([("/v1/business", vec![client.get("/v1/business").await.expect(200)])]);
    for (path, _) in lists().into_iter().filter(|(path, _)| !path.contains("{id}")) {
        book.insert(path, whole(client, path, "", 500).await);
    }
    book
}

/// A herd and a tank, and nothing in it.
async fn farm(client: &Client) {
    let herd = client.make("/v1/herds", json!({"name": "Lower Meadow", "time_zone": "Europe/Vienna"})).await;
    client.make("/v1/tanks", json!({"name": "Dairy room", "herd_id": herd})).await;
    client.make("/v1/tanks", json!({"name": "Van", "canisters": 3})).await;
}

const INVENTORY: &str = "\
tank_name,canister,cane,goblet,sire_name,sire_breed,sire_international_id,semen_type,batch,collected_on,straw_ml,straws,received_at
Dairy room,3,B,upper,Invented One,HOL,HOLZZZM000000A12345,sexed_female,24117,2024-04-26,0.25,10,2026-02-27
Dairy room,3,B,upper,Invented One,,HOLZZZM000000A12345,conventional,24118,,0.5,7,
Van,1,,,Invented One,,,sexed_female,24117,2024-04-26,,4,2026-02-27T09:30:00+01:00
Van,2,,,Invented Two,JER,,conventional,,,,1,
";

async fn an_inventory_becomes_sires_lots_and_receipts(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let summary = take(world, Subject::Inventory, INVENTORY).await.unwrap();
    let expected = Summary { rows: 4, straws: 22, receipts: 4, sires: 2, lots: 3, ..Summary::default() };
    assert_eq!(summary, expected);
    let stock = whole(client, "/v1/stock", "", 500).await;
    let mut told: Vec<_> = stock
        .iter()
        .map(|item| {
            let place = &item["place"];
            let hangs = [&item["tank_name"], &place["canister"], &place["cane"], &place["goblet"]];
            let of = [&item["sire"]["name"], &item["semen_type"], &item["lot"]["batch"], &item["straws"]];
            hangs.into_iter().chain(of).map(ToString::to_string).collect::<Vec<_>>().join(" ")
        })
        .collect();
    told.sort();
    assert_eq!(
        told,
        [
            r#""Dairy room" 3 "B" "upper" "Invented One" "conventional" "24118" 7"#,
            r#""Dairy room" 3 "B" "upper" "Invented One" "sexed_female" "24117" 10"#,
            r#""Van" 1 null null "Invented One" "sexed_female" "24117" 4"#,
            r#""Van" 2 null null "Invented Two" "conventional" null 1"#,
        ]
    );
    let sires = whole(client, "/v1/sires", "", 500).await;
    assert_eq!(sires[0]["identifiers"], json!([{"scheme": "international-id", "id": "HOLZZZM000000A12345"}]));
    assert_eq!((&sires[0]["breed"], &sires[1]["breed"]), (&json!("HOL"), &json!("JER")));
    let ledger = whole(client, "/v1/movements", "", 500).await;
    assert!(ledger.iter().all(|line| line["kind"] == "receipt" && line["from"]["kind"] == "supplier"));
    // A day alone is its noon, where the tank's herd is: 27 February, Vienna, UTC+1.
    let at: Vec<_> = ledger.iter().map(|line| line["occurred_at"].as_str().unwrap()).collect();
    let now = "2026-03-02T05:00:00Z";
    assert_eq!(at, ["2026-02-27T11:00:00Z", now, "2026-02-27T08:30:00Z", now]);

    // What hangs in the tank can be used like any other.
    let herd = client.get("/v1/herds").await.expect(200)["items"][0]["id"].clone();
    let animal = json!({"herd_id": herd, "number": "1", "born_on": "2023-05-02"});
    let animal = client.make("/v1/animals", animal).await;
    let order = json!({"animal_id": animal, "sire_id": sires[0]["id"]});
    let taken = client.post("/v1/withdrawals", order).await.created();
    assert_eq!((&taken["semen_type"], &taken["lot"]["batch"]), (&json!("sexed_female"), &json!("24117")));

    // Another file finds the sires and lots by what is said of them, and adds what it knows more.
    let more = "tank_name,canister,sire_name,sire_uniform_code,semen_type,batch,collected_on,straws\n\
                Van,3,Invented One,0HO123,sexed_female,24117,2024-04-26,5\n";
    let summary = take(world, Subject::Inventory, more).await.unwrap();
    let expected = Summary { rows: 1, straws: 5, receipts: 1, sires_completed: 1, ..Summary::default() };
    assert_eq!(summary, expected);
    let sire = client.get(&format!("/v1/sires/{}", sires[0]["id"].as_str().unwrap())).await.expect(200);
    assert_eq!(sire["identifiers"].as_array().unwrap().len(), 2, "{sire}");
}

async fn a_file_is_understood_however_a_spreadsheet_saved_it(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let head = "tank_name,canister,cane,sire_name,semen_type,straw_ml,straws";
    let mut files = 0;
    for bom in ["", "\u{feff}"] {
        for separator in [",", ";"] {
            for end in ["\n", "\r\n"] {
                for end_of_file in [end, ""] {
                    files += 1;
                    let lines = [
                        head.to_owned(),
                        format!("Dairy room,1,{files},\"Höfer, Söhne; Co\",conventional,\"0,25\",1"),
                        format!("Dairy room,1,{files},'=1+1,conventional,0.5,2"),
                    ];
                    let lines = lines.map(|line| match separator {
                        "," => line,
                        // Not those within quotation marks.
                        _ => line.replace(',', ";").replace("0;25", "0,25").replace("Höfer;", "Höfer,"),
                    });
                    let file = format!("{bom}{}{end_of_file}", lines.join(end));
                    let summary = take(world, Subject::Inventory, &file).await.unwrap();
                    assert_eq!((summary.rows, summary.straws), (2, 3), "{file:?}");
                }
            }
        }
    }
    let stock = client.get("/v1/stock").await.expect(200);
    assert_eq!(stock["total_straws"], 3 * files);
    let sires = whole(client, "/v1/sires", "", 500).await;
    let names: Vec<_> = sires.iter().map(|sire| sire["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["Höfer, Söhne; Co", "=1+1"], "each was found again");
}

const ANIMALS: &str = "\
herd_name,number,name,born_on,breed,iso_11784,sire_name,dam_number,calved_at,left_on
Lower Meadow,3,Calf,2024-03-01,HOL,,Invented One,1,,
Lower Meadow,1,Alba,2020-05-02,HOL,276000012345678,,,2025-11-20,
Lower Meadow,2,,2023-05-02,,,Invented One,1,,
Lower Meadow,4,,2019-05-02,,,,,,2025-12-01
";

async fn next_number(client: &Client, animal: &Value) -> (Value, Value) {
    let path = format!("/v1/animals/{}/next-service", animal["id"].as_str().unwrap());
    let next = client.get(&path).await.expect(200);
    (next["class"].clone(), next["service_number"].clone())
}

async fn animals_come_with_their_dams_and_last_calvings(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let summary = take(world, Subject::Animals, ANIMALS).await.unwrap();
    assert_eq!(summary, Summary { rows: 4, animals: 4, sires: 1, calvings: 1, ..Summary::default() });
    let animals = whole(client, "/v1/animals", "", 500).await;
    let of = |number: &str| animals.iter().find(|animal| animal["number"] == number).unwrap();
    assert_eq!(of("3")["dam_id"], of("1")["id"], "her dam's line came after hers");
    assert_eq!(of("2")["dam_id"], of("1")["id"]);
    assert_eq!(of("1")["dam_id"], Value::Null);
    assert_eq!(of("2")["sire_id"], of("3")["sire_id"]);
    assert_eq!(of("1")["identifiers"], json!([{"scheme": "iso-11784", "id": "276000012345678"}]));
    assert_eq!(of("4")["left_on"], "2025-12-01");
    assert_eq!(next_number(client, of("1")).await, (json!("cow"), json!(1)));
    assert_eq!(next_number(client, of("2")).await, (json!("heifer"), json!(1)));
    let calving = &whole(client, "/v1/calvings", "", 500).await[0];
    assert_eq!(calving["calved_at"], "2025-11-20T11:00:00Z", "its noon in Vienna");
    // Known again: by her number, and by her official name though the number was left to another.
    let again = "herd_name,number,iso_11784,dam_number\nLower Meadow,2,,1\nLower Meadow,1,276000012345678,\n";
    let summary = take(world, Subject::Animals, again).await.unwrap();
    assert_eq!(summary, Summary { rows: 2, skipped: 2, ..Summary::default() });
}

const SERVICES: &str = "\
herd_name,animal_number,served_at,technician,sire_name,semen_type,note
Lower Meadow,1,2026-02-20T07:40:00+01:00,Mira,Invented One,conventional,third
Lower Meadow,1,2026-01-08,Mira,Invented One,sexed_female,first
Lower Meadow,1,2026-01-09T07:00:00+01:00,,,,\"same heat, again\"
Lower Meadow,1,2026-01-29,,,conventional,second
Lower Meadow,1,2025-01-02,,,,before she calved
Lower Meadow,2,2026-02-01,,,,
";

async fn services_are_numbered_by_the_rule_whatever_their_order(world: &World) {
    let client = &world.manager;
    farm(client).await;
    take(world, Subject::Animals, ANIMALS).await.unwrap();
    let summary = take(world, Subject::Services, SERVICES).await.unwrap();
    assert_eq!(summary, Summary { rows: 6, services: 6, ..Summary::default() });
    let animals = whole(client, "/v1/animals", "", 500).await;
    let of = |number: &str| animals.iter().find(|animal| animal["number"] == number).unwrap();
    let services = whole(client, "/v1/services", "", 500).await;
    let numbered: Vec<_> = services
        .iter()
        .map(|service| {
            let note = service["note"].as_str().unwrap_or("");
            (note, service["service_number"].as_i64().unwrap(), service["rank"].as_i64().unwrap())
        })
        .collect();
    assert_eq!(
        numbered,
        [
            ("third", 3, 1),
            ("first", 1, 1),
            ("same heat, again", 1, 2),
            ("second", 2, 1),
            ("before she calved", 1, 1),
            ("", 1, 1)
        ]
    );
    assert_eq!(next_number(client, of("1")).await.1, 4);
    assert_eq!(services[0]["sire"]["name"], "Invented One");
    assert_eq!(services[0]["semen_from_herd_stock"], false);
    // One more, and those that are there.
    let more = format!("{SERVICES}Lower Meadow,2,2026-02-25,,,,\n");
    let summary = take(world, Subject::Services, &more).await.unwrap();
    assert_eq!(summary, Summary { rows: 7, services: 1, skipped: 6, ..Summary::default() });
    assert_eq!(next_number(client, of("2")).await.1, 3);
}

async fn every_fault_is_named_by_line_and_column(world: &World) {
    let client = &world.manager;
    farm(client).await;
    take(world, Subject::Inventory, INVENTORY).await.unwrap();
    take(world, Subject::Animals, ANIMALS).await.unwrap();
    take(world, Subject::Services, SERVICES).await.unwrap();
    let before = everything(client).await;

    let head = "tank_name,canister,sire_name,sire_breed,sire_international_id,semen_type,batch,collected_on,\
                straw_ml,sexed_percentage,status,straws,received_at,thaw";
    let inventory: &[(&str, &[&str])] = &[
        ("Barn,1,Invented One,,,conventional,1,,,,,1,,", &["tank_name: no tank is called so; there is"]),
        ("Van,4,Invented One,,,conventional,1,,,,,1,,", &["canister: Van has canisters 1 to 3"]),
        (
            "Van,x,Invented One,,,fresh,1,26.4.2024,0.3,,new,0,yesterday,",
            &[
                "canister: must be a whole number",
                "semen_type: must be one of conventional",
                "collected_on: must be a date",
                "straw_ml: must be 0.25 or 0.5",
                "status: must be one of usable",
                "straws: must be a whole number from 1 to 100",
                "received_at: must be a date between",
            ],
        ),
        (",,,,,,,,,,,1,,", &["tank_name: is required", "canister: is required", "semen_type: is required"]),
        ("Van,1,,,,conventional,1,,,,,1,,", &["sire_name: is required"]),
        (
            "Van,1,,,HOLZZZM000000B54321,conventional,1,,,,,1,,",
            &["sire_name: is required: the book has no sire"],
        ),
        ("Van,1,Invented Two,,HOLZZZM000000A12345,conventional,1,,,,,1,,", &["sire_name: the book has"]),
        ("Van,1,Invented One,JER,,conventional,1,,,,,1,,", &["sire_breed: is HOL in the book"]),
        ("Van,1,Invented One,,rubbish,conventional,1,,,,,1,,", &["sire_international_id: "]),
        ("Van,1,Invented One,,,conventional,9,,,90,,1,,", &["sexed_percentage: belongs to sexed semen"]),
        ("Van,1,Invented One,,,conventional,9,2026-03-09,,,,1,,", &["collected_on: lies in the future"]),
        ("Van,1,Invented One,,,conventional,1,,,,,1,2026-03-09,", &["received_at: lies more than 24 hours"]),
        (
            "Van,1,Invented One,,,sexed_female,24117,2024-04-26,0.5,,recalled,1,,",
            &["straw_ml: is 0.25 in the book", "status: is usable in the book"],
        ),
        ("Van,1,Invented One,,,conventional,1,,,,,1,,{", &["thaw: must be JSON"]),
        (
            "Van,1,Invented One,,,conventional,1,,,,,1,,{}",
            &[
                "thaw: /min_c: is required",
                "thaw: /max_c: is required",
                "thaw: /aim_c: is required",
                "thaw: /min_s: is required",
                "thaw: /use_within_s: is required",
            ],
        ),
        ("Van,1,x", &["has 3 fields where the header has 14"]),
    ];
    faults_are(world, Subject::Inventory, head, inventory).await;

    let head = "herd_name,number,born_on,iso_11784,international_id,sire_name,dam_number,calved_at,left_on";
    let animals: &[(&str, &[&str])] = &[
        ("Upper Meadow,9,,,,,,,", &["herd_name: no herd is called so; there is \"Lower Meadow\""]),
        (
            "Lower Meadow,,2026-02-30,12,,,,,",
            &["number: is required", "born_on: must be a date", "iso_11784: "],
        ),
        ("Lower Meadow,9,2027-01-01,,,,,,", &["born_on: lies in the future"]),
        ("Lower Meadow,9,2024-01-01,,,,,,2023-01-01", &["left_on: lies before born_on"]),
        ("Lower Meadow,9,2024-01-01,,,,,2023-01-01,", &["calved_at: lies before she was born"]),
        ("Lower Meadow,9,,,,,9,,", &["dam_number: must not be her own number"]),
        (
            "Lower Meadow,1,2020-05-03,,,Invented Two,3,2025-11-21,",
            &[
                "born_on: is 2020-05-02 in the book",
                "sire_name: is another in the book",
                "dam_number: is another in the book",
                "calved_at: is another in the book",
            ],
        ),
        // Told last, once all who may be the dam were read.
        ("Lower Meadow,10,,,,,77,,", &["dam_number: no animal of the herd has that number"]),
    ];
    faults_are(world, Subject::Animals, head, animals).await;

    let head = "herd_name,animal_number,served_at,technician,sire_name,sire_international_id,semen_type";
    let services: &[(&str, &[&str])] = &[
        ("Upper Meadow,1,2026-02-01,,,,", &["herd_name: no herd is called so"]),
        (
            "Lower Meadow,77,2026-02-01,,,,",
            &["animal_number: no animal of the herd has it; import the animals first"],
        ),
        ("Lower Meadow,1,1.2.2026,,,,fresh", &["served_at: must be a date", "semen_type: must be one of"]),
        ("Lower Meadow,1,2026-03-09,,,,", &["served_at: lies more than 24 hours ahead"]),
        ("Lower Meadow,1,2019-03-09,,,,", &["served_at: lies before she was born"]),
        (
            "Lower Meadow,1,2026-01-08,Ida,Invented Two,,conventional",
            &[
                "technician: is Mira in the book",
                "semen_type: is sexed_female in the book",
                "sire_name: is another in the book",
            ],
        ),
        ("Lower Meadow,1,2026-02-01,,,HOLZZZM000000B54321,", &["sire_name: is required"]),
    ];
    faults_are(world, Subject::Services, head, services).await;

    for (file, why) in [
        ("", "the file is empty"),
        ("tank,canister\n", "\"tank\" is not a column here"),
        ("canister,semen_type,straws\n", "tank_name is missing"),
    ] {
        let told = take(world, Subject::Inventory, file).await.unwrap_err();
        assert!(told[0].contains(why), "{told:?}");
    }
    assert_eq!(everything(client).await, before, "nothing came of all that");
}

async fn nobody_comes_as_an_ancestor_of_its_own(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let before = everything(client).await;
    // 1 to 30 go round; 31 is a daughter of 1, and 32 the dam of nobody there.
    let mut file = "herd_name,number,dam_number\n".to_owned();
    for n in 1..=30 {
        writeln!(file, "Lower Meadow,{n},{}", n % 30 + 1).unwrap();
    }
    file.push_str("Lower Meadow,31,1\nLower Meadow,33,32\nLower Meadow,32,\n");
    let told = take(world, Subject::Animals, &file).await.unwrap_err();
    // The dam of 30 stands above her; every other dam's line comes later.
    assert_eq!(told.len(), 29, "{told:#?}");
    for (line, told) in (2..).zip(&told) {
        let wrong = format!("line {line}, dam_number: descends from her own calf");
        assert!(told.starts_with(&wrong), "{told}");
    }
    assert_eq!(everything(client).await, before);
    // A dam is older than her calf, whichever line comes first.
    let young = "herd_name,number,born_on,dam_number\n\
                 Lower Meadow,41,2024-05-01,42\nLower Meadow,42,2024-05-01,\nLower Meadow,43,2024-04-30,42\n";
    let told = take(world, Subject::Animals, young).await.unwrap_err();
    assert_eq!(told.len(), 2, "{told:#?}");
    assert!(
        told.iter()
            .all(|told| told.contains("dam_number: was born on 2024-05-01, which is not before her calf"))
    );
    assert_eq!(everything(client).await, before);
    let sound = file.replace("Lower Meadow,1,2", "Lower Meadow,1,");
    assert_eq!(take(world, Subject::Animals, &sound).await.unwrap().animals, 33);
}

/// Each line has just these faults, in this order, on its own line of the file.
async fn faults_are(world: &World, subject: Subject, head: &str, lines: &[(&str, &[&str])]) {
    let file = lines.iter().fold(format!("{head}\n"), |file, (line, _)| file + line + "\n");
    let told = take(world, subject, &file).await.unwrap_err();
    let mut expected = Vec::new();
    for (n, (_, faults)) in lines.iter().enumerate() {
        let line = n + 2;
        expected.extend(faults.iter().map(|fault| {
            let of_line = if fault.starts_with("has ") { ": " } else { ", " };
            format!("line {line}{of_line}{fault}")
        }));
    }
    for (told, expected) in told.iter().zip(&expected) {
        assert!(told.starts_with(expected.as_str()), "{told:?} is not {expected:?}");
    }
    assert_eq!(told.len(), expected.len(), "{told:#?}");
}

async fn one_fault_and_nothing_is_taken_in(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let before = everything(client).await;
    let bad = [
        (Subject::Inventory, INVENTORY, "Barn,1,,,Invented Three,,,conventional,,,,1,\n"),
        (Subject::Animals, ANIMALS, "Upper Meadow,9,,,,,,,,\n"),
    ];
    for (subject, file, bad) in bad {
        let told = take(world, subject, &format!("{file}{bad}")).await.unwrap_err();
        assert!(told.len() == 1 && told[0].contains("_name: no "), "{told:?}");
        assert_eq!(everything(client).await, before, "{subject}");
    }
    take(world, Subject::Animals, ANIMALS).await.unwrap();
    let before = everything(client).await;
    let services = format!("{SERVICES}Upper Meadow,1,2026-02-01,,,,\n");
    let told = take(world, Subject::Services, &services).await.unwrap_err();
    assert!(told.len() == 1 && told[0].contains("herd_name: no "), "{told:?}");
    assert_eq!(everything(client).await, before);
}

async fn a_dry_run_says_all_and_changes_nothing(world: &World) {
    let client = &world.manager;
    farm(client).await;
    take(world, Subject::Animals, ANIMALS).await.unwrap();
    let dry = async |subject: Subject, file: &str| {
        taken(client, world, subject, true, Cursor::new(file.to_owned())).await
    };
    for (subject, file) in [(Subject::Inventory, INVENTORY), (Subject::Services, SERVICES)] {
        let before = everything(client).await;
        let said = dry(subject, file).await.unwrap();
        assert_eq!(dry(subject, file).await.unwrap(), said, "it may be run as often as one likes");
        let wrong = format!("{file}x\n");
        let told = dry(subject, &wrong).await.unwrap_err();
        assert_eq!(take(world, subject, &wrong).await.unwrap_err(), told, "it fails just when the file does");
        assert_eq!(everything(client).await, before, "{subject}");
        assert_eq!(take(world, subject, file).await.unwrap(), said, "the file itself does what was said");
    }
    let told = dry(Subject::Inventory, INVENTORY).await.unwrap_err();
    assert!(told[0].contains("imported before"), "{told:?}");
}

async fn a_file_that_was_taken_in_is_not_taken_in_twice(world: &World) {
    let client = &world.manager;
    farm(client).await;
    for (subject, file) in
        [(Subject::Inventory, INVENTORY), (Subject::Animals, ANIMALS), (Subject::Services, SERVICES)]
    {
        let first = take(world, subject, file).await.unwrap();
        let before = whole(client, "/v1/stock", "", 500).await;
        if subject == Subject::Inventory {
            let told = take(world, subject, file).await.unwrap_err();
            assert!(told[0].starts_with("this very file was imported before"), "{told:?}");
        } else {
            let again = take(world, subject, file).await.unwrap();
            assert_eq!(again, Summary { rows: first.rows, skipped: first.rows, ..Summary::default() });
        }
        assert_eq!(whole(client, "/v1/stock", "", 500).await, before);
    }
    assert_eq!(whole(client, "/v1/animals", "", 500).await.len(), 4);
    assert_eq!(whole(client, "/v1/services", "", 500).await.len(), 6);
    assert_eq!(whole(client, "/v1/calvings", "", 500).await.len(), 1);
    // As many straws once more, on another day, are another delivery.
    let other = INVENTORY.replace("2026-02-27\n", "2026-02-28\n");
    assert_eq!(take(world, Subject::Inventory, &other).await.unwrap().straws, 22);
}

/// Gives the first bytes of a file, and then fails.
struct Broken(Cursor<Vec<u8>>);

impl Read for Broken {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match self.0.read(into)? {
            0 => Err(io::Error::other("the stick was pulled out")),
            read => Ok(read),
        }
    }
}

async fn a_file_that_breaks_off_leaves_nothing_behind(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let before = everything(client).await;
    for cut in [0, 1, 60, 131, 200, 300, INVENTORY.len() - 40, INVENTORY.len() - 1, INVENTORY.len()] {
        let file = Broken(Cursor::new(INVENTORY.as_bytes()[..cut].to_vec()));
        let told = taken(client, world, Subject::Inventory, false, file).await.unwrap_err();
        assert!(told[0].contains("the stick was pulled out"), "cut at {cut}: {told:?}");
    }
    assert_eq!(everything(client).await, before);
    assert_eq!(take(world, Subject::Inventory, INVENTORY).await.unwrap().straws, 22);
    assert_eq!(client.get("/v1/stock").await.expect(200)["total_straws"], 22);
}

async fn of_very_many_faults_the_first_are_told_and_all_are_counted(world: &World) {
    farm(&world.manager).await;
    let mut file = "tank_name,canister,sire_name,semen_type,straws\n".to_owned();
    for _ in 0..1000 {
        file += "Barn,0,Invented One,conventional,1\n";
    }
    let told = take(world, Subject::Inventory, &file).await.unwrap_err();
    assert_eq!(told.len(), 201);
    assert!(told[199].starts_with("line 201, canister:"), "{}", told[199]);
    assert_eq!(told[200], "800 more");
}

/// What hangs where, without the ids of the instance.
fn hangs(stock: &[Value]) -> Vec<String> {
    let mut told: Vec<String> = stock
        .iter()
        .map(|item| {
            let mut item = item.clone();
            for (object, ids) in [
                ("lot", &["id", "sire_id", "created_at", "owner_herd_id"][..]),
                ("sire", &["id"]),
                ("place", &["tank_id"]),
            ] {
                for id in ids {
                    assert!(item[object].as_object_mut().unwrap().remove(*id).is_some(), "{object} {id}");
                }
            }
            // Straws are counted whether or not they may be used; a hold is lifted by hand.
            item.as_object_mut().unwrap().remove("on_hold");
            item.to_string()
        })
        .collect();
    told.sort();
    told
}

async fn an_export_of_the_stock_is_an_inventory_with_the_same_balances(world: &World) {
    let client = &world.manager;
    stocked(client).await;
    // Tanks and herds are told apart by their names.
    for kind in ["tanks", "herds"] {
        for (n, one) in whole(client, &format!("/v1/{kind}"), "", 500).await.iter().enumerate() {
            let path = format!("/v1/{kind}/{}", one["id"].as_str().unwrap());
            client.patch(&path, None, json!({"name": format!("-{kind} {n}")})).await.expect(200);
        }
    }
    // Names that a spreadsheet would run, and everything that can be said of a lot.
    let tank = &whole(client, "/v1/tanks", "", 500).await[0];
    for name in ["=1+1", "'=1", "+43", "@x", "Müller, \"Söhne\"; Co"] {
        let sire = client.make("/v1/sires", json!({"name": name})).await;
        let thaw = json!({"min_c": 34.0, "max_c": 36.0, "aim_c": 35.0, "min_s": 40, "use_within_s": 600,
                          "source": "printed on the goblet"});
        let lot = json!({"sire_id": sire, "semen_type": "sexed_male", "batch": name, "collected_on": "2024-04-26",
                         "collection_centre": name, "straw_ml": 0.5, "sexed_percentage": 90, "thaw": thaw,
                         "cost": {"amount_minor": 1850, "currency": "EUR"}, "status": "quarantined"});
        let lot = client.make("/v1/lots", lot).await;
        let place = json!({"tank_id": tank["id"], "canister": 2, "cane": name, "goblet": name});
        client.post("/v1/receipts", json!({"lot_id": lot, "place": place, "straws": 3})).await.created();
    }
    let file = client.get("/v1/exports/stock?format=csv").await.text;
    let other = if world.database_url.starts_with("sqlite") {
        World::sqlite().await
    } else {
        World::postgres().await
    };
    for herd in whole(client, "/v1/herds", "", 500).await {
        let same = json!({"name": herd["name"], "time_zone": herd["time_zone"]});
        other.manager.make("/v1/herds", same).await;
    }
    for tank in whole(client, "/v1/tanks", "", 500).await {
        let same = json!({"name": tank["name"], "canisters": tank["canisters"]});
        other.manager.make("/v1/tanks", same).await;
    }
    let summary = take(&other, Subject::Inventory, &file).await.unwrap();
    let (ours, theirs) =
        (whole(client, "/v1/stock", "", 500).await, whole(&other.manager, "/v1/stock", "", 500).await);
    assert_eq!(summary.rows, ours.len() as u64);
    assert_eq!(hangs(&theirs), hangs(&ours));
    let lots = |stock: &[Value]| {
        stock
            .iter()
            .map(|item| item["lot"]["id"].to_string())
            .collect::<std::collections::BTreeSet<_>>()
            .len()
    };
    assert_eq!(lots(&theirs), lots(&ours), "lots that are alike are still two");
    // And once more from there: nothing was lost on the way.
    let again = other.manager.get("/v1/exports/stock?format=csv").await.text;
    assert_eq!(again.lines().next(), file.lines().next());
    assert_eq!(again.lines().count(), file.lines().count());
    other.close().await;
}

const SIRES: &str = "\
name,breed,international_id,uniform_code,sire_name,sire_international_id
Invented Three,HOL,,0HO456,Invented One,
Invented One,HOL,HOLZZZM000000A12345,,Invented Zero,
Invented Four,,,,,HOLZZZM000000A12345
";

async fn sires_come_without_straws(world: &World) {
    let client = &world.manager;
    farm(client).await;
    take(world, Subject::Inventory, INVENTORY).await.unwrap();
    let summary = take(world, Subject::Sires, SIRES).await.unwrap();
    // Invented One was in the book; what is new of him is his sire, whom no line describes.
    assert_eq!(summary, Summary { rows: 3, sires: 3, sires_completed: 1, ..Summary::default() });
    let sires = whole(client, "/v1/sires", "", 500).await;
    let of = |name: &str| sires.iter().find(|sire| sire["name"] == name).unwrap();
    assert_eq!(of("Invented Three")["sire_id"], of("Invented One")["id"], "his sire's line came after his");
    assert_eq!(of("Invented Three")["identifiers"], json!([{"scheme": "uniform-code", "id": "000HO00456"}]));
    assert_eq!(of("Invented Four")["sire_id"], of("Invented One")["id"]);
    assert_eq!(of("Invented One")["sire_id"], of("Invented Zero")["id"]);
    let summary = take(world, Subject::Sires, SIRES).await.unwrap();
    assert_eq!(summary, Summary { rows: 3, skipped: 3, ..Summary::default() });

    let before = everything(client).await;
    let head = "name,breed,international_id,sire_name,id,sire_id";
    let faults: &[(&str, &[&str])] = &[
        (",HOL,,,,", &["name: is required, or an identifier"]),
        (",,HOLZZZM000000B54321,,,", &["name: is required: the book has no sire"]),
        ("Invented Two,HOL,,,,", &["breed: is JER in the book"]),
        ("Invented One,,rubbish,,,", &["international_id: "]),
        ("Invented Two,,HOLZZZM000000A12345,,,", &["name: the book has"]),
    ];
    faults_are(world, Subject::Sires, head, faults).await;
    for (line, wrong) in [
        ("Invented Three,,,Invented Two,,", "line 2, sire_name: is another in the book"),
        ("Invented Zero,,,Invented Three,,", "line 2, sire_name: descends from his own son"),
        ("Invented Two,,,Invented Two,,", "line 2, sire_name: descends from his own son"),
        (
            "Invented Two,,,,,01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa",
            "line 2, sire_id: is neither the id of a line of this file nor of a sire in the book",
        ),
    ] {
        let told = take(world, Subject::Sires, &format!("{head}\n{line}\n")).await.unwrap_err();
        assert!(told.len() == 1 && told[0].starts_with(wrong), "{line}: {told:?}");
    }
    assert_eq!(everything(client).await, before);
}

async fn an_export_of_the_sires_gives_the_same_sires(world: &World) {
    let client = &world.manager;
    // Two of one name, one that a spreadsheet would run, a name of another scheme, and who descends from whom.
    let old = json!({"name": "Invented One", "breed": "HOL",
                     "identifiers": [{"scheme": "example.org/herd-book", "id": "=1"},
                                     {"scheme": "international-id", "id": "HOLZZZM000000A12345"}]});
    let old = client.make("/v1/sires", old).await;
    let young = client.make("/v1/sires", json!({"name": "Invented One", "sire_id": old})).await;
    let late = client.make("/v1/sires", json!({"name": "=Müller, \"Söhne\"; Co", "breed": "JER"})).await;
    client
        .make("/v1/sires", json!({"name": "Invented Two", "sire_id": young, "maternal_grandsire_id": late}))
        .await;
    client.patch(&format!("/v1/sires/{old}"), None, json!({"sire_id": late})).await.expect(200);
    let file = client.get("/v1/exports/sires?format=csv").await.text;
    let other = if world.database_url.starts_with("sqlite") {
        World::sqlite().await
    } else {
        World::postgres().await
    };
    let summary = take(&other, Subject::Sires, &file).await.unwrap();
    assert_eq!(summary, Summary { rows: 4, sires: 4, ..Summary::default() });
    // Each with all that is said of him, his sire by what is said of that one.
    let told = async |client: &Client| {
        let sires = whole(client, "/v1/sires", "", 500).await;
        let said = |id: &Value| {
            let sire = sires.iter().find(|sire| sire["id"] == *id)?;
            Some([&sire["name"], &sire["breed"], &sire["identifiers"]].map(ToString::to_string))
        };
        let of = |sire: &Value, whom: &str| said(&sire[whom]);
        let mut all: Vec<_> = sires
            .iter()
            .map(|sire| ["id", "sire_id", "maternal_grandsire_id"].map(|whom| of(sire, whom)))
            .collect();
        all.sort();
        all
    };
    assert_eq!(told(&other.manager).await, told(client).await);
    other.close().await;
}

async fn sires_come_with_their_dams_sires(world: &World) {
    let client = &world.manager;
    let file = "name,international_id,maternal_grandsire_name,maternal_grandsire_international_id,sire_name\n\
                Invented Three,,Invented One,,Invented Zero\n\
                Invented One,HOLZZZM000000A12345,,,\n\
                Invented Four,,,HOLZZZM000000A12345,\n";
    let summary = take(world, Subject::Sires, file).await.unwrap();
    assert_eq!(summary, Summary { rows: 3, sires: 4, ..Summary::default() });
    let sires = whole(client, "/v1/sires", "", 500).await;
    let of = |name: &str| sires.iter().find(|sire| sire["name"] == name).unwrap();
    for name in ["Invented Three", "Invented Four"] {
        assert_eq!(of(name)["maternal_grandsire_id"], of("Invented One")["id"], "{name}");
    }
    assert_eq!(of("Invented Three")["sire_id"], of("Invented Zero")["id"]);
    let summary = take(world, Subject::Sires, file).await.unwrap();
    assert_eq!(summary, Summary { rows: 3, skipped: 3, ..Summary::default() });
    let head = "name,maternal_grandsire_name,maternal_grandsire_id";
    for (line, wrong) in [
        ("Invented Three,Invented Four,", "line 2, maternal_grandsire_name: is another in the book"),
        (
            "Invented One,,01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa",
            "line 2, maternal_grandsire_id: is neither the id of a line of this file nor of a sire in the book",
        ),
        ("Invented Zero,Invented Three,", "line 2, maternal_grandsire_name: descends from his own"),
    ] {
        let told = take(world, Subject::Sires, &format!("{head}\n{line}\n")).await.unwrap_err();
        assert!(told.len() == 1 && told[0].starts_with(wrong), "{line}: {told:?}");
    }
}

const PLANS: &str = "\
herd_name,animal_number,rank,recommendation,sire_name,sire_international_id,semen_type,service_number,from_service,lactation,note,source
Lower Meadow,412,,,Invented One,,sexed_female,1,,,Agreed,
Lower Meadow,413,2,beef_sire,,,,,,,,herd_software
Lower Meadow,412,,,,HOLZZZM000000A12345,,,2,,Agreed,
Lower Meadow,413,1,,Invented Two,,,,,0,,herd_software
";

async fn plan_of(client: &Client, number: &str) -> Value {
    let found = client.get(&format!("/v1/animals?number={number}")).await.expect(200);
    let animal = found["items"][0]["id"].as_str().unwrap().to_owned();
    client.get(&format!("/v1/animals/{animal}/mating-plan")).await.body
}

/// The farm with three animals and two sires.
async fn herd_to_be_planned(world: &World) {
    let client = &world.manager;
    farm(client).await;
    let herd = client.get("/v1/herds").await.expect(200)["items"][0]["id"].clone();
    for number in ["412", "413", "9", "9"] {
        client.make("/v1/animals", json!({"herd_id": herd, "number": number})).await;
    }
    let names = json!([{"scheme": "international-id", "id": "HOLZZZM000000A12345"}]);
    client.make("/v1/sires", json!({"name": "Invented One", "identifiers": names})).await;
    client.make("/v1/sires", json!({"name": "Invented Two"})).await;
}

async fn plans_come_with_their_choices_in_order(world: &World) {
    let client = &world.manager;
    herd_to_be_planned(world).await;
    let before = everything(client).await;
    let dry = taken(client, world, Subject::MatingPlans, true, Cursor::new(PLANS)).await.unwrap();
    assert_eq!(dry, Summary { rows: 4, mating_plans: 2, ..Summary::default() });
    assert_eq!(everything(client).await, before);
    assert_eq!(plan_of(client, "412").await["status"], 404, "a dry run writes nothing");
    assert_eq!(take(world, Subject::MatingPlans, PLANS).await.unwrap(), dry);
    let one = plan_of(client, "412").await;
    assert_eq!((&one["note"], &one["source"]), (&json!("Agreed"), &json!("by_hand")));
    let choices = one["choices"].as_array().unwrap();
    assert_eq!((choices.len(), &choices[0]["sire_name"]), (2, &json!("Invented One")));
    assert_eq!((&choices[0]["to_service"], &choices[1]["from_service"]), (&json!(1), &json!(2)));
    let two = plan_of(client, "413").await;
    assert_eq!(
        (&two["source"], &two["choices"][0]["sire_name"]),
        (&json!("herd_software"), &json!("Invented Two"))
    );
    assert_eq!(two["choices"][1]["recommendation"], "beef_sire");
    // Just so in the book already; another plan of hers replaces it, and the others stay.
    let again = take(world, Subject::MatingPlans, PLANS).await.unwrap();
    assert_eq!(again, Summary { rows: 4, skipped: 4, ..Summary::default() });
    assert_eq!(plan_of(client, "412").await, one);
    let other = "herd_name,animal_number,sire_name\nLower Meadow,412,Invented Two\n";
    take(world, Subject::MatingPlans, other).await.unwrap();
    let replaced = plan_of(client, "412").await;
    assert_eq!((replaced["choices"].as_array().unwrap().len(), &replaced["note"]), (1, &Value::Null));
    assert_eq!(plan_of(client, "413").await, two);
}

async fn what_is_wrong_with_a_plan_is_named_by_line_and_column(world: &World) {
    herd_to_be_planned(world).await;
    let head = "herd_name,animal_number,rank,recommendation,sire_name,sire_international_id,semen_type,service_number,from_service,to_service,lactation,note";
    let faults: &[(&str, &[&str])] = &[
        ("Upper Meadow,412,,,Invented One,,,,,,,", &["herd_name: no herd is called so"]),
        ("Lower Meadow,7,,,Invented One,,,,,,,", &["animal_number: no animal of the herd has it"]),
        ("Lower Meadow,9,,,Invented One,,,,,,,", &["animal_number: 2 animals of the herd have it"]),
        ("Lower Meadow,412,,,Invented Nine,,,,,,,", &["sire_name: no sire of the book is called so"]),
        ("Lower Meadow,412,,,,HOLZZZM000000B54321,,,,,,", &["sire_name: is required: the book has no sire"]),
        ("Lower Meadow,412,,,,,,,,,,", &["sire_name: is required, or an identifier"]),
        ("Lower Meadow,412,,no_sire,Invented One,,,,,,,", &["recommendation: recommends no sire"]),
        ("Lower Meadow,412,,,Invented One,,,1,2,,,", &["service_number: must not stand beside"]),
        ("Lower Meadow,412,,,Invented One,,,,3,2,,", &["to_service: must not be less"]),
        (
            "Lower Meadow,412,0,best,Invented One,rubbish,fresh,0,,,-1,",
            &[
                "rank: ",
                "recommendation: ",
                "sire_international_id: ",
                "semen_type: ",
                "service_number: ",
                "lactation: ",
            ],
        ),
    ];
    faults_are(world, Subject::MatingPlans, head, faults).await;
    let several = "herd_name,animal_number,sire_name,note,source\n\
                   Lower Meadow,412,Invented One,a,\n\
                   Lower Meadow,412,Invented Two,b,herd_software\n\
                   Lower Meadow,412,Invented One,a,\n";
    let told = take(world, Subject::MatingPlans, several).await.unwrap_err();
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(
        told[0].starts_with("line 3, note: is another") && told[1].starts_with("line 3, source: is another")
    );
    assert!(told[2].starts_with("line 4: says the same"), "{told:?}");
    let mut many = "herd_name,animal_number,sire_name,service_number\n".to_owned();
    for number in 1..=21 {
        let _ = writeln!(many, "Lower Meadow,412,Invented One,{number}");
    }
    let told = take(world, Subject::MatingPlans, &many).await.unwrap_err();
    assert!(told.len() == 1 && told[0].starts_with("line 22, animal_number: has more than 20"), "{told:?}");
    assert_eq!(plan_of(&world.manager, "412").await["status"], 404);
}

async fn an_export_of_the_plans_gives_the_same_plans(world: &World) {
    let client = &world.manager;
    herd_to_be_planned(world).await;
    take(world, Subject::MatingPlans, PLANS).await.unwrap();
    let file = client.get("/v1/exports/mating-plans?format=csv").await.text;
    let again = take(world, Subject::MatingPlans, &file).await.unwrap();
    assert_eq!(again, Summary { rows: 4, skipped: 4, ..Summary::default() });
    let other = if world.database_url.starts_with("sqlite") {
        World::sqlite().await
    } else {
        World::postgres().await
    };
    herd_to_be_planned(&other).await;
    take(&other, Subject::MatingPlans, &file).await.unwrap();
    for number in ["412", "413"] {
        let (ours, theirs) = (plan_of(client, number).await, plan_of(&other.manager, number).await);
        let said = |plan: &Value| {
            let choices = plan["choices"].as_array().unwrap().iter().map(|choice| {
                let mut choice = choice.clone();
                choice["sire_id"] = Value::Null;
                choice
            });
            (choices.collect::<Vec<_>>(), plan["note"].clone(), plan["source"].clone())
        };
        assert_eq!(said(&ours), said(&theirs), "{number}");
    }
    other.close().await;
}

async fn it_is_on_record_who_took_in_what(world: &World) {
    let client = &world.manager;
    farm(client).await;
    take(world, Subject::Inventory, INVENTORY).await.unwrap();
    let audit = whole(client, "/v1/audit", "", 500).await;
    let act = audit.last().unwrap();
    assert_eq!((&act["request"], &act["status"]), (&json!("import inventory"), &json!(201)));
    assert_eq!(act["key_name"], "Import of kept.csv");
    let ledger = whole(client, "/v1/movements", "", 500).await;
    assert!(ledger.iter().all(|line| line["recorded_by"] == act["key_id"]));
    let db = Db::open(&world.database_url).await.unwrap();
    let keys = store::access::key::all(&mut db.read().await.unwrap()).await.unwrap();
    let key = keys.iter().map(|found| &found.key).find(|key| json!(key.id) == act["key_id"]).unwrap();
    assert!(key.revoked_at.is_some(), "nobody can use it");
    db.close().await;
}

async fn only_ones_own_book_is_read_and_written(world: &World) {
    let us = &world.manager;
    let neighbour = &world.neighbour().await;
    Farm::found(us).await;
    let before = everything(us).await;
    // Our tank and herd of that name are not there next door.
    let told = taken(neighbour, world, Subject::Inventory, false, Cursor::new(INVENTORY)).await.unwrap_err();
    assert!(told[0].contains("the book has no tank yet"), "{told:?}");
    farm(neighbour).await;
    taken(neighbour, world, Subject::Inventory, false, Cursor::new(INVENTORY)).await.unwrap();
    taken(neighbour, world, Subject::Animals, false, Cursor::new(ANIMALS)).await.unwrap();
    assert_eq!(everything(us).await, before);
    // The same file is another one here.
    us.make("/v1/tanks", json!({"name": "Van", "canisters": 3})).await;
    take(world, Subject::Inventory, INVENTORY).await.unwrap();
}
