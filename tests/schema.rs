//! The two stores hold the same tables, and guard the ledger themselves: what is written stays, and no
//! balance goes below zero, whoever speaks SQL to them.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

mod support;

use sqlx::FromRow;
use tankside::{
    book::access::key as keys,
    domain::{
        access::Role,
        form::{self, InputPath},
        nitrogen::tank::{Tank, TankDetails},
        straws::{
            lot::{Lot, LotDetails},
            place::Place,
            receive::NewReceipt,
            sire::{Sire, SireDetails},
        },
        values::{BusinessId, LotId, Name, SireId, TankId, Timestamp},
    },
    store::{self, Db, straws::ledger},
};

/// A new embedded store; it goes with the folder.
async fn sqlite() -> (Db, tempfile::TempDir) {
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite://{}", folder.path().join("tankside.db").display());
    (Db::open(&url).await.unwrap(), folder)
}

/// A new store on PostgreSQL.
async fn postgres() -> Db {
    Db::open(&support::new_postgres_database().await).await.unwrap()
}

/// What either store says of itself, in the same words and order.
async fn told(db: &Db, sqlite: &'static str, postgres: &'static str) -> Vec<String> {
    #[derive(FromRow)]
    struct Line(String);
    let mut lines: Vec<String> = db
        .read()
        .await
        .unwrap()
        .sql_for(sqlite, postgres)
        .all::<Line>()
        .await
        .unwrap()
        .into_iter()
        .map(|line| line.0)
        .collect();
    lines.sort();
    lines
}

#[tokio::test]
async fn the_stores_hold_the_same_tables() {
    let (lite, _folder) = sqlite().await;
    let pg = postgres().await;
    let same = async |least: usize, sqlite: &'static str, postgres: &'static str| {
        let (lite, pg) = (told(&lite, sqlite, postgres).await, told(&pg, sqlite, postgres).await);
        assert_eq!(lite, pg);
        assert!(lite.len() >= least, "only {lite:?}");
    };
    // Columns, and which may be null. A column of the primary key may not, also where SQLite does not say so.
    same(
        150,
        "select t.name || '.' || c.name || case when c.\"notnull\" = 0 and c.pk = 0 then ' null' else '' end
         from sqlite_schema t join pragma_table_info(t.name) c
         where t.type = 'table' and t.name not like '\\_sqlx%' escape '\\' and t.name not like 'sqlite%'",
        "select table_name || '.' || column_name || case is_nullable when 'YES' then ' null' else '' end
         from information_schema.columns
         where table_schema = 'public' and table_name not like '\\_sqlx%'",
    )
    .await;
    // Primary keys, the columns in their order.
    same(
        14,
        "select name || ': ' || (select group_concat(column_name, ', ') from (
             select c.name as column_name from pragma_table_info(t.name) c where c.pk > 0 order by c.pk))
         from sqlite_schema t where t.type = 'table' and t.name not like '\\_sqlx%' escape '\\' and t.name not like 'sqlite%'",
        "select r.relname || ': ' || (
             select string_agg(a.attname, ', ' order by k.n)
             from unnest(c.conkey) with ordinality k (attnum, n)
             join pg_attribute a on a.attrelid = c.conrelid and a.attnum = k.attnum)
         from pg_constraint c join pg_class r on r.oid = c.conrelid
         where c.contype = 'p' and c.connamespace = 'public'::regnamespace and r.relname not like '\\_sqlx%'",
    )
    .await;
    // What points where.
    same(
        35,
        "select name || ' (' || (
                    select group_concat(column_name, ', ') from (
                        select \"from\" as column_name from pragma_foreign_key_list(name) where id = k.id order by seq))
                || ') -> ' || k.target || ' (' || (
                    select group_concat(column_name, ', ') from (
                        select \"to\" as column_name from pragma_foreign_key_list(name) where id = k.id order by seq))
                || ')'
         from (select distinct t.name, f.id, f.\"table\" as target
               from sqlite_schema t join pragma_foreign_key_list(t.name) f
               where t.type = 'table' and t.name not like '\\_sqlx%' escape '\\' and t.name not like 'sqlite%') k",
        "select r.relname || ' (' || (
             select string_agg(a.attname, ', ' order by k.n)
             from unnest(c.conkey) with ordinality k (attnum, n)
             join pg_attribute a on a.attrelid = c.conrelid and a.attnum = k.attnum)
             || ') -> ' || f.relname || ' (' || (
             select string_agg(a.attname, ', ' order by k.n)
             from unnest(c.confkey) with ordinality k (attnum, n)
             join pg_attribute a on a.attrelid = c.confrelid and a.attnum = k.attnum) || ')'
         from pg_constraint c join pg_class r on r.oid = c.conrelid join pg_class f on f.oid = c.confrelid
         where c.contype = 'f' and c.connamespace = 'public'::regnamespace",
    )
    .await;
    // Indexes, and which allow a value only once.
    same(
        9,
        "select i.name || case i.\"unique\" when 1 then ' unique' else '' end || ': ' || (
             select group_concat(column_name, ', ') from (
                 select c.name as column_name from pragma_index_info(i.name) c order by c.seqno))
         from sqlite_schema t join pragma_index_list(t.name) i
         where t.type = 'table' and i.origin = 'c'",
        "select r.relname || case when i.indisunique then ' unique' else '' end || ': ' || (
             select string_agg(a.attname, ', ' order by k.n)
             from unnest(i.indkey::int2[]) with ordinality k (attnum, n)
             join pg_attribute a on a.attrelid = i.indrelid and a.attnum = k.attnum)
         from pg_index i join pg_class r on r.oid = i.indexrelid
         where r.relnamespace = 'public'::regnamespace
           and not exists (select 1 from pg_constraint c where c.conindid = i.indexrelid)",
    )
    .await;
}

