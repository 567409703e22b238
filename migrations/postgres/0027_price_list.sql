-- What the technician charges: one list of prices for each business.
-- The same tables stand in ../sqlite under the same number; a test compares them.

create table price_list (
    business_id uuid        not null references business (id),
    -- ISO 4217.
    currency    text,
    items       jsonb       not null,
    changed_at  timestamptz not null,
    changed_by  uuid        not null,
    primary key (business_id),
    foreign key (business_id, changed_by) references api_key (business_id, id)
);
