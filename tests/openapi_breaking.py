#!/usr/bin/env python3
"""Whether a description of the interface breaks clients that were written to an older one.

    python3 tests/openapi_breaking.py                    openapi/openapi.json against that of the last tag v*
    python3 tests/openapi_breaking.py OLD.json NEW.json
    python3 tests/openapi_breaking.py --self-test

What breaks, by docs/versions.md: an operation, a parameter, a member of a request or a value that it may have is gone (the service
refuses what it does not know); something must now be given, or is bounded more closely; an answer, or a member of it, is gone, may be
missing or null now, or is of another type; an operation has another operationId, by which clients are generated. What is new
breaks nothing. Where there is no tag, nothing was promised to anybody yet, and it says so. Standard library only.
"""

import copy
import json
import subprocess
import sys
from pathlib import Path

HOME = Path(__file__).resolve().parent.parent
METHODS = ("get", "put", "post", "delete", "patch")


class Diff:
    def __init__(self, old, new):
        self.old, self.new, self.found, self.seen = old, new, [], set()

    def say(self, where, what):
        line = f"{where}: {what}"
        if line not in self.found:
            self.found.append(line)

    @staticmethod
    def resolved(whole, value):
        while isinstance(value, dict) and "$ref" in value:
            reference = value["$ref"]
            value = whole
            for step in reference.removeprefix("#/").split("/"):
                value = value[step.replace("~1", "/").replace("~0", "~")]
        return value

    def run(self):
        for path, operations in self.old.get("paths", {}).items():
            for method in METHODS:
                if method not in operations:
                    continue
                where = f"{method.upper()} {path}"
                new = self.new.get("paths", {}).get(path, {}).get(method)
                if new is None:
                    self.say(where, "the operation is gone")
                else:
                    self.operation(where, operations[method], new)
        return self.found

    def operation(self, where, old, new):
        if old.get("operationId") != new.get("operationId"):
            self.say(where, f"operationId {old.get('operationId')} is {new.get('operationId')} now")
        self.parameters(where, old.get("parameters", []), new.get("parameters", []))
        old_body = self.resolved(self.old, old.get("requestBody"))
        new_body = self.resolved(self.new, new.get("requestBody"))
        if old_body and not new_body:
            self.say(where, "takes no body any more")
        if new_body and new_body.get("required") and not (old_body or {}).get("required"):
            self.say(where, "needs a body now")
        if old_body and new_body:
            self.contents(f"{where}, request", old_body, new_body, True)
        for status, answer in old.get("responses", {}).items():
            there = new.get("responses", {}).get(status)
            if there is None:
                # Another refusal in its place is still a refusal.
                if status.startswith(("2", "3")):
                    self.say(where, f"the answer {status} is gone")
                continue
            answer, there = self.resolved(self.old, answer), self.resolved(self.new, there)
            self.contents(f"{where}, answer {status}", answer, there, False)
            for header in answer.get("headers", {}):
                if header not in there.get("headers", {}):
                    self.say(where, f"the header {header} of the answer {status} is gone")

    def parameters(self, where, old, new):
        def named(whole, parameters):
            resolved = (self.resolved(whole, parameter) for parameter in parameters)
            return {(parameter["in"], parameter["name"]): parameter for parameter in resolved}

        old, new = named(self.old, old), named(self.new, new)
        for (place, name), parameter in old.items():
            there = new.get((place, name))
            if there is None:
                self.say(where, f"the parameter {name} ({place}) is gone")
                continue
            if there.get("required") and not parameter.get("required"):
                self.say(where, f"the parameter {name} ({place}) must be given now")
            self.schema(f"{where}, parameter {name}", parameter.get("schema", {}), there.get("schema", {}), True)
        for (place, name), parameter in new.items():
            if parameter.get("required") and (place, name) not in old:
                self.say(where, f"the new parameter {name} ({place}) must be given")

    def contents(self, where, old, new, is_request):
        for media, content in old.get("content", {}).items():
            there = new.get("content", {}).get(media)
            if there is None:
                self.say(where, f"{media} is gone")
            else:
                self.schema(where, content.get("schema", {}), there.get("schema", {}), is_request)

    @staticmethod
    def types(schema):
        told = schema.get("type", [])
        return set(told if isinstance(told, list) else [told])

    def whole(self, document, schema):
        """A schema without references, its null, and what allOf brings together."""
        schema = self.resolved(document, schema)
        if not isinstance(schema, dict):
            return {}, False
        may_be_null = "null" in self.types(schema)
        for word in ("oneOf", "anyOf"):
            others = [one for one in schema.get(word, []) if self.types(one) != {"null"}]
            if len(others) < len(schema.get(word, [])):
                may_be_null = True
                if len(others) == 1:
                    schema, inner = self.whole(document, others[0])
                    return schema, True
        if "allOf" in schema:
            merged = {key: value for key, value in schema.items() if key != "allOf"}
            merged["properties"] = dict(schema.get("properties", {}))
            merged["required"] = list(schema.get("required", []))
            for part in schema["allOf"]:
                part, null = self.whole(document, part)
                may_be_null = may_be_null or null
                merged["properties"].update(part.get("properties", {}))
                merged["required"] += part.get("required", [])
                for key, value in part.items():
                    merged.setdefault(key, value)
            schema = merged
        return schema, may_be_null

    def schema(self, where, old, new, is_request):
        pair = (json.dumps(old, sort_keys=True), json.dumps(new, sort_keys=True), is_request)
        if pair in self.seen:
            return
        self.seen.add(pair)
        (old, old_null), (new, new_null) = self.whole(self.old, old), self.whole(self.new, new)
        if is_request and old_null and not new_null:
            self.say(where, "may not be null any more")
        if not is_request and new_null and not old_null:
            self.say(where, "may be null now")
        old_types, new_types = self.types(old) - {"null"}, self.types(new) - {"null"}
        narrower, wider = (new_types, old_types) if is_request else (old_types, new_types)
        # A whole number is a number.
        if narrower and wider and not all(one in narrower or (one == "integer" and "number" in narrower) for one in wider):
            self.say(where, f"was {sorted(old_types)}, is {sorted(new_types)}")
            return
        if is_request:
            self.request(where, old, new)
        else:
            self.answer(where, old, new)
        for name, member in old.get("properties", {}).items():
            there = new.get("properties", {}).get(name)
            if there is None:
                self.say(where, f"the member {name} is gone")
            else:
                self.schema(f"{where}, {name}", member, there, is_request)
        if "items" in old and "items" in new:
            self.schema(f"{where}, items", old["items"], new["items"], is_request)
        for word in ("oneOf", "anyOf"):
            before, after = old.get(word, []), new.get(word, [])
            if len(after) < len(before) and is_request:
                self.say(where, f"one of {len(before)} forms is gone")
            # A form that was added at the end or changed in its place; told by its place.
            for number, (one, other) in enumerate(zip(before, after), 1):
                self.schema(f"{where}, form {number}", one, other, is_request)

    def request(self, where, old, new):
        for name in new.get("required", []):
            if name not in old.get("required", []):
                what = "must be given now" if name in old.get("properties", {}) else "is new and must be given"
                self.say(where, f"the member {name} {what}")
        gone = [value for value in old.get("enum", []) if "enum" in new and value not in new["enum"]]
        if gone or ("enum" in new and "enum" not in old):
            self.say(where, f"may not be {gone or 'any value'} any more")
        for bound, is_closer in (
            ("minimum", lambda was, now: now > was), ("minLength", lambda was, now: now > was),
            ("minItems", lambda was, now: now > was), ("maximum", lambda was, now: now < was),
            ("maxLength", lambda was, now: now < was), ("maxItems", lambda was, now: now < was),
        ):
            now, was = new.get(bound), old.get(bound)
            if now is not None and (was is None and bound.startswith("max") or was is not None and is_closer(was, now)):
                self.say(where, f"{bound} was {was}, is {now}")

    def answer(self, where, old, new):
        for name in old.get("required", []):
            if name in new.get("properties", {}) and name not in new.get("required", []):
                self.say(where, f"the member {name} may be missing now")


