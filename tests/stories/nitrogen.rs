//! The liquid in the tanks: read, filled up, predicted, drawn.

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use reqwest::Method;
use serde_json::{Value, json};
use tankside::{
    domain::{
        access::Role,
        nitrogen::level::{Gauged, LevelUnit, Measured, Reading, ReadingSource},
        values::{ReadingId, TankId, Timestamp},
    },
    store::{self, Db},
};

use crate::{
    lists::whole,
    on_both_stores,
    world::{Client, Farm, MORNING, World, instant},
};

on_both_stores!(
    a_level_is_told_in_any_unit,
    a_chart_says_what_a_depth_holds,
    a_chart_mended_later_mends_every_reading,
    what_cannot_be_is_refused_with_the_reason,
    a_wrong_reading_stays_and_is_superseded_once,
    a_wrong_refill_is_superseded_too,
    what_does_not_fit_together_is_said,
    without_readings_the_rated_loss_is_said,
    weekly_readings_predict_the_refill,
    readings_in_any_order_say_the_same,
    a_moment_sees_what_was_on_record_by_then,
    a_refill_told_in_litres_is_reckoned,
    openings_are_counted_from_the_ledger,
    a_sensor_that_reports_hourly_raises_nothing,
    a_failing_tank_is_noticed,
    an_alarm_stands_until_a_repair_is_entered,
    what_a_rod_can_show_is_kept_and_what_looks_wrong_is_said_at_once,
    an_old_reading_and_an_empty_tank_are_not_normal,
    a_list_shows_the_nitrogen_of_each_tank,
    a_picture_is_drawn_for_any_tank,
    a_retry_is_recorded_once,
    a_tanks_lists_are_paged,
    verify_looks_at_what_supersedes,
);

/// A day of the time before the stories begin.
fn days_ago(days: i64) -> String {
    at(instant(MORNING) - TimeDelta::days(days))
}

