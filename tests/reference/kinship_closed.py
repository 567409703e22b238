"""The expected inbreeding in herds that buy in no bull, by the tabular method (Mrode 3e, chapter 2).

The herds were drawn once and stand in the JSON file: per animal its sire and its dam by number, counted from 0,
parents before children; in each generation the bulls come first. The script reads them there and works out the
figures again. It checks the table against a recursion in exact fractions.
"""

import json
from fractions import Fraction
from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np

TOLERANCE = 1e-12


def relationships(parents):
    """The additive relationship matrix; the last row and column belong to the unknown parent and stay zero."""
    a = np.zeros((len(parents) + 1, len(parents) + 1))
    for child, (sire, dam) in enumerate(parents):
        sire, dam = (-1 if parent is None else parent for parent in (sire, dam))
        a[child, :child] = a[:child, child] = (a[sire, :child] + a[dam, :child]) / 2
        a[child, child] = 1 + a[sire, dam] / 2
    return a


def coancestry(parents):
    """The same by recursion and in fractions: the chance that genes drawn from two animals are copies of one."""

    @cache
    def between(one, other):
        if one is None or other is None:
            return Fraction(0)
        sire, dam = parents[max(one, other)]
        if one == other:
            return (1 + between(sire, dam)) / 2
        return (between(sire, min(one, other)) + between(dam, min(one, other))) / 2

    return between


def case(name, parents, bulls, generation):
    """Every cow of the last generation by every bull of the herd."""
    a = relationships(parents)
    exact = coancestry(parents)
    for one in range(len(parents)):
        for other in range(one + 1):
            assert abs(Fraction(float(a[one, other])) - 2 * exact(one, other)) < TOLERANCE, (name, one, other)
    last = range(len(parents) - generation + bulls, len(parents))
    males = [n for n in range(len(parents)) if n % generation < bulls]
    assert all(sire is None or sire in males for sire, _ in parents)
    assert all(dam is None or dam not in males for _, dam in parents)
    return {
        "name": name,
        "bulls": bulls,
        "generation": generation,
        "parents": parents,
        "inbreeding": [float(a[n, n] - 1) for n in range(len(parents))],
        "matings": [[dam, sire, float(a[dam, sire] / 2)] for dam in last for sire in males],
    }


def main():
    path = Path(__file__).with_suffix(".json")
    drawn = json.loads(path.read_text(encoding="utf-8"))["cases"]
    result = {
        "library": "numpy",
        "versions": {"numpy": version("numpy")},
        "function": "additive relationship matrix by the tabular method, checked against fractions.Fraction",
        "tolerance_abs": TOLERANCE,
        "note": "animals by number from 0, [sire, dam] each, null when unknown; the first `bulls` of every `generation` "
        "are male; matings are [dam, sire, expected inbreeding]",
    }
    cases = [case(herd["name"], herd["parents"], herd["bulls"], herd["generation"]) for herd in drawn]
    # A line for each field: the lists are long.
    lines = [f' "{name}": {json.dumps(value)},\n' for name, value in result.items()]
    fields = [",\n".join(f'  "{name}": {json.dumps(value)}' for name, value in herd.items()) for herd in cases]
    herds = ",\n".join(f" {{\n{text}\n }}" for text in fields)
    path.write_text("{\n" + "".join(lines) + ' "cases": [\n' + herds + "\n ]\n}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