def breaking(old, new):
    return Diff(old, new).run()


def at_last_tag():
    """The last tag of a version and the description that it had; nothing where there is none."""
    def git(*arguments):
        return subprocess.run(["git", "-C", str(HOME), *arguments], capture_output=True, text=True, check=False)

    tag = git("describe", "--tags", "--abbrev=0", "--match=v*").stdout.strip()
    if not tag:
        return None
    shown = git("show", f"{tag}:openapi/openapi.json")
    if shown.returncode != 0:
        raise SystemExit(f"{tag} has no openapi/openapi.json: {shown.stderr.strip()}")
    return tag, json.loads(shown.stdout)


def self_test():
    """One change after another to a small description: those that break are found, the others not."""
    base = {
        "paths": {
            "/v1/canes": {
                "get": {
                    "operationId": "list_canes",
                    "parameters": [{"in": "query", "name": "tank_id", "schema": {"type": "string"}}],
                    "responses": {
                        "200": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Cane"}}}},
                        "404": {"description": "none"},
                    },
                },
                "post": {
                    "operationId": "create_cane",
                    "requestBody": {"required": True, "content": {"application/json": {"schema": {"$ref": "#/components/schemas/NewCane"}}}},
                    "responses": {"201": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Cane"}}}}},
                },
            }
        },
        "components": {
            "schemas": {
                "NewCane": {
                    "type": "object",
                    "required": ["name"],
                    "properties": {
                        "name": {"type": "string", "maxLength": 20},
                        "kind": {"type": "string", "enum": ["short", "long"]},
                        "straws": {"type": ["integer", "null"]},
                    },
                },
                "Cane": {
                    "type": "object",
                    "required": ["id", "inside"],
                    "properties": {
                        "id": {"type": "string"},
                        "inside": {"$ref": "#/components/schemas/Cane"},
                        "above": {"oneOf": [{"type": "null"}, {"$ref": "#/components/schemas/Cane"}]},
                    },
                },
            }
        },
    }

    def changed(edit):
        new = copy.deepcopy(base)
        edit(new, new["paths"]["/v1/canes"], new["components"]["schemas"])
        return breaking(base, new)

    def put(target, key, value):
        target[key] = value

    breaks = {
        "the operation is gone": lambda n, p, s: p.pop("get"),
        "operationId list_canes is list_all": lambda n, p, s: put(p["get"], "operationId", "list_all"),
        "the parameter tank_id (query) is gone": lambda n, p, s: put(p["get"], "parameters", []),
        "the parameter tank_id (query) must be given now": lambda n, p, s: put(p["get"]["parameters"][0], "required", True),
        "the new parameter at (query) must be given": lambda n, p, s: p["get"]["parameters"].append(
            {"in": "query", "name": "at", "required": True, "schema": {"type": "string"}}),
        "the answer 201 is gone": lambda n, p, s: p["post"]["responses"].pop("201"),
        "the member kind is gone": lambda n, p, s: s["NewCane"]["properties"].pop("kind"),
        "the member kind must be given now": lambda n, p, s: s["NewCane"]["required"].append("kind"),
        "the member depth is new and must be given": lambda n, p, s: (
            s["NewCane"]["required"].append("depth"), put(s["NewCane"]["properties"], "depth", {"type": "number"})),
        "may not be ['long'] any more": lambda n, p, s: s["NewCane"]["properties"]["kind"]["enum"].remove("long"),
        "maxLength was 20, is 10": lambda n, p, s: put(s["NewCane"]["properties"]["name"], "maxLength", 10),
        "may not be null any more": lambda n, p, s: put(s["NewCane"]["properties"]["straws"], "type", "integer"),
        "was ['string'], is ['integer']": lambda n, p, s: put(s["Cane"]["properties"]["id"], "type", "integer"),
        "the member id is gone": lambda n, p, s: s["Cane"]["properties"].pop("id"),
        "the member id may be missing now": lambda n, p, s: s["Cane"]["required"].remove("id"),
        "may be null now": lambda n, p, s: put(s["Cane"]["properties"]["id"], "type", ["string", "null"]),
        "application/json is gone": lambda n, p, s: put(p["get"]["responses"]["200"], "content", {}),
        "takes no body any more": lambda n, p, s: p["post"].pop("requestBody"),
    }
    for told, edit in breaks.items():
        found = changed(edit)
        assert any(told in line for line in found), f"not found: {told}; found {found}"
    keeps = [
        lambda n, p, s: None,
        lambda n, p, s: put(n["paths"], "/v1/new", {"get": {"operationId": "x", "responses": {}}}),
        lambda n, p, s: p["get"]["parameters"].append({"in": "query", "name": "at", "schema": {"type": "string"}}),
        lambda n, p, s: put(s["NewCane"]["properties"], "colour", {"type": "string"}),
        lambda n, p, s: s["NewCane"]["properties"]["kind"]["enum"].append("double"),
        lambda n, p, s: s["NewCane"]["required"].remove("name"),
        lambda n, p, s: put(s["NewCane"]["properties"]["name"], "maxLength", 40),
        lambda n, p, s: put(s["Cane"]["properties"], "depth", {"type": "number"}),
        lambda n, p, s: s["Cane"]["required"].append("above"),
        lambda n, p, s: put(p["get"]["responses"], "429", {"description": "later"}),
        # Another name of the same thing is nothing that a client of the JSON sees.
        lambda n, p, s: (put(s, "Rod", s.pop("Cane")), put(s["Rod"]["properties"], "inside", {"$ref": "#/components/schemas/Rod"}),
                         put(s["Rod"]["properties"], "above", {"oneOf": [{"type": "null"}, {"$ref": "#/components/schemas/Rod"}]}),
                         put(p["get"]["responses"]["200"]["content"]["application/json"], "schema", {"$ref": "#/components/schemas/Rod"}),
                         put(p["post"]["responses"]["201"]["content"]["application/json"], "schema", {"$ref": "#/components/schemas/Rod"})),
    ]
    for number, edit in enumerate(keeps):
        found = changed(edit)
        assert found == [], f"change {number} breaks nothing, and yet: {found}"
    # The real description against itself, and without its first operation.
    real = json.loads((HOME / "openapi/openapi.json").read_text("utf-8"))
    assert breaking(real, real) == []
    less = copy.deepcopy(real)
    less["paths"].pop(next(iter(less["paths"])))
    assert breaking(real, less), "an operation that is gone is found"
    print(f"{len(breaks)} changes that break are found, {len(keeps)} that do not are let be")


def main():
    if sys.argv[1:] == ["--self-test"]:
        return self_test()
    if len(sys.argv) == 3:
        old, new = (json.loads(Path(path).read_text("utf-8")) for path in sys.argv[1:])
        since = sys.argv[1]
    elif len(sys.argv) == 1:
        found = at_last_tag()
        if found is None:
            print("there is no tag of a version yet, so nothing was promised that could be broken")
            return None
        since, old = found
        new = json.loads((HOME / "openapi/openapi.json").read_text("utf-8"))
    else:
        raise SystemExit(__doc__)
    found = breaking(old, new)
    for line in found:
        print(f"BREAKS: {line}")
    if found:
        raise SystemExit(f"{len(found)} changes break clients written to {since}; see docs/versions.md")
    print(f"nothing breaks clients written to {since}")
    return None


if __name__ == "__main__":
    main()
