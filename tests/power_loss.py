#!/usr/bin/env python3
"""The device under the embedded store fails, or loses power, in the middle of everything, and no answered act is lost.

    python3 tests/power_loss.py [--self-test] [--rounds N] PROGRAM [SEED]

tests/power/device.c, compiled by `cc` and put under the program by LD_PRELOAD, follows every write and fsync of the store's files.
Clients deliver, withdraw, thaw and serve, each act under a key of its own.

Power: at some call the power goes, from the first write to the log's folding into the database and its beginning anew; of what no
fsync had made safe chance keeps nothing, all, a part, or torn sectors. Also while a store is being made. The service, started again
on what is left, must have every answered act once, answer each as it did, and know every act that was cut off either not at all or
whole; `verify` and, on a copy, SQLite's own check must find nothing.

Failing: writes answer EIO or ENOSPC, or write less than asked, or an fsync fails; once, or until the device is mended. Acts are then
answered 503 and nothing else, reading goes on, and the service is ready again by itself; then the power goes as well.

`--self-test`: the device says that what waits is safe and keeps none of it, as a store would be that leaves fsync out
(`PRAGMA synchronous = off`); this must be found out. Needs cc. Standard library else. What failed says its seed, which as SEED plays
the same faults again; the clients' order stays the machine's.
"""

import argparse
import collections
import contextlib
import http.client
import random
import resource
import shutil
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from pathlib import Path

from cluster import ROOT, Client, DidNotStart, Service, farm, run, until

CLIENTS = 6
STRAWS = 100_000
# How many acts must be answered after a fault for the service to have gone on.
ACTS = 40
# The log is folded into the database at 1000 frames, each of two writes; the device's calls in which that surely happens, twice.
CALLS = 5000
LOG_FRAMES, FRAME = 1000, 4096 + 24
# While the store cannot be written these are the answers, and no others.
FOR_NOW = {"/problems/busy", "/problems/store-unavailable", "/problems/outcome-unknown"}
ENDED_BY_DEVICE = 99


class Device:
    """What stands between a program and one store."""

    library = None

    def __init__(self, file, faults, seed, lies=False):
        self.state = file.parent / "device"
        self.state.write_bytes(bytes(64))
        self.environment = {"LD_PRELOAD": str(self.library), "POWER_FILE": str(file), "POWER_STATE": str(self.state),
                            "POWER_SEED": str(seed), "POWER_FAULT": faults, **({"POWER_LIES": "1"} if lies else {})}

    @classmethod
    def compile(cls, folder):
        cls.library = Path(folder) / "device.so"
        subprocess.run(["cc", "-O1", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o", cls.library,
                        ROOT / "tests" / "power" / "device.c", "-lpthread"], check=True)

    def said(self):
        return struct.unpack_from("=QQQQ", self.state.read_bytes())

    def has_failed(self):
        return self.said()[1] > 0

    def has_folded(self):
        """Whether the log was folded into the database."""
        return self.said()[3] > 0

    def mend(self):
        self.tell(16)

    def cut(self):
        self.tell(32)

    def tell(self, place):
        with self.state.open("r+b") as state:
            state.seek(place)
            state.write(struct.pack("=Q", 1))


class Act:
    """What is sent under one key until it is answered as done."""

    def __init__(self, path, body, **about):
        self.path, self.body, self.key = path, body, str(uuid.uuid4())
        self.about, self.status, self.answer = about, None, None

    def send(self, client):
        return client.send("POST", self.path, self.body, self.key)

    def is_answered(self, status, answer):
        if status not in (200, 201):
            return False
        self.status, self.answer = status, answer
        return True


class Farm:
    """What clients work on, and how much is in the tank at the beginning."""

    def __init__(self, key, client):
        self.key = key
        self.lot, self.animals = farm(client, STRAWS)
        self.tank = client.get("/v1/tanks")["items"][0]["id"]


class Clients:
    """Clients at work, until the service is gone or they are told to stop."""

    def __init__(self, farm):
        self.farm, self.threads = farm, []
        self.answered, self.cut_off = [], []
        self.problems, self.failed = collections.Counter(), []
        self.stopping = False
        self.lock = threading.Lock()

    def work(self, service):
        self.threads = [threading.Thread(target=self.toil, args=(service, number)) for number in range(CLIENTS)]
        for thread in self.threads:
            thread.start()

    def toil(self, service, number):
        try:
            client, turn = Client(service, self.farm.key), number
            while not self.stopping:
                turn += CLIENTS
                place = {"tank_id": self.farm.tank, "canister": 1 + turn % 6}
                self.done(client, Act("/v1/receipts", {"lot_id": self.farm.lot, "place": place, "straws": 3}))
                animal = self.farm.animals[turn % len(self.farm.animals)]
                taken = self.done(client, Act("/v1/withdrawals", {"animal_id": animal, "lot_id": self.farm.lot}))
                self.done(client, Act(f"/v1/withdrawals/{taken['id']}/thaw", {"bath_temp_c": 36.0}))
                self.done(client, Act("/v1/services", {"withdrawal_id": taken["id"]}))
        except (OSError, http.client.HTTPException, Stopped):
            pass
        except Exception as failed:  # noqa: BLE001 - told by the main thread
            self.failed.append(failed)

    def done(self, client, act):
        with self.lock:
            self.cut_off.append(act)
        while True:
            status, _, answer = act.send(client)
            if act.is_answered(status, answer):
                break
            assert status == 503 and answer["type"] in FOR_NOW and answer.get("detail"), (act.path, status, answer)
            with self.lock:
                self.problems[answer["type"]] += 1
            if self.stopping:
                raise Stopped
            time.sleep(0.03)
        with self.lock:
            self.cut_off.remove(act)
            self.answered.append(act)
        return act.answer

    def until_answered(self, more):
        enough = len(self.answered) + more
        until(f"{more} answers", lambda: self.failed or len(self.answered) >= enough)
        assert not self.failed, self.failed

    def end(self):
        self.stopping = True
        for thread in self.threads:
            thread.join()
        assert not self.failed, self.failed


