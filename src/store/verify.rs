//! Whether the book adds up: every balance recomputed from the movements, every rule of the ledger
//! looked at again.

use uuid::Uuid;

use super::{Result, Tx};

/// Something that does not add up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// Which rule is broken, in words.
    pub rule: &'static str,
    /// In whose book.
    pub business_id: Uuid,
    /// What it concerns.
    pub subject: String,
}

#[derive(sqlx::FromRow)]
struct Row {
    business_id: Uuid,
    subject: String,
}

/// Each rule with a statement that gives a row for every breach of it; a second one for PostgreSQL where
/// an id has to be written out, which the two do differently.
macro_rules! rules {
    ($($rule:literal: $sql:literal $(, $postgres:literal)?;)+) => {
        const RULES: &[(&str, &str, &str)] = &[$(($rule, $sql, rules!(@ $sql $(, $postgres)?)),)+];
    };
    (@ $sql:literal) => { $sql };
    (@ $sql:literal, $postgres:literal) => { $postgres };
}

rules! {
    "a balance equals the sum of its movements":
        "with moved as (
             select business_id, lot_id, to_place_id as place_id, straws from movement
             union all
             select business_id, lot_id, from_place_id, -straws from movement),
         summed as (
             select m.business_id, m.lot_id, m.place_id, sum(m.straws) as straws from moved m
             join place p on p.business_id = m.business_id and p.id = m.place_id
             where p.tank_id is not null
             group by m.business_id, m.lot_id, m.place_id)
         select coalesce(b.business_id, s.business_id) as business_id,
                'lot ' || lower(hex(coalesce(b.lot_id, s.lot_id))) || ' at place '
                    || lower(hex(coalesce(b.place_id, s.place_id))) || ': balance ' || coalesce(b.straws, 0)
                    || ', movements ' || coalesce(s.straws, 0) as subject
         from summed s full join balance b
              on b.business_id = s.business_id and b.lot_id = s.lot_id and b.place_id = s.place_id
         where coalesce(b.straws, 0) <> coalesce(s.straws, 0)",
        "with moved as (
             select business_id, lot_id, to_place_id as place_id, straws from movement
             union all
             select business_id, lot_id, from_place_id, -straws from movement),
         summed as (
             select m.business_id, m.lot_id, m.place_id, sum(m.straws) as straws from moved m
             join place p on p.business_id = m.business_id and p.id = m.place_id
             where p.tank_id is not null
             group by m.business_id, m.lot_id, m.place_id)
         select coalesce(b.business_id, s.business_id) as business_id,
                'lot ' || coalesce(b.lot_id, s.lot_id) || ' at place ' || coalesce(b.place_id, s.place_id)
                    || ': balance ' || coalesce(b.straws, 0) || ', movements ' || coalesce(s.straws, 0) as subject
         from summed s full join balance b
              on b.business_id = s.business_id and b.lot_id = s.lot_id and b.place_id = s.place_id
         where coalesce(b.straws, 0) <> coalesce(s.straws, 0)";
    "the lines of the ledger are numbered without a gap":
        "select b.id as business_id,
                'lines ' || count(m.seq) || ', first ' || coalesce(min(m.seq), 0) || ', last '
                    || coalesce(max(m.seq), 0) || ', counter ' || b.movement_seq as subject
         from business b left join movement m on m.business_id = b.id
         group by b.id, b.movement_seq
         having count(m.seq) <> b.movement_seq or coalesce(max(m.seq), 0) <> b.movement_seq";
    "the time of recording never goes back along the ledger":
        "select business_id, 'line ' || seq as subject from (
             select business_id, seq, recorded_at,
                    lag(recorded_at) over (partition by business_id order by seq) as before
             from movement) as lines
         where before > recorded_at";
    "every withdrawal has its movement, of as many straws":
        "select w.business_id, 'withdrawal ' || lower(hex(w.id)) as subject
         from withdrawal w left join movement m
              on m.business_id = w.business_id and m.withdrawal_id = w.id and m.kind = 'withdrawal'
         group by w.business_id, w.id, w.straws
         having coalesce(sum(m.straws), 0) <> w.straws",
        "select w.business_id, 'withdrawal ' || w.id as subject
         from withdrawal w left join movement m
              on m.business_id = w.business_id and m.withdrawal_id = w.id and m.kind = 'withdrawal'
         group by w.business_id, w.id, w.straws
         having coalesce(sum(m.straws), 0) <> w.straws";
    "a withdrawal is served exactly when a service stands for it":
        "select w.business_id, 'withdrawal ' || lower(hex(w.id)) || ' is ' || w.state as subject
         from withdrawal w left join service s
              on s.business_id = w.business_id and s.withdrawal_id = w.id and s.reversed_at is null
         where (w.state = 'served') <> (s.id is not null)",
        "select w.business_id, 'withdrawal ' || w.id || ' is ' || w.state as subject
         from withdrawal w left join service s
              on s.business_id = w.business_id and s.withdrawal_id = w.id and s.reversed_at is null
         where (w.state = 'served') <> (s.id is not null)";
    "a reversal is its movement the other way round":
        "select r.business_id, 'line ' || r.seq as subject
         from movement r left join movement o on o.business_id = r.business_id and o.id = r.reverses_id
         where (r.kind = 'reversal') <> (r.reverses_id is not null)
            or (r.reverses_id is not null and (o.lot_id <> r.lot_id or o.straws <> r.straws
                or o.from_place_id <> r.to_place_id or o.to_place_id <> r.from_place_id or o.seq >= r.seq))";
    "a withdrawal is reversed exactly when its movement is":
        "select w.business_id, 'withdrawal ' || lower(hex(w.id)) || ' is ' || w.state as subject
         from withdrawal w
         join movement m on m.business_id = w.business_id and m.withdrawal_id = w.id and m.kind = 'withdrawal'
         left join movement r on r.business_id = m.business_id and r.reverses_id = m.id
         where (w.state = 'reversed') <> (r.id is not null)",
        "select w.business_id, 'withdrawal ' || w.id || ' is ' || w.state as subject
         from withdrawal w
         join movement m on m.business_id = w.business_id and m.withdrawal_id = w.id and m.kind = 'withdrawal'
         left join movement r on r.business_id = m.business_id and r.reverses_id = m.id
         where (w.state = 'reversed') <> (r.id is not null)";
    "every thing in the book is among the changes":
        "with things as (
             select business_id, id, 'animal' as kind from animal
             union all select business_id, id, 'movement' from movement
             union all select business_id, id, 'withdrawal' from withdrawal
             union all select business_id, id, 'service' from service
             union all select business_id, id, kind from animal_event
             union all select business_id, id, 'ade_item' from ade_item)
         select t.business_id, t.kind || ' ' || lower(hex(t.id)) as subject
         from things t left join change c
              on c.business_id = t.business_id and c.kind = t.kind and c.subject_id = t.id
         where c.seq is null",
        "with things as (
             select business_id, id, 'animal' as kind from animal
             union all select business_id, id, 'movement' from movement
             union all select business_id, id, 'withdrawal' from withdrawal
             union all select business_id, id, 'service' from service
             union all select business_id, id, kind from animal_event
             union all select business_id, id, 'ade_item' from ade_item)
         select t.business_id, t.kind || ' ' || t.id as subject
         from things t left join change c
              on c.business_id = t.business_id and c.kind = t.kind and c.subject_id = t.id
         where c.seq is null";
    "an answered withdrawal is in the book":
        "select i.business_id, i.request || ' at ' || i.location as subject from act i
         where i.status = 201 and i.location like '/v1/withdrawals/%'
           and not exists (select 1 from withdrawal w where w.business_id = i.business_id
               and lower(hex(w.id)) = replace(replace(i.location, '/v1/withdrawals/', ''), '-', ''))",
        "select i.business_id, i.request || ' at ' || i.location as subject from act i
         where i.status = 201 and i.location like '/v1/withdrawals/%'
           and not exists (select 1 from withdrawal w where w.business_id = i.business_id
               and cast(w.id as text) = replace(i.location, '/v1/withdrawals/', ''))";
}

