//! Very many alerts: what is asked about open ones follows an index in its order, and what a rule opened is looked at in parts.

use chrono::TimeDelta;
use reqwest::Method;
use serde_json::{Value, json};
use tankside::{
    domain::{
        alerts::AlertKind,
        values::{AlertRuleId, AnimalId, BusinessId, HerdId, KeyId, TankId, Timestamp},
    },
    store::{self, Page, Tx},
};
use uuid::Uuid;

use crate::{
    lists::whole,
    on_both_stores,
    receiver::eventually,
    world::{Client, Farm, World},
};

on_both_stores!(
    questions_about_open_alerts_follow_an_index,
    a_snapshot_is_another_when_one_of_its_alerts_is_over,
    alerts_of_a_changed_rule_are_looked_at_in_parts,
);

/// Alerts about the rule set aside, every tenth of them open.
const MANY: i64 = 20_000;

/// Fills the book with alerts by SQL; half are of that herd, half of that tank.
async fn fill(world: &World, farm: &Farm) {
    let mut tx = world.db().write().await.unwrap();
    tx.sql_for(
        "with recursive n (i) as (select 1 union all select i + 1 from n where i < $1)
         insert into alert (business_id, id, kind, subject, rule_id, herd_id, tank_id, text, figures, opened_at, notified_at,
                            next_notification_at, cleared_at, clear_reason)
         select b.id, unhex(printf('019c%028x', n.i)), case n.i % 3 when 0 then 'rule.overridden' else 'check.due' end,
                'filled ' || n.i, unhex(printf('019d%028x', n.i % 40)), case n.i % 4 when 0 then unhex($2) end,
                case n.i % 4 when 2 then unhex($3) end, 'Filled.', '{}', 1772427600000000, 1772427600000000,
                case n.i % 10 when 0 then 1772427600000000 + n.i end,
                case n.i % 10 when 0 then null else 1772427600000000 end, case n.i % 10 when 0 then null else 'Over.' end
         from n cross join business b",
        "insert into alert (business_id, id, kind, subject, rule_id, herd_id, tank_id, text, figures, opened_at, notified_at,
                            next_notification_at, cleared_at, clear_reason)
         select b.id, ('019c' || lpad(to_hex(n.i), 28, '0'))::uuid,
                case n.i % 3 when 0 then 'rule.overridden' else 'check.due' end,
                'filled ' || n.i, ('019d' || lpad(to_hex(n.i % 40), 28, '0'))::uuid,
                case n.i % 4 when 0 then $2::uuid end, case n.i % 4 when 2 then $3::uuid end, 'Filled.', '{}', t.at, t.at,
                case n.i % 10 when 0 then t.at + n.i * interval '1 microsecond' end,
                case n.i % 10 when 0 then null else t.at end, case n.i % 10 when 0 then null else 'Over.' end
         from generate_series(1, $1) as n (i) cross join business b
         cross join (select 'epoch'::timestamptz + interval '1772427600 seconds' as at) as t",
    )
    .bind(MANY)
    .bind(farm.herd.replace('-', ""))
    .bind(farm.tank.replace('-', ""))
    .run()
    .await
    .unwrap();
    tx.commit().await.unwrap();
    let mut tx = world.db().write().await.unwrap();
    // SQLite's statistics are fixed.
    tx.sql_for("select 1", "analyze alert").run().await.unwrap();
    tx.commit().await.unwrap();
}

#[derive(Debug, sqlx::FromRow)]
struct Step {
    #[sqlx(default)]
    detail: String,
    #[sqlx(default, rename = "QUERY PLAN")]
    step: String,
}

/// The one statement that was run and has all of these words.
fn statement(world: &World, words: &[&str]) -> &'static str {
    let ran = world.db().take_statements();
    let is_it = |text: &&str| !text.starts_with("explain") && words.iter().all(|word| text.contains(word));
    let found: Vec<&str> = ran.iter().copied().filter(is_it).collect();
    assert_eq!(found.len(), 1, "{words:?} in {ran:#?}");
    found[0]
}

/// So few alerts PostgreSQL may rather sort; the question is whether it can do without. Holds for the transaction.
async fn rather_not_sort(tx: &mut Tx) {
    for setting in ["set local enable_sort = off", "set local enable_bitmapscan = off"] {
        tx.sql_for("select 1", setting).run().await.unwrap();
    }
}

/// How the database would go about it.
macro_rules! plan {
    ($tx:ident, $statement:expr $(, $value:expr)*) => {{
        let statement: &'static str = $statement;
        let explain = if $tx.is_postgres() { "explain (costs off) " } else { "explain query plan " };
        let text: &'static str = Box::leak(format!("{explain}{statement}").into_boxed_str());
        let steps: Vec<Step> = $tx.sql(text)$(.bind($value))*.all().await.unwrap();
        assert!(!steps.is_empty());
        steps.iter().map(|step| format!("{}{}", step.detail, step.step)).collect::<Vec<_>>().join("\n")
    }};
}

