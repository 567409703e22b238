-- A sire's maternal grandsire, and parents of his that are not in this book, by their official names. The same tables stand in
-- ../sqlite under the same number; a test compares them.
alter table sire add column maternal_grandsire_id uuid;
alter table sire add column sire_identifier jsonb;
alter table sire add column dam_identifier jsonb;
alter table sire add column maternal_grandsire_identifier jsonb;
