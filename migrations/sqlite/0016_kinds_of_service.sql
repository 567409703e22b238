-- A service may be a natural mating or an embryo transfer, and an animal a donor. The same tables stand in ../postgres under
-- the same number; a test compares them.

-- An embryo transfer has no number and no rank, and what is no insemination no straws: their columns hold 1 and are not read.
alter table service add column kind text not null default 'ai' check (kind in ('ai', 'natural', 'embryo_transfer'));
-- The calf's genetic dam, of an embryo transfer.
alter table service add column donor_id blob;
-- Flushed for embryos: the choice rule does not speak of her.
alter table animal add column donor integer not null default 0 check (donor in (0, 1));