fn at(moment: DateTime<Utc>) -> String {
    moment.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// A technician's tank of 20.5 litres and 430 mm with straight walls, rated 0.11 litres a day, by its path.
async fn tank(client: &Client) -> String {
    let tank = json!({"name": "Van", "capacity_l": 20.5, "full_depth_mm": 430, "min_depth_mm": 150,
                      "static_loss_l_per_day": 0.11, "tare_kg": 12.4});
    format!("/v1/tanks/{}", client.make("/v1/tanks", tank).await)
}

async fn read(client: &Client, tank: &str, body: Value) -> Value {
    client.post(&format!("{tank}/nitrogen-readings"), body).await.created()
}

async fn read_depth(client: &Client, tank: &str, days: i64, depth_mm: f64) -> Value {
    read(client, tank, json!({"read_at": days_ago(days), "depth_mm": depth_mm})).await
}

async fn nitrogen(client: &Client, tank: &str) -> Value {
    client.get(&format!("{tank}/nitrogen")).await.expect(200)
}

#[track_caller]
fn near(told: &Value, wanted: f64, within: f64) {
    let told = told.as_f64().unwrap_or_else(|| panic!("{told} is no number"));
    assert!((told - wanted).abs() <= within, "{told} is not {wanted} within {within}");
}

/// The interval must be in order and hold `wanted`.
#[track_caller]
fn holds(interval: &Value, wanted: f64) {
    let [low, estimate, high] = ["low", "estimate", "high"].map(|end| interval[end].as_f64().unwrap());
    assert!(low <= estimate && estimate <= high, "{interval}");
    assert!(low <= wanted && wanted <= high, "{interval} does not hold {wanted}");
}

async fn a_level_is_told_in_any_unit(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    for (n, (body, value, unit, depth_mm, litres)) in [
        // Straight walls: 310 mm of 430 hold 310 / 430 x 20.5 = 14.779 litres.
        (json!({"depth_mm": 310}), 310.0, "mm", 310.0, 14.779),
        (json!({"depth": {"value": 31, "unit": "cm"}}), 31.0, "cm", 310.0, 14.779),
        // An inch is exactly 25.4 mm (international yard and pound agreement, 1959): 12.2 in = 309.88 mm.
        (json!({"depth": {"value": 12.2, "unit": "in"}}), 12.2, "in", 309.88, 14.773),
        (json!({"litres": 10.25}), 10.25, "l", 215.0, 10.25),
        // 806.1 kg a cubic metre (Span et al. 2000): (24.3 - 12.4) / 0.8061 = 14.762 litres.
        (json!({"gross_kg": 24.3}), 24.3, "kg", 309.65, 14.762),
        (json!({"gross_kg": 12.4}), 12.4, "kg", 0.0, 0.0),
    ]
    .into_iter()
    .enumerate()
    {
        let mut body = body;
        body["read_at"] = json!(days_ago(i64::try_from(n).unwrap()));
        body["source"] = json!("sensor");
        let made = read(client, &tank, body).await;
        assert_eq!(made["measured"], json!({"value": value, "unit": unit}));
        near(&made["depth_mm"], depth_mm, 0.02);
        near(&made["litres"], litres, 0.001);
        let read = client.get(&format!("/v1/nitrogen-readings/{}", made["id"].as_str().unwrap())).await;
        let mut read = read.expect(200);
        read["warnings"] = made["warnings"].clone();
        assert_eq!(read, made, "told again as it was told");
    }
    let list = client.get(&format!("{tank}/nitrogen-readings")).await.expect(200);
    assert_eq!(list["items"].as_array().unwrap().len(), 6);
    let some = format!("{tank}/nitrogen-readings?from={}&to={}", days_ago(4), days_ago(1));
    let some = client.get(&some).await.expect(200);
    assert_eq!(some["items"].as_array().unwrap().len(), 3, "from a moment on and before another");
}

async fn a_chart_says_what_a_depth_holds(world: &World) {
    let client = &world.manager;
    // The walls narrow at the shoulder; at its points a chart is met exactly, whatever curve joins them.
    let chart = json!([{"depth_mm": 100, "litres": 4.0}, {"depth_mm": 300, "litres": 14.0}, {"depth_mm": 430, "litres": 18.5}]);
    let tank = json!({"name": "Shoulder", "chart": chart, "tare_kg": 12.4});
    let tank = format!("/v1/tanks/{}", client.make("/v1/tanks", tank).await);
    for (days, depth_mm, litres) in [(9, 0.0, 0.0), (8, 100.0, 4.0), (7, 300.0, 14.0), (6, 430.0, 18.5)] {
        let made = read_depth(client, &tank, days, depth_mm).await;
        near(&made["litres"], litres, 0.001);
        let body = json!({"read_at": days_ago(days - 5), "litres": litres});
        near(&read(client, &tank, body).await["depth_mm"], depth_mm, 0.001);
    }
    let deep = client.post(&format!("{tank}/nitrogen-readings"), json!({"depth_mm": 457})).await;
    assert_eq!(deep.pointers(), ["#/depth_mm"], "the chart's last line is the full tank");
    // Where full depth and capacity are known too, they close a chart that ends before them.
    let full = json!({"full_depth_mm": 450, "capacity_l": 19.0});
    client.patch(&tank, None, full).await.expect(200);
    near(&read_depth(client, &tank, 20, 450.0).await["litres"], 19.0, 0.001);
}

async fn a_chart_mended_later_mends_every_reading(world: &World) {
    let client = &world.manager;
    let tank = format!("/v1/tanks/{}", client.make("/v1/tanks", json!({"name": "New"})).await);
    let made = read(client, &tank, json!({"read_at": days_ago(14), "litres": 12})).await;
    assert_eq!((&made["depth_mm"], &made["litres"]), (&Value::Null, &json!(12.0)));
    assert!(made["warnings"][0].as_str().unwrap().contains("chart"), "{made}");
    let before = nitrogen(client, &tank).await;
    assert_eq!(before["level"], Value::Null);
    assert!(before["cautions"][0].as_str().unwrap().starts_with("1 readings do not count"), "{before}");
    let known = json!({"capacity_l": 20, "full_depth_mm": 400, "static_loss_l_per_day": 0.1});
    client.patch(&tank, None, known).await.expect(200);
    let path = format!("/v1/nitrogen-readings/{}", made["id"].as_str().unwrap());
    near(&client.get(&path).await.expect(200)["depth_mm"], 240.0, 1e-9);
    let after = nitrogen(client, &tank).await;
    holds(&after["level"]["litres"], 12.0 - 14.0 * 0.1 * 1.5);
    assert!(!after["cautions"].to_string().contains("do not count"), "{after}");
    assert_eq!(after["last_reading"]["measured"], json!({"value": 12.0, "unit": "l"}));
    near(&after["last_reading"]["age_hours"], 14.0 * 24.0, 0.001);
    // Nothing was said of the minimum: the usual 15 cm, and that it is the usual one.
    assert_eq!(after["min_depth_mm"], json!(150.0));
    assert!(after["sources"].to_string().contains("150 mm"), "{after}");
}

async fn what_cannot_be_is_refused_with_the_reason(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    let bare = format!("/v1/tanks/{}", client.make("/v1/tanks", json!({"name": "Bare"})).await);
    read_depth(client, &tank, 0, 300.0).await;
    for (tank, path, body, pointer, reason) in [
        (&tank, "nitrogen-readings", json!({"depth_mm": -1}), "#/depth_mm", "from 0.0 to 5000.0"),
        (&tank, "nitrogen-readings", json!({"depth_mm": 457}), "#/depth_mm", "430 mm"),
        (&tank, "nitrogen-readings", json!({"litres": 21}), "#/litres", "the tank holds 20.5 when full"),
        (&tank, "nitrogen-readings", json!({"gross_kg": 12}), "#/gross_kg", "12.4 kg"),
        (&tank, "nitrogen-readings", json!({"gross_kg": 30}), "#/gross_kg", "the tank holds 20.5 when full"),
        (&bare, "nitrogen-readings", json!({"gross_kg": 30}), "#/gross_kg", "tare_kg"),
        (&tank, "nitrogen-readings", json!({}), "#/depth_mm", "is required"),
        (&tank, "refills", json!({"depth_after_mm": 457}), "#/depth_after_mm", "430 mm"),
        (&tank, "refills", json!({"litres_added": 21}), "#/litres_added", "the tank holds 20.5 when full"),
        (
            &tank,
            "refills",
            json!({"depth_before_mm": 300, "depth_after_mm": 290}),
            "#/depth_after_mm",
            "300 mm",
        ),
        (&tank, "refills", json!({}), "#/depth_after_mm", "or litres_added"),
        (
            &tank,
            "nitrogen-readings",
            json!({"depth_mm": 300, "read_at": "2026-03-03T05:00:01Z"}),
            "#/read_at",
            "24 hours ahead",
        ),
        (
            &tank,
            "refills",
            json!({"depth_after_mm": 300, "filled_at": "2026-03-03T05:00:01Z"}),
            "#/filled_at",
            "24 hours ahead",
        ),
    ] {
        let answer = client.post(&format!("{tank}/{path}"), body.clone()).await;
        assert_eq!(answer.pointers(), [pointer], "{body}");
        let told = answer.problem(422, "invalid-input");
        assert!(told["errors"][0]["detail"].as_str().unwrap().contains(reason), "{body}: {told}");
    }
    let ahead = json!({"depth_mm": 299, "read_at": "2026-03-02T05:30:00Z"});
    let made = read(client, &tank, ahead).await;
    assert!(made["warnings"][0].as_str().unwrap().contains("30 min ahead"), "{made}");
    let list = client.get(&format!("{tank}/refills")).await.expect(200);
    assert_eq!(list["items"], json!([]));
}

async fn a_wrong_reading_stays_and_is_superseded_once(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    read_depth(client, &tank, 8, 318.0).await;
    let wrong = read_depth(client, &tank, 7, 31.0).await;
    let readings = format!("{tank}/nitrogen-readings");
    // At one instant there is one reading.
    let again = json!({"read_at": days_ago(7), "depth_mm": 310});
    let told = client.post(&readings, again.clone()).await.problem(409, "already-recorded");
    assert_eq!(told["record_id"], wrong["id"]);
    let mut right = again;
    right["supersedes"] = wrong["id"].clone();
    let right = read(client, &tank, right).await;
    assert_eq!(right["supersedes"], wrong["id"]);
    let list = client.get(&readings).await.expect(200)["items"].clone();
    assert_eq!(
        (&list[1]["superseded_by"], &list[1]["depth_mm"]),
        (&right["id"], &json!(31.0)),
        "it stays to be seen"
    );
    assert_eq!((&list[0]["superseded_by"], &list[2]["superseded_by"]), (&Value::Null, &Value::Null));
    holds(&nitrogen(client, &tank).await["level"]["depth_mm"], 289.0);

    let more = json!({"read_at": days_ago(6), "depth_mm": 309, "supersedes": wrong["id"]});
    let told = client.post(&readings, more).await.problem(409, "already-superseded");
    assert_eq!(told["superseded_by"], right["id"]);
    // What was superseded leaves its instant free, and a right one may be superseded in its turn, at another instant.
    let moved = json!({"read_at": days_ago(6), "depth_mm": 309, "supersedes": right["id"]});
    read(client, &tank, moved).await;
    read_depth(client, &tank, 7, 312.0).await;
    let other = self::tank(client).await;
    let foreign = json!({"depth_mm": 300, "supersedes": list[0]["id"]});
    let answer = client.post(&format!("{other}/nitrogen-readings"), foreign).await;
    assert_eq!(answer.pointers(), ["#/supersedes"]);
    answer.problem(422, "invalid-input");
    let nobodys = json!({"depth_mm": 300, "supersedes": uuid::Uuid::now_v7()});
    let answer = client.post(&readings, nobodys).await;
    assert_eq!(answer.pointers(), ["#/supersedes"]);
    answer.problem(404, "not-found");
}

async fn a_wrong_refill_is_superseded_too(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    let refills = format!("{tank}/refills");
    read_depth(client, &tank, 10, 200.0).await;
    let wrong = json!({"filled_at": days_ago(9), "depth_after_mm": 240});
    let wrong = client.post(&refills, wrong).await.created();
    let again = json!({"filled_at": days_ago(9), "depth_after_mm": 420});
    let told = client.post(&refills, again.clone()).await.problem(409, "already-recorded");
    assert_eq!(told["record_id"], wrong["id"]);
    let mut right = again;
    right["supersedes"] = wrong["id"].clone();
    let right = client.post(&refills, right).await.created();
    let seen = client.get(&format!("/v1/refills/{}", wrong["id"].as_str().unwrap())).await.expect(200);
    assert_eq!((&seen["superseded_by"], &seen["depth_after_mm"]), (&right["id"], &json!(240.0)));
    holds(&nitrogen(client, &tank).await["level"]["depth_mm"], 395.0);
    let more = json!({"depth_after_mm": 420, "supersedes": wrong["id"]});
    client.post(&refills, more).await.problem(409, "already-superseded");
}

async fn what_does_not_fit_together_is_said(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    read_depth(client, &tank, 7, 300.0).await;
    let risen = read_depth(client, &tank, 5, 400.0).await;
    assert!(risen["warnings"][0].as_str().unwrap().contains("no refill stands between"), "{risen}");
    // Within the error of a rod nothing is said, nor after a refill.
    let slightly = read_depth(client, &tank, 4, 420.0).await;
    assert_eq!(slightly["warnings"], json!([]));
    read_depth(client, &tank, 2, 200.0).await;
    let refill = json!({"filled_at": days_ago(1), "depth_after_mm": 420});
    client.post(&format!("{tank}/refills"), refill).await.created();
    let full = read_depth(client, &tank, 0, 420.0).await;
    assert_eq!(full["warnings"], json!([]));

    // An hour later the rod would have to show more, unless the level fell before: then it is said.
    world.pass(TimeDelta::hours(1));
    let lower = json!({"depth_after_mm": 300});
    let answer = client.post(&format!("{tank}/refills"), lower).await;
    assert_eq!(answer.pointers(), ["#/depth_after_mm"]);
    let told = answer.problem(422, "invalid-input");
    assert!(told["errors"][0]["detail"].as_str().unwrap().contains("depth_before_mm"), "{told}");
    let fell = json!({"depth_before_mm": 250, "depth_after_mm": 300});
    client.post(&format!("{tank}/refills"), fell).await.created();
}

async fn without_readings_the_rated_loss_is_said(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    let told = nitrogen(client, &tank).await;
    for null in ["level", "reaches_minimum", "refill_by", "refill_litres", "last_reading"] {
        assert_eq!(told[null], Value::Null, "{null}");
    }
    assert_eq!((&told["condition"], &told["basis"]), (&json!("unknown"), &json!("rated_loss")));
    assert_eq!((&told["loss"]["rated_litres_per_day"], &told["readings_used"]), (&json!(0.11), &json!(0)));
    assert!(!told["reason"].as_str().unwrap().is_empty());

    read_depth(client, &tank, 0, 400.0).await;
    let told = nitrogen(client, &tank).await;
    assert_eq!((&told["condition"], &told["basis"]), (&json!("unknown"), &json!("rated_loss")));
    holds(&told["level"]["depth_mm"], 400.0);
    holds(&told["level"]["litres"], 400.0 / 430.0 * 20.5);
    holds(&told["level"]["percent"], 400.0 / 4.3);
    // 250 mm above the minimum are 11.9 litres: 108 days at the rated loss, which a tank at work passes; 30 days
    // would be more than three times the rated loss.
    let day = |end: &str| {
        let reached = instant(told["reaches_minimum"][end].as_str().unwrap());
        (reached - instant(MORNING)).num_days()
    };
    let [earliest, estimate, latest] = ["earliest", "estimate", "latest"].map(day);
    assert!(30 < earliest && earliest < estimate && estimate < latest && estimate < 108, "{told}");
    assert_eq!(told["refill_by"], told["reaches_minimum"]["earliest"]);
    // At the minimum 280 mm are missing, 13.3 litres; at the earliest date rather less.
    assert!(told["refill_litres"]["estimate"].as_f64().unwrap() < 13.4, "{told}");
    let cautions = told["cautions"].to_string();
    for said in [
        "19.5 % oxygen",
        "OSHA",
        "secure the tank in a vehicle",
        "Local codes",
        "cannot save a tank",
        "frost or sweat",
    ] {
        assert!(cautions.contains(said), "{said} is missing: {cautions}");
    }

    let stranger = json!({"name": "Stranger"});
    let stranger = format!("/v1/tanks/{}", client.make("/v1/tanks", stranger).await);
    read_depth(client, &stranger, 0, 300.0).await;
    let told = nitrogen(client, &stranger).await;
    assert_eq!((&told["basis"], &told["level"]["litres"]), (&json!("any_tank"), &Value::Null));
    client.get(&format!("/v1/tanks/{}/nitrogen", uuid::Uuid::now_v7())).await.problem(404, "not-found");
}

/// Reads a tank each week for so many weeks, the last time today. It loses so many millimetres a day.
async fn weekly(client: &Client, tank: &str, weeks: i64, today_mm: f64, mm_per_day: f64) {
    for week in (0..=weeks).rev() {
        #[expect(clippy::cast_precision_loss, reason = "a few weeks")]
        let depth = today_mm + mm_per_day * 7.0 * week as f64;
        // A rod is read to the millimetre, and half of the time a millimetre off.
        read_depth(client, tank, 7 * week, depth.round() + if week % 2 == 0 { 1.0 } else { -1.0 }).await;
    }
}

async fn weekly_readings_predict_the_refill(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    // From 420 mm ten weeks ago to 224 mm: 2.8 mm, 0.1335 litres a day.
    weekly(client, &tank, 10, 224.0, 2.8).await;
    let told = nitrogen(client, &tank).await;
    assert_eq!((&told["basis"], &told["condition"]), (&json!("readings"), &json!("normal")), "{told}");
    assert_eq!(told["readings_used"], json!(11));
    holds(&told["level"]["depth_mm"], 224.0);
    holds(&told["loss"]["mm_per_day"], 2.8);
    holds(&told["loss"]["litres_per_day"], 2.8 / 430.0 * 20.5);
    // 74 mm above the minimum are 26 days.
    let reached = |end: &str| instant(told["reaches_minimum"][end].as_str().unwrap());
    let true_day = instant(MORNING) + TimeDelta::days(26);
    assert!(reached("earliest") < true_day && true_day < reached("latest"), "{told}");
    let off = (reached("estimate") - true_day).num_days().abs();
    assert!(off <= 5, "{off} days off: {told}");
    holds(&told["refill_litres"], (430.0 - 160.0) / 430.0 * 20.5);
}

async fn readings_in_any_order_say_the_same(world: &World) {
    let client = &world.manager;
    let (in_order, shuffled) = (tank(client).await, tank(client).await);
    weekly(client, &in_order, 8, 250.0, 3.0).await;
    let list = client.get(&format!("{in_order}/nitrogen-readings")).await.expect(200)["items"].clone();
    for n in [3, 0, 8, 5, 1, 7, 2, 6, 4] {
        let reading = json!({"read_at": list[n]["read_at"], "depth_mm": list[n]["depth_mm"]});
        read(client, &shuffled, reading).await;
    }
    let mut told = [nitrogen(client, &in_order).await, nitrogen(client, &shuffled).await];
    for one in &mut told {
        one["tank_id"] = Value::Null;
    }
    assert_eq!(told[0], told[1]);
}

async fn a_moment_sees_what_was_on_record_by_then(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    weekly(client, &tank, 6, 300.0, 3.0).await;
    let earlier = client.get(&format!("{tank}/nitrogen?at={}", days_ago(20))).await.expect(200);
    assert_eq!((&earlier["at"], &earlier["readings_used"]), (&json!(days_ago(20)), &json!(4)));
    holds(&earlier["level"]["depth_mm"], 360.0);
    let later = at(instant(MORNING) + TimeDelta::days(20));
    let later = client.get(&format!("{tank}/nitrogen?at={later}")).await.expect(200);
    holds(&later["level"]["depth_mm"], 240.0);
    near(&later["last_reading"]["age_hours"], 480.0, 0.001);
    let before = client.get(&format!("{tank}/nitrogen?at=1950-01-01T00:00:00Z")).await.expect(200);
    assert_eq!(before["level"], Value::Null);
    client.get(&format!("{tank}/nitrogen?at=2200-12-31T23:59:59Z")).await.expect(200);
}

async fn a_refill_told_in_litres_is_reckoned(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    weekly(client, &tank, 6, 215.0, 2.8).await;
    let refills = format!("{tank}/refills");
    world.pass(TimeDelta::hours(1));
    // 215 mm are 10.25 litres; with 8 more the tank holds 18.25, at 382.8 mm.
    let made = client.post(&refills, json!({"litres_added": 8})).await.created();
    assert!(made["warnings"][0].as_str().unwrap().contains("read it with the rod"), "{made}");
    let told = nitrogen(client, &tank).await;
    holds(&told["level"]["litres"], 18.25);
    holds(&told["level"]["depth_mm"], 382.8);
    let caution = "reckoned from the litres";
    assert!(told["cautions"].to_string().contains(caution), "{told}");
    // A reading says better; more than fits in has boiled off.
    world.pass(TimeDelta::hours(1));
    read(client, &tank, json!({"depth_mm": 380})).await;
    assert!(!nitrogen(client, &tank).await["cautions"].to_string().contains(caution));
    world.pass(TimeDelta::hours(1));
    client.post(&refills, json!({"litres_added": 15})).await.created();
    holds(&nitrogen(client, &tank).await["level"]["depth_mm"], 429.0);
}

async fn openings_are_counted_from_the_ledger(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let tank = format!("/v1/tanks/{}", farm.tank);
    let other = client.make("/v1/tanks", json!({"name": "Van"})).await;
    let opened = async || nitrogen(client, &tank).await["openings_last_30_days"].clone();
    assert_eq!(opened().await, 1, "two deliveries at one moment are one opening");
    let animal = farm.animal(client, "412").await;
    // Three straws of one visit, two minutes apart, and one of the next day.
    for minutes in [0, 2, 4, 24 * 60] {
        let withdrawn_at = at(instant("2026-02-20T08:00:00Z") + TimeDelta::minutes(minutes));
        let order = json!({"animal_id": animal, "lot_id": farm.sexed, "withdrawn_at": withdrawn_at});
        client.post("/v1/withdrawals", order).await.created();
    }
    assert_eq!(opened().await, 3);
    // A transfer opens both tanks, a discard one; a stocktake one, with its differences.
    let to = json!({"tank_id": other, "canister": 1});
    let order = json!({"lot_id": farm.conventional, "from": farm.place(4), "to": to, "straws": 2,
                       "transferred_at": "2026-02-22T08:00:00Z"});
    let transfer = client.post("/v1/transfers", order).await.created();
    let discard = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 1, "reason": "exposed",
                         "discarded_at": "2026-02-23T08:00:00Z"});
    client.post("/v1/discards", discard).await.created();
    let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 4});
    let count = json!({"tank_id": farm.tank, "counts": [count], "counted_at": "2026-02-24T08:00:00Z"});
    let count = client.make("/v1/stocktakes", count).await;
    client.post(&format!("/v1/stocktakes/{count}/acceptance"), json!({})).await.expect(200);
    assert_eq!(opened().await, 6);
    let van = nitrogen(client, &format!("/v1/tanks/{other}")).await;
    assert_eq!(van["openings_last_30_days"], 1);
    // What did not happen did not open the tank, and that it is written down does not either.
    let undo = format!("/v1/movements/{}/reversal", transfer["id"].as_str().unwrap());
    client.post(&undo, json!({"reason": "did_not_happen"})).await.created();
    assert_eq!(opened().await, 5);
    // What is longer ago than thirty days, or later than the moment asked for, is not counted.
    let early = client.get(&format!("{tank}/nitrogen?at=2026-02-20T12:00:00Z")).await.expect(200);
    assert_eq!(early["openings_last_30_days"], 1);
    // Left are those of 23 and 24 February and the deliveries of 2 March.
    world.pass(TimeDelta::days(22));
    assert_eq!(opened().await, 3);
}

