#!/usr/bin/env python3
"""A herd system lives a season through the Animal Data Exchange (ICAR ADE, version 1.3).

    python3 tests/ade/season.py PROGRAM ANSWERS

starts PROGRAM (`tankside`) on an empty book, lets a herd system that knows nothing but the standard talk
to it, while a technician works with the service's own interface, and checks what each must see. Every
answer under /ade is written to ANSWERS, one JSON object a line: what was asked, and the body. tests/ade/
validate.py then checks each with models that are not ours.

Standard library only, Python 3.9 or newer. Ends with status 0 only if all came out as it must.
Animals, sires and farms are invented.
"""

import datetime
import http.client
import json
import subprocess
import sys
import tempfile
import uuid
from pathlib import Path
from urllib.parse import quote, urlencode, urlsplit

SOURCE = "org.example.herdsystem"
NOW = datetime.datetime.now(datetime.timezone.utc).replace(microsecond=0)
START = NOW - datetime.timedelta(days=420)


def at(days, hours=6):
    """RFC 3339, in UTC, that many days after the season's start."""
    day = (START + datetime.timedelta(days=days)).replace(hour=hours, minute=0, second=0)
    return day.strftime("%Y-%m-%dT%H:%M:%SZ")


def must(condition, text):
    if not condition:
        raise SystemExit(f"FAILED: {text}")


def send(url, method, target, headers, body=None):
    host = urlsplit(url).netloc
    connection = http.client.HTTPConnection(host, timeout=30)
    try:
        connection.request(method, target, body=body, headers=headers)
        response = connection.getresponse()
        text = response.read().decode("utf-8")
        return response.status, dict(response.getheaders()), text
    finally:
        connection.close()


class HerdSystem:
    """A client of the standard: its paths, its resources, its envelopes; nothing of this service."""

    def __init__(self, url, key, answers):
        self.url, self.key, self.answers = url, key, answers
        self.location = None

    def call(self, kind, what, method, target, body=None, key=True, media="application/json"):
        headers = {"Accept": "application/json"}
        if key:
            headers["Authorization"] = f"Bearer {self.key}"
        if body is not None:
            headers["Content-Type"] = media
            if not isinstance(body, bytes):
                body = json.dumps(body).encode("utf-8")
        status, headers, text = send(self.url, method, target, headers, body)
        must(headers.get("content-type") == "application/json", f"{method} {target}: {headers}")
        answer = json.loads(text)
        if status >= 400:
            kind = "batch" if target.startswith("/ade/batches/") else "error"
        line = {"kind": kind, "what": what, "request": f"{method} {target}", "status": status, "body": answer}
        self.answers.write(json.dumps(line, ensure_ascii=False) + "\n")
        return status, headers, answer

    def path(self, what):
        scheme, location = self.location["scheme"], self.location["id"]
        return f"/locations/{quote(scheme, safe='')}/{quote(location, safe='')}/{what}"

    def locations(self):
        status, _, answer = self.call("collection", "locations", "GET", "/ade/locations")
        must(status == 200, answer)
        return answer["member"]

    def read(self, what, **parameters):
        """All members: follows view.next until it is absent."""
        query = urlencode({name.replace("_", "-"): value for name, value in parameters.items()})
        target = f"/ade{self.path(what)}" + (f"?{query}" if query else "")
        members = []
        while target:
            status, _, answer = self.call("collection", what, "GET", target)
            must(status == 200, answer)
            members += answer["member"]
            following = answer["view"].get("next")
            target = None
            if following:
                parts = urlsplit(following)
                must(parts.scheme and parts.netloc, f"view.next must be a URI: {following}")
                target = f"{parts.path}?{parts.query}"
        return members

    def post(self, what, resource):
        status, headers, answer = self.call("resource", what, "POST", f"/ade{self.path(what)}", resource)
        must(status == 200, answer)
        place = urlsplit(headers["location"])
        status, _, again = self.call("resource", what, "GET", place.path)
        must((status, again) == (200, answer), f"Location must lead to what was stored: {again}")
        return answer

    def batch(self, what, resources):
        status, _, answer = self.call("batch", what, "POST", f"/ade/batches{self.path(what)}", resources)
        must(status == 200 and len(answer) == len(resources), answer)
        return answer

    def meta(self, name, modified=None, **more):
        return {"source": SOURCE, "sourceId": name, "modified": modified or at(0), **more}

    def event(self, kind, name, animal, when, modified=None, **more):
        return {"resourceType": kind, "meta": self.meta(name, modified), "animal": animal, "eventDateTime": when, **more}


