"""Nitrogen: its properties, a tank's chart, the normal distribution, and the bank of filters, worked out a second time.

- properties by CoolProp (the equation of state of Span et al. 2000): boiling point, density, latent heat, gas volume, and
  what a heat leak of one watt evaporates in a day;
- the chart by scipy.interpolate.PchipInterpolator, its inverse by scipy.optimize.brentq;
- the normal distribution by scipy.special;
- the bank of filters in matrix form: the state (level, logarithm of the loss), its transition and its process noise as
  matrices, the update in Joseph's form, the weights as logarithms. The chance that the minimum is reached is an integral
  over the loss: here once by scipy.integrate.quad and once by the service's own rule of even steps; quantiles by
  scipy.optimize.brentq.

Levels are millimetres, times days, losses millimetres a day. The readings are invented.
"""

import json
from importlib.metadata import version
from pathlib import Path

import numpy as np
from CoolProp.CoolProp import PropsSI
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq
from scipy.special import logsumexp, ndtr, ndtri
from scipy.stats import norm

ATMOSPHERE_PA = 101325.0
SIGMAS_MM = {3.0: 0.35, 5.0: 0.45, 8.0: 0.15, 13.0: 0.05}
SCALES = {0.7: 0.4, 1.3: 0.4, 2.6: 0.2}
OMEGAS_DAYS = {0.0: 0.1, 0.05: 0.2, 0.15: 0.2, 0.3: 0.2, 0.6: 0.2, 1.2: 0.1}


def properties():
    liquid = PropsSI("D", "P", ATMOSPHERE_PA, "Q", 0, "Nitrogen")
    latent = PropsSI("H", "P", ATMOSPHERE_PA, "Q", 1, "Nitrogen") - PropsSI("H", "P", ATMOSPHERE_PA, "Q", 0, "Nitrogen")
    gas = PropsSI("D", "P", ATMOSPHERE_PA, "T", 293.15, "Nitrogen")
    return {
        "boiling_point_c": PropsSI("T", "P", ATMOSPHERE_PA, "Q", 0, "Nitrogen") - 273.15,
        "density_kg_per_l": liquid / 1000.0,
        "latent_heat_j_per_kg": latent,
        "gas_l_per_l": liquid / gas,
        "loss_l_per_day_per_w": 86400.0 / latent / (liquid / 1000.0),
    }


def chart(name, points):
    depths, litres = map(np.array, zip(*points))
    curve = PchipInterpolator(depths, litres)
    slope = curve.derivative()
    asked = np.linspace(depths[0], depths[-1], 24)
    wanted = np.linspace(litres[0], litres[-1], 12)[1:-1]
    return {
        "name": name,
        "points": [{"depth_mm": float(d), "litres": float(v)} for d, v in points],
        "at": [{"depth_mm": float(d), "litres": float(curve(d)), "slope_l_per_mm": float(slope(d))} for d in asked],
        "back": [
            {"litres": float(v), "depth_mm": brentq(lambda d: curve(d) - v, depths[0], depths[-1], xtol=1e-12, rtol=1e-15)}
            for v in wanted
        ],
    }


def charts():
    shoulder = [0, 2.9, 6.9, 10.8, 14.7, 18.7, 22.7, 26.8, 30.9, 32.1]
    depths = [0, 50, 100, 150, 200, 250, 300, 350, 400, 420]
    yield chart("foot and shoulder", list(zip(depths, shoulder)))
    yield chart("three points", [(0.0, 0.0), (120.0, 9.0), (430.0, 20.5)])
    yield chart("two points", [(0.0, 0.0), (430.0, 20.5)])
    yield chart("narrow neck", [(0.0, 0.0), (30.0, 0.4), (300.0, 19.0), (330.0, 20.0), (500.0, 20.4)])


