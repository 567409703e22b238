#!/usr/bin/env python3
"""A technician's script with an offline queue: one straw's way, out of reach of the service.

    delivery -> heat -> next-service -> (no signal: withdrawal, thaw, service) -> signal is back

In the barn there is no signal, and when it comes back it breaks. So every act is written to a queue
file together with its Idempotency-Key BEFORE it is sent, and stays there until it was answered. It
may then be sent as often as it takes: the service does it once. To show that, the script cuts its own
connection after the withdrawal was sent and before the answer came, sends it again with the same key,
and counts the straws.

    TANKSIDE_URL=http://127.0.0.1:8080 TANKSIDE_KEY=tks_... python3 demo/round.py

TANKSIDE_QUEUE=FILE keeps the queue there: killed at whatever moment and run again with the same file, the
script goes on where it was, and does nothing twice.

The key must be a manager's, because the script first enters a small invented farm; the round itself
needs no more than a technician's. Standard library only, Python 3.9 or newer. Ends with status 0 only
if all came out as it must.

Nitrogen burns, and its gas displaces air: gloves, face shield, open doors. Local codes go before this.
"""

import http.client
import http.server
import json
import os
import random
import socket
import sys
import tempfile
import threading
import time
import uuid
from datetime import datetime, timedelta, timezone
from pathlib import Path
from urllib.parse import urlsplit

MOST_ATTEMPTS = 6
FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 30.0

# Straws of the one delivery.
DELIVERED = 5


class Otherwise(Exception):
    """Something came out otherwise than it must."""


class NoSignal(Exception):
    """The service cannot be reached; what was to be sent waits in the queue."""


def must(condition, text):
    if not condition:
        raise Otherwise(text)


class Answer:
    """What the service answered."""

    def __init__(self, status, headers, body):
        self.status = status
        self.replayed = headers.get("Idempotent-Replayed") == "true"
        self.retry_after = headers.get("Retry-After")
        try:
            self.body = json.loads(body)
        except ValueError:
            self.body = None

    def may_pass(self):
        """Whether it may be over in a moment. Any other refusal is an answer: asking again changes nothing."""
        return self.status in (408, 429, 502, 503, 504) or (self.status == 409 and self.retry_after is not None)


class Service:
    """The service as it is reached over HTTP."""

    def __init__(self, url, key, attempts=MOST_ATTEMPTS):
        self.url, self.key, self.attempts = urlsplit(url), key, attempts

    def get(self, path):
        answer = self.send("GET", path)
        must(answer.status == 200, f"GET {path}: {answer.status} {answer.body}")
        return answer.body

    def send(self, method, path, body=None, idempotency_key=None):
        """Sends, and sends again under the same key while what went wrong may pass."""
        for attempt in range(self.attempts):
            wait = min(FIRST_WAIT_S * 2**attempt, LONGEST_WAIT_S) * random.uniform(0.75, 1.25)
            try:
                answer = self.send_once(method, path, body, idempotency_key)
            except (OSError, http.client.HTTPException) as error:
                # Nobody knows now whether it was done. The key knows.
                answer, trouble = None, f"{type(error).__name__}: {error}"
            else:
                if not answer.may_pass():
                    return answer
                trouble = f"status {answer.status}"
                if (answer.retry_after or "").isdigit():
                    wait = max(wait, float(answer.retry_after))
            print(f"   {method} {path}: {trouble}")
            if attempt + 1 < self.attempts:
                time.sleep(wait)
        raise NoSignal(f"{method} {path}: given up for now ({trouble})")

    def send_once(self, method, path, body, idempotency_key):
        kind = http.client.HTTPSConnection if self.url.scheme == "https" else http.client.HTTPConnection
        connection = kind(self.url.hostname, self.url.port, timeout=35)
        headers = {"Authorization": f"Bearer {self.key}"}
        if body is not None:
            headers["Content-Type"] = "application/json"
        if idempotency_key is not None:
            headers["Idempotency-Key"] = idempotency_key
        try:
            content = None if body is None else json.dumps(body)
            connection.request(method, self.url.path.rstrip("/") + path, content, headers)
            response = connection.getresponse()
            return Answer(response.status, response.headers, response.read())
        finally:
            connection.close()


