//! Filters of the two lists that grow with every act, each with every other: whichever of them a query follows, what
//! it gives is the whole list with the rest left out.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::{
    lists::whole,
    on_both_stores,
    world::{Client, Farm, World, instant},
};

on_both_stores!(
    movements_by_several_filters,
    acts_by_several_filters,
    services_by_several_filters,
    withdrawals_by_several_filters,
    by_the_beginning_of_what_they_are_called,
    events_by_several_filters,
    animals_by_whether_they_left,
);

/// A filter as it is asked, and whether an item passes it.
type Asked<'a> = (&'static str, String, Box<dyn Fn(&Value) -> bool + 'a>);

/// Asks for each filter, and each two and three of different names together.
async fn agrees(client: &Client, path: &str, filters: &[Asked<'_>]) {
    let all = whole(client, path, "", 500).await;
    let mut found = vec![0; filters.len()];
    let mut chosen: Vec<Vec<usize>> = (0..filters.len()).map(|one| vec![one]).collect();
    for _ in 0..2 {
        let longer: Vec<_> = chosen
            .iter()
            .flat_map(|some| {
                (some[some.len() - 1] + 1..filters.len()).map(|next| [&some[..], &[next]].concat())
            })
            .filter(|some| some.windows(2).all(|pair| filters[pair[0]].0 != filters[pair[1]].0))
            .collect();
        chosen.extend(longer);
    }
    chosen.sort();
    chosen.dedup();
    for some in chosen {
        let asked = || some.iter().map(|&n| &filters[n]);
        let query = form_urlencoded::Serializer::new(String::new())
            .extend_pairs(asked().map(|(name, value, _)| (*name, value)))
            .finish();
        let naive: Vec<_> =
            all.iter().filter(|item| asked().all(|(_, _, passes)| passes(item))).cloned().collect();
        if some.len() > 1 && !naive.is_empty() {
            for &n in &some {
                found[n] += 1;
            }
        }
        // Two pages of most, and the end of a page within the few of others.
        assert!(whole(client, path, &query, 70).await == naive, "{path}?{query}");
    }
    assert!(found.iter().all(|&found| found > 0), "{path}: a filter found nothing with any other: {found:?}");
}

async fn movements_by_several_filters(world: &World) {
    let client = &world.manager;
    let (one, two) = (Farm::found(client).await, Farm::found(client).await);
    let animal = one.animal(client, "1").await;
    let begin = world.now();
    // More of some than are looked at to see how thickly they stand, and few of others.
    for n in 0..130 {
        world.pass(TimeDelta::minutes(1));
        let (lot, farm, technician) = match n % 10 {
            0 => (&one.conventional, &two, "T. Rare"),
            1..6 => (&one.sexed, &one, "T. Busy"),
            _ => (&two.sexed, &one, "T. Busy"),
        };
        let receipt = json!({"lot_id": lot, "place": farm.place(1), "straws": 5, "technician": technician});
        let receipt = client.make("/v1/receipts", receipt).await;
        if n % 25 == 0 {
            let undo = json!({"reason": "did_not_happen"});
            client.post(&format!("/v1/movements/{receipt}/reversal"), undo).await.created();
        }
        if n % 20 == 1 {
            let order = json!({"animal_id": animal, "lot_id": lot, "technician": technician,
                               "override": {"reason": "agreed"}});
            client.post("/v1/withdrawals", order).await.created();
        }
        if n % 30 == 2 {
            let order = json!({"lot_id": lot, "from": one.place(1), "to": two.place(1), "straws": 1,
                               "technician": technician});
            client.post("/v1/transfers", order).await.created();
        }
    }
    let hers: Vec<Value> = whole(client, "/v1/withdrawals", &format!("animal_id={animal}"), 500).await;
    let hers: Vec<Value> = hers.into_iter().map(|withdrawal| withdrawal["id"].clone()).collect();
    let at = |minutes: i64| {
        (begin + TimeDelta::minutes(minutes)).to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
    };
    let mut filters: Vec<Asked<'_>> = Vec::new();
    for lot in [&one.sexed, &one.conventional] {
        filters.push(("lot_id", lot.clone(), Box::new(|line| line["lot_id"] == **lot)));
    }
    for farm in [&one, &two] {
        let of_sire =
            |line: &Value| [&farm.sexed, &farm.conventional].iter().any(|lot| line["lot_id"] == ***lot);
        filters.push(("sire_id", farm.sire.clone(), Box::new(of_sire)));
    }
    for farm in [&one, &two] {
        let of_tank =
            |line: &Value| ["from", "to"].iter().any(|end| line[end]["place"]["tank_id"] == farm.tank);
        filters.push(("tank_id", farm.tank.clone(), Box::new(of_tank)));
    }
    for kind in ["receipt", "reversal", "withdrawal"] {
        filters.push(("kind", kind.to_owned(), Box::new(move |line| line["kind"] == kind)));
    }
    for technician in ["T. Busy", "T. Rare"] {
        filters.push((
            "technician",
            technician.to_owned(),
            Box::new(move |line| line["technician"] == technician),
        ));
    }
    filters.push(("animal_id", animal, Box::new(|line| hers.contains(&line["withdrawal_id"]))));
    for minutes in [40, 100] {
        let at = at(minutes);
        filters.push(("from", at.clone(), Box::new(move |line| line["occurred_at"].as_str() >= Some(&at))));
    }
    let at = at(60);
    filters.push(("to", at.clone(), Box::new(move |line| line["occurred_at"].as_str() < Some(&at))));
    agrees(client, "/v1/movements", &filters).await;
}

async fn acts_by_several_filters(world: &World) {
    let client = &world.manager;
    let other = world.caller(tankside::domain::access::Role::Technician).await;
    let farm = Farm::found(client).await;
    let begin = world.now();
    for n in 0..130 {
        world.pass(TimeDelta::minutes(1));
        let caller = if n % 10 == 0 { &other } else { client };
        caller.post("/v1/receipts", json!({"lot_id": farm.sexed, "place": farm.place(1), "straws": 1})).await;
    }
    let acts = whole(client, "/v1/audit", "", 500).await;
    let mut keys: Vec<String> = acts.iter().map(|act| act["key_id"].as_str().unwrap().to_owned()).collect();
    keys.sort();
    keys.dedup();
    assert_eq!(keys.len(), 2);
    let mut filters: Vec<Asked<'_>> = Vec::new();
    for key in keys {
        filters.push(("key_id", key.clone(), Box::new(move |act| act["key_id"] == key)));
    }
    let at = |minutes: i64| {
        (begin + TimeDelta::minutes(minutes)).to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
    };
    for minutes in [40, 100] {
        let at = at(minutes);
        filters.push(("from", at.clone(), Box::new(move |act| act["at"].as_str() >= Some(&at))));
    }
    let at = at(60);
    filters.push(("to", at.clone(), Box::new(move |act| act["at"].as_str() < Some(&at))));
    agrees(client, "/v1/audit", &filters).await;
}

/// Two farms whose animals were served, over several days and by several hands.
async fn served(world: &World) -> (Farm, Farm, String) {
    let client = &world.manager;
    let (one, two) = (Farm::found(client).await, Farm::found(client).await);
    let busy = one.animal(client, "1").await;
    for n in 0..24 {
        world.pass(TimeDelta::hours(5));
        let (farm, lot, technician) = match n % 6 {
            0 => (&two, &two.conventional, "T. Rare"),
            1 | 2 => (&two, &one.sexed, "T. Busy"),
            _ => (&one, if n % 2 == 0 { &one.conventional } else { &one.sexed }, "T. Busy"),
        };
        farm.receive(client, lot, 1, 5).await;
        let animal = if n % 6 == 3 { busy.clone() } else { farm.animal(client, &format!("{n}")).await };
        let order = json!({"animal_id": animal, "lot_id": lot, "technician": technician, "override": {"reason": "agreed"}});
        let taken = client.make("/v1/withdrawals", order).await;
        match n % 8 {
            7 => {
                let path = format!("/v1/withdrawals/{taken}/discard");
                client.post(&path, json!({"reason": "dropped"})).await.expect(200);
            }
            6 => {}
            _ => {
                let service = client.make("/v1/services", json!({"withdrawal_id": taken})).await;
                if n % 8 == 5 {
                    let path = format!("/v1/services/{service}/reversal");
                    client.post(&path, json!({})).await.expect(200);
                }
            }
        }
    }
    (one, two, busy)
}

/// A filter by a text member.
fn by(name: &'static str, pointer: &'static str, value: &str) -> Asked<'static> {
    let wanted = value.to_owned();
    (name, value.to_owned(), Box::new(move |item| item.pointer(pointer).is_some_and(|held| *held == wanted)))
}

