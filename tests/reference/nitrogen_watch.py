"""The watch for a failing tank, its loss and its date, worked out a second time, from the method as it is written.

Nothing but the standard library: filters as plain lists of numbers, one function an equation. Reads the made-up events of
nitrogen_watch.json, works out every figure anew and says where one differs by more than the digits that are kept:

    python3 nitrogen_watch.py

mm, days, natural logarithms. The events are invented; no measured tank stood behind them.
"""

import json
from itertools import product
from math import erfc, exp, inf, log, pi, sqrt
from pathlib import Path
from statistics import NormalDist

SIGMAS = {3: 0.35, 5: 0.45, 8: 0.15, 13: 0.05}
OMEGAS = {0: 0.2, 0.1: 0.3, 0.3: 0.3, 0.9: 0.2}
NORMAL = NormalDist()
W, SIGMA, TAU, KAPPA, OMEGA, L, RHO, LL, LR, RR, RISEN = range(11)


def phi(x):
    return erfc(-x / sqrt(2)) / 2


def pairs(taus, kappas):
    return [(t, k, a * b) for (t, a), (k, b) in product(taus.items(), kappas.items())]


def test_grid(ledger):
    if ledger:
        return pairs({0.004: 0.4, 0.012: 0.4, 0.03: 0.2}, {0.25: 0.6, 0.7: 0.4})
    return pairs({0.006: 0.2, 0.02: 0.4, 0.06: 0.4}, {0.25: 0.5, 0.7: 0.5})


FOLLOW = [(0.02 * s, 0.3 * s, w) for s, w in {0.7: 0.4, 1.3: 0.4, 2.6: 0.2}.items()]
FORECAST = pairs({0.001: 0.4, 0.02: 0.3, 0.07: 0.3}, {0.04: 0.4, 0.3: 0.3, 0.8: 0.3})


def bank(rho, sd, grid, omegas, sigmas=SIGMAS):
    return [
        [ws * wg * wo, sigma, tau, kappa, omega, 0.0, rho, 0.0, 0.0, sd * sd, False]
        for sigma, ws in sigmas.items() for tau, kappa, wg in grid for omega, wo in omegas.items()
    ]


def passed(filters, d, n):
    for f in filters:
        u, r = d + f[OMEGA] * n, exp(f[RHO])
        f[L] -= r * u
        f[LL] += -2 * r * u * f[LR] + r * r * u * u * f[RR] + (f[KAPPA] * r) ** 2 * u + (r * f[TAU]) ** 2 * u**3 / 3
        f[LR] += -r * u * f[RR] - r * f[TAU] ** 2 * u * u / 2
        f[RR] += f[TAU] ** 2 * u


def anchored(filters, y):
    for f in filters:
        f[L], f[LL], f[LR] = y, f[SIGMA] ** 2, 0.0


def density(filters, y):
    return sum(f[W] * exp(-((y - f[L]) ** 2) / (f[LL] + f[SIGMA] ** 2) / 2) / sqrt(2 * pi * (f[LL] + f[SIGMA] ** 2))
               for f in filters)


def normalised(filters):
    total = sum(f[W] for f in filters)
    for f in filters:
        f[W] /= total
    return [f for f in filters if f[W] > 1e-9]


def learned(filters, y):
    logs = []
    for f in filters:
        s, e = f[LL] + f[SIGMA] ** 2, y - f[L]
        logs.append(log(f[W]) - (log(s) + e * e / s) / 2)
        gl, gr = f[LL] / s, f[LR] / s
        f[L] += gl * e
        f[RHO] += gr * e
        f[RR] -= gr * f[LR]
        f[LR] -= gl * f[LR]
        f[LL] -= gl * f[LL]
    most = max(logs)
    for f, one in zip(filters, logs):
        f[W] = exp(one - most)
    return normalised(filters)


