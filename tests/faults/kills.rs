//! `kill -9` again and again while clients work.

use crate::{
    load::Load,
    service::{Service, sqlite},
    support::new_postgres_database,
};

/// Kills the service in every round at another point of its work, in some while it still starts to answer.
async fn killed_while_clients_work(url: &str, rounds: usize) {
    let mut service = Service::start(url);
    let load = Load::on(&service.base, service.first_key.as_ref().unwrap(), 8).await;
    for round in 0..rounds {
        load.answers(round * 7 % 29).await;
        service.kill();
        service = Service::start(url);
        load.goes_on_at(&service.base);
    }
    let reckoning = load.end().await;
    reckoning.agrees_with(&service.base, url).await;
    assert_eq!(service.terminate(), 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_fifty_times_on_sqlite() {
    let folder = tempfile::tempdir().unwrap();
    killed_while_clients_work(&sqlite(&folder), 50).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_fifteen_times_on_postgres() {
    killed_while_clients_work(&new_postgres_database().await, 15).await;
}
