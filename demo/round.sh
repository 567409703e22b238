#!/usr/bin/env bash
# One straw's way, as a technician's script would walk it:
#
#   delivery -> heat -> next-service -> bath -> withdrawal -> thaw -> service
#
# on a small invented farm that it enters first. It needs bash, curl, and jq or python3.
#
#   TANKSIDE_URL=http://127.0.0.1:8080 TANKSIDE_KEY=tks_... demo/round.sh
#
# The key must be a manager's, because the script enters a herd, a tank, a sire and a lot; the round
# itself needs no more than a technician's. It ends with status 0 only if all came out as it must.
#
# Nitrogen burns, and its gas displaces air: gloves, face shield, open doors. Local codes go before this.
set -euo pipefail

: "${TANKSIDE_URL:?say where the service is, such as http://127.0.0.1:8080}"
: "${TANKSIDE_KEY:?give a key of the service, tks_...}"
url=${TANKSIDE_URL%/}

# What has to outlive a crash of this script: each act as it is sent, body and Idempotency-Key. It is
# written before anything is sent, so that whatever happens the very same act can be sent again under
# the same key. Name a lasting folder in TANKSIDE_ACTS to keep it: run again with that folder, the script
# finishes what was interrupted. Otherwise it goes when the script is done.
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
acts=${TANKSIDE_ACTS:-$work/acts}
mkdir -p "$acts"

say() { printf '%s\n' "$*"; }
die() { printf 'OTHERWISE: %s\n' "$*" >&2; exit 1; }

# pick POINTER < JSON: the value at a dotted path, such as candidates.0.place.canister.
if command -v jq >/dev/null; then
    pick() {
        jq -r --arg path "$1" \
            'getpath($path | split(".") | map(if test("^[0-9]+$") then tonumber else . end)) // ""
             | if type == "object" or type == "array" then tojson else . end'
    }
elif command -v python3 >/dev/null; then
    pick() {
        python3 -c '
import json, sys
value = json.load(sys.stdin)
for step in sys.argv[1].split("."):
    try:
        value = value[int(step)] if isinstance(value, list) else value[step]
    except (IndexError, KeyError, TypeError):
        value = None
if value is None:
    value = ""
print(value if isinstance(value, str) else json.dumps(value))' "$1"
    }
else
    die "neither jq nor python3 is there to read JSON with"
fi

new_key() {
    if [[ -r /proc/sys/kernel/random/uuid ]]; then
        cat /proc/sys/kernel/random/uuid
    else
        od -An -N16 -tx1 /dev/urandom | tr -d ' \n'
    fi
}

# send ACT METHOD PATH [BODY]: sends, and sends again while what went wrong may pass. Leaves the
# status in $status and the answer in $answer.
#
# No answer at all (000), 408, 429, 502, 503, 504, and 409 with Retry-After may pass; any other answer is
# one. Between the attempts it waits longer each time, with some jitter, and as long as Retry-After asks for.
send() {
    local act=$1 method=$2 path=$3 body=${4-} attempt wait after
    local options=(--silent --show-error --max-time 35 --noproxy '*' --request "$method"
        --header "Authorization: Bearer $TANKSIDE_KEY"
        --dump-header "$work/headers" --output "$work/answer" --write-out '%{http_code}')
    if [[ $method == POST ]]; then
        # An act that was kept before goes out as it was then; a new one is kept first. The key comes last:
        # where there is a key, the body is whole.
        if [[ ! -s $acts/$act.key ]]; then
            printf '%s' "$body" >"$acts/$act.json"
            new_key >"$acts/$act.new"
            mv "$acts/$act.new" "$acts/$act.key"
        fi
        options+=(--header "Idempotency-Key: $(cat "$acts/$act.key")"
            --header 'Content-Type: application/json' --data-binary "@$acts/$act.json")
    fi
    for attempt in 1 2 3 4 5 6; do
        : >"$work/headers"
        : >"$work/answer"
        status=$(curl "${options[@]}" "$url$path" 2>"$work/error") || status=000
        answer=$(cat "$work/answer")
        after=$(sed -n 's/^[Rr]etry-[Aa]fter: *\([0-9]*\).*/\1/p' "$work/headers")
        case $status in
            000 | 408 | 429 | 502 | 503 | 504) ;;
            409) [[ -n $after ]] || return 0 ;;
            *) return 0 ;;
        esac
        if [[ $attempt == 6 ]]; then
            break
        fi
        wait=$((1 << (attempt - 1)))
        if [[ -n $after && $after -gt $wait ]]; then
            wait=$after
        fi
        say "   $act: ${status/000/no answer}; once more in about $wait s, with the same key" >&2
        sleep "$wait.$((RANDOM % 10))"
    done
    die "$act: given up after $attempt attempts ($status): $(cat "$work/error")"
}

get() { send "$1" GET "$2"; [[ $status == 200 ]] || die "$1: $status $answer"; }
post() { send "$1" POST "$2" "$3"; }
# must STATUS: what the last answer must have been.
must() { [[ $status == "$1" ]] || die "expected $1, was answered $status: $(pick detail <<<"$answer")"; }

# enter ACT PATH BODY: enters a thing; its id is in $id.
enter() {
    post "$1" "$2" "$3"
    must 201
    id=$(pick id <<<"$answer")
}

