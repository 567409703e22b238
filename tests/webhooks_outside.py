"""Holds what webhooks are sent against independent implementations: the signatures against the PyPI library
`standardwebhooks`, the events against the CloudEvents SDK (`cloudevents`) and against the schemas in the service's own
description (`jsonschema`), and the function that docs/webhooks.md shows against both.

    python tests/webhooks_outside.py PROGRAM

Starts the program on a store of its own, with a receiver in this process. Needs tests/requirements-ci.txt.
"""

import http.server
import json
import pathlib
import queue
import re
import subprocess
import sys
import tempfile
import threading
import urllib.request
import uuid

import jsonschema
import referencing
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from standardwebhooks import Webhook, WebhookVerificationError

ROOT = pathlib.Path(__file__).resolve().parent.parent


class Receiver(http.server.BaseHTTPRequestHandler):
    heard: "queue.Queue[tuple[dict[str, str], bytes]]" = queue.Queue()

    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        self.heard.put(({name.lower(): value for name, value in self.headers.items()}, body))
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


class Service:
    def __init__(self, program, folder):
        self.process = subprocess.Popen(
            [program, "serve", "--listen", "127.0.0.1:0", "--log", "warn", "--webhook-allow", "127.0.0.1",
             "--database-url", f"sqlite://{folder}/tankside.db"],
            stdout=subprocess.PIPE, text=True)
        ready = json.loads(self.process.stdout.readline())
        self.base, self.key = ready["listening"], ready["first_key"]

    def ask(self, path, body=None):
        headers = {"authorization": f"Bearer {self.key}", "content-type": "application/json",
                   "idempotency-key": str(uuid.uuid4())}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.base + path, data, headers)
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)


def refused(check):
    try:
        check()
    except WebhookVerificationError:
        return True
    return False


def main(program):
    page = (ROOT / "docs" / "webhooks.md").read_text()
    shown = {}
    exec(re.search(r"```python\n(.*?)```", page, re.S).group(1), shown)
    is_genuine = shown["is_genuine"]

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Receiver)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    url = f"http://127.0.0.1:{server.server_port}/in"
    with tempfile.TemporaryDirectory() as folder:
        service = Service(program, folder)
        try:
            kinds = run(service, url, is_genuine)
        finally:
            service.process.terminate()
            service.process.wait()
    wanted = {"straw.withdrawn", "service.recorded", "rule.overridden", "webhook.test", "webhook.disabled"}
    assert kinds == wanted, kinds
    print("Signatures, events and schemas agree with the libraries:", ", ".join(sorted(kinds)))


def run(service, url, is_genuine):
    api = service.ask("/openapi.json")
    registry = referencing.Registry().with_resource(
        "urn:api", referencing.Resource.from_contents(api, referencing.jsonschema.DRAFT202012))
    hook = service.ask("/v1/webhooks", {"url": url})
    secrets = [hook["secret"]]
    kinds = set()

    def hears():
        headers, body = Receiver.heard.get(timeout=30)
        # Each secret that is good verifies by itself; a stranger's does not, nor does a changed body.
        for secret in secrets:
            Webhook(secret).verify(body, headers)
            assert is_genuine(secret, headers, body)
        stranger = "whsec_" + "AAAA" * 8
        assert refused(lambda: Webhook(stranger).verify(body, headers))
        assert not is_genuine(stranger, headers, body)
        changed = body.replace(b"1.0", b"1.1", 1)
        assert refused(lambda: Webhook(secrets[0]).verify(changed, headers))
        assert not is_genuine(secrets[0], headers, changed)

        event = from_http_event(HTTPMessage(headers=headers, body=body))
        sent = json.loads(body)
        assert event.get_specversion() == "1.0"
        assert event.get_id() == headers["webhook-id"] == sent["id"]
        assert event.get_source() == sent["source"].lower() and event.get_subject() == sent["subject"]
        assert event.get_time() is not None and event.get_data() == sent["data"]
        assert int(event.get_extension("sequence")) > 0
        kind = event.get_type()
        at = f"urn:api#/webhooks/{kind}/post/requestBody/content/application~1cloudevents+json/schema"
        validator = jsonschema.Draft202012Validator({"$ref": at}, registry=registry)
        validator.validate(sent)
        without = {name: value for name, value in sent.items() if name != "data"}
        assert not validator.is_valid(without), "the schema says nothing"
        assert not validator.is_valid({**sent, "data": {}}), "the schema of the data says nothing"
        kinds.add(kind)
        return headers

    herd = service.ask("/v1/herds", {"name": "Lower Meadow", "time_zone": "Europe/Vienna"})["id"]
    tank = service.ask("/v1/tanks", {"name": "Dairy room", "herd_id": herd})["id"]
    sire = service.ask("/v1/sires", {"name": "Invented One"})["id"]
    lot = service.ask("/v1/lots", {"sire_id": sire, "semen_type": "sexed_female"})["id"]
    place = {"tank_id": tank, "canister": 3, "cane": "B"}
    service.ask("/v1/receipts", {"lot_id": lot, "place": place, "straws": 5})
    animal = service.ask("/v1/animals", {"herd_id": herd, "number": "412"})["id"]
    taken = service.ask("/v1/withdrawals", {"animal_id": animal, "lot_id": lot})["id"]
    hears()
    service.ask("/v1/services", {"withdrawal_id": taken, "technician": "Žofka"})
    hears()
    # An override goes out with its deviation, and as an alert.
    other = service.ask("/v1/lots", {"sire_id": sire, "semen_type": "conventional"})["id"]
    service.ask("/v1/receipts", {"lot_id": other, "place": place, "straws": 5})
    heifer = service.ask("/v1/animals", {"herd_id": herd, "number": "413"})["id"]
    service.ask("/v1/withdrawals", {"animal_id": heifer, "lot_id": other, "override": {"reason": "agreed"}})
    hears()
    hears()
    # A service of which nothing is known.
    service.ask("/v1/services", {"animal_id": heifer})
    hears()
    service.ask(f"/v1/webhooks/{hook['id']}/test", {})
    one = hears()
    assert len(one["webhook-signature"].split(" ")) == 1
    secrets.insert(0, service.ask(f"/v1/webhooks/{hook['id']}/secret-rotation", {})["secret"])
    service.ask(f"/v1/webhooks/{hook['id']}/test", {})
    both = hears()
    assert len(both["webhook-signature"].split(" ")) == 2

    gone = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Gone)
    threading.Thread(target=gone.serve_forever, daemon=True).start()
    dead = service.ask("/v1/webhooks", {"url": f"http://127.0.0.1:{gone.server_port}/", "events": ["stock.low"]})
    service.ask(f"/v1/webhooks/{dead['id']}/test", {})
    hears()
    return kinds


class Gone(Receiver):
    def do_POST(self):
        self.send_response(410)
        self.end_headers()


if __name__ == "__main__":
    main(sys.argv[1])
