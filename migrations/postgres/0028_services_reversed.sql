-- Services that were entered by mistake: few, and looked for among all.

create index service_reversed on service (business_id, id) where reversed_at is not null;
