//! A webhook to which nothing is sent any more: whoever sees alerts hears of it, and so do the other webhooks.

use reqwest::Method;
use serde_json::{Value, json};
use tankside::domain::access::Role;

use crate::{
    on_both_stores,
    receiver::{Receiver, eventually},
    webhooks::{happens, made},
    world::{Client, Farm, World},
};

on_both_stores!(
    a_disabled_webhook_is_an_alert_until_it_is_told_again,
    a_rule_silences_it_and_a_round_makes_up_for_it
);

async fn alerts(client: &Client, query: &str) -> Vec<Value> {
    let list = client.get(&format!("/v1/alerts?kind=webhook.disabled{query}")).await.expect(200);
    list["items"].as_array().unwrap().clone()
}

/// Something happens, and the receiver answers that it is gone: nothing is sent there any more.
async fn is_gone(world: &World, farm: &Farm, receiver: &Receiver, webhook: &str) {
    let client = &world.manager;
    receiver.says(410);
    happens(world, farm).await;
    eventually(async || {
        let state = client.get(webhook).await.expect(200)["state"].clone();
        (state == "disabled").then_some(())
    })
    .await;
}

async fn a_disabled_webhook_is_an_alert_until_it_is_told_again(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    let (gone, watcher) = (Receiver::new().await, Receiver::new().await);
    let (webhook, _) = made(client, json!({"url": format!("{}/a-secret-path", gone.url)})).await;
    made(client, json!({"url": watcher.url, "events": ["webhook.disabled"]})).await;
    is_gone(world, &farm, &gone, &webhook).await;
    let heard = gone.heard().len();

    let open = alerts(client, "&open=true").await;
    let [alert] = &open[..] else { panic!("{open:#?}") };
    let id = webhook.strip_prefix("/v1/webhooks/").unwrap();
    assert_eq!((&alert["subject"], &alert["webhook_id"]), (&json!(webhook), &json!(id)));
    let (text, advice) = (alert["text"].as_str().unwrap(), alert["advice"].as_str().unwrap());
    assert!(
        text.starts_with(&format!("{webhook}: nothing is sent to it any more.")) && text.contains("410"),
        "{text}"
    );
    assert!(!text.contains("secret") && advice.contains("resume"), "{text} {advice}");
    let told = &watcher.hears(1).await[0];
    let data = &told.body["data"];
    assert_eq!((told.kind(), &told.body["subject"]), ("webhook.disabled", &json!(webhook)));
    assert_eq!((&data["webhook_id"], &data["alert_id"]), (&json!(id), &alert["id"]));
    assert_eq!(data["about"]["webhook_id"], id);
    // A reader of the whole book sees it, a key for a herd does not.
    let reader = world.caller(Role::Reader).await;
    assert_eq!(alerts(&reader, "").await.len(), 1);
    let limited = json!({"name": "Phone", "role": "technician", "herd_ids": [farm.herd]});
    let limited = client.post("/v1/keys", limited).await.created();
    let limited = client.with_key(limited["secret"].as_str().unwrap());
    assert_eq!(alerts(&limited, "").await, Vec::<Value>::new());
    let path = format!("/v1/alerts/{}", alert["id"].as_str().unwrap());
    assert!([403, 404].contains(&limited.get(&path).await.status));

    // Somebody takes it on: it stays open. It is over when the webhook is told again, and that is told to the others.
    client.post(&format!("{path}/acknowledgement"), json!({"note": "I shall call them."})).await.expect(200);
    assert_eq!(alerts(client, "&open=true").await.len(), 1);
    gone.says(204);
    client.post(&format!("{webhook}/resume"), json!({})).await.expect(200);
    let over = client.get(&path).await.expect(200);
    assert_eq!(over["clear_reason"], "The webhook is told again.");
    let kinds: Vec<String> = watcher.hears(3).await.iter().map(|told| told.kind().to_owned()).collect();
    assert_eq!(kinds, ["webhook.disabled", "webhook.disabled.acknowledged", "webhook.disabled.cleared"]);
    // It is itself told what it missed, but nothing of itself.
    let since = json!({"since": "2026-03-01T00:00:00Z", "also_delivered": true});
    client.post(&format!("{webhook}/redelivery"), since).await.expect(200);
    happens(world, &farm).await;
    let news: Vec<String> =
        gone.hears(heard + 2).await[heard..].iter().map(|told| told.kind().to_owned()).collect();
    assert_eq!(news, ["service.recorded", "service.recorded"]);

    // It is gone once more, which is an alert of its own, and then it is deleted.
    is_gone(world, &farm, &gone, &webhook).await;
    let open = alerts(client, "&open=true").await;
    assert_eq!(open.len(), 1);
    let etag = client.get(&webhook).await.header("etag").to_owned();
    let deleted = client.send(Method::DELETE, &webhook, &[("if-match", &etag)], vec![]).await;
    assert_eq!(deleted.status, 204);
    let over = client.get(&format!("/v1/alerts/{}", open[0]["id"].as_str().unwrap())).await.expect(200);
    assert_eq!(over["clear_reason"], "The webhook was deleted.");
    let kinds: Vec<String> = watcher.hears(5).await[3..].iter().map(|told| told.kind().to_owned()).collect();
    assert_eq!(kinds, ["webhook.disabled", "webhook.disabled.cleared"]);
}

async fn a_rule_silences_it_and_a_round_makes_up_for_it(world: &World) {
    let client = &world.manager;
    let farm = Farm::found(client).await;
    for (member, id) in [("herd_id", &farm.herd), ("tank_id", &farm.tank)] {
        let of_part = json!({"kind": "webhook.disabled", member: id});
        let problem = client.post("/v1/alert-rules", of_part).await;
        assert_eq!((problem.status, problem.pointers()), (422, vec![&*format!("#/{member}")]));
    }
    let rule = client.make("/v1/alert-rules", json!({"kind": "webhook.disabled", "enabled": false})).await;
    let gone = Receiver::new().await;
    let (webhook, _) = made(client, json!({"url": gone.url})).await;
    is_gone(world, &farm, &gone, &webhook).await;
    world.look_round().await;
    assert_eq!(alerts(client, "").await, Vec::<Value>::new());
    // As of one that was disabled by a version before this alert.
    let rule = format!("/v1/alert-rules/{rule}");
    let etag = client.get(&rule).await.header("etag").to_owned();
    client.patch(&rule, Some(&etag), json!({"enabled": true})).await.expect(200);
    world.look_round().await;
    assert_eq!(alerts(client, "&open=true").await.len(), 1);
    world.look_round().await;
    assert_eq!(alerts(client, "").await.len(), 1, "once");
}
