#!/bin/bash
# Copies the primary when the standby's volume is new, and follows it.
set -euo pipefail
if [[ ! -s $PGDATA/PG_VERSION ]]; then
    chmod 700 "$PGDATA"
    export PGPASSWORD=$POSTGRES_PASSWORD
    pg_basebackup --pgdata="$PGDATA" --host=primary --username="$POSTGRES_USER" --write-recovery-conf \
        --checkpoint=fast --wal-method=stream
    # Once it is promoted it must not wait for a standby that is not there; a new one is named again then.
    sed -i '/^synchronous_standby_names/d' "$PGDATA/postgresql.auto.conf"
fi
exec postgres