/// Follows this index and sorts nothing of what it leads to.
fn follows(plan: &str, index: &str, what: &str) {
    assert!(plan.contains(&format!("{index} ")), "{what} does not follow {index}:\n{plan}");
    assert!(!plan.contains("Sort") && !plan.contains("TEMP B-TREE"), "{what} sorts:\n{plan}");
    assert!(!plan.contains("Bitmap"), "{what} goes through all of them:\n{plan}");
}

async fn business(tx: &mut Tx) -> BusinessId {
    store::access::business::all(tx).await.unwrap()[0].id
}

async fn questions_about_open_alerts_follow_an_index(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    world.stop_clockwork().await;
    fill(world, &farm).await;
    world.db().record_statements();
    let (herd, tank) = (HerdId(farm.herd.parse().unwrap()), TankId(farm.tank.parse().unwrap()));
    let kind = AlertKind::RuleOverridden;
    for (query, index, kind, herd, tank) in [
        ("", "alert_open", None, None, None),
        ("&kind=rule.overridden", "alert_open_by_kind", Some(kind), None, None),
        ("&herd_id={herd}", "alert_open_by_herd", None, Some(herd), None),
        ("&herd_id={herd}&kind=rule.overridden", "alert_open_by_herd", Some(kind), Some(herd), None),
        ("&tank_id={tank}", "alert_open_by_tank", None, None, Some(tank)),
    ] {
        let query = query.replace("{herd}", &farm.herd).replace("{tank}", &farm.tank);
        let path = format!("/v1/alerts?open=true&limit=50{query}");
        let listed = client.get(&path).await.expect(200);
        assert_eq!(listed["items"].as_array().unwrap().len(), 50, "{path}");
        let asked = statement(world, &["from alert where"]);
        let mut tx = world.db().read().await.unwrap();
        rather_not_sort(&mut tx).await;
        let (business, after) = (business(&mut tx).await, Uuid::nil());
        let plan = plan!(tx, asked, business, after, 51_i64, Some(true), kind, None::<String>, herd, tank);
        follows(&plan, index, &path);
    }

    // What a device at the tank keeps, and whether it is another.
    world.db().take_statements();
    let (_, told) = client.bytes("/v1/page").await;
    let told: Value = serde_json::from_slice(&told).unwrap();
    assert_eq!(told["alerts"].as_array().unwrap().len(), 500);
    assert_eq!(told["truncated"], json!(["alerts"]));
    let ran = world.db().take_statements();
    let of_alerts: Vec<&str> = ran.into_iter().filter(|text| text.contains("from alert ")).collect();
    let [standing, listed] = of_alerts[..] else { panic!("{of_alerts:#?}") };
    let mut tx = world.db().read().await.unwrap();
    rather_not_sort(&mut tx).await;
    let (in_book, nobody, after) = (business(&mut tx).await, KeyId(Uuid::nil()), Uuid::nil());
    let none = None::<HerdId>;
    let plan = plan!(
        tx,
        listed,
        in_book,
        after,
        500_i64,
        Some(true),
        None::<AlertKind>,
        None::<String>,
        none,
        None::<TankId>
    );
    follows(&plan, "alert_open", "the list of a snapshot");
    let plan = plan!(tx, standing, in_book, nobody, 500_i64, 500_i64);
    assert_eq!(plan.matches("alert_open ").count(), 2, "{plan}");

    // What the clockwork asks, and what follows from an act.
    let now: Timestamp = "2026-03-02T05:00:00Z".parse::<chrono::DateTime<chrono::Utc>>().unwrap().into();
    let later = now.plus(TimeDelta::hours(48));
    store::alerts::alert::due_again(&mut tx, in_book, now, 200).await.unwrap();
    let plan = plan!(tx, statement(world, &["next_notification_at <= $2"]), in_book, now, 200_i64, later);
    assert_eq!(plan.matches("alert_to_notify ").count(), 2, "one from either end:\n{plan}");
    assert!(!plan.contains("MULTI-INDEX OR"), "{plan}");
    let rule = AlertRuleId(Uuid::from_u128(0x019d << 112));
    let page = Page { after, limit: 50 };
    let opened = store::alerts::alert::open_by(&mut tx, in_book, rule, page).await.unwrap();
    assert_eq!(opened.len(), 50);
    let plan = plan!(tx, statement(world, &["and rule_id = $2"]), in_book, rule, after, 50_i64);
    follows(&plan, "alert_open_by_rule", "what a rule opened");
    drop(tx);
    let mut tx = world.db().read().await.unwrap();
    let animals: Vec<AnimalId> = (0..25).map(|_| AnimalId::new()).collect();
    store::alerts::alert::open_of_animals(&mut tx, in_book, &animals).await.unwrap();
    let asked = statement(world, &["and subject in (select"]);
    let plan = plan!(tx, asked, in_book, json!(animals).to_string());
    if tx.is_postgres() {
        assert!(plan.contains("alert_by_subject") || plan.contains("alert_open_once"), "{plan}");
    } else {
        assert!(plan.contains("alert_open_once (business_id=? AND kind=? AND subject=?)"), "{plan}");
    }
    drop(tx);
    tidy(world).await;
}

