-- What the technician charges: one list of prices for each business.
-- The same tables stand in ../postgres under the same number; a test compares them.

create table price_list (
    business_id blob    not null references business (id),
    -- ISO 4217.
    currency    text,
    items       text    not null check (json_valid(items)),
    changed_at  integer not null,
    changed_by  blob    not null,
    primary key (business_id),
    foreign key (business_id, changed_by) references api_key (business_id, id)
) strict, without rowid;
insert into sqlite_stat1 (tbl, idx, stat) values
    ('price_list', 'price_list', '10 1');
analyze sqlite_schema;
