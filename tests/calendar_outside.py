"""Holds the calendar of what to watch against an independent reader of RFC 5545: the PyPI library `icalendar`.

    python tests/calendar_outside.py PROGRAM

Starts the program on a store of its own. Needs tests/requirements-ci.txt.
"""

import datetime
import json
import subprocess
import sys
import tempfile
import urllib.error
import urllib.request
import uuid

import icalendar

NUMBERS = ["412", "4;1,2\\3", "Žofka 牛 " + "long " * 9]


class Service:
    def __init__(self, program, folder):
        self.process = subprocess.Popen(
            [program, "serve", "--listen", "127.0.0.1:0", "--log", "warn", "--database-url",
             f"sqlite://{folder}/tankside.db"],
            stdout=subprocess.PIPE, text=True)
        ready = json.loads(self.process.stdout.readline())
        self.base, self.key = ready["listening"], ready["first_key"]

    def ask(self, path, body=None):
        headers = {"authorization": f"Bearer {self.key}", "content-type": "application/json",
                   "idempotency-key": str(uuid.uuid4())}
        data = None if body is None else json.dumps(body).encode()
        with urllib.request.urlopen(urllib.request.Request(self.base + path, data, headers), timeout=30) as answer:
            return json.load(answer)

    def read(self, token):
        with urllib.request.urlopen(f"{self.base}/v1/watch.ics?token={token}", timeout=30) as answer:
            assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
            return answer.read()


def run(service):
    token = service.ask("/v1/calendars", {"name": "To watch; all, herds"})["secret"]
    empty = icalendar.Calendar.from_ical(service.read(token))
    assert empty["version"] == "2.0" and not empty.walk("VEVENT") and empty.subcomponents, empty

    herd = service.ask("/v1/herds", {"name": "Lower, Meadow; \\ Žofka", "time_zone": "Europe/Vienna"})["id"]
    served_at = datetime.datetime.now(datetime.timezone.utc) - datetime.timedelta(days=19)
    for number in NUMBERS:
        animal = service.ask("/v1/animals", {"herd_id": herd, "number": number})["id"]
        service.ask("/v1/services", {"animal_id": animal, "served_at": served_at.isoformat()})

    feed = service.read(token)
    assert all(len(line) <= 75 for line in feed.split(b"\r\n")), "RFC 5545, section 3.1: at most 75 octets"
    calendar = icalendar.Calendar.from_ical(feed)
    # A text (RFC 7986, section 5.1), which the library leaves as it is; read as the text that it knows.
    name = icalendar.Event.from_ical(f"BEGIN:VEVENT\r\nSUMMARY:{calendar['name']}\r\nEND:VEVENT\r\n")["summary"]
    assert name == "To watch; all, herds", name
    until = (datetime.date.today() + datetime.timedelta(days=90)).isoformat()
    wanted = {}
    for item in service.ask(f"/v1/watch?until={until}")["items"]:
        wanted.setdefault(item["animal_number"], []).append(item)
    events = calendar.walk("VEVENT")
    assert len(events) == sum(map(len, wanted.values())) and len(wanted) == len(NUMBERS), wanted
    assert len({event["uid"] for event in events}) == len(events), "two events of one name"
    for event in events:
        assert not event.errors, event.errors
        items = [item for number, items in wanted.items() for item in items
                 if str(event["summary"]).startswith(f"{number} (Lower, Meadow; \\ Žofka): ")
                 and item["kind"] in event.to_ical().decode().replace("\r\n ", "")]
        assert len(items) == 1, event
        assert items[0]["reason"] in str(event["description"]) and "\nSource: " in str(event["description"])
        start, end = event.decoded("dtstart"), event.decoded("dtend")
        assert type(start) is datetime.date and start.isoformat() in (items[0]["from_on"], items[0]["on"])
        assert end > start, "the end is not part of the event: section 3.6.1"
        assert event.decoded("dtstamp").tzinfo is not None
    try:
        service.read(token[:-1] + ("A" if token[-1] != "A" else "B"))
    except urllib.error.HTTPError as refused:
        assert refused.code == 404
    else:
        raise AssertionError("another token opens it")
    return len(events)


def main(program):
    with tempfile.TemporaryDirectory() as folder:
        service = Service(program, folder)
        try:
            events = run(service)
        finally:
            service.process.terminate()
            service.process.wait()
    print(f"The library icalendar reads the calendar: {events} events")


if __name__ == "__main__":
    main(sys.argv[1])