class Queue:
    """Acts in a file, each with its key, until they were answered.

    An act may need what an earlier one is answered: "@withdrawal" in its path or body stands for the
    id in the answer to the act named "withdrawal". So acts that hang together can be queued offline.
    """

    def __init__(self, path):
        self.path = Path(path)
        self.acts = json.loads(self.path.read_text("utf-8")) if self.path.exists() else []

    def has(self, name):
        return any(act["name"] == name for act in self.acts)

    def add(self, *acts):
        """Writes acts down, all of them or none. Not before this has returned may one be sent."""
        for name, path, body in acts:
            must(not self.has(name), f"there is an act {name} in the queue already")
            self.acts.append({"name": name, "key": str(uuid.uuid4()), "path": path, "body": body, "answer": None})
        self.save()

    def save(self):
        """Writes the whole file anew and puts it in the old one's place, so that a crash leaves one of the two."""
        fresh = self.path.with_suffix(".new")
        with open(fresh, "w", encoding="utf-8") as file:
            json.dump(self.acts, file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        os.replace(fresh, self.path)
        # The new name is on the disk only when its folder is.
        folder = os.open(self.path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def waiting(self):
        return [act["name"] for act in self.acts if act["answer"] is None]

    def send(self, service):
        """Sends what waits, in order, and stops at the first act that is not done."""
        for act in self.acts:
            if act["answer"] is not None:
                continue
            answer = service.send("POST", self.filled(act["path"]), self.filled(act["body"]), act["key"])
            if answer.status >= 400:
                raise Otherwise(f"{act['name']} was refused: {answer.status} {(answer.body or {}).get('detail')}")
            act["answer"] = {"status": answer.status, "replayed": answer.replayed, "body": answer.body}
            self.save()

    def do(self, service, name, path, body):
        """Writes an act down unless it was before, sends it unless it was answered, and gives the answer."""
        if not self.has(name):
            self.add((name, path, body))
        self.send(service)
        return self.answer(name)["body"]

    def answer(self, name):
        return next(act["answer"] for act in self.acts if act["name"] == name)

    def filled(self, value):
        if isinstance(value, dict):
            return {name: self.filled(inner) for name, inner in value.items()}
        if isinstance(value, str):
            for act in self.acts:
                if act["answer"] is not None:
                    value = value.replace("@" + act["name"], act["answer"]["body"]["id"])
        return value


class BadLine(http.server.BaseHTTPRequestHandler):
    """A line that breaks: hands each POST on to the service and, as often as `cuts` says, keeps the answer back.

    It hands on, waits until the service has answered, and only then cuts: the worst moment, since the
    act is done and the sender cannot know.
    """

    upstream = None
    cuts = 0

    def do_POST(self):
        content = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        url = BadLine.upstream
        kind = http.client.HTTPSConnection if url.scheme == "https" else http.client.HTTPConnection
        connection = kind(url.hostname, url.port, timeout=35)
        headers = {name: value for name, value in self.headers.items() if name.lower() not in ("host", "connection")}
        connection.request("POST", url.path.rstrip("/") + self.path, content, headers)
        response = connection.getresponse()
        body = response.read()
        connection.close()
        if BadLine.cuts > 0:
            BadLine.cuts -= 1
            self.close_connection = True
            self.connection.shutdown(socket.SHUT_RDWR)
            return
        self.send_response(response.status)
        for name, value in response.headers.items():
            if name.lower() not in ("content-length", "connection", "transfer-encoding", "date", "server"):
                self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_):
        """Says nothing: the script itself tells what happens."""


def bad_line(url, cuts):
    """Puts a line that breaks before the service, and gives its address."""
    BadLine.upstream, BadLine.cuts = urlsplit(url), cuts
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), BadLine)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return f"http://127.0.0.1:{server.server_address[1]}"


