//! A small client of the service, as careful as every client should be.
//!
//! Whoever writes makes up an Idempotency-Key before the first attempt and sends the same key with
//! every retry: then no retry takes a second straw. It retries what may be over in a moment (no
//! connection, 408, 429, 502, 503, 504, and 409 with Retry-After), waits longer each time with some
//! jitter, and heeds Retry-After. Any other refusal is an answer, and asking again would not change it.
//! A phone writes its key down before sending, as demo/round.py shows; here the round lives no longer
//! than its process.

use std::time::Duration;

use anyhow::{Context as _, bail, ensure};
use reqwest::{Method, header::RETRY_AFTER};
use serde_json::Value;
use uuid::Uuid;

use crate::domain::values::Timestamp;

/// How often a request is sent at most.
const MOST_ATTEMPTS: u32 = 6;

/// The first wait before a retry, doubled each time.
const FIRST_WAIT: Duration = Duration::from_millis(200);

/// A wait is not longer than this, unless the service asks for it.
const LONGEST_WAIT: Duration = Duration::from_secs(10);

/// Longer than the service itself takes to give up.
const TIMEOUT: Duration = Duration::from_secs(35);

/// A client with a key of its own.
#[derive(Clone)]
pub struct Client {
    http: reqwest::Client,
    service: String,
    key: String,
}

/// What the service answered.
#[derive(Clone, Debug)]
pub struct Answer {
    /// The HTTP status.
    pub status: u16,
    /// The body, null when it was not JSON.
    pub body: Value,
    /// Whether it is the answer that the same Idempotency-Key was given before.
    pub replayed: bool,
}

/// A new Idempotency-Key, to be kept for as long as its act may have to be sent again.
pub fn new_idempotency_key() -> String {
    Uuid::now_v7().to_string()
}

impl Client {
    /// A client of the service at `service` (such as `http://127.0.0.1:8080`) that calls with `key`.
    ///
    /// # Errors
    /// There is no HTTP to be had on this machine.
    pub fn new(service: &str, key: &str) -> anyhow::Result<Self> {
        // The service runs on this machine; a proxy would not find it.
        let http = reqwest::Client::builder().no_proxy().timeout(TIMEOUT).build()?;
        Ok(Self { http, service: service.to_owned(), key: key.to_owned() })
    }

    /// Reads `path`.
    pub async fn get(&self, path: &str) -> anyhow::Result<Answer> {
        self.send(&Method::GET, path, None).await
    }

    /// Reads every page of the list at `path`, which has its filters already.
    pub async fn list(&self, path: &str) -> anyhow::Result<Vec<Value>> {
        let mut items = Vec::new();
        let mut page = path.to_owned();
        loop {
            let mut answer = self.get(&page).await?.must_be(200)?;
            if let Some(more) = answer.body["items"].as_array_mut() {
                items.append(more);
            }
            let Some(cursor) = answer.body["next_cursor"].as_str() else { return Ok(items) };
            let and = if path.contains('?') { '&' } else { '?' };
            page = format!("{path}{and}cursor={cursor}");
        }
    }

    /// Does something new: sends `body` under a key of its own.
    pub async fn post(&self, path: &str, body: &Value) -> anyhow::Result<Answer> {
        self.post_again(path, body, &new_idempotency_key()).await
    }

    /// Does what was perhaps done before under the same key.
    pub async fn post_again(&self, path: &str, body: &Value, key: &str) -> anyhow::Result<Answer> {
        self.send(&Method::POST, path, Some((key, body))).await
    }

    async fn send(&self, method: &Method, path: &str, act: Option<(&str, &Value)>) -> anyhow::Result<Answer> {
        let mut attempt = 1;
        loop {
            let outcome = self.attempt(method, path, act).await;
            let asked_to_wait = match &outcome {
                Ok((answer, after)) if !may_pass(answer.status, *after) => return Ok(answer.clone()),
                Ok((_, after)) => *after,
                Err(_) => None,
            };
            if attempt == MOST_ATTEMPTS {
                return match outcome {
                    Ok((answer, _)) => Ok(answer),
                    Err(error) => Err(error).with_context(|| format!("{method} {path}: no answer")),
                };
            }
            tokio::time::sleep(asked_to_wait.unwrap_or_default().max(growing_wait(attempt))).await;
            attempt += 1;
        }
    }