/// Enters a sensor's hourly readings, from so many days before the stories begin, as fast as the store takes them.
async fn hourly(world: &World, tank: &str, days: i64, depth_mm: impl Fn(i64) -> f64) {
    let db = Db::open(&world.database_url).await.unwrap();
    let mut tx = db.write().await.unwrap();
    let business = store::access::business::all(&mut tx).await.unwrap()[0].id;
    let key = store::access::key::all(&mut tx).await.unwrap()[0].key.id;
    let tank_id = TankId(tank.rsplit('/').next().unwrap().parse().unwrap());
    for hour in 0..=24 * days {
        let reading = Reading {
            id: ReadingId::new(),
            tank_id,
            read_at: Timestamp::from(instant(MORNING) - TimeDelta::days(days) + TimeDelta::hours(hour)),
            measured: Some(Measured { value: depth_mm(hour), unit: LevelUnit::Mm }),
            frost: None,
            gauged: Gauged { depth_mm: None, litres: None },
            source: ReadingSource::Sensor,
            technician: None,
            note: None,
            supersedes: None,
            superseded_by: None,
            warnings: Vec::new(),
            recorded_at: Timestamp::from(instant(MORNING)),
        };
        store::nitrogen::level::write_reading(&mut tx, business, key, &reading).await.unwrap();
    }
    tx.commit().await.unwrap();
    db.close().await;
}

