//! Whether the book adds up: every balance recomputed from the movements, every rule of the ledger
//! looked at again.

use uuid::Uuid;

use crate::{
    domain::access::business::Business,
    store::{
        Result, Tx,
        access::business,
        animals::{herd, numbering},
        newest,
    },
};

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

impl Finding {
    /// Whether the file itself is damaged, and not only the book in it.
    pub fn is_damage(&self) -> bool {
        self.rule == SOUND
    }
}

const SOUND: &str = "the database file is sound";

#[derive(sqlx::FromRow)]
struct Row {
    business_id: Uuid,
    subject: String,
}

/// A rule of the book.
struct Rule {
    /// In words.
    text: &'static str,
    /// The version of the tables from which on it can be looked at.
    since: i64,
    /// Gives a row for every breach, on SQLite.
    sqlite: &'static str,
    /// The same on PostgreSQL.
    postgres: &'static str,
}

/// Each rule with a statement that gives a row for every breach of it; a second one for PostgreSQL where
/// an id has to be written out, which the two do differently. What needs tables of a later migration than
/// the first says `since N`, so that an older store can be looked at too.
macro_rules! rules {
    ($($text:literal $(since $since:literal)?: $sql:literal $(, $postgres:literal)?;)+) => {
        const RULES: &[Rule] = &[$(Rule {
            text: $text,
            since: rules!(# $($since)?),
            sqlite: $sql,
            postgres: rules!(@ $sql $(, $postgres)?),
        },)+];
    };
    (@ $sql:literal) => { $sql };
    (@ $sql:literal, $postgres:literal) => { $postgres };
    (#) => { 1 };
    (# $since:literal) => { $since };
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
    "straws hang only in canisters that their tank has":
        "select b.business_id, 'lot ' || lower(hex(b.lot_id)) || ' in canister ' || p.canister || ' of ' || t.name as subject
         from balance b
         join place p on p.business_id = b.business_id and p.id = b.place_id
         join tank t on t.business_id = p.business_id and t.id = p.tank_id
         where b.straws > 0 and p.canister > t.canisters",
        "select b.business_id, 'lot ' || b.lot_id || ' in canister ' || p.canister || ' of ' || t.name as subject
         from balance b
         join place p on p.business_id = b.business_id and p.id = b.place_id
         join tank t on t.business_id = p.business_id and t.id = p.tank_id
         where b.straws > 0 and p.canister > t.canisters";
    "the lines of the ledger are numbered without a gap":
        "select b.id as business_id,
                'lines ' || count(m.seq) || ', first ' || coalesce(min(m.seq), 0) || ', last '
                    || coalesce(max(m.seq), 0) || ', counter ' || b.movement_seq as subject
         from business b left join movement m on m.business_id = b.id
         group by b.id, b.movement_seq
         having count(m.seq) <> b.movement_seq or coalesce(max(m.seq), 0) <> b.movement_seq";
    "each line of the ledger stands with the tanks that it touches" since 8:
        "with touched as (
             select m.business_id, p.tank_id, m.seq from movement m
             join place p on p.business_id = m.business_id and p.id = m.from_place_id where p.tank_id is not null
             union
             select m.business_id, p.tank_id, m.seq from movement m
             join place p on p.business_id = m.business_id and p.id = m.to_place_id where p.tank_id is not null)
         select coalesce(t.business_id, k.business_id) as business_id, 'line ' || coalesce(t.seq, k.seq) as subject
         from touched t full join movement_tank k
              on k.business_id = t.business_id and k.tank_id = t.tank_id and k.seq = t.seq
         where t.seq is null or k.seq is null";
    "the time of recording goes back along the ledger only from where the clock leapt ahead by more than a month":
        "with lines as (
             select business_id, seq, recorded_at,
                    lag(recorded_at) over (partition by business_id order by seq) as before
             from movement)
         select l.business_id, 'line ' || l.seq as subject from lines l
         where l.before > l.recorded_at and not exists (
             select 1 from lines leap
             where leap.business_id = l.business_id and leap.seq < l.seq and leap.before <= l.recorded_at
               and leap.recorded_at > leap.before + 2678400000000)",
        "with lines as (
             select business_id, seq, recorded_at,
                    lag(recorded_at) over (partition by business_id order by seq) as before
             from movement)
         select l.business_id, 'line ' || l.seq as subject from lines l
         where l.before > l.recorded_at and not exists (
             select 1 from lines leap
             where leap.business_id = l.business_id and leap.seq < l.seq and leap.before <= l.recorded_at
               and leap.recorded_at > leap.before + interval '31 days')";
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
    "only an insemination has a straw" since 16:
        "select business_id, 'service ' || lower(hex(id)) as subject from service
         where kind <> 'ai' and (withdrawal_id is not null or lot_id is not null or semen_type is not null)",
        "select business_id, 'service ' || id as subject from service
         where kind <> 'ai' and (withdrawal_id is not null or lot_id is not null or semen_type is not null)";
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
    "at most one alert is open for each kind and subject" since 4:
        "select business_id, kind || ' about ' || subject as subject from alert
         where cleared_at is null group by business_id, kind, subject having count(*) > 1";
    "a reading is superseded exactly when another of its tank stands in its place" since 2:
        "select r.business_id, 'reading ' || lower(hex(r.id)) as subject
         from nitrogen_reading r left join nitrogen_reading s
              on s.business_id = r.business_id and s.supersedes_id = r.id
         where (r.superseded_at is not null) <> (s.id is not null) or s.tank_id <> r.tank_id",
        "select r.business_id, 'reading ' || r.id as subject
         from nitrogen_reading r left join nitrogen_reading s
              on s.business_id = r.business_id and s.supersedes_id = r.id
         where (r.superseded_at is not null) <> (s.id is not null) or s.tank_id <> r.tank_id";
    "a refill is superseded exactly when another of its tank stands in its place" since 2:
        "select r.business_id, 'refill ' || lower(hex(r.id)) as subject
         from nitrogen_refill r left join nitrogen_refill s
              on s.business_id = r.business_id and s.supersedes_id = r.id
         where (r.superseded_at is not null) <> (s.id is not null) or s.tank_id <> r.tank_id",
        "select r.business_id, 'refill ' || r.id as subject
         from nitrogen_refill r left join nitrogen_refill s
              on s.business_id = r.business_id and s.supersedes_id = r.id
         where (r.superseded_at is not null) <> (s.id is not null) or s.tank_id <> r.tank_id";
    "a repair is superseded exactly when another of its tank stands in its place" since 14:
        "select r.business_id, 'repair ' || lower(hex(r.id)) as subject
         from tank_repair r left join tank_repair s
              on s.business_id = r.business_id and s.supersedes_id = r.id
         where (r.superseded_at is not null) <> (s.id is not null) or s.tank_id <> r.tank_id",
        "select r.business_id, 'repair ' || r.id as subject
         from tank_repair r left join tank_repair s
              on s.business_id = r.business_id and s.supersedes_id = r.id
         where (r.superseded_at is not null) <> (s.id is not null) or s.tank_id <> r.tank_id";
    "an animal has left every herd of which something that happened to her is on record" since 11:
        "select h.business_id, 'animal ' || lower(hex(h.animal_id)) as subject
         from (select business_id, animal_id, herd_id from service
               union select business_id, animal_id, herd_id from animal_event) h
         join animal a on a.business_id = h.business_id and a.id = h.animal_id
         left join former_herd f on f.business_id = h.business_id and f.animal_id = h.animal_id and f.herd_id = h.herd_id
         where a.herd_id <> h.herd_id and f.herd_id is null",
        "select h.business_id, 'animal ' || h.animal_id as subject
         from (select business_id, animal_id, herd_id from service
               union select business_id, animal_id, herd_id from animal_event) h
         join animal a on a.business_id = h.business_id and a.id = h.animal_id
         left join former_herd f on f.business_id = h.business_id and f.animal_id = h.animal_id and f.herd_id = h.herd_id
         where a.herd_id <> h.herd_id and f.herd_id is null";
    "a line says what hung at its places after it":
        "with moved as (
             select business_id, seq, lot_id, to_place_id as place_id, straws, to_held as told from movement
             union all
             select business_id, seq, lot_id, from_place_id, -straws, from_left from movement),
         summed as (
             select m.business_id, m.seq, m.told,
                    sum(m.straws) over (partition by m.business_id, m.lot_id, m.place_id order by m.seq) as held
             from moved m join place p on p.business_id = m.business_id and p.id = m.place_id
             where p.tank_id is not null)
         select business_id,
                'line ' || seq || ' says ' || coalesce(cast(told as text), 'nothing') || ', the lines make ' || held
                    as subject
         from summed where told is null or told <> held";
    "a withdrawal is resolved, or in the bath, from a time on":
        "select business_id, 'withdrawal ' || lower(hex(id)) || ' is ' || state as subject from withdrawal
         where (state in ('out', 'thawing')) <> (resolved_at is null)
            or (state = 'out' and thaw_started_at is not null)
            or (state = 'thawing' and thaw_started_at is null)",
        "select business_id, 'withdrawal ' || id || ' is ' || state as subject from withdrawal
         where (state in ('out', 'thawing')) <> (resolved_at is null)
            or (state = 'out' and thaw_started_at is not null)
            or (state = 'thawing' and thaw_started_at is null)";
    "the differences of a stocktake are in the ledger exactly when it is accepted":
        "select business_id, 'stocktake ' || lower(hex(id)) || ' is ' || state || ', posted ' || posted as subject
         from (select s.business_id, s.id, s.state, s.accepted_at,
                      (select coalesce(sum(abs(json_extract(l.value, '$.difference'))), 0)
                       from json_each(s.lines) l) as differences,
                      (select coalesce(sum(m.straws), 0) from movement m
                       where m.business_id = s.business_id and m.stocktake_id = s.id and m.kind = 'count') as posted
               from stocktake s) as taken
         where (state = 'accepted') <> (accepted_at is not null)
            or posted <> case state when 'accepted' then differences else 0 end",
        "select business_id, 'stocktake ' || id || ' is ' || state || ', posted ' || posted as subject
         from (select s.business_id, s.id, s.state, s.accepted_at,
                      (select coalesce(sum(abs(cast(l ->> 'difference' as bigint))), 0)
                       from jsonb_array_elements(s.lines) l) as differences,
                      (select coalesce(sum(m.straws), 0) from movement m
                       where m.business_id = s.business_id and m.stocktake_id = s.id and m.kind = 'count') as posted
               from stocktake s) as taken
         where (state = 'accepted') <> (accepted_at is not null)
            or posted <> case state when 'accepted' then differences else 0 end";
    "what was answered as done is in the book":
        "select i.business_id, i.request || ' at ' || i.location as subject
         from (select business_id, request, location, substr(location, 1, length(location) - 36) as path,
                      unhex(replace(substr(location, -36), '-', '')) as id
               from act where status = 201 and location is not null) i
         where not case i.path
             when '/v1/movements/' then
                 exists (select 1 from movement t where t.business_id = i.business_id and t.id = i.id)
             when '/v1/withdrawals/' then
                 exists (select 1 from withdrawal t where t.business_id = i.business_id and t.id = i.id)
             when '/v1/services/' then
                 exists (select 1 from service t where t.business_id = i.business_id and t.id = i.id)
             when '/v1/stocktakes/' then
                 exists (select 1 from stocktake t where t.business_id = i.business_id and t.id = i.id)
             when '/v1/animals/' then
                 exists (select 1 from animal t where t.business_id = i.business_id and t.id = i.id)
             when '/v1/lots/' then
                 exists (select 1 from lot t where t.business_id = i.business_id and t.id = i.id)
             else 1 end",
        "select i.business_id, i.request || ' at ' || i.location as subject
         from (select business_id, request, location, left(location, -36) as path, right(location, 36) as id
               from act where status = 201 and location is not null) i
         where not case i.path
             when '/v1/movements/' then
                 exists (select 1 from movement t where t.business_id = i.business_id and t.id = cast(i.id as uuid))
             when '/v1/withdrawals/' then
                 exists (select 1 from withdrawal t where t.business_id = i.business_id and t.id = cast(i.id as uuid))
             when '/v1/services/' then
                 exists (select 1 from service t where t.business_id = i.business_id and t.id = cast(i.id as uuid))
             when '/v1/stocktakes/' then
                 exists (select 1 from stocktake t where t.business_id = i.business_id and t.id = cast(i.id as uuid))
             when '/v1/animals/' then
                 exists (select 1 from animal t where t.business_id = i.business_id and t.id = cast(i.id as uuid))
             when '/v1/lots/' then
                 exists (select 1 from lot t where t.business_id = i.business_id and t.id = cast(i.id as uuid))
             else true end";
    "the first answer under an Idempotency-Key is kept whole, once":
        "select business_id, idempotency_key as subject from act
         where idempotency_key is not null
         group by business_id, idempotency_key
         having count(*) > 1 or count(fingerprint) = 0 or count(body) = 0";
    "the ledger is guarded against changes":
        "select zeroblob(16) as business_id, 'there is no ' || g.name as subject
         from (select 'movement_no_update' as name union all select 'movement_no_delete'
               union all select 'movement_no_replace' union all select 'movement_reversed_once'
               union all select 'act_by_key') g
         where not exists (select 1 from sqlite_schema s where s.name = g.name)",
        "select cast('00000000-0000-0000-0000-000000000000' as uuid) as business_id, 'there is no ' || g.name as subject
         from (select 'movement_no_change' as name union all select 'movement_no_truncate'
               union all select 'movement_no_delete' from _sqlx_migrations where version = 31
               union all select 'movement_reversed_once' union all select 'act_by_key') g
         where not exists (select 1 from pg_trigger t where t.tgname = g.name and t.tgenabled <> 'D'
                               and t.tgrelid = to_regclass('movement'))
           and to_regclass(g.name) is null";
    "the events of the outbox are numbered without a gap" since 3:
        "select b.id as business_id,
                'events ' || count(e.seq) || ', first ' || coalesce(min(e.seq), 0) || ', last '
                    || coalesce(max(e.seq), 0) || ', counter ' || b.event_seq as subject
         from business b left join outbox e on e.business_id = b.id
         group by b.id, b.event_seq
         having count(e.seq) > 0 and (max(e.seq) <> b.event_seq or count(e.seq) <> max(e.seq) - min(e.seq) + 1)";
    "what others are told of is in the book" since 3:
        "select e.business_id, e.topic || ' ' || e.seq as subject from outbox e
         where (e.topic = 'straw.withdrawn' and not exists (
                    select 1 from withdrawal w where w.business_id = e.business_id
                      and w.id = unhex(replace(e.data ->> 'withdrawal_id', '-', ''))))
            or (e.topic = 'service.recorded' and not exists (
                    select 1 from service s where s.business_id = e.business_id
                      and s.id = unhex(replace(e.data ->> 'service_id', '-', ''))))",
        "select e.business_id, e.topic || ' ' || e.seq as subject from outbox e
         where (e.topic = 'straw.withdrawn' and not exists (
                    select 1 from withdrawal w where w.business_id = e.business_id
                      and cast(w.id as text) = e.data ->> 'withdrawal_id'))
            or (e.topic = 'service.recorded' and not exists (
                    select 1 from service s where s.business_id = e.business_id
                      and cast(s.id as text) = e.data ->> 'service_id'))";
    "a delivery that was made has an attempt that the receiver took" since 3:
        "select d.business_id, 'delivery ' || lower(hex(d.id)) as subject from delivery d
         where d.state = 'delivered' and not exists (
             select 1 from delivery_attempt a where a.business_id = d.business_id and a.delivery_id = d.id
               and a.outcome = 'delivered')",
        "select d.business_id, 'delivery ' || d.id as subject from delivery d
         where d.state = 'delivered' and not exists (
             select 1 from delivery_attempt a where a.business_id = d.business_id and a.delivery_id = d.id
               and a.outcome = 'delivered')";
    "a webhook has one present secret, until it is removed" since 3:
        "select w.business_id, 'webhook ' || lower(hex(w.id)) as subject
         from webhook w left join webhook_secret s
              on s.business_id = w.business_id and s.webhook_id = w.id and s.valid_until is null
         group by w.business_id, w.id, w.state
         having count(s.id) <> case when w.state = 'deleted' then 0 else 1 end",
        "select w.business_id, 'webhook ' || w.id as subject
         from webhook w left join webhook_secret s
              on s.business_id = w.business_id and s.webhook_id = w.id and s.valid_until is null
         group by w.business_id, w.id, w.state
         having count(s.id) <> case when w.state = 'deleted' then 0 else 1 end";
    "every thing in the book is among the changes" since 6:
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
    "a line of the ledger belongs to a consignment of its direction, or to none" since 18:
        "select m.business_id, 'line ' || m.seq as subject
         from movement m
         left join consignment_line l on l.business_id = m.business_id and l.seq = m.seq
         left join consignment c on c.business_id = l.business_id and c.id = l.consignment_id
         where (m.kind = 'consignment' and c.id is null)
            or (c.id is not null and m.kind <> case c.direction when 'in' then 'receipt' else 'consignment' end)";
    "a consignment has lines, and is among the changes" since 18:
        "select c.business_id, 'consignment ' || lower(hex(c.id)) as subject
         from consignment c
         where not exists (select 1 from consignment_line l
                           where l.business_id = c.business_id and l.consignment_id = c.id)
            or not exists (select 1 from change n
                           where n.business_id = c.business_id and n.kind = 'consignment' and n.subject_id = c.id)",
        "select c.business_id, 'consignment ' || c.id as subject
         from consignment c
         where not exists (select 1 from consignment_line l
                           where l.business_id = c.business_id and l.consignment_id = c.id)
            or not exists (select 1 from change n
                           where n.business_id = c.business_id and n.kind = 'consignment' and n.subject_id = c.id)";
    "a consignment that was answered as done is in the book" since 18:
        "select i.business_id, i.location as subject
         from (select business_id, location, unhex(replace(substr(location, -36), '-', '')) as id
               from act where status = 201 and location like '/v1/consignments/%') i
         where not exists (select 1 from consignment c where c.business_id = i.business_id and c.id = i.id)",
        "select i.business_id, i.location as subject
         from (select business_id, location, cast(right(location, 36) as uuid) as id
               from act where status = 201 and location like '/v1/consignments/%') i
         where not exists (select 1 from consignment c where c.business_id = i.business_id and c.id = i.id)";
    "a mating plan names sires of the book, and is among the changes" since 24:
        "select p.business_id, 'mating plan of animal ' || lower(hex(p.animal_id)) as subject
         from mating_plan p
         where exists (select 1 from json_each(p.choices) c
                       where c.value ->> 'sire_id' is not null
                         and not exists (select 1 from sire s where s.business_id = p.business_id
                                           and s.id = unhex(c.value ->> 'sire_id', '-')))
            or not exists (select 1 from change n
                           where n.business_id = p.business_id and n.kind = 'mating_plan' and n.subject_id = p.id
                             and not n.reversed)",
        "select p.business_id, 'mating plan of animal ' || p.animal_id as subject
         from mating_plan p
         where exists (select 1 from jsonb_array_elements(p.choices) c
                       where c ->> 'sire_id' is not null
                         and not exists (select 1 from sire s where s.business_id = p.business_id
                                           and s.id = (c ->> 'sire_id')::uuid))
            or not exists (select 1 from change n
                           where n.business_id = p.business_id and n.kind = 'mating_plan' and n.subject_id = p.id
                             and not n.reversed)";
    "a call-out is done when its animals were served, or somebody closed it, and is among the changes" since 19:
        "select c.business_id, 'request ' || lower(hex(c.id)) as subject
         from call_out c
         where (c.close_reason is null and (c.state = 'done') <> (
                    exists (select 1 from call_out_animal a where a.business_id = c.business_id and a.call_out_id = c.id)
                    and not exists (select 1 from call_out_animal a
                                    where a.business_id = c.business_id and a.call_out_id = c.id
                                      and a.service_id is null)))
            or not exists (select 1 from change n
                           where n.business_id = c.business_id and n.kind = 'request' and n.subject_id = c.id)",
        "select c.business_id, 'request ' || c.id as subject
         from call_out c
         where (c.close_reason is null and (c.state = 'done') <> (
                    exists (select 1 from call_out_animal a where a.business_id = c.business_id and a.call_out_id = c.id)
                    and not exists (select 1 from call_out_animal a
                                    where a.business_id = c.business_id and a.call_out_id = c.id
                                      and a.service_id is null)))
            or not exists (select 1 from change n
                           where n.business_id = c.business_id and n.kind = 'request' and n.subject_id = c.id)";
    "a timed protocol and what began by it are among the changes" since 25:
        "select t.business_id, t.kind || ' ' || lower(hex(t.id)) as subject
         from (select business_id, id, 'timed_protocol' as kind from timed_protocol
               union all
               select business_id, id, 'protocol_start' from protocol_start) t
         where not exists (select 1 from change n
                           where n.business_id = t.business_id and n.kind = t.kind and n.subject_id = t.id)",
        "select t.business_id, t.kind || ' ' || t.id as subject
         from (select business_id, id, 'timed_protocol' as kind from timed_protocol
               union all
               select business_id, id, 'protocol_start' from protocol_start) t
         where not exists (select 1 from change n
                           where n.business_id = t.business_id and n.kind = t.kind and n.subject_id = t.id)";
    "the hour of a timed protocol is that of its last step" since 25:
        "select business_id, 'protocol start ' || lower(hex(id)) as subject from protocol_start
         where calendar ->> '$[#-1].kind' <> 'insemination'
            or unixepoch(calendar ->> '$[#-1].at') <> inseminate_at / 1000000",
        "select business_id, 'protocol start ' || id as subject from protocol_start
         where calendar -> -1 ->> 'kind' <> 'insemination'
            or (calendar -> -1 ->> 'at')::timestamptz <> inseminate_at";
}

