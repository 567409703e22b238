#!/usr/bin/env python3
"""Withdrawals a second with 1, 2 and 4 processes and 1, 10 and 1,000 businesses on one PostgreSQL, as ratios of one run.

    python3 benches/processes.py PROGRAM [SECONDS [BUSINESSES,...]]

Every withdrawal is answered after its commit. Clients, processes and server share the machine, so only the ratios mean anything,
and they stop growing where its cores are used up; on a machine that does other things beside they say little. What a withdrawal
costs in time of processors says more: where it does not grow with the processes, more processors make more withdrawals. Then what
the processes do while nobody asks: transactions on the server, which are to grow far less than the processes.
TANKSIDE_BENCH_RECORD=FILE appends what was measured as a line of JSON, as the other benches do (record/mod.rs). Standard library,
psql, git.
"""

import datetime
import hashlib
import json
import os
import random
import socket
import subprocess
import sys
import threading
import time
import uuid
import zlib
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from cluster import Client, Postgres, Service, farm  # noqa: E402

CLIENTS = 48
PROCESSES = (1, 2, 4)
DIGITS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
IDLE_SECONDS = 45


def new_key():
    """A key as `tankside key create` makes it; src/book/access/key.rs says how."""
    text = "".join(random.SystemRandom().choice(DIGITS) for _ in range(30))
    rest, check = zlib.crc32(text.encode()), ""
    for _ in range(6):
        check = DIGITS[rest % 62] + check
        rest //= 62
    return f"tks_{text}_{check}"


def copies(server, business, keys):
    """As many businesses more as there are keys, each with the same book."""
    tables = server.ask("select table_name, string_agg(column_name, ',' order by ordinal_position) "
                        "from information_schema.columns where table_schema = 'public' and table_name not like '\\_sqlx%' "
                        "group by 1")
    rows = ",".join(f"('{uuid.uuid4()}'::uuid, '{hashlib.sha256(key.encode()).hexdigest()}')" for key in keys)
    statements = ["set session_replication_role = replica;",
                  f"create temporary table new as select * from (values {rows}) as n(business, key_hash);"]
    for line in tables:
        table, columns = line.split("|")
        own = "id" if table == "business" else "business_id"
        values = ["n.business" if column == own else "n.key_hash" if (table, column) == ("api_key", "hash")
                  else f't."{column}"' for column in columns.split(",")]
        columns = ",".join(f'"{column}"' for column in columns.split(","))
        statements.append(f"insert into {table} ({columns}) select {','.join(values)} from {table} t cross join new n "
                          f"where t.{own} = '{business}';")
    server.ask("\n".join([*statements, "analyze;"]))


