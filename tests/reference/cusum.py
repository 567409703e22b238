"""The sequential watch: its scores, its path, and how long it runs, by numpy.

The run length from a sum of 0 is that of an absorbing Markov chain (Brook & Evans 1972, Biometrika 59:539-549), solved as a
full matrix by numpy.linalg.solve. Scores of +3 and -4 with a limit of 46 run 1220.9 services at 50 % and 69.0 at 35 %.
"""

import json
from math import log
from pathlib import Path

import numpy

UNIT = log(0.65 / 0.5) / 12
ODDS = 0.35 / 0.65
LIMIT = 184


def run_length(mix, limit):
    """Of a mix of shares, probabilities of taking and scores up and down."""
    chain = numpy.zeros((limit, limit))
    for state in range(limit):
        for share, takes, up, down in mix:
            chain[state, max(0, state - down)] += share * takes
            if state + up < limit:
                chain[state, state + up] += share * (1 - takes)
    return float(numpy.linalg.solve(numpy.eye(limit) - chain, numpy.ones(limit))[0])


def fallen(p):
    odds = p / (1 - p) * ODDS
    return odds / (1 + odds)


def scores(p):
    q = fallen(p)
    return round(log((1 - q) / (1 - p)) / UNIT), round(-log(q / p) / UNIT)


def single(takes, up, down, limit):
    return {"takes": takes, "up": up, "down": down, "limit": limit, "run_length": run_length([(1, takes, up, down)], limit)}


def mixed(parts):
    mix = [(share, p, *scores(p)) for share, p in parts]
    falls = [(share, fallen(p), *scores(p)) for share, p in parts]
    return {
        "parts": [{"share": share, "expected": p, "up": scores(p)[0], "down": scores(p)[1]} for share, p in parts],
        "in_control": run_length(mix, LIMIT),
        "when_fallen": run_length(falls, LIMIT),
    }


def path(p, outcomes):
    up, down = scores(p)
    sums, at = [], 0
    for took in outcomes:
        at = min(LIMIT, max(0, at - down if took else at + up))
        sums.append(at)
    return {"expected": p, "outcomes": outcomes, "sums": sums}


def main():
    assert scores(0.5) == (12, 16)
    assert round(run_length([(1, 0.5, 3, 4)], 46), 1) == 1220.9 and round(run_length([(1, 0.35, 3, 4)], 46), 1) == 69.0
    outcomes = [1, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 0]
    result = {
        "library": "numpy",
        "versions": {"numpy": numpy.__version__},
        "function": "numpy.linalg.solve on the absorbing Markov chain",
        "tolerance_rel": 1e-8,
        "note": "up is added when she did not conceive, down taken off when she did; the limit of the mixes is 184, and no sum of a path goes beyond it",
        "single": [
            single(0.5, 3, 4, 46),
            single(0.35, 3, 4, 46),
            single(0.5, 3, 4, 52),
            single(0.35, 3, 4, 52),
            single(0.55, 2, 3, 30),
            single(0.38, 2, 3, 30),
        ],
        "mixed": [
            mixed([(1, 0.5)]),
            mixed([(1, 0.3)]),
            mixed([(1, 0.6)]),
            mixed([(0.5, 0.45), (0.5, 0.57)]),
            mixed([(0.2, 0.29), (0.5, 0.45), (0.3, 0.57)]),
        ],
        "paths": [path(p, outcomes) for p in (0.3, 0.4, 0.5, 0.6)],
    }
    target = Path(__file__).with_suffix(".json")
    target.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