class Stopped(Exception):
    """A client was told to stop in the middle of an act."""


class Lost(AssertionError):
    """The store has not what was answered."""


def must(is_so, what):
    if not is_so:
        raise Lost(what)


def url_of(file):
    return f"sqlite://{file}"


def sqlite_finds_nothing(file, folder):
    """Looks with SQLite's own check through a copy, log and all: no other SQLite may touch the store itself."""
    with tempfile.TemporaryDirectory(dir=folder) as copy:
        for ending in ("", "-wal", "-journal"):
            with contextlib.suppress(FileNotFoundError):
                shutil.copy(f"{file}{ending}", f"{copy}/look{ending}")
        with contextlib.closing(sqlite3.connect(f"{copy}/look")) as look:
            try:
                # Of checks only `verify` can judge, by the program's own SQLite: to older ones json_valid(null) is false.
                look.execute("pragma ignore_check_constraints = on")
                said = look.execute("pragma integrity_check").fetchall()
            except sqlite3.DatabaseError as error:
                said = error
    must(said == [("ok",)], f"SQLite's check: {said}")


def has_everything(program, file, clients):
    """The service, started again on an honest device, has what was answered, and nothing twice."""
    sqlite_finds_nothing(file, file.parent)
    try:
        service = Service(program, url_of(file))
    except DidNotStart as error:
        raise Lost("the service does not start again") from error
    try:
        client = Client(service, clients.farm.key)
        for act in clients.answered:
            status, headers, again = act.send(client)
            replayed = headers.get("Idempotent-Replayed") == "true"
            must(replayed and (status, again) == (act.status, act.answer), f"an answered act is missing: {act.path} {again}")
        for act in clients.cut_off:
            status, _, answer = act.send(client)
            must(act.is_answered(status, answer), f"an act that was cut off is not done now: {act.path} {answer}")
        acts = clients.answered + clients.cut_off
        ids = {path: sorted(act.answer["id"] for act in acts if act.path == path)
               for path in ("/v1/withdrawals", "/v1/services", "/v1/receipts")}
        movements = client.all("/v1/movements")
        book = {"/v1/withdrawals": sorted(item["id"] for item in client.all("/v1/withdrawals")),
                "/v1/services": sorted(item["id"] for item in client.all("/v1/services")),
                "/v1/receipts": sorted(item["id"] for item in movements if item["kind"] == "receipt")[1:]}
        for path, answered in ids.items():
            must(book[path] == answered, f"{len(book[path])} {path} in the book and {len(answered)} answered")
        thawed = {act.path.split("/")[3] for act in acts if act.path.endswith("/thaw")}
        for withdrawal in client.all("/v1/withdrawals"):
            is_thawed = withdrawal["thaw_started_at"] is not None
            must(is_thawed == (withdrawal["id"] in thawed), f"thawed or not: {withdrawal}")
        straws = STRAWS + 3 * len(ids["/v1/receipts"]) - len(ids["/v1/withdrawals"])
        must(client.get("/v1/stock")["total_straws"] == straws, "the stock is another")
        service.stop()
    finally:
        service.process.kill()
    try:
        run(program, "verify", url=url_of(file))
    except AssertionError as error:
        raise Lost(f"verify: {error}") from error
    sqlite_finds_nothing(file, file.parent)


