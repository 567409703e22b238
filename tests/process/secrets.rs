//! Webhooks' secrets encrypted at rest: taken over, used, lost and brought back; on both stores.

use std::{fs, os::unix::fs::PermissionsExt as _, path::Path};

use base64::{Engine as _, prelude::BASE64_STANDARD};
use serde_json::{Value, json};
use tankside::store::{Db, webhooks::webhook::ways_of_keeping};
use uuid::Uuid;

use crate::{
    receiver::{Receiver, eventually},
    service::{Service, made, post, run, said, sqlite},
    support::{self, new_postgres_database},
};

/// A key as `openssl rand -base64 32` prints one.
fn key(byte: u8) -> String {
    BASE64_STANDARD.encode([byte; 32])
}

fn write(path: &Path, keys: &[String]) {
    fs::write(path, keys.join("\n")).unwrap();
    fs::set_permissions(path, fs::Permissions::from_mode(0o600)).unwrap();
}

/// How the secrets are kept: in the clear, and encrypted by key.
async fn kept(url: &str) -> Vec<(String, i64)> {
    let db = Db::open(url).await.unwrap();
    let kept = ways_of_keeping(&mut db.read().await.unwrap()).await.unwrap();
    db.close().await;
    kept
}

/// A manager at a running service.
struct Manager {
    http: reqwest::Client,
    base: String,
    key: String,
}

impl Manager {
    async fn post(&self, path: &str, body: Value) -> (u16, Value) {
        let act = Uuid::now_v7().to_string();
        post(&self.http, &self.base, &self.key, path, &act, &body).await.unwrap()
    }

    /// Sends a test event; gives the delivery once it was tried.
    async fn tries(&self, webhook: &str) -> Value {
        let (status, sent) = self.post(&format!("/v1/webhooks/{webhook}/test"), json!({})).await;
        assert_eq!(status, 201, "{sent:#}");
        self.once(sent["id"].as_str().unwrap(), |delivery| delivery["attempts"].as_i64().unwrap() > 0).await
    }

    /// A delivery once it is so.
    async fn once(&self, delivery: &str, is_so: impl Fn(&Value) -> bool) -> Value {
        let path = format!("{}/v1/deliveries/{delivery}", self.base);
        eventually(async || {
            let delivery = self.http.get(&path).bearer_auth(&self.key).send().await.unwrap();
            let delivery: Value = delivery.json().await.unwrap();
            is_so(&delivery).then_some(delivery)
        })
        .await
    }
}

/// Whether what was heard last was signed with that secret.
fn last_is_signed(receiver: &Receiver, secret: &str) -> bool {
    receiver.heard().last().unwrap().verify(secret).is_ok()
}