def nowhere():
    """An address at which nobody answers."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return f"http://127.0.0.1:{listener.getsockname()[1]}"


def ago(**time_ago):
    return (datetime.now(timezone.utc) - timedelta(**time_ago)).isoformat()


def enter_farm(queue, service):
    """A small invented farm: a herd with a tank, a sire with a lot, a heifer."""
    queue.do(service, "herd", "/v1/herds", {"name": "Script Farm (invented)", "time_zone": "Europe/Lisbon"})
    queue.do(service, "tank", "/v1/tanks", {"name": "Script tank", "herd_id": "@herd", "canisters": 6})
    queue.do(service, "sire", "/v1/sires", {"name": "Made-up Hawthorn", "breed": "HOL"})
    lot = {"sire_id": "@sire", "semen_type": "sexed_female", "straw_ml": 0.25}
    queue.do(service, "lot", "/v1/lots", lot)
    queue.do(service, "heifer", "/v1/animals", {"herd_id": "@herd", "number": "1"})


def delivery_and_heat(queue, service):
    place = {"tank_id": "@tank", "canister": 3, "cane": "B", "goblet": "upper"}
    receipt = queue.do(service, "delivery", "/v1/receipts", {"lot_id": "@lot", "place": place, "straws": DELIVERED})
    must(receipt["straws_at_place"] == DELIVERED, f"{DELIVERED} straws should hang there")

    # Sexed semen is used 14 to 24 h after standing heat.
    queue.do(service, "heat", "/v1/heats", {"animal_id": "@heifer", "standing_at": ago(hours=20)})


def before_the_barn(queue, service):
    """While there is signal: what her service calls for, and the bath."""
    following = service.get(queue.filled("/v1/animals/@heifer/next-service"))
    print(f"Next service: {following['rule']['text']}")
    must(following["service_number"] == 1, "it should be her first service")
    # Beside others where the service has more tanks than this.
    lot = queue.answer("lot")["body"]["id"]
    straw = next((straw for straw in following["candidates"] if straw["lot"]["id"] == lot), None)
    must(straw is not None, "the straw just delivered should be offered")
    where = straw["place"]
    print(f"   {straw['tank_name']}, canister {where['canister']}, cane {where['cane']}, {where['goblet']} goblet")

    # The bath before the straw: the protocol is asked for while there is signal, and kept.
    advice = service.get(queue.filled("/v1/thaw-advice?bath_temp_c=35.6&bath_volume_ml=1000&lot_id=@lot&technician=Mira"))
    print(f"   bath: {advice['text']}")
    must(advice["verdict"] == "right", f"mend the bath first: {advice['text']}")


def in_the_barn(queue):
    """Without signal: each act is written down with the time at which it happened.

    The bath was checked before (before_the_barn); once lifted, the straw has seconds to it and minutes to its use.
    """
    mira = {"technician": "Mira"}
    lifted = datetime.now(timezone.utc) - timedelta(minutes=10)
    bath, served = lifted + timedelta(seconds=9), lifted + timedelta(minutes=3)
    queue.add(
        ("withdrawal", "/v1/withdrawals",
         {"animal_id": "@heifer", "lot_id": "@lot", "withdrawn_at": lifted.isoformat(), **mira}),
        ("thaw", "/v1/withdrawals/@withdrawal/thaw", {"bath_temp_c": 35.6, "started_at": bath.isoformat()}),
        ("service", "/v1/services", {"withdrawal_id": "@withdrawal", "served_at": served.isoformat(), **mira}),
    )


def straws_left(queue, service):
    return service.get(queue.filled("/v1/stock?lot_id=@lot"))["total_straws"]


def no_signal(queue, queue_file, url, key):
    """What the barn does to a connection: none at all, and then one that breaks at the worst moment."""
    service = Service(url, key)
    before = straws_left(queue, service)
    try:
        queue.send(Service(nowhere(), key, attempts=1))
        raise Otherwise("something answered where nobody is")
    except NoSignal:
        print(f"   waiting: {', '.join(queue.waiting())}")
    must(straws_left(queue, service) == before, "nothing was sent, so no straw should be gone from the book")

    print("Signal is back, but breaks after the withdrawal was sent and before the answer came")
    # The telephone was restarted meanwhile: what it knows stands in the file.
    queue = Queue(queue_file)
    must(queue.waiting() == ["withdrawal", "thaw", "service"], "the queue file should know what waits")
    queue.send(Service(bad_line(url, cuts=1), key))
    must(BadLine.cuts == 0, "the line should have been cut")
    must(queue.answer("withdrawal")["replayed"], "the second answer should be marked Idempotent-Replayed")
    return queue


def round_(url, key, queue_file):
    service = Service(url, key)
    queue = Queue(queue_file)
    if queue.acts:
        print(f"Taken up where it was left; waiting: {', '.join(queue.waiting()) or 'nothing'}")
    print("A small invented farm, a delivery, a heat")
    enter_farm(queue, service)
    delivery_and_heat(queue, service)
    if queue.has("withdrawal"):
        queue.send(service)
    else:
        before_the_barn(queue, service)
        print("In the barn: no signal, so withdrawal, thaw and service are written to the queue")
        in_the_barn(queue)
        queue = no_signal(queue, queue_file, url, key)
    must(queue.waiting() == [], "everything should have been sent")

    after = straws_left(queue, service)
    print(f"   however often it was sent: {DELIVERED} straws before, {after} now")
    must(after == DELIVERED - 1, f"exactly one straw should have left the tank, not {DELIVERED - after}")
    recorded = queue.answer("service")["body"]
    must(recorded["withdrawal_id"] == queue.answer("withdrawal")["body"]["id"], "the service names another straw")
    must(recorded["deviations"] == [], f"a deviation: {recorded['deviations']}")
    open_straws = service.get(queue.filled("/v1/withdrawals?animal_id=@heifer&unresolved=true"))["items"]
    must(open_straws == [], "a straw is not accounted for")
    print(f"   service {recorded['service_number']} on record; due on {recorded['due']['due_on']}")
    print("Exactly one straw left the tank, as it must be.")


def main():
    url, key = os.environ.get("TANKSIDE_URL"), os.environ.get("TANKSIDE_KEY")
    if not url or not key:
        print("set TANKSIDE_URL and TANKSIDE_KEY; see the beginning of this file", file=sys.stderr)
        return 2
    try:
        with tempfile.TemporaryDirectory() as folder:
            # A telephone would keep its queue where it lasts.
            queue_file = Path(os.environ.get("TANKSIDE_QUEUE") or Path(folder) / "queue.json")
            round_(url, key, queue_file)
    except (Otherwise, NoSignal) as problem:
        print(f"OTHERWISE: {problem}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