def lower_by_sd(filters, y):
    p = sum(f[W] * phi((y - f[L]) / sqrt(f[LL] + f[SIGMA] ** 2)) for f in filters)
    return -NORMAL.inv_cdf(min(max(p, 1e-300), 1 - 1e-16))


def supposing(filters, y, times):
    out = []
    for f in (f for f in filters if f[W] > 1e-4):
        for t in (1, *times):
            g = list(f)
            anchored([g], y)
            g[RHO] += log(t)
            g[RR] += 0.35**2 if t > 1 else 0
            g[W] /= 1 + len(times)
            g[RISEN] = t > 1
            out.append(g)
    return normalised(out)


def rho(filters):
    mean = sum(f[W] * f[RHO] for f in filters)
    return mean, sum(f[W] * (f[RR] + (f[RHO] - mean) ** 2) for f in filters)


def copied(filters):
    return [list(f) for f in filters]


class Track:
    def __init__(self, filters):
        self.bank, self.rival, self.believed, self.learned = filters, None, 0, 0

    def passes(self, d, n):
        passed(self.bank, d, n)
        if self.rival:
            passed(self.rival[0], d, n)

    def read(self, y):
        if not self.believed:
            anchored(self.bank, y)
            if self.rival:
                anchored(self.rival[0], y)
            self.believed = 1
            return "first"
        z = lower_by_sd(self.bank, y)
        if self.rival:
            (other, low), self.rival = self.rival, None
            if abs(lower_by_sd(other, y)) <= 3.5 and density(other, y) > density(self.bank, y):
                self.bank, self.believed = learned(other, y), 2
                self.learned += 1
                return "taken" if low else "taken high"
            if z > 3.5 and low:
                self.bank, self.believed = supposing(self.bank, y, (2, 4, 8)), 2
                return "lower still"
        if abs(z) <= 3.5:
            self.bank = learned(self.bank, y)
            self.believed += 1
            self.learned += 1
            return "expected"
        self.rival = (supposing(self.bank, y, (2, 4, 8) if z > 0 else ()), z > 0)
        return "low" if z > 0 else "high"


def watch(rated, ledger, events):
    start = log((1.15 if ledger else 1.7) * rated)
    omegas = OMEGAS if ledger else {0: 1}
    same, follow = Track(bank(start, 0.33, test_grid(ledger), omegas)), Track(bank(start, 0.33, FOLLOW, omegas))
    h, rise, days, steep = (6.2, 1.6, 5, 2.5) if ledger else (7.5, 2.0, 28, 3.0)
    risen, w, w0, largest, floor, ref = None, -inf, 0.0, 0.0, 0.0, None
    base = above = alarm = back = None
    now, out = 0.0, []
    for at, y, *n in events:
        d, n, now = at - now, (n[0] if n else 0), at
        if alarm is None and d > 0:
            floor = 1.7 * log(min(d, 28))
            if w < floor:
                risen, w, w0, largest, ref = copied(same.bank), floor, floor, 0.0, rho(follow.bank)[0]
                for f in risen:
                    f[RHO] += log(2)
                    f[RR] += 0.3**2
                if rho(same.bank)[1] > 0.25**2:
                    w = -inf
        same.passes(d, n)
        follow.passes(d, n)
        if risen and alarm is None:
            passed(risen, d, n)
        if y is None:
            same.believed = follow.believed = 0
            continue
        why, stood = None, alarm is not None
        part = log(density(risen, y)) - log(density(same.bank, y)) if risen and not stood else 0.0
        heard = same.read(y)
        follow.read(y)
        mean, variance = rho(follow.bank)
        if stood:
            if heard in ("taken", "lower still"):
                alarm = at
            back = ((back or (at, 0))[0], (back or (at, 0))[1] + 1) if mean - ref < log(1.15) else None
            if back and back[1] >= 3 and at - back[0] >= 21 and at - alarm >= 30:
                why, alarm, back, w, risen = "ended", None, None, -inf, None
        else:
            if heard == "first" and risen:
                anchored(risen, y)
            elif heard == "expected" and risen:
                risen = learned(risen, y)
                w += part
                largest = max(largest, part)
                if w > h and w - largest > w0 + 1:
                    why, same.bank = "sum", risen
            elif heard == "taken":
                a, b = ([f for f in same.bank if f[RISEN] == which] for which in (True, False))
                wa, wb = (sum(f[W] for f in part) for part in (a, b))
                w = max(w, floor) + (log(wa / (3 * wb)) if wa and wb else inf if wa else -inf)
                risen = normalised(a) if a else None
                if w > h:
                    why, same.bank = "confirmed", risen
                elif b:
                    same.bank = normalised(b)
            elif heard == "taken high":
                w, risen = -inf, None
            elif heard == "lower still":
                why = "confirmed"
            if why is None:
                if base is None:
                    base = (mean, variance) if at >= 45 and follow.learned >= 3 else None
                elif mean - base[0] > max(log(rise), 2 * sqrt(variance + base[1] + 0.01)):
                    above = ((above or (at, 0))[0], (above or (at, 0))[1] + 1)
                    if above[1] >= 2 and (at - above[0] >= days or mean - base[0] > log(steep)):
                        why, ref = "baseline", base[0]
                else:
                    above = None
            if why:
                alarm, w, risen, above = at, -inf, None, None
        out.append({
            "day": at, "y": y, "heard": heard, "W": round(w, 6) if w > -inf else None, "failing": alarm is not None,
            "why": why, "times_ref": 1.0 if ref is None else round(exp(mean - ref), 6)})
    return out


