-- Mating plans: which sires are wanted for an animal. And animals by the last digits of their official names, which is what
-- is read off an ear tag.
-- The same tables stand in ../sqlite under the same number; a test compares them.

create table mating_plan (
    business_id uuid        not null,
    animal_id   uuid        not null,
    -- Another when another source set it.
    id          uuid        not null,
    -- What herd software sent, if it came so.
    item_id     uuid,
    -- First choice first.
    choices     jsonb       not null,
    source      text        not null check (source in ('by_hand', 'herd_software')),
    planned_at  timestamptz not null,
    note        text,
    recorded_at timestamptz not null,
    recorded_by uuid        not null,
    primary key (business_id, animal_id),
    foreign key (business_id, animal_id) references animal (business_id, id),
    foreign key (business_id, item_id) references ade_item (business_id, id),
    foreign key (business_id, recorded_by) references api_key (business_id, id)
);
create unique index mating_plan_by_id on mating_plan (business_id, id);

-- What herd software recommended last is the plan; it has the id of what came.
insert into mating_plan (business_id, animal_id, id, item_id, choices, source, planned_at, note, recorded_at, recorded_by)
select i.business_id, i.animal_id, i.id, i.id,
       (select coalesce(jsonb_agg(jsonb_build_object(
                   'recommendation', r.value ->> 'recommendation',
                   'sire_id', null,
                   'sire_name', r.value ->> 'sire_name',
                   'sire_identifiers', coalesce(r.value -> 'sires', '[]'),
                   'semen_type', r.value ->> 'semen_type',
                   'lactation', case when (r.value ->> 'parity')::bigint between 0 and 30
                                then (r.value ->> 'parity')::bigint end)
               order by coalesce((r.value ->> 'rank')::bigint, 1000000), r.key), '[]')
        from jsonb_array_elements(i.plan) with ordinality as r(value, key)),
       'herd_software', i.happened_at, null, i.recorded_at, i.recorded_by
from (select *, row_number() over (partition by business_id, animal_id order by happened_at desc, id desc) as nth
      from ade_item
      where kind = 'mating_recommendation' and not deleted and animal_id is not null and happened_at is not null
        and plan is not null) i
where i.nth = 1;
insert into ade_made (business_id, subject_id, item_id) select business_id, id, item_id from mating_plan;
insert into change (business_id, kind, subject_id, seq, herd_id, animal_id, reversed, created_at, changed_at)
select p.business_id, 'mating_plan', p.id,
       (select coalesce(max(c.seq), 0) from change c where c.business_id = p.business_id)
           + row_number() over (partition by p.business_id order by p.id),
       a.herd_id, p.animal_id, false, b.changed_at, b.changed_at
from mating_plan p
join animal a on a.business_id = p.business_id and a.id = p.animal_id
join business b on b.id = p.business_id;

-- The last four and five digits of what animals are called officially.
insert into search_word (business_id, subject, word, subject_id)
select distinct i.business_id, 'animal', right(i.code, n.length), i.subject_id
from identifier i
join animal a on a.business_id = i.business_id and a.id = i.subject_id
cross join (values (4), (5)) as n(length)
where length(i.code) > n.length and right(i.code, n.length) !~ '[^0-9]'
on conflict (business_id, subject, word, subject_id) do nothing;