class Bank:
    """One extended Kalman filter for each combination, with a logarithmic weight."""

    def __init__(self, median, sd_log, tau, kappa, omegas):
        grid = [
            (np.log(po * ps * pc), sigma, scale, omega)
            for omega, po in omegas.items()
            for sigma, ps in SIGMAS_MM.items()
            for scale, pc in SCALES.items()
        ]
        self.log_weight, self.sigma, scale, self.omega = map(np.array, zip(*grid))
        self.tau, self.kappa = tau * scale, kappa * scale
        n = len(grid)
        self.mean = np.column_stack([np.zeros(n), np.full(n, np.log(median))])
        self.cov = np.zeros((n, 2, 2))
        self.cov[:, 1, 1] = sd_log**2

    def move(self, days, openings):
        for i in range(len(self.mean)):
            u = days + self.omega[i] * openings
            r = np.exp(self.mean[i, 1])
            step = np.array([[1.0, -r * u], [0.0, 1.0]])
            drift = self.tau[i] ** 2 * np.array([[r**2 * u**3 / 3, -r * u**2 / 2], [-r * u**2 / 2, u]])
            daily = np.array([[(self.kappa[i] * r) ** 2 * u, 0.0], [0.0, 0.0]])
            self.mean[i, 0] -= r * u
            self.cov[i] = step @ self.cov[i] @ step.T + drift + daily

    def anchor(self, level):
        self.mean[:, 0] = level
        self.cov[:, 0, 0] = self.sigma**2
        self.cov[:, 0, 1] = self.cov[:, 1, 0] = 0.0

    def foretold(self):
        return self.mean[:, 0], np.sqrt(self.cov[:, 0, 0] + self.sigma**2)

    def learn(self, level):
        mean, sd = self.foretold()
        self.log_weight = self.log_weight + norm.logpdf(level, mean, sd)
        self.log_weight -= logsumexp(self.log_weight)
        h = np.array([1.0, 0.0])
        for i in range(len(self.mean)):
            gain = self.cov[i] @ h / sd[i] ** 2
            self.mean[i] += gain * (level - mean[i])
            keep = np.eye(2) - np.outer(gain, h)
            self.cov[i] = keep @ self.cov[i] @ keep.T + np.outer(gain, gain) * self.sigma[i] ** 2

    def weights(self):
        return np.exp(self.log_weight - logsumexp(self.log_weight))

    def chance_below(self, level):
        mean, sd = self.foretold()
        return float(self.weights() @ ndtr((level - mean) / sd))

    def parts(self, i, days):
        """Mean and deviation of the loss's logarithm, the level's lean on it, and the level's own variance."""
        v_r = self.cov[i, 1, 1] + self.tau[i] ** 2 * days / 3
        lean = self.cov[i, 0, 1] / np.sqrt(v_r)
        return self.mean[i, 1], np.sqrt(v_r), lean, self.cov[i, 0, 0] - lean**2

    def given(self, i, z, minimum, days):
        rho, sd_r, lean, v = self.parts(i, days)
        r = np.exp(rho + sd_r * z)
        return ndtr((minimum - self.mean[i, 0] - lean * z + r * days) / np.sqrt(v + (self.kappa[i] * r) ** 2 * days))

    def reached_by(self, minimum, days):
        nodes = np.linspace(-5, 5, 41)
        weights = norm.pdf(nodes) / norm.pdf(nodes).sum()
        each = [weights @ self.given(i, nodes, minimum, days) for i in range(len(self.mean))]
        return float(self.weights() @ np.array(each))

    def reached_by_integral(self, minimum, days):
        def each(i):
            return quad(lambda z: norm.pdf(z) * self.given(i, z, minimum, days), -9, 9, limit=400, epsabs=1e-10)[0]

        return float(self.weights() @ np.array([each(i) for i in range(len(self.mean))]))

    def quantile_days(self, minimum, chance):
        if self.reached_by(minimum, 0.0) >= chance:
            return 0.0
        return brentq(lambda days: self.reached_by(minimum, days) - chance, 0.0, 4000.0, xtol=1e-10, rtol=1e-14)

    def quantile(self, means, sds, chance):
        w = self.weights()
        low, high = (means - 9 * sds).min(), (means + 9 * sds).max()
        return brentq(lambda x: w @ ndtr((x - means) / sds) - chance, low, high, xtol=1e-12, rtol=1e-14)

    def level(self, chance):
        return self.quantile(self.mean[:, 0], np.sqrt(self.cov[:, 0, 0]), chance)


def follow(bank, events):
    """Goes through the events; for each reading after a first, what was foretold."""
    told, known, now = [], False, 0.0
    for event in events:
        bank.move(event["at_days"] - now, event["openings"])
        now = event["at_days"]
        if event["what"] == "refill":
            known = False
        elif not known:
            bank.anchor(event["level_mm"])
            known = True
        else:
            told.append({"at_days": now, "chance_below": bank.chance_below(event["level_mm"])})
            bank.learn(event["level_mm"])
    return told