async fn secrets_at_rest(url: &str, folder: &Path) {
    let receiver = Receiver::new().await;
    let file = folder.join("secrets-key");
    let given = ["--secrets-key-file", file.to_str().unwrap()];
    let doctor = |more: &[&str]| said(&run(&[&["doctor", "--listen", "127.0.0.1:0"], more].concat(), url));

    // Without a key they are kept in the clear.
    let service = Service::start(url);
    let mut manager = Manager {
        http: support::http_client(),
        base: service.base.clone(),
        key: service.first_key.clone().unwrap(),
    };
    let (status, first) = manager.post("/v1/webhooks", json!({"url": receiver.url})).await;
    assert_eq!(status, 201, "{first:#}");
    let (webhook, secret) = (first["id"].as_str().unwrap(), first["secret"].as_str().unwrap());
    assert_eq!(manager.tries(webhook).await["outcome"], "delivered");
    assert!(last_is_signed(&receiver, secret));
    assert_eq!(kept(url).await, [(String::new(), 1)]);
    assert_eq!(service.terminate(), 0);

    // With one they are taken over, and work as before; so do new ones and rotated ones.
    write(&file, &[key(1)]);
    assert!(doctor(&given).contains("1 of webhooks are not encrypted yet"), "{}", doctor(&given));
    let service = Service::with(url, &given);
    manager.base.clone_from(&service.base);
    eventually(async || kept(url).await.iter().all(|(way, _)| way.starts_with("sealed:v1:")).then_some(()))
        .await;
    let under_the_first = kept(url).await[0].0.clone();
    assert_eq!(manager.tries(webhook).await["outcome"], "delivered");
    assert!(last_is_signed(&receiver, secret));
    let (_, second) = manager.post("/v1/webhooks", json!({"url": receiver.url})).await;
    let second = second["id"].as_str().unwrap();
    let (status, rotated) = manager.post(&format!("/v1/webhooks/{second}/secret-rotation"), json!({})).await;
    assert_eq!(status, 200, "{rotated:#}");
    assert_eq!(manager.tries(second).await["outcome"], "delivered");
    assert!(last_is_signed(&receiver, rotated["secret"].as_str().unwrap()));
    assert_eq!(kept(url).await, [(under_the_first.clone(), 3)]);
    assert!(doctor(&given).contains("3 of webhooks encrypted, and the key is there"), "{}", doctor(&given));
    assert_eq!(service.terminate(), 0);

    // The file is lost, or forgotten: the service serves, nothing is sent unsigned, nothing is kept in the clear, and it is told.
    fs::remove_file(&file).unwrap();
    let heard = receiver.heard().len();
    let mut waiting = Vec::new();
    for (arguments, to, words) in [
        (&given[..], webhook, "cannot be used"),
        (&[], second, "encrypted under a key that the service is not given"),
    ] {
        let service = Service::with(url, arguments);
        manager.base.clone_from(&service.base);
        made(&manager.http, &manager.base, &manager.key, "/v1/sires", json!({"name": "Invented One"})).await;
        let failed = manager.tries(to).await;
        assert_eq!(failed["outcome"], "secret_unreadable", "{failed:#}");
        assert!(failed["log"][0]["answer"].as_str().unwrap().contains("--secrets-key-file"), "{failed:#}");
        waiting.push(failed["id"].as_str().unwrap().to_owned());
        if !arguments.is_empty() {
            let (status, refused) = manager.post("/v1/webhooks", json!({"url": receiver.url})).await;
            assert_eq!(
                (status, &refused["type"]),
                (503, &json!("/problems/store-unavailable")),
                "{refused:#}"
            );
        }
        let told = doctor(arguments);
        assert!(told.contains("WRONG  secrets") && told.contains(words), "{told}");
        assert_eq!(service.terminate(), 0);
    }
    assert_eq!(receiver.heard().len(), heard, "nothing was sent");
    assert_eq!(kept(url).await, [(under_the_first.clone(), 3)]);

    // A new key before the old one: everything comes under the new one.
    write(&file, &[key(2), key(1)]);
    let service = Service::with(url, &given);
    manager.base.clone_from(&service.base);
    eventually(async || {
        let kept = kept(url).await;
        (kept.len() == 1 && kept[0].0 != under_the_first).then_some(())
    })
    .await;
    // What could not be sent is sent, signed as before.
    for (delivery, secret) in waiting.iter().zip([secret, rotated["secret"].as_str().unwrap()]) {
        manager.post(&format!("/v1/deliveries/{delivery}/redelivery"), json!({})).await;
        let delivered = manager.once(delivery, |delivery| delivery["state"] == "delivered").await;
        let heard = receiver.heard();
        let message = heard.iter().find(|heard| delivered["event_id"] == heard.header("webhook-id")).unwrap();
        assert_eq!(message.verify(secret), Ok(()));
    }
    assert_eq!(service.terminate(), 0);
    fs::set_permissions(&file, fs::Permissions::from_mode(0o644)).unwrap();
    assert!(doctor(&given).contains("others than its owner may use"), "{}", doctor(&given));
    assert!(run(&["verify"], url).status.success());
}

#[tokio::test]
async fn secrets_are_encrypted_under_the_operators_key_on_sqlite() {
    let folder = tempfile::tempdir().unwrap();
    secrets_at_rest(&sqlite(&folder), folder.path()).await;
}

#[tokio::test]
async fn secrets_are_encrypted_under_the_operators_key_on_postgres() {
    let folder = tempfile::tempdir().unwrap();
    secrets_at_rest(&new_postgres_database().await, folder.path()).await;
}
