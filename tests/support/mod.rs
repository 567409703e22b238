//! What several test programs need.

use sqlx::{Connection as _, Executor as _};
use uuid::Uuid;

/// A new empty database on the PostgreSQL server that the tests were given; its address.
pub async fn new_postgres_database() -> String {
    let server = std::env::var("TANKSIDE_TEST_POSTGRES_URL").expect(
        "these tests need a PostgreSQL server: run ./tests/run, or name one in TANKSIDE_TEST_POSTGRES_URL",
    );
    let name = format!("t{}", Uuid::now_v7().simple());
    let mut connection = sqlx::PgConnection::connect(&server).await.unwrap();
    // By the rules of a language, as most servers are set up, where this one can (PostgreSQL 15 and newer).
    let of_a_language = "template template0 locale_provider icu icu_locale 'en-US'";
    if connection
        .execute(sqlx::AssertSqlSafe(format!("create database {name} {of_a_language}")))
        .await
        .is_err()
    {
        connection.execute(sqlx::AssertSqlSafe(format!("create database {name}"))).await.unwrap();
    }
    let (front, _) = server.rsplit_once('/').unwrap();
    format!("{front}/{name}")
}
