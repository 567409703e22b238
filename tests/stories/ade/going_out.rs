//! What goes out is complete, and whoever reads on misses nothing.

use std::collections::BTreeMap;

use serde_json::{Value, json};
use uuid::Uuid;

use super::{Yard, cow, event, insemination, modified};
use crate::{on_both_stores, world::World};

on_both_stores!(
    what_goes_out_is_complete,
    what_came_in_is_told_again_as_it_came,
    what_is_ours_and_comes_back_stays_as_it_is,
    whoever_reads_on_by_time_hears_of_every_change,
    pages_miss_nothing_while_others_write,
    what_cannot_be_told_again_is_refused_or_left_out,
    a_move_is_told_where_she_was,
    how_she_went_is_told_as_it_came,
);

async fn what_goes_out_is_complete(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let aside =
        json!({"animal_id": animal, "lot_id": yard.farm.conventional, "override": {"reason": "agreed"}});
    let taken = yard.manager.make("/v1/withdrawals", aside).await;
    let served = yard
        .manager
        .make("/v1/services", json!({"withdrawal_id": taken, "technician": "T", "note": "easy"}))
        .await;
    let told = &yard.members("inseminations").await[0];
    let business = yard.manager.get("/v1/business").await.expect(200)["id"].as_str().unwrap().to_owned();
    assert_eq!((&told["id"], &told["meta"]["sourceId"]), (&json!(served), &json!(served)));
    assert_eq!(told["meta"]["source"], json!(format!("urn:uuid:{business}")));
    assert_eq!(told["location"], json!({"scheme": "uk.cph", "id": "34/123/1234"}));
    assert_eq!(told["animal"], json!({"scheme": "eu.bovine", "id": "XX 0417 412"}));
    assert_eq!(told["eventDateTime"], "2026-03-02T05:00:00Z");
    assert_eq!((&told["rank"], &told["inseminationType"]), (&json!(1), &json!("Insemination")));
    assert_eq!((&told["semenFromFarmStocks"], &told["responsible"]), (&json!(true), &json!("T")));
    assert_eq!(told["farmContainer"], "Dairy room, canister 4, cane B, upper goblet");
    let remark = told["remark"].as_str().unwrap();
    assert!(remark.starts_with("easy\n") && remark.contains("agreed"), "its deviation is told: {remark}");
    assert_eq!(
        told["straw"],
        json!({
            "resourceType": "icarReproSemenStrawResource",
            "id": {"scheme": "tankside.lot", "id": yard.farm.conventional},
            "batch": "24117", "dateCollected": "2024-05-17T00:00:00Z", "preservationType": "Frozen",
            "sireOfficialName": "Invented One", "isSexedSemen": false,
            "sireIdentifiers": [
                {"scheme": "icar.Interbull", "id": "HOLZZZM000000A12345"},
                {"scheme": "org.example.aicode", "id": "XA871"},
                {"scheme": "tankside.sire", "id": yard.farm.sire}],
        })
    );
    // Everything else that the service holds, as the standard names it.
    let heat = json!({"animal_id": animal, "method": "ear_tag", "standing_at": "2026-03-02T02:10:00Z"});
    yard.manager.make("/v1/heats", heat).await;
    let heat = &yard.members("heats").await[0];
    // Version 1.3 knows no ear tags.
    assert_eq!((&heat["heatDetectionMethod"], &heat["certainty"]), (&json!("Other"), &json!("InHeat")));
    let check = json!({"animal_id": animal, "method": "ultrasound", "result": "empty"});
    yard.manager.make("/v1/pregnancy-checks", check).await;
    let check = &yard.members("pregnancy-checks").await[0];
    assert_eq!((&check["method"], &check["result"]), (&json!("Echography"), &json!("Empty")));
    for (path, what) in
        [("calvings", "parturitions"), ("abortions", "abortions"), ("do-not-breed", "do-not-breeds")]
    {
        let id = yard.manager.make(&format!("/v1/{path}"), json!({"animal_id": animal})).await;
        let members = yard.members(what).await;
        assert_eq!((members.len(), &members[0]["id"]), (1, &json!(id)));
        assert_eq!(yard.get(&format!("{what}/{id}")).await, members[0]);
    }
    assert_eq!(yard.members("do-not-breeds").await[0]["doNotBreed"], true);
    // Of one who has no official name, ours.
    let nameless = yard.farm.animal(&yard.manager, "8").await;
    yard.manager.make("/v1/services", json!({"animal_id": nameless})).await;
    let foreign = &yard.members("inseminations").await[1];
    assert_eq!(foreign["animal"], json!({"scheme": "tankside.animal", "id": nameless}));
    assert_eq!(foreign.get("straw"), None, "nothing is known of it, and nothing is said");
    let animals = yard.members("animals").await;
    assert_eq!(animals.len(), 2);
    assert_eq!(animals[0]["birthDate"], "2023-05-02T00:00:00Z");
    assert!(animals[0]["alternativeIdentifiers"].to_string().contains("std.iso.11785"));
}