async fn a_sensor_that_reports_hourly_raises_nothing(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    // 2.8 mm a day, some millimetres of noise, and once a reading that is quite wrong.
    let depth = |hour: i64| match hour {
        700 => 20.0,
        #[expect(clippy::cast_precision_loss, reason = "some hours")]
        _ => (424.0 - 2.8 / 24.0 * hour as f64
            + [0.0, 4.0, -3.0, 1.0, -2.0][usize::try_from(hour % 5).unwrap()])
        .max(0.0),
    };
    hourly(world, &tank, 60, depth).await;
    let told = nitrogen(client, &tank).await;
    assert_eq!((&told["condition"], &told["basis"]), (&json!("normal"), &json!("readings")), "{told}");
    let used = told["readings_used"].as_u64().unwrap();
    assert!((60..=62).contains(&used), "{used} of 1441: one a day");
    holds(&told["level"]["depth_mm"], 424.0 - 2.8 * 60.0);
    holds(&told["loss"]["mm_per_day"], 2.8);
}

async fn a_failing_tank_is_noticed(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    for (n, depth) in [424.0, 404.0, 385.0, 365.0, 345.0, 326.0, 306.0, 287.0].into_iter().enumerate() {
        read_depth(client, &tank, 60 - 7 * i64::try_from(n).unwrap(), depth).await;
    }
    assert_eq!(nitrogen(client, &tank).await["condition"], "normal");
    // Its loss becomes five times what it was: 14 mm a day.
    let mut noticed = None;
    for day in 1..=10 {
        let depth = 287.0 - 14.0 * f64::from(day);
        read_depth(client, &tank, 11 - i64::from(day), depth).await;
        let moment = days_ago(11 - i64::from(day));
        let told = client.get(&format!("{tank}/nitrogen?at={moment}")).await.expect(200);
        if told["condition"] == "failing" {
            noticed.get_or_insert((day, told["reason"].as_str().unwrap().to_owned()));
        }
    }
    let (day, reason) = noticed.expect("ten daily readings at five times the loss and nothing noticed");
    // docs/nitrogen.md: with daily readings a fivefold loss is noticed after 4 days in the median.
    assert!(day <= 8, "noticed on day {day}");
    assert!(reason.contains("vacuum") && reason.contains("frost"), "{reason}");
    // What stands in the list is the same.
    let list = client.get("/v1/tanks?include=nitrogen").await.expect(200);
    assert_eq!(list["items"][0]["nitrogen"]["condition"], nitrogen(client, &tank).await["condition"]);
}

