//! Traces, as a collector hears them: OTLP/HTTP 1.x in JSON, <https://opentelemetry.io/docs/specs/otlp/#otlphttp>.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex},
    time::Duration,
};

use axum::{
    Json, Router,
    extract::State,
    http::{HeaderMap, Uri},
};
use serde_json::{Value, json};

use crate::{
    receiver::Receiver,
    service::{Service, made, sqlite, stocked},
    support::{self, new_postgres_database},
};

/// A collector, and all that it was sent.
#[derive(Clone, Default)]
struct Collector(Arc<Mutex<Vec<Value>>>);

impl Collector {
    async fn start(&self) -> String {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("http://{}", listener.local_addr().unwrap());
        let router = Router::new().fallback(take).with_state(self.clone());
        tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
        address
    }

    fn spans(&self) -> Vec<Value> {
        let requests = self.0.lock().unwrap();
        let scopes = requests.iter().map(|request| &request["resourceSpans"][0]["scopeSpans"][0]);
        scopes.flat_map(|scope| scope["spans"].as_array().unwrap().clone()).collect()
    }
}

async fn take(
    State(collector): State<Collector>,
    uri: Uri,
    headers: HeaderMap,
    Json(sent): Json<Value>,
) -> Json<Value> {
    assert_eq!(uri.path(), "/v1/traces");
    assert_eq!(headers["content-type"], "application/json");
    collector.0.lock().unwrap().push(sent);
    Json(json!({}))
}

/// The attributes of a span by their names.
fn attributes(span: &Value) -> BTreeMap<String, String> {
    let pair = |attribute: &Value| {
        let value = attribute["value"].as_object().unwrap().values().next().unwrap();
        (attribute["key"].as_str().unwrap().to_owned(), value.as_str().unwrap().to_owned())
    };
    span["attributes"].as_array().unwrap().iter().map(pair).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_request_is_told_with_its_command_and_its_statements() {
    let folder = tempfile::tempdir().unwrap();
    for (url, system) in [(sqlite(&folder), "sqlite"), (new_postgres_database().await, "postgresql")] {
        let collector = Collector::default();
        let endpoint = collector.start().await;
        let service = Service::with(&url, &["--otlp-endpoint", &endpoint]);
        let key = service.first_key.clone().unwrap();
        let http = support::http_client();
        let (lot, animal) = stocked(&http, &service.base, &key, 7).await;
        let receiver = Receiver::new().await;
        made(&http, &service.base, &key, "/v1/webhooks", json!({"url": receiver.url})).await;
        // The example of W3C Trace Context, section 3.2.4.
        let (trace, caller) = ("4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7");
        let withdraw = async |query: &str, sampled: &str, trace: &str| {
            let request = http.post(format!("{}/v1/withdrawals{query}", service.base)).bearer_auth(&key);
            let request = request.header("traceparent", format!("00-{trace}-{caller}-{sampled}"));
            let order = json!({"animal_id": animal, "lot_id": lot, "technician": "A. Person"});
            let act = uuid::Uuid::now_v7().to_string();
            request.header("idempotency-key", act).json(&order).send().await.unwrap().status().as_u16()
        };
        assert_eq!(withdraw("?secret=tks_query", "01", trace).await, 400, "no such parameter");
        assert_eq!(withdraw("", "01", trace).await, 201);
        assert_eq!(withdraw("", "00", "00000000000000000000000000000abc").await, 201);
        let heard = receiver.hears(2).await;
        // What has not been sent is sent when it stops.
        assert_eq!(service.terminate(), 0);
        let spans = collector.spans();
        let named = |name: &str, within: &str| -> Vec<&Value> {
            spans.iter().filter(|span| span["name"] == name && span["traceId"] == within).collect()
        };
        // OTLP: SPAN_KIND_INTERNAL 1, SERVER 2, CLIENT 3.
        let requests = named("POST /v1/withdrawals", trace);
        assert_eq!(requests.len(), 2, "{spans:#?}");
        let request = requests[1];
        assert_eq!((&request["parentSpanId"], &request["kind"]), (&json!(caller), &json!(2)));
        let about = attributes(request);
        assert_eq!(about["http.request.method"], "POST");
        assert_eq!((&*about["http.route"], &*about["http.response.status_code"]), ("/v1/withdrawals", "201"));
        assert_eq!(attributes(requests[0])["http.response.status_code"], "400");
        let commands = named("NewWithdrawal", trace);
        assert_eq!(commands.len(), 1);
        assert_eq!((&commands[0]["parentSpanId"], &commands[0]["kind"]), (&request["spanId"], &json!(1)));
        let written = named("straws/withdrawal", trace);
        assert!(!written.is_empty());
        for statement in written {
            assert_eq!((&statement["parentSpanId"], &statement["kind"]), (&commands[0]["spanId"], &json!(3)));
            assert_eq!(
                attributes(statement),
                BTreeMap::from([("db.system.name".to_owned(), system.to_owned())])
            );
        }
        for span in &spans {
            let [began, ended] = ["startTimeUnixNano", "endTimeUnixNano"]
                .map(|name| span[name].as_str().unwrap().parse::<u64>().unwrap());
            assert!(began <= ended && began > 1_700_000_000_000_000_000, "{span:#}");
            let digits = |name: &str| span[name].as_str().unwrap().len();
            assert_eq!((digits("traceId"), digits("spanId")), (32, 16));
        }
        // Who does not keep his own is not kept here.
        assert!(spans.iter().all(|span| span["traceId"] != "00000000000000000000000000000abc"));
        // A webhook is told its attempt's span.
        let attempts: Vec<&Value> = spans.iter().filter(|span| span["name"] == "POST webhook").collect();
        assert_eq!(attempts.len(), 2);
        for message in &heard {
            let told = message.header("traceparent");
            let span = attempts.iter().find(|span| span["spanId"] == told[36..52]).unwrap();
            assert_eq!(span["traceId"], told[3..35]);
            assert_eq!(attributes(span)["http.response.status_code"], "204");
        }
        let all = json!(spans).to_string();
        for secret in ["tks_", "Person", "secret=", "whsec_", "insert into"] {
            assert!(!all.contains(secret), "{secret} is told");
        }
    }
}

/// A collector that is gone, or takes a connection and never answers, keeps nobody waiting.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_collector_that_is_gone_keeps_nobody_waiting() {
    let silent = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let gone = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    for (collector, why) in [(silent.local_addr().unwrap(), "queue"), (gone, "collector")] {
        let folder = tempfile::tempdir().unwrap();
        let arguments =
            ["--metrics-listen", "127.0.0.1:0", "--rate-limit-per-minute", "0", "--otlp-endpoint"];
        let endpoint = format!("http://{collector}");
        let service = Service::with(&sqlite(&folder), &[&arguments[..], &[&endpoint]].concat());
        let http = support::http_client();
        let key = service.first_key.clone().unwrap();
        let metrics = service.metrics.clone().unwrap();
        let counted = format!("tankside_traces_dropped_total{{why=\"{why}\"}}");
        loop {
            for _ in 0..50 {
                let asked =
                    http.get(format!("{}/v1/stock", service.base)).bearer_auth(&key).send().await.unwrap();
                assert_eq!(asked.status(), 200);
            }
            let told = http.get(&metrics).send().await.unwrap().text().await.unwrap();
            if told.contains(&counted) {
                break;
            }
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        assert_eq!(service.terminate(), 0);
    }
}