/// Filters by time, from the hours and to the hours after `begin`.
fn times(begin: chrono::DateTime<chrono::Utc>, pointer: &'static str) -> Vec<Asked<'static>> {
    let at = |hours: i64| begin + TimeDelta::hours(hours);
    let when = move |item: &Value| crate::world::instant(item.pointer(pointer).unwrap().as_str().unwrap());
    let text = |at: chrono::DateTime<chrono::Utc>| at.to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
    let (from, to) = (at(30), at(90));
    vec![
        ("from", text(from), Box::new(move |item| when(item) >= from)),
        ("to", text(to), Box::new(move |item| when(item) < to)),
    ]
}

async fn services_by_several_filters(world: &World) {
    let begin = world.now();
    let (one, two, busy) = served(world).await;
    let mut filters = times(begin, "/served_at");
    filters.extend([by("animal_id", "/animal_id", &busy), by("technician", "/technician", "T. Rare")]);
    filters.push(by("technician", "/technician", "T. Busy"));
    for farm in [&one, &two] {
        filters.extend([by("herd_id", "/herd_id", &farm.herd), by("sire_id", "/sire/id", &farm.sire)]);
    }
    filters.push(("reversed", "true".to_owned(), Box::new(|item| !item["reversed_at"].is_null())));
    filters.push(("reversed", "false".to_owned(), Box::new(|item| item["reversed_at"].is_null())));
    filters.sort_by_key(|(name, ..)| *name);
    agrees(&world.manager, "/v1/services", &filters).await;
}

async fn withdrawals_by_several_filters(world: &World) {
    let begin = world.now();
    let (one, two, busy) = served(world).await;
    let mut filters = times(begin, "/withdrawn_at");
    filters.extend([by("animal_id", "/animal_id", &busy), by("technician", "/technician", "T. Rare")]);
    filters.push(by("technician", "/technician", "T. Busy"));
    for farm in [&one, &two] {
        filters.extend([by("herd_id", "/herd_id", &farm.herd), by("sire_id", "/sire/id", &farm.sire)]);
    }
    filters.push(by("lot_id", "/lot/id", &one.sexed));
    for state in ["served", "discarded", "out"] {
        filters.push(by("state", "/state", state));
    }
    filters.sort_by_key(|(name, ..)| *name);
    agrees(&world.manager, "/v1/withdrawals", &filters).await;
}

async fn by_the_beginning_of_what_they_are_called(world: &World) {
    let client = &world.manager;
    let (one, two) = (Farm::found(client).await, Farm::found(client).await);
    let mut names = Vec::new();
    for (farm, number, name, code) in [
        (&one, "412", "Žofka die Braune", "AT 0417 412"),
        (&two, "41", "Zora", "XX000041"),
        (&one, "7", "Braune", "XX000412"),
    ] {
        let animal = json!({"herd_id": farm.herd, "number": number, "name": name,
                            "identifiers": [{"scheme": "farm", "id": code}]});
        names.push(client.make("/v1/animals", animal).await);
    }
    let found = async |query: &str| {
        let mut hers = Vec::new();
        for animal in whole(client, "/v1/animals", query, 1).await {
            hers.push(names.iter().position(|id| animal["id"] == **id).unwrap());
        }
        hers
    };
    for (query, hers) in [
        ("q=41", vec![0, 1]),
        ("q=412", vec![0]),
        ("q=%C5%BEOF", vec![0]),
        ("q=zofka", vec![]),
        ("q=braun", vec![0, 2]),
        ("q=Braune+412", vec![0]),
        ("q=412+zora", vec![]),
        ("q=xx000", vec![1, 2]),
        ("q=%25", vec![]),
        // The last four or five digits of an ear tag.
        ("q=0412", vec![2]),
        ("q=00041", vec![1]),
        ("q=0041+zora", vec![1]),
    ] {
        assert_eq!(found(query).await, hers, "{query}");
    }
    assert_eq!(found(&format!("q=braune&herd_id={}", two.herd)).await, [] as [usize; 0]);
    assert_eq!(found("q=41&number=41").await, [1]);
    // What she is called is found as it is now.
    let renamed = json!({"name": "Zenzi", "number": "55"});
    client.patch(&format!("/v1/animals/{}", names[1]), None, renamed).await.expect(200);
    assert_eq!((found("q=zor").await, found("q=zen").await, found("q=41").await), (vec![], vec![1], vec![0]));

    let sire = json!({"name": "Invented Seventeen", "identifiers": [{"scheme": "farm", "id": "B-17"}]});
    let sire = client.make("/v1/sires", sire).await;
    for query in ["q=seventeen", "q=b-1", "q=inv+sev"] {
        let sires = whole(client, "/v1/sires", query, 1).await;
        assert!(sires.iter().any(|found| found["id"] == sire), "{query}");
    }
    // Beside an identifier both count.
    for (query, found) in [
        ("q=seventeen&identifier=B-17", 1),
        ("q=eighteen&identifier=B-17", 0),
        ("q=seventeen&identifier=B-1", 0),
    ] {
        assert_eq!(whole(client, "/v1/sires", query, 10).await.len(), found, "{query}");
    }
    assert_eq!(whole(client, "/v1/sires", "q=braune", 10).await, [] as [Value; 0], "that is a cow");
    for wrong in ["q=", "q=a+b+c+d+e+f", "q=%00"] {
        let answer = client.get(&format!("/v1/animals?{wrong}")).await;
        assert_eq!(answer.pointers(), ["q"], "{wrong}");
        answer.problem(400, "invalid-query");
    }
}

async fn events_by_several_filters(world: &World) {
    let client = &world.manager;
    let (one, two) = (Farm::found(client).await, Farm::found(client).await);
    let animals =
        [one.animal(client, "1").await, one.animal(client, "2").await, two.animal(client, "3").await];
    let at = |hours: i64| (world.now() - TimeDelta::hours(hours)).to_rfc3339();
    // Told out of order, as they come from the barn.
    for n in 0..90_i64 {
        let hers = &animals[usize::try_from(n % 3).unwrap()];
        let heat = json!({"animal_id": hers, "standing_at": at(n * 37 % 90 + 1)});
        client.post("/v1/heats", heat).await.created();
    }
    let mut filters: Vec<Asked<'_>> = Vec::new();
    for animal in [&animals[0], &animals[2]] {
        filters.push(("animal_id", animal.clone(), Box::new(|event| event["animal_id"] == **animal)));
    }
    for farm in [&one, &two] {
        filters.push(("herd_id", farm.herd.clone(), Box::new(|event| event["herd_id"] == farm.herd)));
    }
    let told = |event: &Value| instant(event["standing_at"].as_str().unwrap());
    for hours in [80, 20] {
        let bound = instant(&at(hours));
        filters.push(("from", at(hours), Box::new(move |event| told(event) >= bound)));
    }
    for hours in [60, 10] {
        let bound = instant(&at(hours));
        filters.push(("to", at(hours), Box::new(move |event| told(event) < bound)));
    }
    agrees(client, "/v1/heats", &filters).await;
    for query in ["from=yesterday", "to=2026-03-01"] {
        client.get(&format!("/v1/heats?{query}")).await.problem(400, "invalid-query");
    }
}

async fn animals_by_whether_they_left(world: &World) {
    let client = &world.manager;
    let (one, two) = (Farm::found(client).await, Farm::found(client).await);
    for n in 0..90 {
        let farm = if n % 3 == 0 { &two } else { &one };
        let animal = farm.animal(client, &(n % 7).to_string()).await;
        if n % 4 == 0 {
            let left = json!({"left_on": "2026-02-20"});
            client.patch(&format!("/v1/animals/{animal}"), None, left).await.expect(200);
        }
    }
    let mut filters: Vec<Asked<'_>> = Vec::new();
    for left in [true, false] {
        filters.push(("left", left.to_string(), Box::new(move |hers| hers["left_on"].is_null() != left)));
    }
    for farm in [&one, &two] {
        filters.push(("herd_id", farm.herd.clone(), Box::new(|hers| hers["herd_id"] == farm.herd)));
    }
    for number in ["0", "3"] {
        filters.push(("number", number.to_owned(), Box::new(move |hers| hers["number"] == number)));
    }
    for number in ["0", "3"] {
        filters.push(("q", number.to_owned(), Box::new(move |hers| hers["number"] == number)));
    }
    agrees(client, "/v1/animals", &filters).await;
    let wrong = client.get("/v1/animals?left=maybe").await;
    assert_eq!(wrong.pointers(), ["left"]);
    wrong.problem(400, "invalid-query");
}