async fn a_list_shows_the_nitrogen_of_each_tank(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let mut tanks = vec![format!("/v1/tanks/{}", farm.tank)];
    for n in 0..4 {
        tanks.push(tank(client).await);
        weekly(client, &tanks[n + 1], i64::try_from(n).unwrap(), 300.0, 3.0).await;
    }
    let refill = json!({"filled_at": days_ago(3), "depth_after_mm": 425});
    client.post(&format!("{}/refills", tanks[1]), refill).await.created();
    let plain = client.get("/v1/tanks").await.expect(200)["items"].clone();
    assert!(!plain.to_string().contains("\"nitrogen\""), "only who asks is told");
    let mut seen = Vec::new();
    let mut path = "/v1/tanks?include=nitrogen&limit=2".to_owned();
    loop {
        let page = client.get(&path).await;
        let next = page.headers.get("link").map(|link| link.to_str().unwrap().to_owned());
        seen.extend(page.expect(200)["items"].as_array().unwrap().clone());
        let Some(next) = next else { break };
        path = next[1..next.find('>').unwrap()].to_owned();
    }
    assert_eq!(seen.len(), 5);
    for ((mut item, tank), plain) in seen.into_iter().zip(&tanks).zip(plain.as_array().unwrap()) {
        let listed = item.as_object_mut().unwrap().remove("nitrogen").unwrap();
        assert_eq!(item, *plain, "all else is as without it, its ETag too");
        let told = nitrogen(client, tank).await;
        for (name, value) in listed.as_object().unwrap() {
            assert_eq!(*value, told[name], "{name} of {tank}");
        }
    }
    let herds = client.get(&format!("/v1/tanks?include=nitrogen&herd_id={}", farm.herd)).await.expect(200);
    assert_eq!(herds["items"].as_array().unwrap().len(), 1);
    assert_eq!(herds["items"][0]["nitrogen"]["openings_last_30_days"], 1);
    let neighbour = world.neighbour().await;
    assert_eq!(neighbour.get("/v1/tanks?include=nitrogen").await.expect(200)["items"], json!([]));
}

