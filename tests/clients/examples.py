"""Takes an example of every answer of the description from a service that runs `tankside demo`, and writes them as JSON.

    python tests/clients/examples.py OPENAPI URL KEY > openapi/examples.json

Each is what was really answered on the demo's invented farm, cut to the first elements of its lists, with ids, ETags and
secrets exchanged for made up ones; the same id is the same everywhere, and the one that an example of a request names, too. Acts are
asked for with the description's own examples of bodies where those stand alone, about things of that farm. Run it when an answer has changed; the tests hold what is written against the schemas.
"""

import json
import re
import sys
import urllib.error
import urllib.request
import uuid

DESCRIPTION, URL, KEY = sys.argv[1:4]
UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
with open(DESCRIPTION, encoding="utf-8") as file:
    API = json.load(file)


def ask(method, path, body=None):
    """Sends a text as a file and all else as JSON."""
    headers = {"Authorization": f"Bearer {KEY}"}
    if body is not None:
        headers["Content-Type"] = "text/csv" if isinstance(body, str) else "application/json"
    if method != "GET":
        headers["Idempotency-Key"] = str(uuid.uuid4())
    data = None if body is None else (body if isinstance(body, str) else json.dumps(body)).encode()
    request = urllib.request.Request(URL + path, data, headers, method=method)
    try:
        with urllib.request.urlopen(request) as answer:
            return answer.status, answer.headers.get_content_type(), answer.read().decode(errors="replace")
    except urllib.error.HTTPError as error:
        return error.code, error.headers.get_content_type(), error.read().decode()


def first(path):
    status, _, text = ask("GET", path)
    items = json.loads(text).get("items") if status == 200 else None
    return items[0] if items else None


def post(path, body):
    status, _, text = ask("POST", path, body)
    told = json.loads(text)
    if status >= 300:
        print(f"POST {path}: {told}", file=sys.stderr)
    return status, told


def short(value, longest=2):
    """The same with no list longer than that, and no number finer than every reader of JSON reads alike."""
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {name: short(member, longest) for name, member in value.items()}
    if isinstance(value, list):
        return [short(element, longest) for element in value[:longest]]
    return value


# What examples of requests call the things of the farm; their answers call them the same.
def named(last):
    return f"01976f0e-5a52-7c3e-9d61-0c7a51e6b{last}"


HERD, ANIMAL, LOT, TANK, SIRE, WITHDRAWAL = map(named, ("001", "0aa", "01a", "02a", "03a", "04a"))


def sent(name):
    """The first example of what is sent to an operation."""
    operation = next(operation for item in API["paths"].values() for operation in item.values()
                     if operation["operationId"] == name)
    content = next(iter(operation["requestBody"]["content"].values()))
    return content["example"] if "example" in content else next(iter(content["examples"].values()))["value"]