class Load(threading.Thread):
    """One connection that withdraws at one process after another's answer, for one business after another."""

    def __init__(self, address, keys, lot, animals, number):
        super().__init__(daemon=True)
        self.address, self.keys, self.lot, self.animals, self.number = address, keys, lot, animals, number
        self.done, self.stopping, self.failed = 0, False, None

    def run(self):
        try:
            with socket.create_connection(self.address) as connection:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                turn = self.number
                while not self.stopping:
                    body = json.dumps({"animal_id": self.animals[turn % len(self.animals)], "lot_id": self.lot})
                    connection.sendall((
                        f"POST /v1/withdrawals HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer "
                        f"{self.keys[turn % len(self.keys)]}\r\nIdempotency-Key: {uuid.uuid4()}\r\nContent-Type: "
                        f"application/json\r\nContent-Length: {len(body)}\r\n\r\n{body}").encode())
                    self.answer(connection)
                    self.done += 1
                    turn += CLIENTS
        except Exception as failed:  # noqa: BLE001 - told by the main thread
            self.failed = failed

    @staticmethod
    def answer(connection):
        data = b""
        while b"\r\n\r\n" not in data:
            data += Load.more(connection)
        head, _, rest = data.partition(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 201"), data
        length = int(head.lower().split(b"content-length:")[1].split(b"\r\n")[0])
        while len(rest) < length:
            rest += Load.more(connection)

    @staticmethod
    def more(connection):
        data = connection.recv(65536)
        assert data, "the service hung up"
        return data


def cpu(pids):
    """Seconds of processor that processes took so far, with those of their children that ended."""
    total = 0.0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        except FileNotFoundError:
            continue
        total += sum(int(field) for field in fields[11:15]) / os.sysconf("SC_CLK_TCK")
    return total


def backends(server):
    return [int(pid) for pid in server.ask("select pid from pg_stat_activity")]


def measure(services, server, keys, lot, animals, seconds):
    loads = [Load((service.address.hostname, service.address.port), keys, lot, animals, number)
             for number in range(CLIENTS) for service in [services[number % len(services)]]]
    for load in loads:
        load.start()
    # Until every connection is open and every key known.
    time.sleep(min(2.0, seconds / 2))
    processes, servers = [service.process.pid for service in services], backends(server)
    before, began = sum(load.done for load in loads), time.monotonic()
    used = cpu(processes), cpu(servers)
    time.sleep(seconds)
    rate = (sum(load.done for load in loads) - before) / (time.monotonic() - began)
    cost = [now - then for now, then in zip((cpu(processes), cpu(servers)), used, strict=True)]
    for load in loads:
        load.stopping = True
    for load in loads:
        load.join()
        assert load.failed is None, load.failed
    acts = rate * seconds
    return rate, [1000 * part / acts for part in cost[:2]]


def idle(program, server, count):
    """Transactions a minute on the server while nobody asks."""
    services = [Service(program, server.url) for _ in range(count)]
    time.sleep(25)
    ask = "select xact_commit + xact_rollback from pg_stat_database where datname = 'postgres'"
    before = int(server.ask(ask)[0])
    time.sleep(IDLE_SECONDS)
    transactions = int(server.ask(ask)[0]) - before
    for service in services:
        service.stop()
    return transactions


def record(figures):
    """As record/mod.rs."""
    file = os.environ.get("TANKSIDE_BENCH_RECORD")
    if not file:
        return
    def git(*arguments):
        return subprocess.run(["git", *arguments], capture_output=True, text=True, check=False).stdout.strip()
    line = {
        "bench": "processes",
        "changed": bool(git("status", "--porcelain", "src", "migrations", "Cargo.lock")),
        "commit": git("rev-parse", "--short=10", "HEAD"),
        "day": datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d"),
        "figures": {name: float(f"{figure:.3e}") for name, figure in figures.items()},
        "store": "PostgreSQL",
    }
    with open(file, "a", encoding="utf-8") as lines:
        print(json.dumps(line, separators=(",", ":")), file=lines)


def main(program, seconds="10", numbers="1,10,1000"):
    figures = {}
    server, services, numbers = Postgres(), [], [int(number) for number in numbers.split(",")]
    try:
        service = Service(program, server.url)
        client = Client(service, service.key)
        lot, animals = farm(client, straws=100_000, animals=48)
        business = client.get("/v1/business")["id"]
        service.stop()
        keys = [service.key]
        # One that is left as it is, to be copied again.
        copies(server, business, [new_key()])
        fresh = server.ask(f"select id from business where id <> '{business}'")[0]
        print("processes, businesses: withdrawals a second, ratio to one process; ms of a processor for each, of processes, server")
        for businesses in numbers:
            # No more than are asked for: each has work by the clock.
            new = [new_key() for _ in range(businesses - len(keys))]
            if new:
                copies(server, fresh, new)
            keys += new
            alone = None
            for processes in PROCESSES:
                services = [Service(program, server.url) for _ in range(processes)]
                rate, cost = measure(services, server, keys, lot, animals, float(seconds))
                alone = alone or rate
                for service in services:
                    service.stop()
                figures[f"{processes} processes / 1, businesses: {businesses}"] = rate / alone
                figures[f"ms of processors, {processes} processes, businesses: {businesses}"] = sum(cost)
                print(f"{processes}, {businesses}: {rate:.0f}, {rate / alone:.2f}; "
                      f"{', '.join(f'{part:.1f}' for part in cost)}", flush=True)
        for processes in (1, 3):
            transactions = idle(program, server, processes)
            figures[f"transactions a second, {processes} idle processes"] = transactions / IDLE_SECONDS
            print(f"{processes} idle processes, {max(numbers)} businesses: {transactions} transactions in {IDLE_SECONDS} s", flush=True)
        record(figures)
    finally:
        for service in services:
            service.process.kill()
        server.stop()


if __name__ == "__main__":
    main(*sys.argv[1:])
