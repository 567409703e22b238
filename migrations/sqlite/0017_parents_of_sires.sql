-- A sire's maternal grandsire, and parents of his that are not in this book, by their official names. The same tables stand in
-- ../postgres under the same number; a test compares them.
alter table sire add column maternal_grandsire_id blob;
alter table sire add column sire_identifier text check (json_valid(sire_identifier));
alter table sire add column dam_identifier text check (json_valid(dam_identifier));
alter table sire add column maternal_grandsire_identifier text check (json_valid(maternal_grandsire_identifier));