class Farm:
    """The demo's farm, and what is entered so that there is some of everything."""

    def __init__(self):
        # Of the technician's own tank, within reach of every herd, the place at which the most hang.
        tanks = json.loads(ask("GET", "/v1/tanks")[2])["items"]
        own = next(tank["id"] for tank in tanks if tank["herd_id"] is None)
        stock = json.loads(ask("GET", f"/v1/stock?semen_type=conventional&tank_id={own}")[2])["items"]
        self.stock = max(stock, key=lambda hanging: hanging["straws"])
        self.lot, self.sire, self.place = self.stock["lot"]["id"], self.stock["sire"]["id"], self.stock["place"]
        self.tank = self.place["tank_id"]
        self.herd = next(herd for herd in json.loads(ask("GET", "/v1/herds")[2])["items"])["id"]
        anything = [{"from_service": 1, "semen_types": ["conventional", "sexed_female"]}]
        self.own = post("/v1/herds", {"name": "Lower Meadow", "time_zone": "Europe/Vienna", "choice_rule": anything})[1]["id"]
        self.animals = [self.animal(number) for number in ("412", "413", "414", "415")]
        post(f"/v1/tanks/{self.tank}/nitrogen-readings", {"depth_mm": 310})
        post(f"/v1/tanks/{self.tank}/refills", {"depth_after_mm": 400})
        # The straw that is thawed and served.
        self.out, self.served = self.withdrawal(self.animals[1]), None
        self.ids = {self.own: HERD, self.animals[0]: ANIMAL, self.lot: LOT, self.tank: TANK, self.sire: SIRE,
                    self.out: WITHDRAWAL}

    def example(self, name):
        """What the description sends there, about the things of this farm."""
        text = json.dumps(sent(name))
        for there, here in self.ids.items():
            text = text.replace(here, there)
        return json.loads(text)

    def animal(self, number):
        return post("/v1/animals", {"herd_id": self.own, "number": number, "born_on": "2024-05-02"})[1]["id"]

    def withdrawal(self, animal):
        return post("/v1/withdrawals", {"animal_id": animal, "lot_id": self.lot, "technician": "T. Example"})[1]["id"]

    def acts(self):
        """Operation, path and body of each act, in an order in which they can be done."""
        a, _, c, d = self.animals
        line = {"lot_id": self.lot, "place": self.place, "straws": 1}
        for name, path in (("create_herd", "/v1/herds"), ("create_tank", "/v1/tanks"), ("create_sire", "/v1/sires"),
                           ("create_lot", "/v1/lots"), ("create_key", "/v1/keys"), ("create_batch", "/v1/batch"),
                           ("import_list", "/v1/imports/sires?dry_run=true")):
            yield name, path, self.example(name)
        key = next(key for key in json.loads(ask("GET", "/v1/keys?limit=500")[2])["items"] if key["name"] == sent("create_key")["name"])
        yield "rotate_key", f"/v1/keys/{key['id']}/rotation", self.example("rotate_key")
        yield "create_animal", "/v1/animals", {"herd_id": self.own, "number": "416", "born_on": "2024-05-02"}
        yield "create_receipt", "/v1/receipts", line
        yield "create_transfer", "/v1/transfers", {"lot_id": self.lot, "from": self.place, "straws": 1,
                                                   "to": {"tank_id": self.tank, "canister": 1}, "exposure_s": 4}
        yield "create_discard", "/v1/discards", {**line, "reason": "dropped"}
        yield "create_consignment", "/v1/consignments", {"direction": "out", "party": {"name": "Invented Station"}, "lines": [line]}
        yield "create_stocktake", "/v1/stocktakes", {"tank_id": self.tank, "counts": [line]}
        count = post("/v1/stocktakes", {"tank_id": self.tank, "counts": [{**line, "straws": self.stock["straws"] - 1}]})[1]["id"]
        yield "accept_stocktake", f"/v1/stocktakes/{count}/acceptance", {}
        yield "create_heat", "/v1/heats", {"animal_id": a, "method": "seen"}
        yield "create_withdrawal", "/v1/withdrawals", {"animal_id": a, "lot_id": self.lot, "technician": "T. Example"}
        out = self.out
        yield "thaw_withdrawal", f"/v1/withdrawals/{out}/thaw", {"bath_temp_c": 35.6}
        yield "create_service", "/v1/services", {"withdrawal_id": out, "technician": "T. Example"}
        yield "discard_withdrawal", f"/v1/withdrawals/{self.withdrawal(c)}/discard", {"reason": "dropped"}
        yield "create_withdrawal_batch", "/v1/withdrawals/batch", [
            {"step": "withdrawal", "idempotency_key": "tablet-7-0001", "animal_id": d, "lot_id": self.lot}]
        undone = post("/v1/services", {"animal_id": d})[1]["id"]
        yield "reverse_service", f"/v1/services/{undone}/reversal", {}
        received = post("/v1/receipts", line)[1]["id"]
        yield "reverse_movement", f"/v1/movements/{received}/reversal", {"reason": "did_not_happen"}
        yield "create_pregnancy_check", "/v1/pregnancy-checks", {"animal_id": d, "method": "ultrasound", "result": "empty"}
        yield "create_calving", "/v1/calvings", {"animal_id": d}
        yield "create_abortion", "/v1/abortions", {"animal_id": d}
        yield "create_do_not_breed", "/v1/do-not-breed", {"animal_id": d, "do_not_breed": False}
        yield "create_nitrogen_reading", f"/v1/tanks/{self.tank}/nitrogen-readings", {"depth_mm": 309}
        yield "create_refill", f"/v1/tanks/{self.tank}/refills", {"depth_after_mm": 405}
        yield "create_repair", f"/v1/tanks/{self.tank}/repairs", {"kind": "repaired"}
        yield "create_hold", "/v1/holds", {"tank_id": self.tank, "canister": 6, "reason": "The canister was found on the floor."}
        yield "create_request", "/v1/requests", {"herd_id": self.own, "animal_ids": [a], "text": "Heat seen this morning."}
        asked = post("/v1/requests", {"herd_id": self.own, "text": "Please come."})[1]["id"]
        yield "close_request", f"/v1/requests/{asked}/closing", {"reason": "The farm rang: not in heat after all."}
        yield "create_alert_rule", "/v1/alert-rules", {"kind": "stock.low", "below_straws": 500}
        yield "create_calendar", "/v1/calendars", {"name": "To watch", "herd_id": self.own}
        yield "set_mating_plan", f"/v1/animals/{a}/mating-plan", {"choices": [{"sire_id": self.sire}]}
        protocol = {"herd_id": self.own, "name": "Heifers", "prescribed_by": "Dr. Example", "steps": [
            {"day": 0, "time": "08:00", "kind": "treatment", "text": "As prescribed"},
            {"day": 1, "time": "08:00", "kind": "insemination", "text": "Inseminate"}]}
        yield "create_timed_protocol", "/v1/timed-protocols", protocol
        protocol = first("/v1/timed-protocols")["id"]
        e = self.animal("417")
        yield "create_protocol_starts", f"/v1/timed-protocols/{protocol}/starts", {"animal_ids": [e], "starts_on": "2027-01-04"}
        begun = first(f"/v1/protocol-starts?animal_id={e}")["id"]
        yield "set_protocol_step", f"/v1/protocol-starts/{begun}/steps", {"step": 1, "step_state": "done"}
        yield "stop_protocol_start", f"/v1/protocol-starts/{begun}/stopping", {"reason": "Called off."}
        yield "replace_price_list", "/v1/price-list", {"currency": "EUR", "items": [{"of": "visit", "amount_minor": 1500}]}
        yield "create_webhook", "/v1/webhooks", {"url": "https://herd.example.com/hook", "events": ["straw.withdrawn"]}
        hook = first("/v1/webhooks")["id"]
        yield "test_webhook", f"/v1/webhooks/{hook}/test", {}
        yield "redeliver_event", f"/v1/deliveries/{first(f'/v1/webhooks/{hook}/deliveries')['id']}/redelivery", {}
        yield "redeliver_events", f"/v1/webhooks/{hook}/redelivery", {"since": "2026-11-28T00:00:00Z"}
        yield "rotate_webhook_secret", f"/v1/webhooks/{hook}/secret-rotation", {}
        yield "pause_webhook", f"/v1/webhooks/{hook}/pause", {}
        yield "resume_webhook", f"/v1/webhooks/{hook}/resume", {}
        told = {"meta": {"source": "org.example.herd", "sourceId": "1"}, "inseminationType": "Insemination",
                "animal": {"scheme": "tankside.animal", "id": self.animal("418")}, "eventDateTime": "2026-02-01T06:00:00Z"}
        post(f"/ade/locations/tankside.herd/{self.own}/inseminations", told)
        item = first("/v1/ade-items")["id"]
        yield "resolve_ade_item", f"/v1/ade-items/{item}/resolution", {"resolution": "dismiss"}
        alert = first("/v1/alerts?open=true")
        if alert:
            yield "acknowledge_alert", f"/v1/alerts/{alert['id']}/acknowledgement", {"note": "Ordered."}


