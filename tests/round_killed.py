#!/usr/bin/env python3
"""The scripts of demo/ are killed in the middle of every act, run again, and do each act once.

    python3 tests/round_killed.py PROGRAM [SCRIPT...]

Between each script and an empty service stands a line that kills the script, with SIGKILL, at the first request of every act: in
turn before the service hears of it and after the service has done it but before the answer comes. The script is run again with
the same queue until it ends by itself. Then the book must hold one of everything, and every act must have kept its key.
Standard library only.
"""

import http.client
import http.server
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from urllib.parse import urlsplit

HOME = Path(__file__).resolve().parent.parent
SCRIPTS = {
    "round.sh": (["bash"], "TANKSIDE_ACTS"),
    "round.py": (["python3"], "TANKSIDE_QUEUE"),
    "round.mjs": (["node"], "TANKSIDE_QUEUE"),
}
# herd, tank, sire, lot, heifer, delivery, heat, withdrawal, thaw, service
ACTS = 10
MOST_LIVES = 3 * ACTS


class Line(http.server.BaseHTTPRequestHandler):
    """Hands requests on to the service, and kills the script at the first request of every act."""

    upstream = None
    process = None
    keys = []
    lock = threading.Lock()

    def handle_one(self):
        content = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        key = self.headers.get("Idempotency-Key")
        with Line.lock:
            is_first = key is not None and key not in Line.keys
            if is_first:
                Line.keys.append(key)
            before = is_first and len(Line.keys) % 2 == 1
        if before:
            return self.kill()
        connection = http.client.HTTPConnection(Line.upstream.hostname, Line.upstream.port, timeout=35)
        headers = {name: value for name, value in self.headers.items() if name.lower() not in ("host", "connection")}
        connection.request(self.command, self.path, content or None, headers)
        response = connection.getresponse()
        body = response.read()
        connection.close()
        if is_first:
            return self.kill()
        self.send_response(response.status)
        for name, value in response.headers.items():
            if name.lower() not in ("content-length", "connection", "transfer-encoding", "date", "server"):
                self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    do_GET = do_POST = handle_one

    def kill(self):
        self.close_connection = True
        # The script with all that it started, such as curl.
        os.killpg(Line.process.pid, signal.SIGKILL)

    def log_message(self, *_):
        pass


class Server(http.server.ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *_):
        """A script that was killed does not take its answer."""


def start(program, folder):
    command = [program, "serve", "--listen", "127.0.0.1:0", "--database-url", f"sqlite://{folder}/tankside.db"]
    service = subprocess.Popen(command, stdout=subprocess.PIPE, env={**os.environ, "TANKSIDE_LOG": "warn"})
    ready = json.loads(service.stdout.readline())
    return service, urlsplit(ready["listening"]), ready["first_key"]


def ask(url, key, path):
    connection = http.client.HTTPConnection(url.hostname, url.port, timeout=35)
    connection.request("GET", path, headers={"Authorization": f"Bearer {key}"})
    answer = connection.getresponse()
    body = json.loads(answer.read())
    assert answer.status == 200, (path, body)
    return body


def killed_at_every_act(program, script):
    interpreter, queue = SCRIPTS[script]
    with tempfile.TemporaryDirectory() as folder:
        service, url, key = start(program, folder)
        try:
            Line.upstream, Line.keys = url, []
            line = Server(("127.0.0.1", 0), Line)
            threading.Thread(target=line.serve_forever, daemon=True).start()
            kept = Path(folder) / ("acts" if queue == "TANKSIDE_ACTS" else "queue.json")
            environment = {
                **os.environ,
                "TANKSIDE_URL": f"http://127.0.0.1:{line.server_address[1]}",
                "TANKSIDE_KEY": key,
                queue: str(kept),
            }
            kills = 0
            for _ in range(MOST_LIVES):
                Line.process = subprocess.Popen(
                    [*interpreter, str(HOME / "demo" / script)], env=environment, start_new_session=True,
                    stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                )
                told, _ = Line.process.communicate(timeout=120)
                if Line.process.returncode != -signal.SIGKILL:
                    break
                kills += 1
            line.shutdown()
            assert Line.process.returncode == 0, f"{script} ended with {Line.process.returncode} after {kills} kills:\n{told}"
            assert (kills, len(Line.keys)) == (ACTS, ACTS), f"{script}: {kills} kills, {len(Line.keys)} keys"
            herds = [herd for herd in ask(url, key, "/v1/herds")["items"] if herd["name"].startswith("Script Farm")]
            count = {
                "herds": len(herds),
                **{what: len(ask(url, key, f"/v1/{what}")["items"])
                   for what in ("tanks", "sires", "lots", "animals", "heats", "movements", "withdrawals", "services")},
                "straws": ask(url, key, "/v1/stock")["total_straws"],
            }
            # A receipt and a withdrawal; five straws less one.
            expected = {**dict.fromkeys(count, 1), "movements": 2, "straws": 4}
            assert count == expected, f"{script}: {count}"
            print(f"{script}: killed {kills} times, everything is there once")
        finally:
            service.terminate()
            assert service.wait() == 0


def main():
    program, *scripts = sys.argv[1:]
    for script in scripts or SCRIPTS:
        killed_at_every_act(program, script)


if __name__ == "__main__":
    main()
