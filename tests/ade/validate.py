#!/usr/bin/env python3
"""Every recorded answer (see season.py) against models of the standard that are not ours.

    python tests/ade/validate.py ANSWERS

The models are those of the package icar-pydantic (version 1.4 pre-release, made from the standard's own
documents by others; a superset of 1.3). They let unknown members pass, so it is looked at besides that
each member is one that the model knows: a misspelt optional one would pass in silence. And, from the
standard's text: nothing is null, every date-time is UTC with a Z, resourceType is the resource's own name,
a resource has meta with source, sourceId and modified, and a location.
"""

import json
import re
import sys
from collections import Counter

from icar import collections, resources

KINDS = {
    "inseminations": "ReproInseminationEvent", "heats": "ReproHeatEvent", "pregnancy-checks": "ReproPregnancyCheckEvent",
    "parturitions": "ReproParturitionEvent", "abortions": "ReproAbortionEvent", "do-not-breeds": "ReproDoNotBreedEvent",
    "mating-recommendations": "ReproMatingRecommendation", "animals": "AnimalCore", "locations": "Location",
}
INSTANT = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z$")
INSTANTS = {"modified", "created", "validFrom", "validTo", "birthDate", "dateCollected", "taggingDate"}


def model(kind, what):
    if kind == "collection":
        return getattr(collections, f"Icar{KINDS[what]}Collection")
    if kind == "resource":
        return getattr(resources, f"Icar{KINDS[what]}Resource")
    return collections.BatchResults if kind == "batch" else collections.IcarErrorCollection


def unknown(sent, known, at="#"):
    """Where members stand that the model does not know."""
    if isinstance(sent, dict):
        for name, value in sent.items():
            if name not in known:
                yield f"{at}/{name}"
            else:
                yield from unknown(value, known[name], f"{at}/{name}")
    elif isinstance(sent, list):
        for n, (value, other) in enumerate(zip(sent, known)):
            yield from unknown(value, other, f"{at}/{n}")


def odd(value, at="#"):
    """Where the standard's text is not kept."""
    if value is None:
        yield f"{at} is null"
    elif isinstance(value, dict):
        for name, member in value.items():
            if (name in INSTANTS or name.endswith("DateTime")) and not INSTANT.match(member):
                yield f"{at}/{name} is {member}"
            yield from odd(member, f"{at}/{name}")
    elif isinstance(value, list):
        for n, member in enumerate(value):
            yield from odd(member, f"{at}/{n}")


def of_resource(resource, what):
    name = f"icar{KINDS[what]}Resource"
    if resource.get("resourceType") != name:
        yield f"resourceType is {resource.get('resourceType')}, not {name}"
    for member in ("source", "sourceId", "modified"):
        if member not in resource.get("meta", {}):
            yield f"meta has no {member}"
    if "location" not in resource and what != "locations":
        yield "it has no location"


def faults(line):
    kind, what, body = line["kind"], line["what"], line["body"]
    try:
        read = model(kind, what).model_validate_json(json.dumps(body), strict=True)
    except ValueError as error:
        yield str(error)
        return
    yield from (f"{at} is not known to the model"
                for at in unknown(body, read.model_dump(by_alias=True, exclude_unset=True, mode="json")))
    yield from odd(body)
    for resource in body["member"] if kind == "collection" else [body] if kind == "resource" else []:
        yield from of_resource(resource, what)


def main():
    counted, wrong = Counter(), 0
    with open(sys.argv[1], encoding="utf-8") as lines:
        for line in map(json.loads, lines):
            counted[line["kind"]] += 1
            for fault in faults(line):
                wrong += 1
                print(f"{line['request']} ({line['status']}): {fault}", file=sys.stderr)
    for kind in ("collection", "resource", "batch", "error"):
        if not counted[kind]:
            sys.exit(f"the answers have no {kind}: they tell nothing")
    if wrong:
        sys.exit(f"{wrong} faults")
    print("Valid by models that are not ours:", ", ".join(f"{n} {kind} answers" for kind, n in sorted(counted.items())))


if __name__ == "__main__":
    main()
