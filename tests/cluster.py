"""What tests of running processes have in common: PostgreSQL servers, services, and how a client asks.
Standard library only.
"""

import http.client
import http.server
import json
import os
import socket
import subprocess
import tempfile
import threading
import time
import uuid
from pathlib import Path
from urllib.parse import urlsplit

ROOT = Path(__file__).resolve().parent.parent


class Postgres:
    """A PostgreSQL of a test alone, by tests/postgres; as the standby of another where one is given."""

    def __init__(self, of=None):
        self.folder = tempfile.mkdtemp(prefix="tankside-")
        self.url = self.script("standby", of.folder) if of else self.script("start")
        self.port = urlsplit(self.url).port

    def script(self, what, *more):
        command = [ROOT / "tests" / "postgres", what, self.folder, *more]
        done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()

    def ask(self, text, database="postgres"):
        """What a statement answers, a line for each row."""
        command = ["psql", "--no-psqlrc", "--quiet", "--tuples-only", "--no-align", "--set=ON_ERROR_STOP=1",
                   f"--dbname={self.url.replace('/postgres', '/' + database)}", "--file=-"]
        done = subprocess.run(command, input=text, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert done.returncode == 0, done.stderr
        return done.stdout.splitlines()

    def stop(self):
        self.script("stop")


class Proxy:
    """Leads to one server at a time. When it is moved it cuts the connections to the server before, as a proxy in front
    of a cluster does, or, as a machine that is gone, leaves them open without another word."""

    def __init__(self, port):
        self.to = port
        self.pairs = []
        self.lock = threading.Lock()
        self.listener = socket.create_server(("127.0.0.1", 0), backlog=128)
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self.listen, daemon=True).start()

    def listen(self):
        while True:
            client, _ = self.listener.accept()
            threading.Thread(target=self.lead, args=(client,), daemon=True).start()

    def lead(self, client):
        with self.lock:
            to = self.to
        try:
            server = socket.create_connection(("127.0.0.1", to), timeout=2) if to else None
        except OSError:
            server = None
        if server is None:
            return client.close()
        server.settimeout(None)
        pair = Pair(client, server)
        with self.lock:
            self.pairs.append(pair)
            is_late = self.to != to
        if is_late:
            pair.cut()
        for one, other in ((client, server), (server, client)):
            threading.Thread(target=pair.carry, args=(one, other), daemon=True).start()

    def move(self, port, silently=False):
        with self.lock:
            self.to = port
            pairs, self.pairs = self.pairs, []
        for pair in pairs:
            pair.silent = silently
            if not silently:
                pair.cut()


class Pair:
    """A client and the server that it was led to."""

    def __init__(self, client, server):
        self.client, self.server, self.silent = client, server, False

    def carry(self, one, other):
        try:
            while data := one.recv(65536):
                if not self.silent:
                    other.sendall(data)
        except OSError:
            pass
        if not self.silent:
            self.cut()

    def cut(self):
        for end in (self.client, self.server):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
            end.close()


class DidNotStart(AssertionError):
    """The service ended before it listened."""


class Service:
    """A process that serves."""

    def __init__(self, program, url, *flags, log="error", environment=None, errors=None):
        command = [program, "serve", "--listen", "127.0.0.1:0", "--database-url", url, "--webhook-allow", "127.0.0.1",
                   "--log", log, "--rate-limit-per-minute", "0", "--failures-per-minute", "0", *flags]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors, text=True,
                                        env={**os.environ, **(environment or {})})
        said = self.process.stdout.readline()
        if not said:
            self.process.wait()
            raise DidNotStart("the service did not start")
        ready = json.loads(said)
        self.address, self.key = urlsplit(ready["listening"]), ready.get("first_key")

    def metrics(self):
        connection = http.client.HTTPConnection(self.address.hostname, self.address.port, timeout=35)
        connection.request("GET", "/metrics")
        lines = connection.getresponse().read().decode().splitlines()
        connection.close()
        return dict(line.rsplit(" ", 1) for line in lines if line and not line.startswith("#"))

    def is_ready(self):
        connection = http.client.HTTPConnection(self.address.hostname, self.address.port, timeout=35)
        try:
            connection.request("GET", "/readyz")
            return connection.getresponse().status == 200
        finally:
            connection.close()

    def stop(self):
        self.process.terminate()
        assert self.process.wait(timeout=60) == 0


class Receiver:
    """A receiver of webhooks, and what it was told."""

    def __init__(self):
        told = self.told = []

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self):
                told.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_):
                pass

        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{server.server_port}/in"


class Client:
    """Someone with a key, whose connection lasts."""

    def __init__(self, service, key):
        self.service, self.key, self.connection = service, key, None

    def send(self, method, path, body=None, act=None):
        """Status, headers and body of one answer."""
        if self.connection is None:
            address = self.service.address
            self.connection = http.client.HTTPConnection(address.hostname, address.port, timeout=35)
        headers = {"Authorization": f"Bearer {self.key}", "Content-Type": "application/json"}
        if method == "POST":
            headers["Idempotency-Key"] = act or str(uuid.uuid4())
        try:
            self.connection.request(method, path, None if body is None else json.dumps(body), headers)
            answer = self.connection.getresponse()
            text = answer.read()
        except (OSError, http.client.HTTPException):
            self.connection.close()
            self.connection = None
            raise
        return answer.status, answer.headers, json.loads(text) if text else None

    def get(self, path):
        status, _, body = self.send("GET", path)
        assert status == 200, (path, body)
        return body

    def make(self, path, body):
        status, _, answer = self.send("POST", path, body)
        assert status == 201, (path, answer)
        return answer

    def all(self, path):
        """Every item of a list."""
        items, cursor = [], None
        while True:
            page = self.get(f"{path}?limit=500" + (f"&cursor={cursor}" if cursor else ""))
            items += page["items"]
            cursor = page.get("next_cursor")
            if cursor is None:
                return items


def farm(client, straws=100_000, animals=24):
    """A herd with a tank full of straws of one lot; gives the lot and the animals."""
    anything = [{"from_service": 1, "semen_types": ["conventional"]}]
    herd = client.make("/v1/herds", {"name": "A herd", "time_zone": "Europe/Vienna", "choice_rule": anything})["id"]
    tank = client.make("/v1/tanks", {"name": "Dairy room", "canisters": 6, "herd_id": herd})["id"]
    sire = client.make("/v1/sires", {"name": "A sire"})["id"]
    lot = client.make("/v1/lots", {"sire_id": sire, "semen_type": "conventional"})["id"]
    place = {"tank_id": tank, "canister": 1}
    client.make("/v1/receipts", {"lot_id": lot, "place": place, "straws": straws})
    return lot, [client.make("/v1/animals", {"herd_id": herd, "number": str(number)})["id"] for number in range(animals)]


def until(what, is_so, seconds=120):
    """Waits for something that must come; the limit is only there for what never does."""
    end = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < end, f"{what}: not within {seconds} s"
        time.sleep(0.1)


def run(program, *arguments, url):
    command = [program, *arguments, "--database-url", url]
    environment = {**os.environ, "TANKSIDE_LOG": "error"}
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    assert done.returncode == 0, done.stdout
    return done.stdout
