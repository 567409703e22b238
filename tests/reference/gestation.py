"""When she is due: the service date plus the length of gestation, by Python's own calendar.

Lengths in days, heifer and cow, by the breed of the service sire. Dairy: Norman et al. 2009, J Dairy Sci
92:2259-2269. Beef: Nevada Extension, one figure for heifers and cows. "any breed" stands for every breed that
is not named.

Printed tables for 283 days lead from 1 January to 10 October. That holds in a leap year; in a common year it is
11 October.
"""

import json
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

DAIRY_SOURCE = "Norman et al. 2009, J Dairy Sci 92:2259-2269"
DAIRY = {
    "Ayrshire": ("281.6", "281.7"),
    "Brown Swiss": ("287.2", "287.5"),
    "Guernsey": ("284.8", "285.7"),
    "Holstein": ("277.8", "279.4"),
    "Jersey": ("278.4", "280.0"),
    "Milking Shorthorn": ("279.3", "281.1"),
}
BEEF_SOURCE = "Nevada Extension"
BEEF = {
    "Angus": "281",
    "Brahman": "292",
    "Charolais": "289",
    "Hereford": "285",
    "Limousin": "289",
    "Shorthorn": "282",
    "Simmental": "289",
}
ANY_BREED = "283"

SERVED = [
    "1999-12-31",
    "2000-02-29",  # divisible by 400: a leap year
    "2023-01-01",
    "2023-02-28",
    "2023-05-20",
    "2023-12-31",
    "2024-01-01",
    "2024-02-28",
    "2024-02-29",
    "2024-03-01",
    "2024-12-31",
    "2025-06-15",
    "2100-01-01",  # divisible by 100 only: no leap year
    "2100-02-28",
]


def whole_days(days):
    return int(Decimal(days).quantize(Decimal(1), rounding=ROUND_HALF_UP))


def due(served, days):
    return (date.fromisoformat(served) + timedelta(days=days)).isoformat()


def rows():
    for breed, (heifer, cow) in sorted(DAIRY.items()):
        yield breed, "heifer", heifer, DAIRY_SOURCE
        yield breed, "cow", cow, DAIRY_SOURCE
    for breed, days in [*sorted(BEEF.items()), ("any breed", ANY_BREED)]:
        for animal in ("heifer", "cow"):
            yield breed, animal, days, BEEF_SOURCE


def main():
    assert due("2023-01-01", 283) == "2023-10-11"
    assert due("2024-01-01", 283) == "2024-10-10"
    result = {
        "library": "Python standard library",
        "function": "datetime.date + datetime.timedelta(days); decimal.ROUND_HALF_UP for the days",
        "note": "mean_days as published, days as the service adds them; due_on is served_on + days",
        "cases": [
            {
                "breed": breed,
                "class": animal,
                "mean_days": mean,
                "days": whole_days(mean),
                "source": source,
                "due": [{"served_on": served, "due_on": due(served, whole_days(mean))} for served in SERVED],
            }
            for breed, animal, mean, source in rows()
        ],
    }
    path = Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
