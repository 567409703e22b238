//! Webhooks' secrets: whether the service can read them, and how they are kept.

use crate::{
    config::Config,
    doctor::Findings,
    store::{self, Db, webhooks::webhook::ways_of_keeping},
    webhooks::seal::{SecretKeys, key_of},
};

/// The migration that brought webhooks.
const SINCE: i64 = 3;

pub(super) async fn look(found: &mut Findings, config: &Config) {
    let keys = SecretKeys::read(config.secrets_key_file.as_deref());
    if let Some(trouble) = keys.trouble() {
        found.wrong(
            "secrets",
            trouble,
            "bring the file back, or rotate each webhook's secret under a new key",
        );
    }
    // What is wrong with the store is told elsewhere.
    let Ok(kept) = kept(&config.database_url).await else { return };
    let (mut clear, mut sealed, mut unreadable) = (0, 0, 0);
    for (way, secrets) in kept {
        match key_of(&way) {
            None => clear += secrets,
            Some(id) if keys.has(id) => sealed += secrets,
            Some(_) => unreadable += secrets,
        }
    }
    if unreadable > 0 && keys.trouble().is_none() {
        let advice = "give the service the file with that key (--secrets-key-file); a key that is lost: rotate each secret";
        found.wrong(
            "secrets",
            format!("{unreadable} of webhooks are encrypted under a key that the service is not given"),
            advice,
        );
    }
    if clear > 0 && config.secrets_key_file.is_some() && keys.trouble().is_none() {
        let advice = "the next start of the service encrypts them; rotate those that others may have read";
        found.look("secrets", format!("{clear} of webhooks are not encrypted yet"), advice);
    } else if clear > 0 {
        found.ok("secrets", format!("{clear} of webhooks in the clear; --secrets-key-file encrypts them"));
    }
    if sealed > 0 {
        found.ok("secrets", format!("{sealed} of webhooks encrypted, and the key is there"));
    }
}

async fn kept(url: &str) -> store::Result<Vec<(String, i64)>> {
    let (db, version) = Db::look(url).await?;
    let kept = if version < SINCE { Ok(Vec::new()) } else { ways_of_keeping(&mut db.read().await?).await };
    db.close().await;
    kept
}