/// What was filled in is about nothing, which `verify` would say.
async fn tidy(world: &World) {
    let mut tx = world.db().write().await.unwrap();
    tx.sql("delete from alert where subject like 'filled %'").run().await.unwrap();
    tx.commit().await.unwrap();
}

/// Also where more are open than it tells of, and none is counted beyond.
async fn a_snapshot_is_another_when_one_of_its_alerts_is_over(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    world.stop_clockwork().await;
    fill(world, &farm).await;
    let ask =
        async |etag: &str| client.send(Method::GET, "/v1/page", &[("if-none-match", etag)], vec![]).await;
    let etag = async || {
        let (headers, _) = client.bytes("/v1/page").await;
        headers["etag"].to_str().unwrap().to_owned()
    };
    let over = async |condition: &str| {
        let text = format!(
            "update alert set cleared_at = opened_at, clear_reason = 'Over.' where id in (
                 select id from alert where cleared_at is null and {condition})"
        );
        let mut tx = world.db().write().await.unwrap();
        tx.sql(Box::leak(text.into_boxed_str())).run().await.unwrap();
        tx.commit().await.unwrap();
    };
    let first = etag().await;
    assert_eq!(ask(&first).await.status, 304);
    // Number 5010 is the 501st that is open.
    over("subject = 'filled 5010'").await;
    assert_eq!(ask(&first).await.status, 304, "it is not told of");
    over("subject = 'filled 30'").await;
    let second = etag().await;
    assert_ne!(second, first, "one that is told of is over and another came in its place");
    over("subject not in ('filled 10', 'filled 20')").await;
    let third = etag().await;
    over("subject = 'filled 20'").await;
    assert_ne!(etag().await, third, "one of few is over");
    tidy(world).await;
}

async fn unresolved(client: &Client) -> usize {
    whole(client, "/v1/alerts", "open=true&kind=withdrawal.unresolved", 500).await.len()
}

async fn alerts_of_a_changed_rule_are_looked_at_in_parts(world: &World) {
    const STRAWS: usize = 130;
    let client = &world.manager;
    let farm = Farm::found(client).await;
    farm.receive(client, &farm.sexed, 3, 1000).await;
    let animal = farm.animal(client, "412").await;
    let kind = "withdrawal.unresolved";
    client.make("/v1/alert-rules", json!({"kind": kind, "enabled": false})).await;
    let rule = client.make("/v1/alert-rules", json!({"kind": kind, "herd_id": farm.herd})).await;
    let path = format!("/v1/alert-rules/{rule}");
    let steps: Vec<Value> = (0..STRAWS)
        .map(|n| {
            json!({"idempotency_key": format!("straw {n}"), "animal_id": animal, "lot_id": farm.sexed,
                   "already_done": true})
        })
        .collect();
    for some in steps.chunks(65) {
        let headers = [("content-type", "application/json")];
        let body = json!(some).to_string().into_bytes();
        client.send(Method::POST, "/v1/withdrawals/batch", &headers, body).await.expect(207);
    }
    world.pass(TimeDelta::hours(5));
    world.look_round().await;
    assert_eq!(unresolved(client).await, STRAWS);
    let changed = async |enabled: bool| {
        let etag = client.get(&path).await.header("etag").to_owned();
        client.patch(&path, Some(&etag), json!({"enabled": enabled})).await.expect(200);
    };

    // All of them are over soon, with nobody doing anything.
    changed(false).await;
    eventually(async || (unresolved(client).await == 0).then_some(())).await;
    let over = whole(client, "/v1/alerts", "open=false&kind=withdrawal.unresolved", 500).await;
    assert!(over.iter().all(|alert| alert["clear_reason"] == "No rule watches this any more."));

    // While nothing goes on by itself, one can see that it is a part that is done with the change.
    changed(true).await;
    world.look_round().await;
    assert_eq!(unresolved(client).await, STRAWS);
    world.stop_clockwork().await;
    let etag = client.get(&path).await.header("etag").to_owned();
    assert_eq!(client.send(Method::DELETE, &path, &[("if-match", &etag)], vec![]).await.status, 204);
    let left = unresolved(client).await;
    assert!((1..STRAWS).contains(&left), "{left} are left");
    // Nothing is remembered but what stands in the store, so it is the same after a restart.
    world.look_round().await;
    assert_eq!(unresolved(client).await, 0);
    let mut tx = world.db().read().await.unwrap();
    assert!(store::alerts::recheck::businesses(&mut tx).await.unwrap().is_empty());
}