def whereabouts(farm, path):
    """The path of something that is there."""
    collection, _, rest = path.partition("/{id}")
    known = {"/v1/tanks": farm.tank, "/v1/reports/lot-trace": farm.lot, "/v1/animals": farm.animals[0], "/v1/herds": farm.own,
             "/v1/withdrawals": farm.out, "/v1/services": farm.served}
    if "{id}" not in path:
        return path
    if collection in ("/v1/nitrogen-readings", "/v1/refills"):
        thing = first(f"/v1/tanks/{farm.tank}/{collection.removeprefix('/v1/')}")
    elif collection == "/v1/deliveries":
        thing = first(f"/v1/webhooks/{first('/v1/webhooks')['id']}/deliveries")
    elif collection in known:
        thing = {"id": known[collection]}
    else:
        thing = first(collection)
    return thing and f"{collection}/{thing['id']}{rest}"


def main():
    farm = Farm()
    told, of_schema = {}, {}
    operations = {operation["operationId"]: (path, method, operation) for path, item in API["paths"].items()
                  for method, operation in item.items()}

    def schema_of(operation, status):
        content = operation["responses"].get(str(status), {}).get("content", {})
        return content.get("application/json", {}).get("schema", {}).get("$ref")

    def keep(name, status, text):
        operation = operations[name][2]
        value = short(json.loads(text))
        told.setdefault(name, {})[str(status)] = value
        of_schema.setdefault(schema_of(operation, status), value)

    for name, path, body in farm.acts():
        method = operations[name][1].upper()
        status, media, text = ask(method, path, body)
        if status >= 300:
            print(f"{name}: {status} {text[:300]}", file=sys.stderr)
        elif media == "application/json":
            keep(name, status, text)
            if name == "create_service":
                farm.served = json.loads(text)["id"]
    queries = {"get_service": "?include=animal,withdrawal", "get_withdrawal": "?include=animal",
               "get_thaw_advice": f"?bath_temp_c=34.1&bath_volume_ml=1000&water_temp_c=60&lot_id={farm.lot}",
               "get_season_plan": "?starts_on=2027-01-04&heifers=20&cows=60&services=2",
               "get_round": f"?herd_id={farm.own}", "get_page": f"?herd_id={farm.own}"}
    for name, (path, method, operation) in operations.items():
        if method != "get" or "application/json" not in operation["responses"]["200"].get("content", {}):
            continue
        here = whereabouts(farm, path)
        if here is None:
            continue
        lists = any(parameter.get("name") == "limit" for parameter in operation.get("parameters", []))
        status, _, text = ask("GET", here + queries.get(name, "?limit=2" if lists else ""))
        if status == 200:
            keep(name, status, text)
        else:
            print(f"{name}: {status} {text[:300]}", file=sys.stderr)
    # What is told in the same shape elsewhere: a change answers with the whole thing.
    for name, (_, _, operation) in operations.items():
        for status in operation["responses"]:
            schema = schema_of(operation, status)
            if status.startswith("2") and schema and status not in told.get(name, {}):
                if schema in of_schema:
                    told.setdefault(name, {})[status] = of_schema[schema]
                else:
                    print(f"{name}: nothing answers {status} with {schema}", file=sys.stderr)
    text = json.dumps(told, indent=1, sort_keys=True, ensure_ascii=False)
    ids = dict(farm.ids)
    made_up = lambda found: ids.setdefault(found[0], f"01976f0e-5a52-7c3e-9d61-{len(ids) + 1 - len(farm.ids):012x}")
    text = UUID.sub(made_up, text)
    text = re.sub(r"whsec_[A-Za-z0-9+/=]+", "whsec_aW52ZW50ZWQtaW52ZW50ZWQtaW52ZW50ZWQh", text)
    text = re.sub(r"tks_[A-Za-z0-9]+_[A-Za-z0-9]{6}", "tks_0123456789ABCDEFGHIJKLMNOPQRST_000000", text)
    text = re.sub(r"token=[A-Za-z0-9_-]+", "token=invented", text)
    text = text.replace(URL, "https://tankside.example.com")
    print(text)


if __name__ == "__main__":
    main()
