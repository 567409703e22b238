-- Consignments: straws that come in by a delivery note, and straws that leave for another keeper.
-- The same tables stand in ../sqlite under the same number; a test compares them.

alter table place drop constraint place_kind_check;
alter table place add constraint place_kind_check
    check (kind in ('tank', 'supplier', 'used', 'discarded', 'counted', 'keeper'));
alter table movement drop constraint movement_kind_check;
alter table movement add constraint movement_kind_check
    check (kind in ('receipt', 'transfer', 'withdrawal', 'discard', 'count', 'consignment', 'reversal'));

create table consignment (
    business_id     uuid        not null references business (id),
    id              uuid        not null,
    direction       text        not null check (direction in ('in', 'out')),
    -- The supplier, or the keeper that the straws go to.
    party_name      text        not null,
    approval_number text,
    party_address   text,
    documents       jsonb       not null,
    document_on     date,
    moved_at        timestamptz not null,
    technician      text,
    note            text,
    recorded_at     timestamptz not null,
    recorded_by     uuid        not null,
    primary key (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);
create index consignment_by_direction on consignment (business_id, direction, id);

-- Its lines are lines of the ledger.
create table consignment_line (
    business_id    uuid   not null,
    consignment_id uuid   not null,
    seq            bigint not null,
    primary key (business_id, consignment_id, seq),
    foreign key (business_id, consignment_id) references consignment (business_id, id),
    foreign key (business_id, seq) references movement (business_id, seq)
);
create unique index consignment_of_line on consignment_line (business_id, seq);
