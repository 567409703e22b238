//! What several test programs need.

#![allow(dead_code, reason = "not every one of them needs all of it")]

use sqlx::{Connection as _, Executor as _, PgConnection};
use uuid::Uuid;

/// A client of the service.
pub fn http_client() -> reqwest::Client {
    http_client_builder().build().unwrap()
}

/// One with other settings. Without what TLS is done with there can be none, even for plain HTTP.
pub fn http_client_builder() -> reqwest::ClientBuilder {
    tankside::cryptography::use_everywhere();
    reqwest::Client::builder()
}

/// The address of the PostgreSQL server that the tests were given, and a connection to it.
async fn postgres_server() -> (String, PgConnection) {
    let server = std::env::var("TANKSIDE_TEST_POSTGRES_URL").expect(
        "these tests need a PostgreSQL server: run ./tests/run, or name one in TANKSIDE_TEST_POSTGRES_URL",
    );
    let connection = PgConnection::connect(&server).await.unwrap();
    (server, connection)
}

fn database_of(server: &str, name: &str) -> String {
    let (front, _) = server.rsplit_once('/').unwrap();
    format!("{front}/{name}")
}

fn new_name() -> String {
    format!("t{}", Uuid::now_v7().simple())
}

/// A new empty database on the PostgreSQL server that the tests were given; its address.
pub async fn new_postgres_database() -> String {
    let (server, mut connection) = postgres_server().await;
    let name = new_name();
    // By the rules of a language, as most servers are set up, where this one can (PostgreSQL 15 and newer).
    let of_a_language = "template template0 locale_provider icu icu_locale 'en-US'";
    if connection
        .execute(sqlx::AssertSqlSafe(format!("create database {name} {of_a_language}")))
        .await
        .is_err()
    {
        connection.execute(sqlx::AssertSqlSafe(format!("create database {name}"))).await.unwrap();
    }
    database_of(&server, &name)
}

/// A copy of the database at this address, to which nobody may be connected; its address.
pub async fn copy_of_postgres_database(url: &str) -> String {
    let (server, mut connection) = postgres_server().await;
    let (_, pattern) = url.rsplit_once('/').unwrap();
    let name = new_name();
    let statement = format!("create database {name} template {pattern}");
    connection.execute(sqlx::AssertSqlSafe(statement)).await.unwrap();
    database_of(&server, &name)
}