/// Keys and unique indexes, and the column that each begins with; of an index that stands for a rule of its table, the table.
const KEYS_SQLITE: &str = "select t.name || ' (' || (select group_concat(name, ', ') from (
                                  select c.name from pragma_index_info(i.name) c order by c.seqno)) || ')'
     from sqlite_schema t join pragma_index_list(t.name) i
     where t.type = 'table' and i.\"unique\" = 1 and t.name not like '\\_sqlx%' escape '\\' and t.name not like 'sqlite%'
     union
     select t.name || ' (' || (select group_concat(name, ', ') from (
                                  select c.name from pragma_table_info(t.name) c where c.pk > 0 order by c.pk)) || ')'
     from sqlite_schema t
     where t.type = 'table' and t.name not like '\\_sqlx%' escape '\\' and t.name not like 'sqlite%'";
const KEYS_POSTGRES: &str = "select distinct r.relname || ' (' || (
         select string_agg(a.attname, ', ' order by k.n)
         from unnest(i.indkey::int2[]) with ordinality k (attnum, n)
         join pg_attribute a on a.attrelid = i.indrelid and a.attnum = k.attnum) || ')'
     from pg_index i join pg_class r on r.oid = i.indrelid
     where i.indisunique and r.relnamespace = 'public'::regnamespace and r.relname not like '\\_sqlx%'";

/// So that the tables can be partitioned or distributed by the business, and its rows lie together.
#[tokio::test]
async fn every_key_begins_with_the_business() {
    let (lite, _folder) = sqlite().await;
    // The business itself.
    let business = "business (id)";
    // SQLite cannot drop the rule without the table, to which half of all others point, and a file is never distributed.
    let of_a_file_only = "api_key (hash)";
    for (db, exceptions) in [(lite, vec![of_a_file_only, business]), (postgres().await, vec![business])] {
        let keys = told(&db, KEYS_SQLITE, KEYS_POSTGRES).await;
        assert!(
            keys.len() > 60 && keys.iter().any(|key| key == "movement (business_id, seq)"),
            "only {keys:?}"
        );
        let others: Vec<_> = keys.iter().filter(|key| !key.contains(" (business_id")).collect();
        assert_eq!(others, exceptions);
    }
}