# ago MINUTES [SECONDS]: so many seconds after that moment, as RFC 3339 in UTC. Counted from when the script began, so that
# what is seconds apart stays so.
began=$(date +%s)
ago() {
    local at=$((began - $1 * 60 + ${2-0}))
    date -u -d "@$at" +%Y-%m-%dT%H:%M:%SZ 2>/dev/null || date -u -r "$at" +%Y-%m-%dT%H:%M:%SZ
}

say "A small invented farm"
enter herd /v1/herds '{"name": "Script Farm (invented)", "time_zone": "Europe/Lisbon"}'
herd=$id
enter tank /v1/tanks '{"name": "Script tank", "herd_id": "'"$herd"'", "canisters": 6}'
tank=$id
enter sire /v1/sires '{"name": "Made-up Hawthorn", "breed": "HOL"}'
sire=$id
enter lot /v1/lots '{"sire_id": "'"$sire"'", "semen_type": "sexed_female", "straw_ml": 0.25}'
lot=$id
enter heifer /v1/animals '{"herd_id": "'"$herd"'", "number": "1"}'
heifer=$id

say "Delivery: 5 sexed straws into canister 3, cane B, upper goblet"
place='{"tank_id": "'"$tank"'", "canister": 3, "cane": "B", "goblet": "upper"}'
post delivery /v1/receipts '{"lot_id": "'"$lot"'", "place": '"$place"', "straws": 5}'
must 201
[[ $(pick straws_at_place <<<"$answer") == 5 ]] || die "5 straws should hang there"

# Sexed semen is used 14 to 24 h after standing heat.
say "Heat: she stood 20 hours ago"
post heat /v1/heats '{"animal_id": "'"$heifer"'", "standing_at": "'"$(ago 1200)"'"}'
must 201

# Killed after the straw was lifted and run again, the script goes on with that straw, and what comes before it is not asked
# for again: her next service would be another one by then.
before_the_straw() {
    get next-service "/v1/animals/$heifer/next-service"
    say "Next service: number $(pick service_number <<<"$answer"). $(pick rule.text <<<"$answer")"
    [[ $(pick service_number <<<"$answer") == 1 ]] || die "it should be her first service"
    # Beside others where the service has more tanks than this.
    local nth=0 offered
    while offered=$(pick "candidates.$nth.lot.id" <<<"$answer") && [[ $offered != "$lot" ]]; do
        [[ -n $offered ]] || die "the straw just delivered should be offered"
        nth=$((nth + 1))
    done
    at() { pick "candidates.$nth.$1" <<<"$answer"; }
    say "   hangs in $(at tank_name), canister $(at place.canister), cane $(at place.cane), $(at place.goblet) goblet"
    say "   serve from $(pick timing.earliest_at <<<"$answer") to $(pick timing.latest_at <<<"$answer")"

    # The bath before the straw: once lifted, it has seconds to the bath.
    get bath "/v1/thaw-advice?bath_temp_c=35.6&bath_volume_ml=1000&lot_id=$lot&technician=Mira"
    say "Bath: $(pick text <<<"$answer")"
    [[ $(pick verdict <<<"$answer") == right ]] || die "mend the bath first: $(pick text <<<"$answer")"
}
if [[ -s $acts/withdrawal.key ]]; then
    say "Taken up where it was left: the straw was written down already"
else
    before_the_straw
fi

say "Withdrawal"
withdrawal='{"animal_id": "'"$heifer"'", "lot_id": "'"$lot"'", "withdrawn_at": "'"$(ago 10)"'", "technician": "Mira"}'
post withdrawal /v1/withdrawals "$withdrawal"
must 201
straw=$(pick id <<<"$answer")
# What follows is told by when it was lifted, also by a script that was killed then and goes on a day later.
lifted=$(pick withdrawn_at <<<"$answer")
lifted=$(date -u -d "$lifted" +%s 2>/dev/null || date -u -j -f %Y-%m-%dT%H:%M:%SZ "$lifted" +%s)
began=$((lifted + 600))

# As if the answer had been lost: the same act again takes no second straw.
say "The same again, with the same key"
post withdrawal /v1/withdrawals "$withdrawal"
must 201
[[ $(pick id <<<"$answer") == "$straw" ]] || die "the same act gave another straw"
grep -qi '^idempotent-replayed: *true' "$work/headers" || die "the answer should be marked Idempotent-Replayed"

say "Thaw: 9 seconds later, the bath shows 35.6 C"
post thaw "/v1/withdrawals/$straw/thaw" '{"bath_temp_c": 35.6, "started_at": "'"$(ago 10 9)"'"}'
must 200
say "   ready at $(pick ready_at <<<"$answer"), use by $(pick use_by <<<"$answer")"

say "Service"
post service /v1/services '{"withdrawal_id": "'"$straw"'", "served_at": "'"$(ago 7)"'", "technician": "Mira"}'
must 201
[[ $(pick deviations <<<"$answer") == '[]' ]] || die "a deviation: $(pick deviations <<<"$answer")"
say "   due on $(pick due.due_on <<<"$answer"); watch for a return from $(pick return_watch.from_on <<<"$answer")"

get stock "/v1/stock?lot_id=$lot"
[[ $(pick total_straws <<<"$answer") == 4 ]] || die "4 straws should be left, not $(pick total_straws <<<"$answer")"
say "4 straws are left, as it must be."
