#!/usr/bin/env python3
"""The schema works partitioned by the business.

    python3 tests/partitioned.py PROGRAM

Makes a book on a PostgreSQL of its own, takes its schema as pg_dump tells it, and rebuilds it in another database with every
table partitioned by hash of the business. Keys, unique indexes and references stay as they are: PostgreSQL refuses any that does
not hold the column that it partitions by. On that database two processes then serve several businesses: the round of demo/ in
each, withdrawals at once through both processes, a webhook, `verify`. Standard library, pg_dump and psql.
"""

import json
import os
import re
import subprocess
import sys
import threading

from cluster import ROOT, Client, Postgres, Receiver, Service, farm, run, until

PARTS = 4
BUSINESSES = 6
WITHDRAWALS = 20


def partitioned(schema):
    """The same schema, each table of a book in parts by the business."""
    tables = []

    def table(found):
        name = found[1]
        if name.startswith("_sqlx"):
            return found[0]
        tables.append(name)
        by = "id" if name == "business" else "business_id"
        parts = [f"create table public.{name}_{part} partition of public.{name} "
                 f"for values with (modulus {PARTS}, remainder {part});" for part in range(PARTS)]
        return "\n".join([f"{found[0][:-1]} partition by hash ({by});", *parts])

    schema = re.sub(r"^CREATE TABLE public\.(\w+) \($.*?^\);$", table, schema, flags=re.M | re.S)
    # Keys and references are those of every part.
    return schema.replace("ALTER TABLE ONLY ", "ALTER TABLE "), tables


def dump(server, *arguments):
    command = ["pg_dump", f"--dbname={server.url}", "--no-owner", *arguments]
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout


def works(services, key, url):
    """One business at work on both processes."""
    environment = {**os.environ, "TANKSIDE_URL": services[0].address.geturl(), "TANKSIDE_KEY": key}
    done = subprocess.run([sys.executable, ROOT / "demo" / "round.py"], env=environment, text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    assert done.returncode == 0, done.stdout
    clients = [Client(service, key) for service in services]
    lot, animals = farm(clients[0])
    clients[0].make("/v1/webhooks", {"url": url, "events": ["straw.withdrawn"]})
    failed = []

    def withdraws(client, share):
        try:
            for animal in share:
                client.make("/v1/withdrawals", {"animal_id": animal, "lot_id": lot})
        except AssertionError as wrong:
            failed.append(wrong)

    threads = [threading.Thread(target=withdraws, args=(client, animals[at:WITHDRAWALS:len(clients)]))
               for at, client in enumerate(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed, failed
    # One of the round.
    assert len(clients[1].all("/v1/withdrawals")) == WITHDRAWALS + 1


def main(program):
    receiver = Receiver()
    server, services = Postgres(), []
    try:
        first = Service(program, server.url)
        key = first.key
        first.stop()
        schema, tables = partitioned(dump(server, "--schema-only"))
        assert len(tables) > 40, tables
        server.ask("create database parts")
        server.ask(schema, database="parts")
        server.ask(dump(server, "--data-only", "--table=_sqlx_migrations", "--table=business", "--table=api_key"),
                   database="parts")
        url = server.url.replace("/postgres", "/parts")
        services += [Service(program, url), Service(program, url)]
        keys = [key]
        for number in range(1, BUSINESSES):
            made = run(program, "business", "create", "--name", f"Business {number}", url=url)
            keys.append(json.loads(made)["first_key"])
        for key in keys:
            works(services, key, receiver.url)
        until("every webhook", lambda: len(receiver.told) >= BUSINESSES * WITHDRAWALS)
        run(program, "verify", url=url)
        parts = server.ask("select tableoid::regclass, count(*) from movement group by 1 order by 1", database="parts")
        assert len(parts) > 1, parts
        for service in services:
            service.stop()
        print(f"{len(tables)} tables in {PARTS} parts each, {BUSINESSES} businesses on two processes, verified; "
              f"lines of the ledger: {', '.join(parts)}")
    finally:
        for service in services:
            service.process.kill()
        server.stop()


if __name__ == "__main__":
    main(*sys.argv[1:])
