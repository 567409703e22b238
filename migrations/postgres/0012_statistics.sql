-- SQLite plans by fixed statistics, which its own 0012 writes; PostgreSQL counts for itself.
select 1;
