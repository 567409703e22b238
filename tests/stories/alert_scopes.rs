//! Every kind of alert under every scope that a rule may have: one's own rule decides, somebody else's does not.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::{
    alerts::{alerts, take},
    on_both_stores,
    world::{Client, Farm, World},
};

on_both_stores!(a_rule_decides_where_it_holds_and_nowhere_else);

const KINDS: [&str; 13] = [
    "stock.low",
    "stock.out",
    "nitrogen.low",
    "nitrogen.refill_due",
    "nitrogen.loss_high",
    "nitrogen.reading_overdue",
    "withdrawal.unresolved",
    "stocktake.difference",
    "rule.overridden",
    "check.due",
    "calving.due",
    "return.watch",
    "conception.falling",
];

/// Without a rule of theirs nothing is said of these.
const ONLY_BY_RULE: [&str; 6] =
    ["stock.low", "stock.out", "check.due", "calving.due", "return.watch", "conception.falling"];

/// These are about an animal, or her straw wherever it hung, or about the results of many.
const OF_NO_TANK: [&str; 6] = [
    "withdrawal.unresolved",
    "rule.overridden",
    "check.due",
    "calving.due",
    "return.watch",
    "conception.falling",
];

/// Where a rule holds: for the business, for a herd, for a tank.
const SCOPES: [&str; 3] = ["business", "herd", "tank"];

/// A rule of that kind and scope for what happens on a farm.
fn rule(kind: &str, scope: &str, farm: &Farm, enabled: bool) -> Value {
    let mut rule = json!({"kind": kind, "enabled": enabled});
    match scope {
        "herd" => rule["herd_id"] = json!(farm.herd),
        "tank" => rule["tank_id"] = json!(farm.tank),
        _ => {}
    }
    rule
}

/// Brings about what a kind of alert is for.
async fn bring_about(world: &World, farm: &Farm, kind: &str) {
    let client = &world.manager;
    let read = async |depth_mm: f64| {
        let path = format!("/v1/tanks/{}/nitrogen-readings", farm.tank);
        client.post(&path, json!({"read_at": world.now(), "depth_mm": depth_mm})).await.created();
    };
    let throw_away = async |straws: i64| {
        let discard =
            json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": straws, "reason": "exposed"});
        client.post("/v1/discards", discard).await.created();
    };
    match kind {
        "stock.low" => throw_away(8).await,
        "stock.out" => throw_away(10).await,
        "nitrogen.low" => read(120.0).await,
        "nitrogen.refill_due" => read(160.0).await,
        "nitrogen.loss_high" => {
            let mut depth = 425.0;
            for day in 0..25 {
                read(depth).await;
                depth -= 2.0 + f64::from(day % 3);
                world.pass(TimeDelta::days(1));
            }
            for _ in 0..5 {
                depth -= 25.0;
                read(depth).await;
                world.pass(TimeDelta::days(1));
            }
        }
        "nitrogen.reading_overdue" => {
            read(400.0).await;
            world.pass(TimeDelta::days(8));
            world.look_round().await;
        }
        "withdrawal.unresolved" => {
            let animal = farm.animal(client, "412").await;
            client.make("/v1/withdrawals", take(&animal, &farm.sexed)).await;
            world.pass(TimeDelta::hours(3));
            world.look_round().await;
        }
        "stocktake.difference" => {
            let count = json!({"lot_id": farm.sexed, "place": farm.place(3), "straws": 8});
            client.make("/v1/stocktakes", json!({"tank_id": farm.tank, "counts": [count]})).await;
        }
        "rule.overridden" => {
            let animal = farm.animal(client, "412").await;
            let mut aside = take(&animal, &farm.conventional);
            aside["override"] = json!({"reason": "agreed"});
            client.make("/v1/withdrawals", aside).await;
        }
        "check.due" | "calving.due" | "return.watch" => {
            // 35-45 d after a service, 283 d, 18-24 d: the watch list has the sources.
            let days = match kind {
                "check.due" => 40,
                "calving.due" => 283,
                _ => 20,
            };
            let animal = farm.animal(client, "412").await;
            farm.served(client, &animal, &(world.now() - TimeDelta::days(days)).to_rfc3339()).await;
        }
        "conception.falling" => {
            // Eighteen services of one sire that nobody says who did, and none of them took.
            let at = |days| world.now() - TimeDelta::days(days);
            for number in 0..18 {
                let animal = farm.animal(client, &format!("of {number}")).await;
                let service = json!({"animal_id": animal, "served_at": at(60), "sire_id": farm.sire,
                                     "semen_type": "sexed_female"});
                client.post("/v1/services", service).await.created();
                let check = json!({"animal_id": animal, "checked_at": at(20), "method": "ultrasound", "result": "empty"});
                client.post("/v1/pregnancy-checks", check).await.created();
            }
            world.look_round().await;
        }
        other => unreachable!("{other}"),
    }
}

/// How many alerts of that kind are open on what is the farm's own.
async fn count(client: &Client, farm: &Farm, kind: &str) -> usize {
    let own = [&farm.tank, &farm.herd, &farm.sire];
    let open = alerts(client, &format!("open=true&kind={kind}")).await;
    let is_own = |alert: &&Value| {
        ["tank_id", "herd_id", "sire_id"]
            .iter()
            .any(|member| own.iter().any(|id| alert[*member] == json!(id)))
    };
    open.iter().filter(is_own).count()
}

async fn a_rule_decides_where_it_holds_and_nowhere_else(world: &World) {
    // A rule is looked at once an hour: by the story, when it has brought about what the rule is for.
    world.stop_clockwork().await;
    let client = &world.manager;
    let neighbour = Farm::found(client).await;
    for kind in KINDS {
        for scope in SCOPES {
            if scope == "tank" && OF_NO_TANK.contains(&kind) {
                let refused = client.post("/v1/alert-rules", rule(kind, scope, &neighbour, true)).await;
                assert_eq!(refused.pointers(), ["#/tank_id"], "{kind}");
                continue;
            }
            // Switched on where there is none by default, switched off where there is one.
            let enabled = ONLY_BY_RULE.contains(&kind);
            for (whose, expected) in
                [("own", usize::from(enabled)), ("the neighbour's", usize::from(!enabled))]
            {
                if whose != "own" && scope == "business" {
                    continue;
                }
                let farm = Farm::found(client).await;
                let holder = if whose == "own" { &farm } else { &neighbour };
                let made = client.make("/v1/alert-rules", rule(kind, scope, holder, enabled)).await;
                bring_about(world, &farm, kind).await;
                let told = count(client, &farm, kind).await;
                assert_eq!(told, expected, "{kind}, {whose} rule for the {scope}");
                client.delete(&format!("/v1/alert-rules/{made}")).await.expect(204);
            }
        }
    }
}