/// SQLite plans by fixed statistics; an index that has none is passed by for the primary key.
#[tokio::test]
async fn every_index_of_a_table_with_statistics_has_some() {
    let (lite, _folder) = sqlite().await;
    let without = "select i.name from sqlite_schema t join pragma_index_list(t.name) i
                   where t.name in (select tbl from sqlite_stat1)
                     and not exists (select 1 from sqlite_stat1 s
                                     where s.tbl = t.name and s.idx in (i.name, case i.origin when 'pk' then t.name end))";
    assert_eq!(told(&lite, without, without).await, Vec::<String>::new());
    let some = "select idx from sqlite_stat1 where tbl = 'movement'";
    assert!(told(&lite, some, some).await.len() > 5);
}

/// A book with one receipt of ten straws.
async fn book(db: &Db) -> LotId {
    let now = Timestamp::from(chrono::DateTime::UNIX_EPOCH);
    let mut tx = db.write().await.unwrap();
    let business = BusinessId::new();
    let name = Name::parse("A business").unwrap();
    store::access::business::add(&mut tx, business, &name, now).await.unwrap();
    let (key, _) = keys::create(&mut tx, business, name, Role::Manager, None, now).await.unwrap();
    let details = form::read::<SireDetails>(&serde_json::json!({"name": "One"}), &InputPath::body()).unwrap();
    let sire = Sire { id: SireId::new(), details, created_at: now };
    store::straws::sire::add(&mut tx, business, &sire).await.unwrap();
    let details = serde_json::json!({"sire_id": sire.id, "semen_type": "conventional"});
    let details = form::read::<LotDetails>(&details, &InputPath::body()).unwrap();
    let lot = Lot { id: LotId::new(), details, created_at: now };
    store::straws::lot::add(&mut tx, business, &lot).await.unwrap();
    let details = serde_json::json!({"name": "Dairy room"});
    let details = form::read::<TankDetails>(&details, &InputPath::body()).unwrap();
    let tank = Tank { id: TankId::new(), details, created_at: now };
    store::nitrogen::tank::add(&mut tx, business, &tank).await.unwrap();
    let place = serde_json::json!({"tank_id": tank.id, "canister": 1});
    let place = form::read::<Place>(&place, &InputPath::body()).unwrap();
    let receipt = serde_json::json!({"lot_id": lot.id, "place": place, "straws": 10});
    let receipt = form::read::<NewReceipt>(&receipt, &InputPath::body()).unwrap();
    let (_, to) = store::straws::place::stock_at(&mut tx, business, lot.id, &place).await.unwrap();
    ledger::post(&mut tx, business, key.id, now, receipt.posting(&to, now)).await.unwrap();
    tx.commit().await.unwrap();
    lot.id
}

/// The statement must fail, and for that reason.
async fn refuses(db: &Db, reason: &str, statement: &'static str) {
    let mut tx = db.write().await.unwrap();
    let error = tx.sql(statement).run().await.expect_err(statement).to_string().to_lowercase();
    assert!(error.contains(reason), "{statement}: {error}");
}

async fn guards_the_ledger(db: &Db) {
    book(db).await;
    for statement in [
        "update movement set straws = 9",
        "update movement set note = 'a remark'",
        "update movement set seq = seq + 1",
        "delete from movement",
        "delete from movement where seq = 1",
    ] {
        refuses(db, "movement is append-only", statement).await;
    }
    for statement in [
        "update balance set straws = -1",
        "update balance set straws = straws - 11",
        "insert into balance (business_id, lot_id, place_id, straws)
         select business_id, lot_id, from_place_id, -1 from movement",
    ] {
        refuses(db, "balance_never_negative", statement).await;
    }
    // A line points to what is in the same business's book.
    for statement in ["delete from lot", "delete from place", "delete from api_key", "delete from business"] {
        refuses(db, "foreign key", statement).await;
    }
    let mut tx = db.read().await.unwrap();
    let kept: Option<i64> = tx.sql("select straws from movement").value().await.unwrap();
    assert_eq!(kept, Some(10));
}