async fn what_came_in_is_told_again_as_it_came(world: &World) {
    let yard = Yard::of(world).await;
    yard.animal("412").await;
    let ident = |scheme: &str, id: &str| json!({"scheme": scheme, "id": id});
    let cases = [
        (
            "inseminations",
            insemination(
                "1",
                "412",
                "2026-03-02T04:30:00Z",
                json!({
            "resourceType": "icarReproSemenStrawResource", "batch": "24117", "collectionCentre": "XX-CC-0093",
            "dateCollected": "2024-04-26T00:00:00Z", "sireIdentifiers": [ident("org.example.aicode", "XA871")],
            "sireOfficialName": "EXAMPLE", "preservationType": "Frozen", "isSexedSemen": true, "sexedGender": "Female",
            "sexedPercentage": 90}),
            ),
        ),
        (
            "heats",
            event(
                "1",
                "412",
                "2026-03-02T02:10:00Z",
                json!({
            "resourceType": "icarReproHeatEventResource", "heatDetectionMethod": "Bolus", "certainty": "InHeat",
            "expirationDateTime": "2026-03-02T20:10:00Z", "remark": "two\nlines", "deviceHeatProbability": 87.5,
            "visualDetection": {"heatSigns": ["ClearSlime", "StandsUnder"], "heatIntensity": "Strong"}}),
            ),
        ),
        (
            "pregnancy-checks",
            event(
                "1",
                "412",
                "2026-03-01T02:10:00Z",
                json!({
            "resourceType": "icarReproPregnancyCheckEventResource", "method": "Milk", "result": "Multiple",
            "foetalAge": 35, "foetusCount": 2, "exceptions": ["none"], "marker": "PAG"}),
            ),
        ),
        (
            "parturitions",
            event(
                "1",
                "412",
                "2025-12-09T03:15:00Z",
                json!({
            "resourceType": "icarReproParturitionEventResource", "damParity": 3, "liveProgeny": 1, "totalProgeny": 1,
            "calvingEase": "EasyAssisted", "isEmbryoImplant": false, "progenyDetails": [{
                "resourceType": "icarProgenyDetailsResource", "identifier": ident("eu.bovine", "XX 1"),
                "specie": "Cattle", "gender": "Female", "birthStatus": "Alive", "birthSize": "Average",
                "birthWeight": {"measurement": 38.5, "units": "KGM"}, "taggingDate": "2025-12-10T00:00:00Z"}]}),
            ),
        ),
        (
            "abortions",
            event(
                "1",
                "412",
                "2025-11-09T03:15:00Z",
                json!({
            "resourceType": "icarReproAbortionEventResource", "responsible": "VET-02"}),
            ),
        ),
        (
            "do-not-breeds",
            event(
                "1",
                "412",
                "2025-11-09T03:15:00Z",
                json!({
            "resourceType": "icarReproDoNotBreedEventResource", "doNotBreed": false,
            "extendedReasons": [ident("org.example.reason", "7")]}),
            ),
        ),
        (
            "mating-recommendations",
            event(
                "1",
                "412",
                "2026-02-01T06:00:00Z",
                json!({
            "resourceType": "icarReproMatingRecommendationResource", "sireRecommendations": [{
                "recommendationType": "SireRecommended", "sireRank": 1, "parity": 2,
                "sireIdentifiers": [ident("org.example.aicode", "XA871")]}]}),
            ),
        ),
        (
            "animals",
            cow(
                "1",
                json!({"productionPurpose": "Milk", "lactationStatus": "Lactating", "healthStatus": "Healthy",
            "breedFractions": {"denominator": 64, "fractions": [{"breed": ident("icar.breed-3", "HOL"), "fraction": 64}]},
            "parentage": [{"parentOf": ident("eu.bovine", "XX 0417 00212"), "gender": "Female",
                           "identifier": ident("eu.bovine", "XX 0417 00097")}]}),
            ),
        ),
    ];
    for (what, sent) in cases {
        let told = yard.send(what, &sent).await;
        let members = yard.members(what).await;
        let of_it = members.iter().find(|member| member["meta"]["sourceId"] == "1").unwrap();
        assert_eq!(of_it, &told, "{what}: answered and read alike");
        for (name, value) in sent.as_object().unwrap() {
            match name.as_str() {
                "id" => assert!(told["id"].is_string()),
                "meta" => {
                    assert_eq!(
                        (&told["meta"]["source"], &told["meta"]["sourceId"]),
                        (&value["source"], &value["sourceId"])
                    );
                }
                // Ours is beside theirs.
                "alternativeIdentifiers" => {
                    for other in value.as_array().unwrap() {
                        assert!(told[name].as_array().unwrap().contains(other), "{told:#}");
                    }
                }
                _ => assert_eq!(&told[name], value, "{what} {name}"),
            }
        }
    }
}