def quantile(chance, of, low, high):
    for _ in range(200):
        mid = (low + high) / 2
        low, high = (mid, high) if of(mid) < chance else (low, mid)
    return low


def forecast(rated, events):
    track = Track(bank(log(1.7 * rated), 0.33, FORECAST, {0: 1}, {1.5: 0.05, 3: 0.3, 5: 0.45, 8: 0.15, 13: 0.05}))
    for d, y in events:
        track.passes(d, 0)
        if y is None:
            track.believed = 0
        else:
            track.read(y)
    filters = track.bank
    mean, variance = rho(filters)
    below = lambda x: sum(
        f[W] * phi((log(x) - f[RHO]) / sqrt(f[RR] + f[TAU] ** 2 * 14 / 3 + f[KAPPA] ** 2 / 14)) for f in filters)
    return {
        "level_mean": sum(f[W] * f[L] for f in filters), "rho_mean": mean, "rho_var": variance,
        "loss14_mm_per_day": [quantile(p, below, 1e-3, 1e3) for p in (0.05, 0.5, 0.95)]}


def differs(ours, theirs, tolerance=2e-5):
    if isinstance(ours, float) and isinstance(theirs, (int, float)):
        return abs(ours - theirs) > tolerance * max(1.0, abs(theirs))
    return ours != theirs


def main():
    table = json.loads((Path(__file__).parent / "nitrogen_watch.json").read_text())
    wrong = []
    for vector in table["vectors"]:
        if "rated_mm_per_day" not in vector:
            continue
        if "minimum_mm" in vector:
            ours = forecast(vector["rated_mm_per_day"], vector["events"])
            for name, figure in ours.items():
                pairs_ = zip(figure, vector["out"][name]) if isinstance(figure, list) else [(figure, vector["out"][name])]
                wrong += [(name, a, b) for a, b in pairs_ if differs(a, b)]
        else:
            ours = watch(vector["rated_mm_per_day"], vector["openings_known"], vector["events"])
            assert len(ours) == len(vector["out"])
            for row, kept in zip(ours, vector["out"]):
                wrong += [(kept["day"], name, row[name], kept[name]) for name in kept if differs(row[name], kept[name])]
    for one in wrong[:20]:
        print(*one)
    print("the same" if not wrong else f"{len(wrong)} differ")


main()