#[tokio::test]
async fn sqlite_guards_the_ledger() {
    let (db, _folder) = sqlite().await;
    guards_the_ledger(&db).await;
    // Replacing a line deletes it without a word to the triggers of a delete.
    let replace = "insert or replace into movement
        select business_id, seq, id, kind, lot_id, from_place_id, to_place_id, 9, from_left, to_held, occurred_at,
               recorded_at, recorded_by, technician, withdrawal_id, stocktake_id, reverses_id, reason, exposure_s, note
        from movement";
    refuses(&db, "movement is append-only", replace).await;
    db.close().await;
}

#[tokio::test]
async fn postgres_guards_the_ledger() {
    let db = postgres().await;
    guards_the_ledger(&db).await;
    refuses(&db, "movement is append-only", "truncate movement, consignment_line").await;
    db.close().await;
}

/// The book as a version before 0006 left it, opened again.
async fn as_before_changes_were_told(db: &Db) {
    let mut tx = db.write().await.unwrap();
    for statement in [
        "drop table mating_plan",
        "drop table former_herd",
        "drop table ade_made",
        "drop table ade_item",
        "drop table change",
        "drop index animal_event_heat_at",
        "drop index service_at",
        "alter table business drop column changed_at",
        "alter table animal_event drop column reversed_at",
        "delete from _sqlx_migrations where version in (6, 11, 21, 24)",
    ] {
        tx.sql(statement).run().await.unwrap();
    }
    tx.commit().await.unwrap();
}

/// What was there before counts as changed in the order of its entry, and what comes next follows.
async fn tells_what_was_there_before(db: &Db) {
    let mut tx = db.write().await.unwrap();
    assert_eq!(store::verify::findings(&mut tx).await.unwrap(), []);
    let business = store::access::business::all(&mut tx).await.unwrap()[0].id;
    let changes = store::exchange::change::list(&mut tx, business, 0, 100).await.unwrap();
    let kinds: Vec<_> = changes.iter().map(|change| change.kind.as_str()).collect();
    assert_eq!(kinds, ["tank", "sire", "lot", "movement"]);
    assert_eq!(changes.iter().map(|change| change.seq).collect::<Vec<_>>(), [1, 2, 3, 4]);
    let now = Timestamp::from(chrono::DateTime::UNIX_EPOCH);
    store::access::business::lock(&mut tx, business, now, &[]).await.unwrap();
    let noted = store::exchange::change::NewChange::of(changes[1].kind, changes[1].id);
    store::exchange::change::note(&mut tx, business, noted);
    tx.flush().await.unwrap();
    let last = store::exchange::change::list(&mut tx, business, 4, 100).await.unwrap();
    assert_eq!((last.len(), last[0].seq, last[0].id), (1, 5, changes[1].id));
    assert!(last[0].changed_at > changes[3].changed_at, "later, though the clock says the same");
}

#[tokio::test]
async fn sqlite_tells_what_was_there_before_changes_were_told() {
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite://{}", folder.path().join("old.db").display());
    let db = Db::open(&url).await.unwrap();
    book(&db).await;
    as_before_changes_were_told(&db).await;
    db.close().await;
    let db = Db::open(&url).await.unwrap();
    tells_what_was_there_before(&db).await;
    db.close().await;
}

#[tokio::test]
async fn postgres_tells_what_was_there_before_changes_were_told() {
    let url = support::new_postgres_database().await;
    let db = Db::open(&url).await.unwrap();
    book(&db).await;
    as_before_changes_were_told(&db).await;
    db.close().await;
    let db = Db::open(&url).await.unwrap();
    tells_what_was_there_before(&db).await;
    db.close().await;
}