async fn what_is_ours_and_comes_back_stays_as_it_is(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let taken =
        yard.manager.make("/v1/withdrawals", json!({"animal_id": animal, "lot_id": yard.farm.sexed})).await;
    yard.manager.make("/v1/services", json!({"withdrawal_id": taken})).await;
    yard.manager.make("/v1/heats", json!({"animal_id": animal})).await;
    let before = yard.everything().await;
    for what in ["inseminations", "heats", "animals"] {
        let mut told = yard.members(what).await.remove(0);
        assert_eq!(yard.send(what, &told).await, told);
        // Also when it was changed over there: the word on it is ours.
        told["remark"] = json!("changed");
        told["meta"]["modified"] = json!("2030-01-01T00:00:00Z");
        told["meta"]["isDeleted"] = json!(true);
        assert_ne!(yard.send(what, &told).await["remark"], "changed");
        told["meta"]["sourceId"] = json!(Uuid::now_v7());
        let answer = yard.herd_system.post(&format!("{}/{what}", yard.at), told).await;
        assert_eq!(answer.instances(), ["#/meta/sourceId"]);
    }
    assert_eq!(yard.everything().await, before);
}

async fn whoever_reads_on_by_time_hears_of_every_change(world: &World) {
    let yard = Yard::of(world).await;
    let animal = yard.animal("412").await;
    let since = async |at: &str| {
        let at = at.replace('+', "%2B");
        yard.members(&format!("heats?meta-modified-from={at}")).await
    };
    let latest = |members: &[Value]| members.last().unwrap()["meta"]["modified"].as_str().unwrap().to_owned();
    let own = yard.manager.make("/v1/heats", json!({"animal_id": animal})).await;
    let first = since("2026-01-01T00:00:00Z").await;
    let at = latest(&first);
    // The clock steps back a day; times of change only go on.
    world.pass(chrono::TimeDelta::days(-1));
    let heat = event("h-1", "412", "2026-02-20T02:10:00Z", json!({"certainty": "InHeat"}));
    yard.send("heats", &heat).await;
    let changed = since(&at).await;
    let told: Vec<_> = changed.iter().map(|heat| heat["meta"]["sourceId"].as_str().unwrap()).collect();
    assert_eq!(told, [own.as_str(), "h-1"], "from: that time itself included");
    let after = latest(&changed);
    assert!(after > at, "{after} {at}");
    // To: that time itself included.
    let upto = yard.members(&format!("heats?meta-modified-to={at}")).await;
    assert_eq!((upto.len(), &upto[0]["id"]), (1, &json!(own)));
    let none = yard.members(&format!("heats?meta-modified-from={after}&meta-modified-to={at}")).await;
    assert_eq!(none, [] as [Value; 0]);
    // A plus that was not encoded arrives as a blank and is taken for what it was.
    let blank = yard.members("heats?meta-modified-from=2026-01-01T00:00:00+00:00").await;
    assert_eq!(blank.len(), 2);
    // What changes a service changes its resource: a late entry moves its number.
    yard.farm.served(&yard.manager, &animal, "2026-02-25T06:00:00Z").await;
    let one = yard.members("inseminations").await.remove(0);
    assert_eq!(one["rank"], 1);
    yard.farm.served(&yard.manager, &animal, "2026-01-25T06:00:00Z").await;
    let changed = yard
        .members(&format!("inseminations?meta-modified-from={}", one["meta"]["modified"].as_str().unwrap()))
        .await;
    let moved = changed.iter().find(|ai| ai["id"] == one["id"]).unwrap();
    assert_eq!(moved["rank"], 2);
    assert!(moved["meta"]["modified"].as_str() > one["meta"]["modified"].as_str());
}

