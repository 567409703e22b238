#!/bin/sh
# Runs once, when the primary's volume is made: lets the standby in, and has every commit wait for it from the next start on.
set -eu
echo 'host replication tankside all scram-sha-256' >>"$PGDATA/pg_hba.conf"
psql --username "$POSTGRES_USER" --dbname "$POSTGRES_DB" --command "alter system set synchronous_standby_names = '*'"