def history(*steps):
    """From (day, level or None for a refill, openings since the step before)."""
    for at_days, level, openings in steps:
        event = {"at_days": float(at_days), "openings": float(openings), "what": "refill" if level is None else "reading"}
        yield event if level is None else event | {"level_mm": float(level)}


def forecast(name, median, steps):
    events = list(history(*[(day, level, 0) for day, level in steps]))
    prior = {"median_mm_per_day": median, "sd_log": 0.33}
    bank = Bank(median, 0.33, 0.022, 0.30, {0.0: 1.0})
    follow(bank, events)
    minimum = 150.0
    return {
        "name": name,
        "prior": prior,
        "tau": 0.022,
        "kappa": 0.30,
        "min_mm": minimum,
        "events": events,
        "reached_by": [
            {
                "days": days,
                "chance": bank.reached_by(minimum, days),
                "chance_by_integral": bank.reached_by_integral(minimum, days),
            }
            for days in (5.0, 20.0, 40.0, 60.0, 80.0, 160.0)
        ],
        "days_until": [{"chance": p, "days": bank.quantile_days(minimum, p)} for p in (0.05, 0.5, 0.95)],
        "level_mm": [{"chance": p, "value": bank.level(p)} for p in (0.05, 0.5, 0.95)],
        "weights": bank.weights().tolist(),
    }


def forecasts():
    yield forecast("one reading after a refill", 4.25, [(0, None), (0, 395)])
    yield forecast("two readings", 4.25, [(0, None), (0, 395), (9, 360)])
    pooled = [(0, None), (0, 395), (14, 340), (27, 290), (45, 215), (45, None), (45, 390), (60, 330), (79, 255), (90, 200)]
    yield forecast("two refills", 4.25, [*pooled, (92, None), (99, 365)])
    yield forecast("near the minimum", 5.1, [(0, None), (0, 380), (20, 240), (28, 160), (30, 155)])
    yield forecast("a slow tank", 1.2, [(0, None), (2, 420), (16, 405), (40, 380), (71, 350), (99, 320)])


def watch(name, median, omegas, steps):
    events = list(history(*steps))
    bank = Bank(median, 0.33, 0.006, 0.30, omegas)
    told = follow(bank, events)
    mean = float(bank.weights() @ bank.mean[:, 1])
    variance = float(bank.weights() @ (bank.cov[:, 1, 1] + (bank.mean[:, 1] - mean) ** 2))
    return {
        "name": name,
        "prior": {"median_mm_per_day": median, "sd_log": 0.33},
        "openings_known": len(omegas) > 1,
        "tau": 0.006,
        "kappa": 0.30,
        "events": events,
        "foretold": told,
        "rho": {"mean": mean, "variance": variance},
    }


def watches():
    levels = [(0, 395), (7, 370), (14, 350), (22, 320), (28, 300), (35, 255), (42, 200), (49, 155)]
    openings = [0, 5, 3, 9, 2, 7, 6, 5]
    yield watch("openings not known", 3.4, {0.0: 1.0}, [(0, None, 0)] + [(d, y, 0) for d, y in levels])
    counted = [(d, y, n) for (d, y), n in zip(levels, openings)]
    yield watch("openings counted", 2.3, OMEGAS_DAYS, [(0, None, 0), *counted])
    refilled = [(49, None, 0), (50, 410, 1), (57, 390, 12), (64, 371, 4)]
    yield watch("a refill and a busy week", 2.3, OMEGAS_DAYS, [(0, None, 0), *counted[:5], *refilled])


def main():
    chances = [1e-10, 1e-4, 0.05, 0.25, 0.5, 0.9, 0.95, 1 - 1e-9]
    result = {
        "library": "CoolProp, scipy, numpy",
        "versions": {name: version(name) for name in ("CoolProp", "scipy", "numpy")},
        "function": "PropsSI; PchipInterpolator, brentq; ndtr, ndtri, quad; filters in matrix form, Joseph's update",
        "tolerance_rel": 1e-8,
        "note": "millimetres, days; a first reading after a refill sets the level; chance_by_integral is within 0.005",
        "properties": properties(),
        "charts": list(charts()),
        "phi": [{"x": x, "chance": float(ndtr(x))} for x in (-6.0, -3.0, -0.1, 0.0, 1.0, 2.5, 6.0)],
        "phi_inverse": [{"chance": p, "x": float(ndtri(p))} for p in chances],
        "forecasts": list(forecasts()),
        "watches": list(watches()),
    }
    path = Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