/// What was found in a store.
#[derive(Clone, Debug)]
pub struct Report {
    /// The version of its tables.
    pub version: i64,
    /// How much there is; not counted in an older store, which lacks some of it, and in a damaged one.
    pub extent: Option<Extent>,
    /// Whose books.
    pub businesses: Vec<Business>,
    /// What does not add up.
    pub findings: Vec<Finding>,
}

/// Looks through a store whose tables are of `version`.
pub async fn report(tx: &mut Tx, version: i64) -> Result<Report> {
    // The file itself first: in a damaged one the rest means nothing.
    let mut found = sound(tx).await?;
    if !found.is_empty() {
        return Ok(Report { version, extent: None, businesses: Vec::new(), findings: found });
    }
    found.extend(references(tx).await?);
    found.extend(breaches(tx, version).await?);
    if version >= KINDS_OF_SERVICE {
        found.extend(numbers(tx).await?);
    }
    let extent = if version < newest() { None } else { Some(extent(tx).await?) };
    let businesses = business::all(tx).await?;
    Ok(Report { version, extent, businesses, findings: found })
}

/// Looks at everything in a store whose tables are up to date; gives every breach, at most a hundred for each rule.
pub async fn findings(tx: &mut Tx) -> Result<Vec<Finding>> {
    Ok(report(tx, i64::MAX).await?.findings)
}