/// A tank whose loss doubles: read weekly until it is called failing, then daily, as the answer asks.
async fn an_alarm_stands_until_a_repair_is_entered(world: &World) {
    let client = &world.manager;
    let tank = json!({"name": "Old", "capacity_l": 30, "full_depth_mm": 600, "min_depth_mm": 100,
                      "static_loss_l_per_day": 0.13});
    let tank = format!("/v1/tanks/{}", client.make("/v1/tanks", tank).await);
    let weekly = [590.0, 569.0, 548.0, 527.0, 506.0, 485.0, 464.0, 422.0, 380.0];
    for (week, depth_mm) in (0..).zip(weekly) {
        read_depth(client, &tank, 90 - 7 * week, depth_mm).await;
    }
    for days in 57..=88 {
        read_depth(client, &tank, 90 - days, 380.0 - 6.0 * f64::from(i32::try_from(days - 56).unwrap()))
            .await;
    }
    let on =
        async |day: i64| client.get(&format!("{tank}/nitrogen?at={}", days_ago(90 - day))).await.expect(200);
    assert_eq!(on(49).await["alarm"], Value::Null);
    for day in 56..=88 {
        let told = on(day).await;
        assert_eq!(told["condition"], "failing", "day {day}: {told}");
        assert_eq!(
            told["alarm"],
            json!({"raised_at": days_ago(34), "cause": "sum", "ended_at": null, "ended_by": null})
        );
    }
    let repairs = format!("{tank}/repairs");
    client.post(&repairs, json!({"kind": "painted"})).await.problem(422, "invalid-input");
    client.post(&repairs, json!({})).await.problem(422, "invalid-input");
    let repair = json!({"repaired_at": days_ago(1), "kind": "repaired", "note": "Vacuum renewed"});
    let repair = client.post(&repairs, repair).await.created();
    assert_eq!(client.get(&repairs).await.expect(200)["items"], json!([repair]));
    let told = nitrogen(client, &tank).await;
    assert_eq!(
        (&told["alarm"]["ended_at"], &told["alarm"]["ended_by"]),
        (&json!(days_ago(1)), &json!("repair"))
    );
    assert_ne!(told["condition"], "failing");
    assert!(told["reason"].as_str().unwrap().contains("repaired or replaced"), "{told}");
    assert_eq!(on(88).await["condition"], "failing", "what was so then stays so");

    // It was another tank that was repaired: taken back, and the alarm stands as if nothing had been entered.
    let taken_back = |of: &Value| json!({"repaired_at": days_ago(1), "kind": "not_done", "supersedes": of});
    let refused = client.post(&repairs, json!({"kind": "not_done"})).await;
    assert_eq!(refused.pointers(), ["#/supersedes"]);
    let other = self::tank(client).await;
    let elsewhere = client.post(&format!("{other}/repairs"), taken_back(&repair["id"])).await;
    assert_eq!(elsewhere.pointers(), ["#/supersedes"]);
    let undone = client.post(&repairs, taken_back(&repair["id"])).await.created();
    let told = nitrogen(client, &tank).await;
    assert_eq!(told["condition"], "failing", "{told}");
    assert_eq!(
        (&told["alarm"]["ended_at"], &told["alarm"]["raised_at"]),
        (&Value::Null, &json!(days_ago(34)))
    );
    let listed = client.get(&repairs).await.expect(200);
    assert_eq!(listed["items"][0]["superseded_by"], undone["id"]);
    assert_eq!(listed["items"][1], undone);
    client.post(&repairs, taken_back(&repair["id"])).await.problem(409, "already-superseded");
    // What was taken back by mistake is entered anew; a wrong day is corrected.
    let late = json!({"repaired_at": days_ago(1), "kind": "repaired", "supersedes": undone["id"]});
    let late = client.post(&repairs, late).await.created();
    let right = json!({"repaired_at": days_ago(2), "kind": "replaced", "supersedes": late["id"]});
    client.post(&repairs, right).await.created();
    assert_eq!(nitrogen(client, &tank).await["alarm"]["ended_at"], json!(days_ago(2)));
}