class Rounds:
    """Everything that is played, on copies of one farm whose log is nearly full."""

    def __init__(self, program, home, seed, lies=False):
        self.program, self.home, self.lies = program, Path(home), lies
        self.chance = random.Random(seed)
        self.folded = 0
        self.template = self.home / "template"
        self.template.mkdir()
        file = self.template / "tankside.db"
        service = Service(program, url_of(file))
        self.farm = Farm(service.key, Client(service, service.key))
        service.stop()
        # A log that is left nearly full makes the first of the acts to come fold it into the database.
        service = Service(program, url_of(file))
        client, log = Client(service, self.farm.key), Path(f"{file}-wal")
        while log.stat().st_size < (LOG_FRAMES - 150) * FRAME:
            client.make("/v1/sires", {"name": "Another sire"})
        service.process.kill()
        service.process.wait()

    @contextlib.contextmanager
    def store(self, of=None):
        with tempfile.TemporaryDirectory(dir=self.home) as folder:
            if of:
                shutil.copytree(of, folder, dirs_exist_ok=True)
            yield Path(folder) / "tankside.db"

    def device(self, file, faults):
        return Device(file, faults, self.chance.getrandbits(63), self.lies)

    def power_goes(self, call):
        with self.store(self.template) as file:
            device = self.device(file, f"cut:{call}")
            clients = Clients(self.farm)
            with contextlib.suppress(DidNotStart):
                service = self.service(file, device)
                clients.work(service)
                self.is_cut(service, clients)
            self.folded += device.has_folded()
            has_everything(self.program, file, clients)
            return len(clients.answered)

    def service(self, file, device):
        return Service(self.program, url_of(file), environment=device.environment, log="off", errors=subprocess.DEVNULL)

    def is_cut(self, service, clients):
        """Waits until the power is gone; clients end by themselves."""
        try:
            ended = service.process.wait(timeout=120)
        finally:
            service.process.kill()
            clients.stopping = True
        clients.end()
        assert ended == ENDED_BY_DEVICE, f"the service ended by itself: {ended}"

    def power_goes_at_the_beginning(self, call):
        """While the store is being made: nobody was answered yet, so it must only come up and be sound."""
        with self.store() as file:
            device = self.device(file, f"cut:{call}")
            try:
                service = self.service(file, device)
                key = service.key
                # It was done before that call came.
                device.cut()
                with contextlib.suppress(OSError, http.client.HTTPException):
                    Client(service, key).send("POST", "/v1/sires", {"name": "A sire"})
                assert service.process.wait(timeout=120) == ENDED_BY_DEVICE
            except DidNotStart:
                key = None
            try:
                service = Service(self.program, url_of(file))
            except DidNotStart as error:
                raise Lost("a store that was being made is of no use") from error
            try:
                if key:
                    must(Client(service, key).send("GET", "/v1/stock")[0] == 200, "the first key is not known any more")
                service.stop()
            finally:
                service.process.kill()
            run(self.program, "verify", url=url_of(file))

    def device_fails(self, kind, call, lasts):
        with self.store(self.template) as file:
            device = self.device(file, f"{kind}:{call}:{'on' if lasts else 'once'}")
            service, clients = self.service(file, device), Clients(self.farm)
            clients.work(service)
            try:
                until("the fault", lambda: clients.failed or device.has_failed())
                if lasts:
                    until("a refusal", lambda: clients.failed or clients.problems)
                    until("word of it", lambda: not service.is_ready())
                    straws = Client(service, self.farm.key).get("/v1/stock")["total_straws"]
                    assert straws > 0, "reading goes on"
                    device.mend()
                until("the service to be ready again", service.is_ready)
                clients.until_answered(ACTS)
                device.cut()
                self.is_cut(service, clients)
            finally:
                clients.stopping = True
                service.process.kill()
            has_everything(self.program, file, clients)
            return dict(clients.problems)


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--self-test", action="store_true")
    arguments.add_argument("--rounds", type=int, default=12)
    arguments.add_argument("program")
    arguments.add_argument("seed", nargs="?", type=int, default=random.randrange(1 << 32))
    given = arguments.parse_args()
    print(f"seed {given.seed}", flush=True)
    with tempfile.TemporaryDirectory(prefix="tankside-power-") as home:
        Device.compile(home)
        rounds = Rounds(given.program, home, given.seed, lies=given.self_test)
        if given.self_test:
            self_test(rounds, given.rounds)
        else:
            everything(rounds, given.rounds)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"{used.ru_utime + used.ru_stime:.0f} s of processor time in the programs")


def everything(rounds, count):
    chance = rounds.chance
    for call in (1, chance.randrange(2, 40), chance.randrange(40, 2500)):
        print(f"the power goes at call {call} while a store is made", flush=True)
        rounds.power_goes_at_the_beginning(call)
    for number in range(count):
        # The first ones where the service starts; the others somewhere in each of equal parts.
        part = CALLS // max(count - 2, 1)
        call = 1 + number if number < 2 else 3 + part * (number - 2) + chance.randrange(part)
        print(f"the power goes at call {call}: ", end="", flush=True)
        print(f"{rounds.power_goes(call)} acts were answered, and are in the book once", flush=True)
    assert rounds.folded > count // 2, f"the log was folded in {rounds.folded} rounds only: this tries not what it says"
    for kind, lasts in (("eio", False), ("eio", True), ("enospc", True), ("short", False), ("fsync", False), ("fsync", True)):
        call = chance.randrange(50, 1500)
        print(f"{kind} at call {call}, {'from then on' if lasts else 'once'}: ", end="", flush=True)
        print(f"goes on; on the way {rounds.device_fails(kind, call, lasts)}", flush=True)


def self_test(rounds, count):
    found = []
    for _ in range(count):
        try:
            rounds.power_goes(rounds.chance.randrange(200, CALLS))
        except Lost as lost:
            found.append(str(lost))
            print(f"found: {str(lost)[:160]}", flush=True)
    assert len(found) > count // 2, "a device that keeps nothing was not found out"


if __name__ == "__main__":
    main()