async fn breaches(tx: &mut Tx, version: i64) -> Result<Vec<Finding>> {
    let mut findings = Vec::new();
    for rule in RULES.iter().filter(|rule| rule.since <= version) {
        let rows = tx.sql_for(rule.sqlite, rule.postgres).all::<Row>().await?;
        findings.extend(rows.into_iter().take(100).map(|Row { business_id, subject }| Finding {
            rule: rule.text,
            business_id,
            subject,
        }));
    }
    Ok(findings)
}

/// The tables tell the kind of a service, by which it is numbered, since this version; an older store is looked at again once
/// it is up to date.
const KINDS_OF_SERVICE: i64 = 16;

/// Services that have another number than what is on record says.
async fn numbers(tx: &mut Tx) -> Result<Vec<Finding>> {
    let rule = "every service has the number that its animal's history gives it";
    let mut findings = Vec::new();
    for Business { id: business, .. } in business::all(tx).await? {
        for herd in herd::ids(tx, business).await? {
            for numbering in numbering::of_herd(tx, business, herd).await? {
                findings.extend(numbering.outdated().into_iter().map(|(service, right)| Finding {
                    rule,
                    business_id: business.0,
                    subject: format!(
                        "service {service} should be service {}, insemination {}",
                        right.service_number, right.rank
                    ),
                }));
            }
        }
    }
    findings.truncate(100);
    Ok(findings)
}