class Technician:
    """Works with the service's own interface."""

    def __init__(self, url, key):
        self.url, self.key = url, key

    def call(self, method, target, body=None):
        headers = {"Authorization": f"Bearer {self.key}", "Idempotency-Key": str(uuid.uuid4())}
        if body is not None:
            headers["Content-Type"] = "application/json"
            body = json.dumps(body).encode("utf-8")
        status, _, text = send(self.url, method, target, headers, body)
        must(status < 300, f"{method} {target}: {status} {text}")
        return json.loads(text) if text else None

    def make(self, path, body):
        return self.call("POST", path, body)["id"]

    def found(self):
        self.herd = self.make("/v1/herds", {"name": "Hollow Mere", "time_zone": "Europe/London",
                                            "location": {"scheme": "uk.cph", "id": "34/123/1234"}})
        self.tank = self.make("/v1/tanks", {"name": "TANK-2", "herd_id": self.herd, "canisters": 6})
        names = [{"scheme": "international-id", "id": "HOLZZZM000000A12345"},
                 {"scheme": "org.example.aicode", "id": "XA871"}]
        self.sire = self.make("/v1/sires", {"name": "Invented Quillon", "breed": "HOL", "identifiers": names})
        self.lots = {}
        for semen_type, batch, canister in (("sexed_female", "24117", 1), ("conventional", "24118", 2)):
            lot = {"sire_id": self.sire, "semen_type": semen_type, "batch": batch, "collected_on": "2024-04-26",
                   "collection_centre": "XX-CC-0093", "straw_ml": 0.25}
            if semen_type == "sexed_female":
                lot["sexed_percentage"] = 90
            self.lots[semen_type] = self.make("/v1/lots", lot)
            place = {"tank_id": self.tank, "canister": canister, "cane": "B"}
            self.call("POST", "/v1/receipts", {"lot_id": self.lots[semen_type], "place": place, "straws": 10,
                                               "received_at": at(0)})

    def straws(self, semen_type):
        return self.call("GET", f"/v1/stock?lot_id={self.lots[semen_type]}")["total_straws"]

    def animal(self, code):
        return self.call("GET", f"/v1/animals?identifier={quote(code)}")["items"][0]["id"]

    def next_service(self, animal, when):
        return self.call("GET", f"/v1/animals/{animal}/next-service?at={quote(when)}")

    def serve(self, animal, when, **more):
        taken = self.call("POST", "/v1/withdrawals", {"animal_id": animal, "withdrawn_at": when, **more})["id"]
        return self.make("/v1/services", {"withdrawal_id": taken, "served_at": when, "technician": "TECH-07"})


def animal_resource(herd, tag, name, gender="Female"):
    return {"resourceType": "icarAnimalCoreResource", "meta": herd.meta(f"animal-{tag}"),
            "identifier": {"scheme": "eu.bovine", "id": f"XX 0417 00{tag}"},
            "alternativeIdentifiers": [{"scheme": "std.iso.11785", "id": f"276000000000{tag}"}],
            "specie": "Cattle", "gender": gender, "birthDate": "2022-02-17T00:00:00Z", "managementTag": tag, "name": name,
            "primaryBreed": {"scheme": "icar.breed-3", "id": "HOL"}, "productionPurpose": "Milk", "status": "Alive"}


