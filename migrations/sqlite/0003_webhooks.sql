-- What others are told of, and whom it is told to.
-- The same tables stand in ../postgres under the same number; a test compares them.

-- The outbox's last number; taken up in the transaction that writes the next event, so dense.
alter table business add column event_seq integer not null default 0 check (event_seq >= 0);

create table webhook (
    business_id     blob    not null references business (id),
    id              blob    not null check (length(id) = 16),
    url             text    not null,
    -- Lists; an empty one limits nothing.
    topics          text    not null check (json_valid(topics)),
    herd_ids        text    not null check (json_valid(herd_ids)),
    tank_ids        text    not null check (json_valid(tank_ids)),
    note            text,
    state           text    not null check (state in ('active', 'paused', 'disabled', 'deleted')),
    disabled_reason text,
    -- Attempts that failed since the last that succeeded, and since when.
    failures        integer not null default 0 check (failures >= 0),
    failing_since   integer,
    -- Nothing is sent before this.
    rest_until      integer,
    delivered_at    integer,
    created_at      integer not null,
    primary key (business_id, id)
) strict, without rowid;

-- Secrets stand here in the clear, because every delivery is signed with them.
create table webhook_secret (
    business_id blob    not null,
    id          blob    not null check (length(id) = 16),
    webhook_id  blob    not null,
    secret      text    not null,
    created_at  integer not null,
    -- An earlier secret signs beside the present one until then.
    valid_until integer,
    primary key (business_id, id),
    foreign key (business_id, webhook_id) references webhook (business_id, id)
) strict, without rowid;
create index webhook_secret_by_webhook on webhook_secret (business_id, webhook_id, id);

-- The outbox: an event stands here exactly when its cause stands in the book and someone wants to be told.
create table outbox (
    business_id blob    not null references business (id),
    seq         integer not null check (seq > 0),
    id          blob    not null check (length(id) = 16),
    topic       text    not null,
    phase       text    not null check (phase in ('happened', 'repeated', 'acknowledged', 'cleared')),
    -- Events of one subject are told in their order.
    subject     text    not null,
    herd_id     blob,
    tank_id     blob,
    data        text    not null check (json_valid(data)),
    occurred_at integer not null,
    recorded_at integer not null,
    primary key (business_id, seq),
    unique (business_id, id),
    foreign key (business_id, herd_id) references herd (business_id, id),
    foreign key (business_id, tank_id) references tank (business_id, id)
) strict, without rowid;
create index outbox_by_age on outbox (business_id, recorded_at);

-- One event on its way to one webhook.
create table delivery (
    business_id blob    not null,
    id          blob    not null check (length(id) = 16),
    webhook_id  blob    not null,
    event_seq   integer not null,
    subject     text    not null,
    state       text    not null check (state in ('waiting', 'delivered', 'failed')),
    attempts    integer not null default 0 check (attempts >= 0),
    -- How far along the schedule of retries; another redelivery begins it anew.
    step        integer not null default 0 check (step >= 0),
    due_at      integer not null,
    -- A worker has it in hand until then; after a crash another takes it up.
    lease_until integer,
    outcome     text,
    created_at  integer not null,
    finished_at integer,
    primary key (business_id, id),
    unique (business_id, webhook_id, event_seq),
    foreign key (business_id, webhook_id) references webhook (business_id, id),
    foreign key (business_id, event_seq) references outbox (business_id, seq)
) strict, without rowid;
create index delivery_by_webhook on delivery (business_id, webhook_id, id);
create index delivery_by_age on delivery (business_id, created_at);
create index delivery_by_event on delivery (business_id, event_seq);
create index delivery_due on delivery (business_id, webhook_id, due_at, event_seq) where state = 'waiting';
create index delivery_by_subject on delivery (business_id, webhook_id, subject, event_seq) where state = 'waiting';
create index delivery_in_hand on delivery (business_id, webhook_id, lease_until) where lease_until is not null;

create table delivery_attempt (
    business_id blob    not null,
    id          blob    not null check (length(id) = 16),
    delivery_id blob    not null,
    number      integer not null check (number > 0),
    started_at  integer not null,
    host        text    not null,
    outcome     text    not null,
    status      integer,
    latency_ms  integer not null check (latency_ms >= 0),
    -- The beginning of what the receiver answered.
    answer      text,
    primary key (business_id, id),
    foreign key (business_id, delivery_id) references delivery (business_id, id)
) strict;
create index delivery_attempt_by_delivery on delivery_attempt (business_id, delivery_id, number);
