-- When a process last went through what time alone brings about in a business: of several processes on one server one does.
-- The same table stands in ../sqlite under the same number; a test compares them.

create table sweep (
    business_id     uuid        not null references business (id),
    looked_at       timestamptz,
    tanks_looked_at timestamptz,
    primary key (business_id)
);