async fn pages_miss_nothing_while_others_write(world: &World) {
    let yard = Yard::of(world).await;
    for number in 0..12 {
        yard.animal(&number.to_string()).await;
    }
    let tell = async |from: usize| {
        for n in from..from + 12 {
            let heat = event(
                &format!("h-{n}"),
                &(n % 12).to_string(),
                "2026-03-01T02:10:00Z",
                json!({"certainty": "InHeat"}),
            );
            yard.send("heats", &heat).await;
            let again = modified(&heat, "2026-03-02T05:00:00Z");
            let mut again = again;
            again["remark"] = json!("again");
            yard.send("heats", &again).await;
        }
    };
    tell(0).await;
    let read = async {
        let mut seen: BTreeMap<String, String> = BTreeMap::new();
        let mut pages = 0;
        let mut next = format!("{}/heats?page-size=3&meta-modified-from=2026-01-01T00:00:00Z", yard.at);
        loop {
            let page = yard.herd_system.get(&next).await.expect(200);
            let members = page["member"].as_array().unwrap();
            assert!(members.len() <= 3);
            for member in members {
                let id = member["meta"]["sourceId"].as_str().unwrap().to_owned();
                let at = member["meta"]["modified"].as_str().unwrap().to_owned();
                if let Some(before) = seen.insert(id, at.clone()) {
                    assert!(before < at, "what is told again has changed since");
                }
            }
            pages += 1;
            assert_eq!(page["view"]["pageSize"], 3);
            assert!(page["view"]["totalItems"].as_i64().unwrap() >= 12);
            // view.next: a URI, followed as it is; absent on the last page.
            let Some(link) = page["view"]["next"].as_str() else { break };
            next = link.strip_prefix(&world.base).expect("absolute, and of this service").to_owned();
        }
        (seen, pages)
    };
    let ((seen, pages), (), ()) = tokio::join!(read, tell(12), tell(24));
    assert!(pages >= 4);
    for n in 0..12 {
        assert!(seen.contains_key(&format!("h-{n}")), "h-{n} was passed over");
    }
    // Reading on from the last time that was seen gives the rest.
    let last = seen.values().max().unwrap().clone();
    let rest = yard.members(&format!("heats?page-size=500&meta-modified-from={last}")).await;
    let mut all = seen;
    for member in rest {
        let id = member["meta"]["sourceId"].as_str().unwrap().to_owned();
        all.insert(id, member["meta"]["modified"].as_str().unwrap().to_owned());
    }
    let whole = yard.members("heats?page-size=500").await;
    let whole: BTreeMap<String, String> = whole
        .iter()
        .map(|heat| {
            let text = |name: &str| heat["meta"][name].as_str().unwrap().to_owned();
            (text("sourceId"), text("modified"))
        })
        .collect();
    assert_eq!((all.len(), all), (36, whole));
}