async fn what_a_rod_can_show_is_kept_and_what_looks_wrong_is_said_at_once(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    let high = read_depth(client, &tank, 3, 436.0).await;
    assert_eq!(high["warnings"], json!([]));
    let wrong = read_depth(client, &tank, 2, 42.5).await;
    let warnings = wrong["warnings"].as_array().unwrap();
    assert!(warnings.iter().any(|said| said.as_str().unwrap().contains("centimetres")), "{wrong}");
    let right =
        json!({"read_at": days_ago(2), "depth": {"value": 42.5, "unit": "cm"}, "supersedes": wrong["id"]});
    assert_eq!(read(client, &tank, right).await["warnings"], json!([]));
}

async fn an_old_reading_and_an_empty_tank_are_not_normal(world: &World) {
    let client = &world.manager;
    let old = tank(client).await;
    read_depth(client, &old, 450, 400.0).await;
    let told = nitrogen(client, &old).await;
    assert_eq!(
        (&told["condition"], &told["last_reading"]["measured"]["value"]),
        (&json!("unknown"), &json!(400.0))
    );
    assert!(told["reason"].as_str().unwrap().contains("450 days old"), "{told}");
    let dry = tank(client).await;
    for week in 0..8 {
        read_depth(client, &dry, 7 * week, 0.0).await;
    }
    let told = nitrogen(client, &dry).await;
    assert_eq!(told["condition"], "watch");
    assert!(told["reason"].as_str().unwrap().contains("0 mm"), "{told}");
}