def season(herd, technician):
    technician.found()
    locations = herd.locations()
    must([place["identifier"]["id"] for place in locations] == ["34/123/1234"], locations)
    herd.location = locations[0]["identifier"]

    # Registration: four females and a bull calf, which is kept and not entered.
    tags = {"212": "Clover", "213": "Daisy", "214": "Erin", "215": "Flora"}
    animals = [animal_resource(herd, tag, name) for tag, name in tags.items()]
    results = herd.batch("animals", animals + [animal_resource(herd, "299", "Bertie", "Male")])
    must(all("messages" not in result for result in results[:4]), results)
    must(results[4]["messages"][0]["severity"] == "Warning", results[4])
    known = {animal["managementTag"]: animal for animal in herd.read("animals")}
    must(set(known) == {*tags, "299"}, known)
    clover, daisy, erin, flora = (known[tag]["identifier"] for tag in tags)
    ids = {tag: technician.animal(f"XX 0417 00{tag}") for tag in tags}

    # The plan, and the heat that times it.
    sire = [{"scheme": "org.example.aicode", "id": "XA871"}]
    herd.post("mating-recommendations", herd.event(
        "icarReproMatingRecommendationResource", "plan-1", clover, at(1), sireRecommendations=[
            {"recommendationType": "SireRecommended", "sireIdentifiers": sire, "sireRank": 1, "isSexedSemen": True,
             "sexedGender": "Female"},
            {"recommendationType": "BeefSire", "sireOfficialName": "Invented Beef", "sireRank": 2}]))
    herd.post("heats", herd.event(
        "icarReproHeatEventResource", "heat-1", clover, at(10, 5), heatDetectionMethod="Visual", certainty="InHeat",
        visualDetection={"heatSigns": ["StandsUnder"], "heatIntensity": "Strong"}))
    following = technician.next_service(ids["212"], at(10, 16))
    must(following["timing"] is not None, "the heat must time her next service")
    must(following["plan"]["choices"][0]["sire_id"] == technician.sire, following["plan"])
    must((following["service_number"], following["semen_types"][0]) == (1, "sexed_female"), following)
    must(following["plan"]["choices"][0]["state"] == "in_reach", following["plan"])
    must(following["candidates"][0]["sire"]["id"] == technician.sire, following["candidates"])

    # A plan that the technician sets is read as a recommendation; a later one of the herd system is the plan after it.
    plan = f"/v1/animals/{ids['213']}/mating-plan"
    technician.call("PUT", plan, {"note": "Agreed.", "choices": [
        {"sire_id": technician.sire, "semen_type": "sexed_female", "service_number": 1},
        {"sire_id": technician.sire, "semen_type": "conventional", "from_service": 2, "lactation": 0}]})
    own = [each for each in herd.read("mating-recommendations") if each["animal"] == daisy]
    must([each["sireRank"] for each in own[0]["sireRecommendations"]] == [1, 2], own)
    must(own[0]["sireRecommendations"][0]["sexedGender"] == "Female", own)
    must(own[0]["sireRecommendations"][1]["parity"] == 0, own)
    must(herd.post("mating-recommendations", own[0]) == own[0], "what came from there stays as it is")
    results = herd.batch("mating-recommendations", [
        herd.event("icarReproMatingRecommendationResource", "plan-2", daisy, at(421), sireRecommendations=[
            {"recommendationType": "SireRecommended", "sireIdentifiers": sire, "sireRank": 1}]),
        herd.event("icarReproMatingRecommendationResource", "plan-3", flora, at(2), sireRecommendations=[
            {"recommendationType": "NoBreedingSire"}])])
    must(all("messages" not in result for result in results), results)
    must(technician.call("GET", plan)["source"] == "herd_software", "the later one is the plan")
    gone = [each for each in herd.read("mating-recommendations", meta_modified_from=at(0)) if each["id"] == own[0]["id"]]
    must(gone[0]["meta"]["isDeleted"] is True, gone)
    technician.call("DELETE", plan)

    # The technician serves her; the herd system reads it, with its straw.
    served = technician.serve(ids["212"], at(10, 16), lot_id=technician.lots["sexed_female"])
    read = herd.read("inseminations", meta_modified_from=at(0))
    must([each["id"] for each in read] == [served], read)
    first = read[0]
    must((first["rank"], first["animal"], first["semenFromFarmStocks"]) == (1, clover, True), first)
    must(first["farmContainer"] == "TANK-2, canister 1, cane B", first)
    straw = first["straw"]
    must((straw["batch"], straw["isSexedSemen"], straw["sexedGender"], straw["sexedPercentage"])
         == ("24117", True, "Female", 90), straw)
    must({"scheme": "org.example.aicode", "id": "XA871"} in straw["sireIdentifiers"], straw)
    # It sends it back, as systems do that forward everything: it is known, and counted once.
    must(herd.post("inseminations", first) == first, "what came from there stays as it is")
    must(technician.straws("sexed_female") == 9, "ten straws less one")

    # She comes back; the farmer serves her from the same tank, and the herd system tells of it. Three times.
    told = herd.event("icarReproInseminationEventResource", "ai-1", clover, at(31, 16), inseminationType="Insemination",
                      straw={"resourceType": "icarReproSemenStrawResource", "batch": "24118", "sireIdentifiers": sire,
                             "preservationType": "Frozen", "isSexedSemen": False},
                      responsible="FARM-01", semenFromFarmStocks=True)
    answers = [herd.post("inseminations", told) for _ in range(3)]
    must(answers[0] == answers[1] == answers[2], "a repeat changes nothing")
    must((answers[0]["rank"], technician.straws("conventional")) == (2, 9), answers[0])
    for name, value in told.items():
        must(name == "meta" or answers[0][name] == value, f"{name} is told again as it came")
    # It was Daisy: what is newer corrects. Then it was nothing at all, and then it was after all.
    corrected = {**told, "animal": daisy, "meta": herd.meta("ai-1", at(32))}
    must(herd.post("inseminations", corrected)["id"] == answers[0]["id"], "one resource, corrected")
    must(technician.straws("conventional") == 9, "one straw back, one straw out")
    must(technician.next_service(ids["212"], at(40))["service_number"] == 2, "Clover has one service again")
    deleted = {**corrected, "meta": herd.meta("ai-1", at(33), isDeleted=True)}
    must(herd.post("inseminations", deleted)["meta"]["isDeleted"] is True, "taken back")
    must(technician.straws("conventional") == 10, "the straw hangs there again")
    must("ai-1" not in [each["meta"]["sourceId"] for each in herd.read("inseminations")], "not in plain lists")
    gone = herd.read("inseminations", meta_modified_from=at(0))
    must([each["meta"]["isDeleted"] for each in gone if each["meta"]["sourceId"] == "ai-1"] == [True], gone)
    herd.post("inseminations", {**told, "meta": herd.meta("ai-1", at(34))})
    must(technician.straws("conventional") == 9, "and out again")

    # A straw that nobody here knows: kept, counted as a service, and a person is asked.
    unknown = herd.event("icarReproInseminationEventResource", "ai-2", erin, at(50), inseminationType="Insemination",
                         straw={"resourceType": "icarReproSemenStrawResource", "batch": "99999"})
    results = herd.batch("inseminations", [unknown, {**unknown, "animal": None}, told])
    must(results[0]["messages"][0]["severity"] == "Warning", results)
    must(results[1]["messages"][0]["severity"] == "Error" and results[1]["meta"]["sourceId"] == "ai-2", results)
    flagged = technician.call("GET", "/v1/ade-items?flagged=true")["items"]
    must([item["source_id"] for item in flagged] == ["ai-2"], flagged)
    must((technician.straws("sexed_female"), technician.straws("conventional")) == (9, 9), "nothing is guessed")
    technician.call("POST", f"/v1/ade-items/{flagged[0]['id']}/resolution",
                    {"resolution": "straw", "lot_id": technician.lots["sexed_female"]})
    must(technician.straws("sexed_female") == 8, "settled: it was this straw")

    # Found pregnant, and calved: a new cycle.
    herd.post("pregnancy-checks", herd.event("icarReproPregnancyCheckEventResource", "check-1", clover, at(66),
                                             method="Echography", result="Pregnant", foetalAge=35, foetusCount=1))
    must(not technician.next_service(ids["212"], at(70))["permitted"], "she is pregnant")
    herd.post("parturitions", herd.event(
        "icarReproParturitionEventResource", "calving-1", clover, at(310), calvingEase="EasyUnassisted", liveProgeny=1,
        totalProgeny=1, progenyDetails=[{"resourceType": "icarProgenyDetailsResource", "specie": "Cattle",
                                         "gender": "Female", "birthStatus": "Alive",
                                         "birthWeight": {"measurement": 38.5, "units": "KGM"}}]))
    following = technician.next_service(ids["212"], at(380))
    must((following["service_number"], following["class"]) == (1, "cow"), following)
    herd.post("abortions", herd.event("icarReproAbortionEventResource", "loss-1", erin, at(120)))
    herd.post("do-not-breeds", herd.event("icarReproDoNotBreedEventResource", "stop-1", flora, at(130)))
    must(not technician.next_service(ids["215"], at(140))["permitted"], "not to be bred")
    herd.post("heats", herd.event("icarReproHeatEventResource", "heat-2", daisy, at(60), certainty="Potential",
                                  heatDetectionMethod="Collar", deviceHeatProbability=80))

    # Out of the ordinary: a service against the rule, two straws, one taken back, a straw from elsewhere.
    technician.serve(ids["215"], at(150), lot_id=technician.lots["conventional"], straws=2,
                     override={"reason": "Owner wants a last calf."})
    technician.make("/v1/services", {"animal_id": ids["214"], "served_at": at(160), "sire_id": technician.sire})
    wrong = technician.make("/v1/services", {"animal_id": ids["213"], "served_at": at(170)})
    technician.call("POST", f"/v1/services/{wrong}/reversal", {})
    for kind, more in (("heats", {"method": "bolus"}), ("pregnancy-checks", {"method": "milk", "result": "unknown"}),
                       ("calvings", {}), ("abortions", {"opens_cycle": True}), ("do-not-breed", {"do_not_breed": False})):
        technician.make(f"/v1/{kind}", {"animal_id": ids["213"], "technician": "VET-02", **more})

    # What could not be told again as valid is refused or left out; whoever was served is kept though nobody knows her.
    strange = herd.event("icarReproInseminationEventResource", "ai-3", {"scheme": "eu.bovine", "id": "XX 0417 00999"},
                         at(180), inseminationType="Insemination", straw={**told["straw"], "meta": {"source": SOURCE}})
    must("meta" not in herd.post("inseminations", strange)["straw"], "a meta that is not whole is left out")
    calf = {"specie": "Cattle", "gender": "Male", "birthWeight": {"measurement": -38.5, "units": "KGM"}}
    light = herd.event("icarReproParturitionEventResource", "calving-2", erin, at(310), progenyDetails=[calf])
    results = herd.batch("parturitions", [light])
    must(results[0]["messages"][0]["instance"] == "#/0/progenyDetails/0/birthWeight/measurement", results)

    # One animal dies, one moves to another location: whoever asks what changed hears it.
    dead = {**animals[3], "status": "Dead", "meta": herd.meta("animal-215", at(400))}
    must(herd.post("animals", dead)["status"] == "Dead", "dead, not only gone")
    far = technician.make("/v1/herds", {"name": "Far Meadow", "time_zone": "Europe/Vienna"})
    technician.call("PATCH", f"/v1/animals/{ids['214']}", {"herd_id": far})
    must("214" not in [each.get("managementTag") for each in herd.read("animals")], "she is not there any more")
    left = [each for each in herd.read("animals", meta_modified_from=at(0)) if each["identifier"] == erin]
    must([each["status"] for each in left] == ["OffFarm"], left)

    # Read to the end in small pages: the same as in one.
    for what in ("inseminations", "heats", "pregnancy-checks", "parturitions", "abortions", "do-not-breeds",
                 "mating-recommendations", "animals"):
        for parameters in ({}, {"meta_modified_from": at(0)}, {"animal_scheme": "eu.bovine", "animal_id": clover["id"]}):
            whole = herd.read(what, **parameters)
            must(herd.read(what, page_size=2, **parameters) == whole, f"{what} {parameters}")
        must(herd.read(what), f"there are {what}")
    remarks = [each.get("remark", "") for each in herd.read("inseminations")]
    must(any("Owner wants a last calf." in remark and "2 straws" in remark for remark in remarks), remarks)

    # Errors, each as the standard has it.
    heats, batches = f"/ade{herd.path('heats')}", f"/ade/batches{herd.path('heats')}"
    for status, method, target, body, more in (
            (401, "GET", heats, None, {"key": False}),
            (401, "POST", batches, [], {"key": False}),
            (404, "GET", "/ade/locations/uk.cph/none/heats", None, {}),
            (404, "POST", "/ade/batches/locations/uk.cph/none/heats", [], {}),
            (404, "GET", f"{heats}/{uuid.uuid4()}", None, {}),
            (404, "GET", "/ade/nothing", None, {}),
            (405, "DELETE", heats, None, {}),
            (400, "POST", heats, b"{", {}),
            (400, "POST", batches, b"{", {}),
            (400, "GET", f"{heats}?meta-modified-from=yesterday", None, {}),
            (413, "POST", heats, b" " * (1024 * 1024 + 1), {}),
            (415, "POST", heats, b"{}", {"media": "text/plain"}),
            (422, "POST", heats, {}, {}),
            (422, "POST", batches, {}, {})):
        told, _, answer = herd.call("error", "errors", method, target, body, **more)
        must(told == status, f"{method} {target}: {told} {answer}")


def main():
    program, answers = sys.argv[1:]
    with tempfile.TemporaryDirectory() as folder:
        store = f"sqlite://{Path(folder) / 'season.db'}"
        service = subprocess.Popen([program, "serve", "--listen", "127.0.0.1:0", "--database-url", store, "--log", "warn"],
                                   stdout=subprocess.PIPE, text=True)
        try:
            ready = json.loads(service.stdout.readline())
            url, manager = ready["listening"], ready["first_key"]
            key = subprocess.run([program, "key", "create", "--name", "Herd system", "--role", "integration",
                                  "--database-url", store], check=True, capture_output=True, text=True).stdout
            with open(answers, "w", encoding="utf-8") as lines:
                season(HerdSystem(url, key.split()[-1], lines), Technician(url, manager))
        finally:
            service.terminate()
            status = service.wait(timeout=60)
        must(status == 0, f"the service ended with {status}")
        subprocess.run([program, "verify", "--database-url", store], check=True, stdout=subprocess.DEVNULL)
    print("A season through the Animal Data Exchange came out as it must.")


if __name__ == "__main__":
    main()