/// Members that the standard's schemas limit, or that cannot be: icarMassMeasureType (`minimum` 0),
/// icarDeviceReferenceType (`href` is a URI), icarMetaDataType (`source` and `modified` are required).
async fn what_cannot_be_told_again_is_refused_or_left_out(world: &World) {
    let yard = Yard::of(world).await;
    yard.animal("412").await;
    let at = "2026-03-01T02:10:00Z";
    let calf = |weight: Value| json!({"progenyDetails": [{"specie": "Cattle", "gender": "Female", "birthWeight": weight}]});
    for (what, more, wrong) in [
        (
            "parturitions",
            calf(json!({"measurement": -38.5, "units": "KGM"})),
            "#/progenyDetails/0/birthWeight/measurement",
        ),
        ("heats", json!({"certainty": "InHeat", "device": {"href": "collar 7"}}), "#/device/href"),
        ("pregnancy-checks", json!({"result": "Pregnant", "foetalAge": -3}), "#/foetalAge"),
        ("pregnancy-checks", json!({"result": "Pregnant", "foetusCount": -1}), "#/foetusCount"),
    ] {
        let answer = yard.herd_system.post(&format!("{}/{what}", yard.at), event("1", "412", at, more)).await;
        assert_eq!((answer.status, answer.instances()), (422, vec![wrong]), "{what}");
        assert_eq!(yard.members(what).await, [] as [Value; 0]);
    }
    // The rest of a calving and an insemination is worth more than a meta that is not whole: it is left out.
    let mut calving = event("1", "412", at, calf(json!({"measurement": 0, "units": "KGM"})));
    calving["progenyDetails"][0]["meta"] = json!({"source": "org.example"});
    let told = yard.send("parturitions", &calving).await;
    assert_eq!(
        (&told["progenyDetails"][0]["birthWeight"], told["progenyDetails"][0].get("meta")),
        (&calving["progenyDetails"][0]["birthWeight"], None)
    );
    let whole = json!({"source": "org.example", "modified": "2026-03-02T05:00:00Z"});
    for (n, (meta, is_told)) in
        [(json!({"modified": "2026-03-02T05:00:00Z"}), false), (whole, true)].into_iter().enumerate()
    {
        let at = format!("2026-0{}-01T02:10:00Z", n + 1);
        let straw = json!({"batch": "24117", "meta": meta});
        let told = yard.send("inseminations", &insemination(&n.to_string(), "412", &at, straw)).await;
        assert_eq!(told["straw"].get("meta").is_some(), is_told, "{told}");
        assert!(yard.members("inseminations").await.contains(&told));
    }
    // What an older version of the service took is not told either.
    let mut tx = world.db().write().await.unwrap();
    tx.sql_for(
        "update ade_item set resource = json_set(resource, '$.progenyDetails[0].birthWeight.measurement', -1)
         where kind = 'parturition'",
        "update ade_item set resource = jsonb_set(resource, '{progenyDetails,0,birthWeight,measurement}', '-1')
         where kind = 'parturition'",
    )
    .run()
    .await
    .unwrap();
    tx.commit().await.unwrap();
    assert_eq!(
        yard.members("parturitions").await[0]["progenyDetails"][0]["birthWeight"],
        json!({"units": "KGM"})
    );
}

