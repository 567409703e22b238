"""How many straws of a sire and type will be asked for, and how long the stock lasts, by scipy.

Use in the past is weighted by its age with a half-life of 90 days: X straws in T days, half a straw and half a day
added to each as the prior. The straws asked for in L days to come are negative binomial with mean m = X L / T and
variance v = phi m + phi X (L / T)^2, that is, p = m / v and r = m p / (1 - p). The dispersion phi is the ratio of
variance and mean of the weekly totals, drawn towards 2.5 by the weight of four weeks, and never below 1.

The two examples of Stevenson, Operations Management 14e, chapter 12, are worked out here a second time: mean 50,
standard deviation 5, risk 3 %: reorder at 59.40; Poisson with mean 4, ratio 0.60: stock 4.
"""

import json
from pathlib import Path

import numpy
import scipy
from scipy.optimize import brentq
from scipy.stats import gamma, nbinom, norm, poisson

HALF_LIFE_DAYS = 90.0
LEVELS = [0.6, 0.8, 0.9, 0.95, 0.99]
QUANTILES = [0.05, 0.5, 0.95]


def learned(by_day, days):
    """X, T and phi of straws by their age in whole days, in a history of so many days."""
    weight = lambda age: 0.5 ** ((age + 0.5) / HALF_LIFE_DAYS)
    x = 0.5 + sum(straws * weight(age) for age, straws in by_day)
    whole = int(days)
    t = 0.5 + sum(weight(age) for age in range(whole)) + (days - whole) * weight(whole)
    weeks = numpy.zeros(whole // 7)
    for age, straws in by_day:
        if age // 7 < len(weeks):
            weeks[age // 7] += straws
    k = len(weeks)
    phi = 2.5
    if k > 1 and weeks.sum() > 0:
        ratio = weeks.var(ddof=1) / weeks.mean()
        phi = max(1.0, (4 * 2.5 + (k - 1) * ratio) / (4 + k - 1))
    return x, t, phi


def predicted(x, t, phi, days):
    mean = x * days / t
    var = phi * mean + phi * x * (days / t) ** 2
    p = mean / var
    return nbinom(mean * p / (1 - p), p), mean, var


def outlook(x, t, phi, lead_days, stock):
    law, mean, var = predicted(x, t, phi, lead_days)
    rate = gamma(x / phi, scale=phi / t)

    def gone_within(days):
        return predicted(x, t, phi, days)[0].sf(stock - 1)

    return {
        "x": x,
        "t": t,
        "phi": phi,
        "lead_days": lead_days,
        "stock": stock,
        "mean": mean,
        "variance": var,
        "rate": {str(q): rate.ppf(q) for q in QUANTILES},
        "at_most": {str(s): law.cdf(s) for s in (0, 3, 10, 30, stock) if law.cdf(s) > 1e-12},
        "reorder": {str(q): int(law.ppf(q)) for q in LEVELS},
        "runs_out": law.sf(stock),
        "gone_after_days": {
            str(q): brentq(lambda days: gone_within(days) - q, 1e-9, 1e7, xtol=1e-11, rtol=1e-14)
            for q in QUANTILES
        },
    }


def histories():
    yield "one straw every day for a year", [(age, 1) for age in range(364)], 364.0
    yield "three of each Monday for half a year", [(age, 3) for age in range(2, 182, 7)], 182.5
    yield "batches of ten for synchronised heifers", [(3, 10), (24, 10), (66, 10), (110, 9)], 130.25
    yield "four weeks, five straws", [(1, 1), (6, 1), (13, 1), (20, 1), (27, 1)], 28.0
    yield "no whole week", [(0, 2), (1, 1), (4, 1)], 5.75
    yield "falling out of use", [(age, 1) for age in range(200, 330, 4)], 350.0


def story():
    """Two straws each Monday for half a year, the last ones today; 38 are left, the next delivery in 14 days."""
    x, t, phi = learned([(7 * week, 2) for week in range(26)], 182.0)
    return outlook(x, t, phi, 14.0, 38)


def main():
    assert round(norm.ppf(0.97) * 5 + 50, 2) == 59.40
    assert poisson.ppf(0.60, 4) == 4
    cases = [
        outlook(x, t, phi, lead, stock)
        for x, t, phi, lead, stock in [
            (12.5, 60.5, 1.0, 21.0, 5),
            (12.5, 60.5, 1.0, 21.0, 20),
            (0.5, 14.5, 1.0, 14.0, 5),
            (240.5, 365.5, 1.0, 42.0, 20),
            (240.5, 365.5, 3.7, 42.0, 60),
            (60.5, 130.0, 2.5, 21.0, 10),
            (60.5, 130.0, 2.5, 0.25, 1),
            (300.0, 365.0, 1.0, 42.0, 45),
            (5.5, 100.0, 9.0, 14.0, 12),
            (2500.0, 110.0, 1.4, 14.0, 400),
            (8000.0, 120.0, 1.0, 42.0, 2900),
        ]
    ]
    made = []
    for name, by_day, days in histories():
        x, t, phi = learned(by_day, days)
        made.append({"name": name, "days": days, "by_day": by_day, "x": x, "t": t, "phi": phi})
    result = {
        "library": "scipy",
        "versions": {"numpy": numpy.__version__, "scipy": scipy.__version__},
        "function": "scipy.stats.nbinom, gamma; scipy.optimize.brentq for the days",
        "tolerance_rel": 1e-9,
        "note": "runs_out: more straws are asked for than there are; gone_after_days: by then the last is taken",
        "outlooks": cases,
        "histories": made,
        "story": story(),
        "stevenson": {
            "source": "Stevenson, Operations Management 14e, chapter 12",
            "normal": {"mean": 50, "sd": 5, "risk": 0.03, "reorder": 59.40, "z": norm.ppf(0.97)},
            "poisson": {"mean": 4, "ratio": 0.60, "stock": 4},
        },
    }
    path = Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