async fn a_picture_is_drawn_for_any_tank(world: &World) {
    let client = &world.manager;
    let none = tank(client).await;
    let one = tank(client).await;
    read_depth(client, &one, 2, 380.0).await;
    let named = json!({"name": "Bob's \"<script>\" & Co.", "full_depth_mm": 430});
    let named = format!("/v1/tanks/{}", client.make("/v1/tanks", named).await);
    weekly(client, &named, 8, 250.0, 3.0).await;
    let refill = json!({"filled_at": days_ago(20), "depth_after_mm": 400});
    client.post(&format!("{named}/refills"), refill).await.created();
    for tank in [&none, &one, &named] {
        let svg = client.get(&format!("{tank}/nitrogen.svg")).await;
        assert_eq!((svg.status, svg.header("content-type")), (200, "image/svg+xml"));
        assert_eq!(svg.header("cache-control"), "no-store");
        assert!(svg.header("content-security-policy").contains("default-src 'none'"));
        assert!(
            svg.text.contains("<title>") && svg.text.contains("prefers-color-scheme:dark"),
            "{}",
            svg.text
        );
        assert!(
            svg.text.contains("depth, mm") && svg.text.contains("UTC, as of"),
            "units and dates on the axes"
        );
        let forced = client.get(&format!("{tank}/nitrogen.svg?theme=light")).await;
        assert!(!forced.text.contains("prefers-color-scheme"), "who says a theme gets just that");
        assert_eq!(opened_and_closed(&svg.text), opened_and_closed(&forced.text));

        is_not_sent_again(client, &format!("{tank}/nitrogen.svg"), svg.header("etag")).await;
    }
    let (light, tag) = png(client, &format!("{named}/nitrogen.png")).await;
    let (dark, _) = png(client, &format!("{named}/nitrogen.png?theme=dark")).await;
    // PNG (third edition), 5.2 and 11.2.1: the signature, then the header with width and height.
    assert_eq!(light[..8], [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n']);
    assert_eq!(light[16..24], [[0, 0, 4, 176], [0, 0, 3, 132]].concat(), "1200 by 900");
    assert_ne!(light, dark);
    is_not_sent_again(client, &format!("{named}/nitrogen.png"), &tag).await;
    let svg = client.get(&format!("{named}/nitrogen.svg")).await.text;
    assert!(!svg.contains("<script") && svg.contains("&lt;script&gt;"), "a name is text");
    assert!(svg.contains("minimum 150 mm"));
    assert_eq!(svg.matches("<circle").count(), 9 + 1, "nine readings, and one that says what they are");
    let empty = client.get(&format!("{none}/nitrogen.svg")).await.text;
    assert!(empty.contains("No reading yet") && empty.matches("<circle").count() == 1);
    for picture in ["nitrogen.svg", "nitrogen.png"] {
        let path = format!("/v1/tanks/{}/{picture}", uuid::Uuid::now_v7());
        client.get(&path).await.problem(404, "not-found");
    }
    let herd = json!({"name": "Far away", "time_zone": "Asia/Kathmandu"});
    let herd = client.make("/v1/herds", herd).await;
    client.patch(&none, None, json!({"herd_id": herd})).await.expect(200);
    let svg = client.get(&format!("{none}/nitrogen.svg")).await.text;
    // 06:00 in Vienna is 10:45 in Kathmandu.
    assert!(svg.contains("Asia/Kathmandu, as of 2026-03-02 10:45"), "{svg}");
}

/// Who has the version of that tag hears that it is still the same.
async fn is_not_sent_again(client: &Client, path: &str, tag: &str) {
    let same = client.send(Method::GET, path, &[("if-none-match", tag)], vec![]).await;
    assert_eq!((same.status, same.text.as_str(), same.header("etag")), (304, "", tag));
}

/// How many elements are opened, and that all are closed.
fn opened_and_closed(svg: &str) -> usize {
    let drawn = svg.split_once("<rect").unwrap().1;
    let (text, closed) = (drawn.matches("<text").count(), drawn.matches("</text>").count());
    assert_eq!(text, closed);
    assert!(svg.trim_end().ends_with("</svg>"));
    drawn.matches('<').count()
}

async fn png(client: &Client, path: &str) -> (Vec<u8>, String) {
    let (headers, bytes) = client.bytes(path).await;
    assert_eq!(headers["content-type"], "image/png");
    (bytes, headers["etag"].to_str().unwrap().to_owned())
}

async fn a_retry_is_recorded_once(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    let gateway = world.caller(Role::Integration).await;
    for (path, body) in
        [("nitrogen-readings", json!({"depth_mm": 310})), ("refills", json!({"depth_after_mm": 425}))]
    {
        let path = format!("{tank}/{path}");
        let first = gateway.post_as(&path, path.as_str(), body.clone()).await.created();
        world.pass(TimeDelta::hours(3));
        let again = gateway.post_as(&path, path.as_str(), body).await;
        assert_eq!(again.header("idempotent-replayed"), "true");
        assert_eq!(again.created(), first);
        let list = client.get(&path).await.expect(200);
        assert_eq!(list["items"].as_array().unwrap().len(), 1);
        let other = json!({"depth_mm": 311, "depth_after_mm": 426});
        gateway.post_as(&path, path.as_str(), other).await.expect(422);
    }
    let reader = world.caller(Role::Reader).await;
    reader.get(&format!("{tank}/nitrogen")).await.expect(200);
    let told = reader.post(&format!("{tank}/refills"), json!({"litres_added": 1})).await;
    told.problem(403, "forbidden");
}

async fn a_tanks_lists_are_paged(world: &World) {
    let client = &world.manager;
    let (tank, other) = (tank(client).await, tank(client).await);
    for day in 1..=5 {
        for tank in [&tank, &other] {
            read_depth(client, tank, day, 300.0).await;
            let refill = json!({"filled_at": days_ago(day), "litres_added": 2});
            client.post(&format!("{tank}/refills"), refill).await.created();
        }
    }
    for list in ["nitrogen-readings", "refills"] {
        let path = format!("{tank}/{list}");
        let all = whole(client, &path, "", 500).await;
        assert_eq!(all.len(), 5, "{list} of the other tank are not among them");
        for limit in [1, 2, 4, 5, 6] {
            assert_eq!(whole(client, &path, "", limit).await, all, "{path} by {limit}");
        }
        // A cursor belongs to its list and its filters.
        let cursor = client.get(&format!("{path}?limit=1")).await.expect(200)["next_cursor"].clone();
        let cursor = cursor.as_str().unwrap();
        for elsewhere in [format!("{other}/{list}?"), format!("{path}?from=2026-01-01T00:00:00Z&")] {
            let answer = client.get(&format!("{elsewhere}cursor={cursor}")).await;
            assert_eq!(answer.pointers(), ["cursor"]);
        }
        let unknown = format!("/v1/tanks/{}/{list}", uuid::Uuid::now_v7());
        client.get(&unknown).await.problem(404, "not-found");
    }
}

async fn verify_looks_at_what_supersedes(world: &World) {
    let client = &world.manager;
    let tank = tank(client).await;
    let wrong = read_depth(client, &tank, 3, 31.0).await;
    let right = json!({"read_at": days_ago(3), "depth_mm": 310, "supersedes": wrong["id"]});
    read(client, &tank, right).await;
    let refill = json!({"depth_after_mm": 420, "filled_at": days_ago(2)});
    client.post(&format!("{tank}/refills"), refill).await.created();
    let db = Db::open(&world.database_url).await.unwrap();
    let broken = async |statement: &'static str| {
        let mut tx = db.write().await.unwrap();
        tx.sql(statement).run().await.unwrap();
        // Looked at inside the transaction, which is then let go of.
        store::verify::findings(&mut tx)
            .await
            .unwrap()
            .into_iter()
            .map(|finding| finding.rule)
            .collect::<Vec<_>>()
    };
    assert_eq!(
        broken("update nitrogen_reading set superseded_at = recorded_at").await,
        ["a reading is superseded exactly when another of its tank stands in its place"]
    );
    assert_eq!(
        broken("update nitrogen_refill set superseded_at = recorded_at").await,
        ["a refill is superseded exactly when another of its tank stands in its place"]
    );
    // Two at one instant the store itself refuses.
    let mut tx = db.write().await.unwrap();
    let doubled = tx.sql("update nitrogen_reading set superseded_at = null").run().await;
    assert!(doubled.unwrap_err().to_string().to_lowercase().contains("unique"));
    drop(tx);
    db.close().await;
}