async fn a_move_is_told_where_she_was(world: &World) {
    let yard = Yard::of(world).await;
    let there = json!({"name": "Far", "time_zone": "UTC", "location": {"scheme": "uk.cph", "id": "2"}});
    let far = yard.manager.make("/v1/herds", there).await;
    let elsewhere = "/ade/locations/uk.cph/2";
    yard.send("animals", &cow("a-1", json!({}))).await;
    let told = yard.members("animals").await.remove(0);
    let name = told["alternativeIdentifiers"].as_array().unwrap().last().unwrap().clone();
    let id = name["id"].as_str().unwrap().to_owned();
    let since = told["meta"]["modified"].as_str().unwrap().to_owned();
    let poll = format!("animals?meta-modified-from={since}");
    yard.manager.patch(&format!("/v1/animals/{id}"), None, json!({"herd_id": far})).await.expect(200);
    // Whoever asks what changed hears that she left; she is not among the animals that are there.
    let left = yard.members(&poll).await;
    assert_eq!(
        (left.len(), &left[0]["status"], &left[0]["identifier"]),
        (1, &json!("OffFarm"), &told["identifier"])
    );
    assert!(left[0]["meta"]["modified"].as_str().unwrap() > since.as_str());
    assert_eq!(yard.members("animals").await, [] as [Value; 0]);
    assert_eq!(yard.get("animals").await["view"]["totalItems"], 0);
    assert_eq!(yard.get(&format!("animals/{id}")).await, left[0]);
    let there = yard.herd_system.get(&format!("{elsewhere}/animals")).await.expect(200);
    assert_eq!((&there["member"][0]["status"], &there["view"]["totalItems"]), (&json!("Alive"), &json!(1)));
    // The system of her old location says that she is gone: so it is, and nothing else happens to her.
    let gone = modified(&cow("a-1", json!({"status": "OffFarm"})), "2026-03-02T05:00:00Z");
    assert_eq!(yard.send("animals", &gone).await["status"], "OffFarm");
    let mut taken_back = modified(&gone, "2026-03-02T05:10:00Z");
    taken_back["meta"]["isDeleted"] = json!(true);
    yard.send("animals", &taken_back).await;
    let animal = yard.manager.get(&format!("/v1/animals/{id}")).await.expect(200);
    assert_eq!((&animal["herd_id"], &animal["left_on"]), (&json!(far), &Value::Null));
    // A herd system moves her as well: back again.
    yard.send("animals", &modified(&cow("a-1", json!({})), "2026-03-02T05:20:00Z")).await;
    assert_eq!(yard.members("animals").await[0]["status"], "Alive");
    let changed = format!("{elsewhere}/animals?meta-modified-from={since}");
    let left = yard.herd_system.get(&changed).await.expect(200);
    assert_eq!(
        (left["member"].as_array().unwrap().len(), &left["member"][0]["status"]),
        (1, &json!("OffFarm"))
    );
}

async fn how_she_went_is_told_as_it_came(world: &World) {
    let yard = Yard::of(world).await;
    let told = yard.send("animals", &cow("a-1", json!({"status": "Dead"}))).await;
    assert_eq!(told["status"], "Dead");
    assert_eq!(yard.members("animals").await[0]["status"], "Dead");
    // Found to be alive after all, here.
    let animal =
        yard.manager.get("/v1/animals").await.expect(200)["items"][0]["id"].as_str().unwrap().to_owned();
    yard.manager.patch(&format!("/v1/animals/{animal}"), None, json!({"left_on": null})).await.expect(200);
    assert_eq!(yard.members("animals").await[0]["status"], "Alive");
}
