-- What a choice rule may look at: the groups of an animal and the purpose of a sire; and whether a technician may set it aside.
alter table animal add column animal_groups jsonb not null default '[]';
alter table sire add column purpose text check (purpose in ('dairy', 'beef', 'dual'));
alter table herd add column technician_may_override boolean not null default false;
