"""Shares with their intervals, by statsmodels and scipy.

Wilson's score interval, Newcombe's hybrid interval of a difference, and a share drawn towards a prior (a beta
distribution). Checked here against what is printed: 81 of 263 is 25.5 to 36.6 % by Wilson's score (Newcombe 1998, Stat Med
17:857-872, table I).
"""

import json
from pathlib import Path

import scipy
import statsmodels
from scipy.stats import beta
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

COVERAGES = [0.90, 0.95, 0.99]


def share(k, n):
    ends = {str(c): [float(e) for e in proportion_confint(k, n, alpha=1 - c, method="wilson")] for c in COVERAGES}
    drawn = beta(101.5 + k, 101.5 + n - k)
    return {
        "k": k,
        "n": n,
        "wilson": ends,
        "drawn": [float(drawn.ppf(0.05)), (101.5 + k) / (203 + n), float(drawn.ppf(0.95))],
    }


def technician(mean, sd, k, n):
    """A technician's share, drawn towards that of all: technicians differ by a standard deviation of `sd`."""
    weight = mean * (1 - mean) / sd**2 - 1
    a, b = mean * weight + k, (1 - mean) * weight + n - k
    return {"mean": mean, "k": k, "n": n, "drawn": [float(beta(a, b).ppf(0.05)), a / (a + b), float(beta(a, b).ppf(0.95))]}


def difference(k1, n1, k2, n2):
    low, high = confint_proportions_2indep(k1, n1, k2, n2, method="newcomb", compare="diff")
    return {"later": [k1, n1], "earlier": [k2, n2], "low": float(low), "high": float(high)}


def main():
    low, high = proportion_confint(81, 263, method="wilson")
    assert (round(100 * low, 1), round(100 * high, 1)) == (25.5, 36.6)
    shares = [(0, 5), (3, 5), (3, 8), (35, 100), (52, 100), (81, 263), (20, 20), (1, 1), (400, 1000), (7, 10000)]
    differences = [(15, 100, 5, 100), (5, 100, 15, 100), (0, 10, 0, 20), (10, 10, 1, 10), (8, 100, 5, 100), (56, 70, 48, 80)]
    result = {
        "library": "statsmodels, scipy",
        "versions": {"scipy": scipy.__version__, "statsmodels": statsmodels.__version__},
        "function": "statsmodels.stats.proportion.proportion_confint(method='wilson'), "
        "confint_proportions_2indep(method='newcomb', compare='diff'); scipy.stats.beta.ppf",
        "tolerance_abs": 1e-9,
        "note": "drawn: 90 % interval and mean with the prior Beta(101.5, 101.5); of technicians with the prior of their mean "
        "and standard deviation",
        "shares": [share(*case) for case in shares],
        "technicians": [technician(0.4, 0.035, *case) for case in [(10, 50), (0, 3), (300, 600)]],
        "differences": [difference(*case) for case in differences],
    }
    path = Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
