#!/usr/bin/env python3
"""The primary of a PostgreSQL cluster is killed under load, its synchronous standby takes over, and nothing is lost.

    python3 tests/failover.py PROGRAM

A primary with a synchronous standby, a proxy that leads to the primary, two processes of the service, clients that withdraw
straws at both and send an act again, to either process in turn, until it is answered, and a receiver of webhooks. Twice the
primary is killed with SIGKILL, every process of it, and the standby promoted: once the proxy cuts the connections to the dead
server, as one in front of a cluster does; once they stay open without another word, as to a machine that is gone.

Then every answered act must be in the book, each once and nothing else; sent again to the other process it is answered as it was;
both processes must be ready again by themselves; `verify` must find nothing; and the receiver must have been told of every
withdrawal at least once and of nothing that is not in the book. Standard library only.
"""

import collections
import http.client
import sys
import threading
import time
import uuid

from cluster import Client, Postgres, Proxy, Receiver, Service, farm, run, until

CLIENTS = 8
# Acts that are answered before a primary is killed, and after another took over.
ACTS = 200
# Nothing depends on how long it takes; an act that takes longer than this was forgotten.
LONGEST = 120


class Load:
    """Clients at work."""

    def __init__(self, services, key, lot, animals):
        self.services, self.key, self.lot, self.animals = services, key, lot, animals
        self.done = {}
        self.longest = 0.0
        self.problems = collections.Counter()
        self.failed = []
        self.stopping = False
        self.lock = threading.Lock()
        self.threads = [threading.Thread(target=self.toil, args=(number,)) for number in range(CLIENTS)]
        for thread in self.threads:
            thread.start()

    def toil(self, number):
        try:
            clients = [Client(service, self.key) for service in self.services]
            turn = number
            while not self.stopping:
                turn = self.withdraw(clients, number, turn)
        except Exception as failed:  # noqa: BLE001 - told by the main thread
            self.failed.append(failed)

    def withdraw(self, clients, number, turn):
        """One act, sent until it is answered as done, as the guide says: the same key, longer waits each time."""
        act = str(uuid.uuid4())
        order = {"animal_id": self.animals[turn % len(self.animals)], "lot_id": self.lot}
        began, wait = time.monotonic(), 0.02
        while True:
            turn += 1
            try:
                status, _, answer = clients[turn % len(clients)].send("POST", "/v1/withdrawals", order, act)
            except (OSError, http.client.HTTPException) as error:
                problem = type(error).__name__
            else:
                if status == 201:
                    break
                problem = answer["type"]
                assert status == 503, answer
            took = time.monotonic() - began
            assert took < LONGEST, f"an act is not answered within {LONGEST} s: {problem}"
            with self.lock:
                self.problems[problem] += 1
            time.sleep(wait)
            wait = min(wait * 2, 1.0)
        with self.lock:
            self.done[act] = (order, answer)
            self.longest = max(self.longest, time.monotonic() - began)
        return turn

    def answers(self, more):
        enough = len(self.done) + more
        until(f"{more} answers", lambda: self.failed or len(self.done) >= enough, LONGEST)
        assert not self.failed, self.failed

    def take_longest(self):
        with self.lock:
            longest, self.longest = self.longest, 0.0
        return longest

    def end(self):
        self.stopping = True
        for thread in self.threads:
            thread.join()
        assert not self.failed, self.failed


def fails_over(load, proxy, primary, standby, silently):
    load.answers(ACTS)
    usual = load.take_longest()
    print(f"{len(load.done)} answered, the longest within {usual:.1f} s; the primary is killed", flush=True)
    if silently:
        proxy.move(None, silently=True)
    primary.script("kill")
    standby.script("promote")
    proxy.move(standby.port, silently=silently)
    load.answers(ACTS)
    until("both processes ready", lambda: all(service.is_ready() for service in load.services))
    # Each client has been answered since, so whoever waited longest is counted.
    load.answers(2 * CLIENTS)
    how = "without a word" if silently else "and cut off"
    print(f"{len(load.done)} answered; with the primary gone {how} the longest waited {load.take_longest():.1f} s; "
          f"on the way {dict(load.problems)}", flush=True)
    load.problems.clear()


def agrees(load, receiver, url, program):
    client, other = (Client(service, load.key) for service in load.services)
    answered = {answer["id"] for _, answer in load.done.values()}
    assert len(answered) == len(load.done), "two acts were answered with one withdrawal"
    book = [withdrawal["id"] for withdrawal in client.all("/v1/withdrawals")]
    assert sorted(book) == sorted(answered), (len(book), len(answered))
    assert client.get("/v1/stock")["total_straws"] == 100_000 - len(book)
    for act, (order, answer) in load.done.items():
        status, headers, again = other.send("POST", "/v1/withdrawals", order, act)
        assert (status, again) == (201, answer) and headers["Idempotent-Replayed"] == "true", (answer, again)
    def told():
        return collections.Counter(event["data"]["withdrawal_id"] for event in list(receiver.told)
                                   if event["type"] == "straw.withdrawn")

    until("every webhook", lambda: answered <= told().keys(), LONGEST)
    assert told().keys() == answered, "a webhook told of what is not in the book"
    run(program, "verify", url=url)
    twice = sum(times - 1 for times in told().values())
    print(f"{len(book)} acts are in the book once; {len(answered)} webhooks arrived, {twice} of them again; verified")


def main(program):
    receiver = Receiver()
    servers, services, load = [], [], None
    try:
        servers.append(Postgres())
        servers.append(Postgres(of=servers[0]))
        proxy = Proxy(servers[0].port)
        url = f"postgres://tankside@127.0.0.1:{proxy.port}/postgres"
        services += [Service(program, url), Service(program, url)]
        client = Client(services[0], services[0].key)
        lot, animals = farm(client)
        client.make("/v1/webhooks", {"url": receiver.url})
        load = Load(services, client.key, lot, animals)
        fails_over(load, proxy, servers[0], servers[1], silently=False)
        servers.append(Postgres(of=servers[1]))
        fails_over(load, proxy, servers[1], servers[2], silently=True)
        load.end()
        agrees(load, receiver, url, program)
        for service in services:
            service.stop()
    finally:
        if load:
            load.stopping = True
        for service in services:
            service.process.kill()
        for server in servers:
            server.stop()


if __name__ == "__main__":
    main(*sys.argv[1:])