/// What SQLite itself finds wrong in its file. PostgreSQL has its own means, such as page checksums.
async fn sound(tx: &mut Tx) -> Result<Vec<Finding>> {
    if tx.is_postgres() {
        return Ok(Vec::new());
    }
    let said = tx.sql("pragma integrity_check").value::<String>().await?;
    Ok(said
        .filter(|said| said != "ok")
        .map(|subject| Finding { rule: SOUND, business_id: Uuid::nil(), subject })
        .into_iter()
        .collect())
}

/// References that point nowhere. PostgreSQL sees to that with every change, so there the question is
/// whether it was told to look away.
async fn references(tx: &mut Tx) -> Result<Vec<Finding>> {
    #[derive(sqlx::FromRow)]
    struct Place {
        subject: String,
    }
    let rows = tx
        .sql_for(
            "select 'in table ' || \"table\" || ' to ' || parent as subject from pragma_foreign_key_check limit 100",
            "select conname || ' on ' || cast(cast(conrelid as regclass) as text) || ' was not checked' as subject
             from pg_constraint
             where contype = 'f' and not convalidated and connamespace = to_regnamespace(current_schema())",
        )
        .all::<Place>()
        .await?;
    let rule = "every reference points to something";
    Ok(rows
        .into_iter()
        .map(|Place { subject }| Finding { rule, business_id: Uuid::nil(), subject })
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
    /// Readings of nitrogen.
    pub readings: i64,
    /// Refills.
    pub refills: i64,
    /// Acts noted.
    pub acts: i64,
    /// Events in the outbox.
    pub events: i64,
}

impl std::fmt::Display for Extent {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} movements, {} balances, {} withdrawals, {} services, {} readings, {} refills, {} acts, {} events",
            self.movements,
            self.balances,
            self.withdrawals,
            self.services,
            self.readings,
            self.refills,
            self.acts,
            self.events
        )
    }
}

/// Counts what is in the store.
pub async fn extent(tx: &mut Tx) -> Result<Extent> {
    tx.sql(
        "select (select count(*) from movement) as movements, (select count(*) from balance) as balances,
                (select count(*) from withdrawal) as withdrawals, (select count(*) from service) as services,
                (select count(*) from nitrogen_reading) as readings,
                (select count(*) from nitrogen_refill) as refills,
                (select count(*) from act) as acts, (select count(*) from outbox) as events",
    )
    .one()
    .await
}