/// Looks at every rule; gives every breach, at most a hundred for each.
pub async fn findings(tx: &mut Tx) -> Result<Vec<Finding>> {
    let mut findings = Vec::new();
    for &(rule, sqlite, postgres) in RULES {
        let rows = tx.sql_for(sqlite, postgres).all::<Row>().await?;
        findings.extend(rows.into_iter().take(100).map(|Row { business_id, subject }| Finding {
            rule,
            business_id,
            subject,
        }));
    }
    if let Tx::Sqlite(_) = tx {
        findings.extend(sqlite_findings(tx).await?);
    }
    Ok(findings)
}

/// What SQLite itself finds wrong in its file, and references that point nowhere.
async fn sqlite_findings(tx: &mut Tx) -> Result<Vec<Finding>> {
    let file = tx.sql("pragma integrity_check").value::<String>().await?;
    let keys = tx.sql("select \"table\" from pragma_foreign_key_check limit 1").value::<String>().await?;
    let finding = |rule, subject| Finding { rule, business_id: Uuid::nil(), subject };
    Ok(file
        .filter(|said| said != "ok")
        .map(|said| finding("the database file is sound", said))
        .into_iter()
        .chain(keys.map(|table| finding("every reference points to something", format!("in table {table}"))))
        .collect())
}

/// How much was looked at, for the report.
#[derive(Clone, Copy, Debug, sqlx::FromRow)]
pub struct Extent {
    /// Lines of the ledger.
    pub movements: i64,
    /// Balances.
    pub balances: i64,
    /// Withdrawals.
    pub withdrawals: i64,
    /// Services.
    pub services: i64,
    /// Acts noted.
    pub acts: i64,
}

impl std::fmt::Display for Extent {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} movements, {} balances, {} withdrawals, {} services, {} acts",
            self.movements, self.balances, self.withdrawals, self.services, self.acts
        )
    }
}

/// Counts what is in the store.
pub async fn extent(tx: &mut Tx) -> Result<Extent> {
    tx.sql(
        "select (select count(*) from movement) as movements, (select count(*) from balance) as balances,
                (select count(*) from withdrawal) as withdrawals, (select count(*) from service) as services,
                (select count(*) from act) as acts",
    )
    .one()
    .await
}