    /// Sends once: the answer, and after how long the service asks to be asked again.
    async fn attempt(
        &self,
        method: &Method,
        path: &str,
        act: Option<(&str, &Value)>,
    ) -> reqwest::Result<(Answer, Option<Duration>)> {
        let url = format!("{}{path}", self.service);
        let mut request = self.http.request(method.clone(), url).bearer_auth(&self.key);
        if let Some((key, body)) = act {
            request = request.header("idempotency-key", key).json(body);
        }
        let response = request.send().await?;
        let status = response.status().as_u16();
        let replayed = response.headers().contains_key("idempotent-replayed");
        let after = response.headers().get(RETRY_AFTER).and_then(|after| after.to_str().ok()?.parse().ok());
        let body = response.bytes().await?;
        let body = serde_json::from_slice(&body).unwrap_or_default();
        Ok((Answer { status, body, replayed }, after.map(Duration::from_secs)))
    }
}

/// Whether what was answered may be over in a moment.
fn may_pass(status: u16, retry_after: Option<Duration>) -> bool {
    matches!(status, 408 | 429 | 502..=504) || (status == 409 && retry_after.is_some())
}

/// How long to wait after so many attempts: twice as long each time, give or take a quarter, so
/// that many clients that lost the same service do not come back at the same moment.
fn growing_wait(attempts: u32) -> Duration {
    let wait = FIRST_WAIT.saturating_mul(1 << attempts.min(10).saturating_sub(1)).min(LONGEST_WAIT);
    let random = Uuid::now_v7().as_bytes()[15];
    wait.mul_f64(0.75 + f64::from(random) / 512.0)
}

impl Answer {
    /// The kind of problem, such as `choice-rule`.
    pub fn problem(&self) -> Option<&str> {
        self.body["type"].as_str()?.rsplit('/').next()
    }

    /// The answer in short: `201`, or `409 choice-rule`.
    pub fn short(&self) -> String {
        let problem = self.problem().map_or_else(String::new, |slug| format!(" {slug}"));
        let replayed = if self.replayed { ", Idempotent-Replayed" } else { "" };
        format!("{}{problem}{replayed}", self.status)
    }

    /// The answer, if it has this status.
    pub fn must_be(self, status: u16) -> anyhow::Result<Self> {
        if self.status != status {
            let detail = self.body["detail"].as_str().unwrap_or_default();
            bail!("expected {status}, was answered {}: {detail}", self.short());
        }
        Ok(self)
    }

    /// The answer, if it is a refusal of this kind.
    pub fn must_refuse(self, status: u16, problem: &str) -> anyhow::Result<Self> {
        ensure!(
            self.status == status && self.problem() == Some(problem),
            "expected a refusal {status} {problem}, was answered {}",
            self.short()
        );
        Ok(self)
    }

    /// The text that stands at `pointer`, such as `/place/cane`.
    pub fn text(&self, pointer: &str) -> anyhow::Result<&str> {
        self.at(pointer)?.as_str().with_context(|| format!("{pointer} is not text"))
    }

    /// The whole number that stands at `pointer`.
    pub fn number(&self, pointer: &str) -> anyhow::Result<i64> {
        self.at(pointer)?.as_i64().with_context(|| format!("{pointer} is not a whole number"))
    }

    /// The instant that stands at `pointer`.
    pub fn time(&self, pointer: &str) -> anyhow::Result<Timestamp> {
        serde_json::from_value(self.at(pointer)?.clone())
            .with_context(|| format!("{pointer} is not an instant"))
    }

    /// The list that stands at `pointer`.
    pub fn list(&self, pointer: &str) -> anyhow::Result<&[Value]> {
        Ok(self.at(pointer)?.as_array().with_context(|| format!("{pointer} is not a list"))?)
    }

    /// What stands at `pointer`.
    pub fn at(&self, pointer: &str) -> anyhow::Result<&Value> {
        self.body.pointer(pointer).with_context(|| format!("the answer has no {pointer}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_may_pass_is_sent_again() {
        for status in [408, 429, 502, 503, 504] {
            assert!(may_pass(status, None), "{status}");
        }
        for status in [200, 201, 400, 401, 403, 404, 409, 412, 422, 500] {
            assert!(!may_pass(status, None), "{status}");
        }
        assert!(may_pass(409, Some(Duration::from_secs(1))), "still running");
    }

    #[test]
    fn waits_grow_and_end() {
        for attempts in 1..20 {
            let wait = growing_wait(attempts);
            assert!(
                wait >= FIRST_WAIT.mul_f64(0.75) && wait <= LONGEST_WAIT.mul_f64(1.25),
                "{attempts}: {wait:?}"
            );
        }
        assert!(growing_wait(4) > growing_wait(1));
    }
}
