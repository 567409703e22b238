"""The expected inbreeding of the calf of a female and a male, by the tabular method (Mrode 3e, chapter 2).

The table holds the additive relationship of every two animals; the calf's inbreeding is half the relationship
of its parents. An unknown parent is related to nobody. The pedigrees are the book's own example, the textbook
matings, and 20 invented herds in which few bulls sire most calves and are bred back to their own kin.

All figures are sums of powers of one half. The script checks the table against a recursion in exact fractions,
so what it writes is exact, and a limit of 0.125 can be compared without a tolerance.
"""

import json
from fractions import Fraction
from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np

HERDS = 20
LARGEST_HERD = 30
PAIRS = 12


class Pedigree:
    """Animals by number, parents before children; 0 is an unknown parent."""

    def __init__(self, name, parents, sexes):
        self.name = name
        self.parents = parents
        self.sexes = sexes
        for child, (sire, dam) in enumerate(parents, start=1):
            assert sire < child and dam < child
            assert sire == 0 or sexes[sire - 1] == "male"
            assert dam == 0 or sexes[dam - 1] == "female"

    def size(self):
        return len(self.parents)

    def of_sex(self, sex):
        return [n for n in range(1, self.size() + 1) if self.sexes[n - 1] == sex]

    def relationships(self):
        """The additive relationship matrix; row and column 0 belong to the unknown parent and stay zero."""
        a = np.zeros((self.size() + 1, self.size() + 1))
        for child, (sire, dam) in enumerate(self.parents, start=1):
            a[child, :child] = a[:child, child] = (a[sire, :child] + a[dam, :child]) / 2
            a[child, child] = 1 + a[sire, dam] / 2
        return a

    def coancestry(self):
        """The same by recursion and in fractions: the chance that genes drawn from two animals are copies of one."""

        @cache
        def between(one, other):
            if one == 0 or other == 0:
                return Fraction(0)
            if one == other:
                sire, dam = self.parents[one - 1]
                return (1 + between(sire, dam)) / 2
            young, old = max(one, other), min(one, other)
            sire, dam = self.parents[young - 1]
            return (between(sire, old) + between(dam, old)) / 2

        return between


def case(pedigree, label, pairs, order=None):
    """One pedigree for the file. `label` names an animal; `order` is the order in which the animals are listed."""
    a = pedigree.relationships()
    exact = pedigree.coancestry()
    for one in range(1, pedigree.size() + 1):
        for other in range(1, one + 1):
            assert Fraction(float(a[one, other])) == 2 * exact(one, other), (pedigree.name, one, other)
    name = {0: None} | {n: label(n) for n in range(1, pedigree.size() + 1)}
    return {
        "name": pedigree.name,
        "animals": [
            {
                "id": name[n],
                "sex": pedigree.sexes[n - 1],
                "sire": name[pedigree.parents[n - 1][0]],
                "dam": name[pedigree.parents[n - 1][1]],
                "inbreeding": float(a[n, n] - 1),
            }
            for n in order or range(1, pedigree.size() + 1)
        ],
        "matings": [
            {"female": name[female], "male": name[male], "calf_inbreeding": float(a[female, male] / 2)}
            for female, male in pairs
        ],
    }


def every_pair(pedigree):
    return [(female, male) for female in pedigree.of_sex("female") for male in pedigree.of_sex("male")]


def textbook():
    m, f = "male", "female"
    # Where the book needs no sex, one is chosen.
    mrode = Pedigree("Mrode 3e, chapter 2", [(0, 0), (0, 0), (1, 2), (1, 0), (4, 3), (5, 2)], [m, f, f, m, m, m])
    assert mrode.relationships()[5, 5] == 1.125
    yield mrode
    # The names say which two are mated; in each the answer is the last female by the last male.
    yield Pedigree("unrelated", [(0, 0), (0, 0)], [f, m])
    yield Pedigree("sire x daughter", [(0, 0), (0, 0), (1, 2)], [m, f, f])
    yield Pedigree("dam x son", [(0, 0), (0, 0), (1, 2)], [m, f, m])
    yield Pedigree("full sibs", [(0, 0), (0, 0), (1, 2), (1, 2)], [m, f, f, m])
    yield Pedigree("half sibs", [(0, 0), (0, 0), (0, 0), (1, 2), (1, 3)], [m, f, f, f, m])
    yield Pedigree("half sibs, dams unknown", [(0, 0), (1, 0), (1, 0)], [m, f, m])
    yield Pedigree("grandsire x granddaughter", [(0, 0), (1, 0), (0, 2)], [m, f, f])
    yield Pedigree(
        "first cousins",
        [(0, 0), (0, 0), (1, 2), (1, 2), (3, 0), (0, 4)],
        [m, f, m, f, f, m],
    )
    yield Pedigree(
        "full sibs of full sibs",
        [(0, 0), (0, 0), (1, 2), (1, 2), (4, 3), (4, 3)],
        [m, f, f, m, f, m],
    )


def invented_herd(number, chance):
    """A herd in which any animal may be bred to any older one, its parent included."""
    size = int(chance.randint(10, LARGEST_HERD + 1))
    founders = int(chance.randint(3, 6))
    bulls = 0.25
    parents, sexes = [], []
    for n in range(1, size + 1):
        # The first two founders are one of each sex, so that there is always a pair.
        sexes.append("male" if n == 1 or (n > 2 and chance.random_sample() < bulls) else "female")
        if n <= founders:
            parents.append((0, 0))
            continue
        males = [o for o in range(1, n) if sexes[o - 1] == "male"]
        females = [o for o in range(1, n) if sexes[o - 1] == "female"]
        # A sire is known more often than a dam: he stands on the straw.
        sire = int(chance.choice(males)) if chance.random_sample() < 0.95 else 0
        dam = int(chance.choice(females)) if chance.random_sample() < 0.85 else 0
        parents.append((sire, dam))
    pedigree = Pedigree(f"invented herd {number}", parents, sexes)

    pairs = every_pair(pedigree)
    asked = sorted(chance.permutation(len(pairs))[:PAIRS])
    # The names and the order of the list say nothing about who is older.
    names = [int(n) for n in chance.permutation(900)[:size] + 100]
    order = [int(n) + 1 for n in chance.permutation(size)]
    return case(pedigree, lambda n: str(names[n - 1]), [pairs[n] for n in asked], order)


def main():
    # The old generator: its stream is promised never to change, so neither do the herds.
    chance = np.random.RandomState(412)
    cases = [case(pedigree, str, every_pair(pedigree)) for pedigree in textbook()]
    expected = {
        "unrelated": 0.0,
        "sire x daughter": 0.25,
        "dam x son": 0.25,
        "full sibs": 0.25,
        "half sibs": 0.125,
        "half sibs, dams unknown": 0.125,
        "grandsire x granddaughter": 0.125,
        "first cousins": 0.0625,
        "full sibs of full sibs": 0.375,
    }
    for textbook_case in cases[1:]:
        last = textbook_case["matings"][-1]
        assert last["calf_inbreeding"] == expected[textbook_case["name"]], textbook_case["name"]
    cases += [invented_herd(number, chance) for number in range(1, HERDS + 1)]
    result = {
        "library": "numpy",
        "versions": {"numpy": version("numpy")},
        "function": "additive relationship matrix by the tabular method, checked against fractions.Fraction",
        "tolerance_abs": 0.0,
        "note": "sire and dam are null when unknown; animals stand in no order of birth",
        "cases": cases,
    }
    path = Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
