"""How much cold or hot water brings a thaw bath to its temperature, and how wrong the simple formula is.

The service reckons with water of one density and one heat capacity:

    add      x = V (T0 - Tt) / (Tt - Ta)    water on top of the bath
    replace  x = V (T0 - Tt) / (T0 - Ta)    bath water taken out first, the volume stays

Here the same question is answered with the IAPWS-95 equation of state: the masses follow from the density at
each water's own temperature, the mixture from the balance of enthalpy. Volumes are litres as measured, at the
temperature of the water measured. The vessel, the air and the thermometer have no part in it.
"""

import itertools
import json
from importlib.metadata import version
from pathlib import Path

from iapws import IAPWS95
from scipy.interpolate import CubicSpline

PRESSURE_MPA = 0.101325


def exact(celsius):
    """Density in kg/m3 and enthalpy in kJ/kg of liquid water under one atmosphere."""
    water = IAPWS95(T=celsius + 273.15, P=PRESSURE_MPA)
    return water.rho, water.h


def add_simple(volume, start, target, added):
    return volume * (start - target) / (target - added)


def replace_simple(volume, start, target, added):
    return volume * (start - target) / (start - added)


def add_iapws(volume, start, target, added):
    (rho_start, h_start), (_, h_target), (rho_added, h_added) = map(exact, (start, target, added))
    mass = volume * rho_start * (h_start - h_target) / (h_target - h_added)
    return mass / rho_added


def replace_iapws(volume, start, target, added):
    (rho_start, h_start), (_, h_target), (rho_added, h_added) = map(exact, (start, target, added))
    from_bath = rho_start * (h_start - h_target)
    from_added = rho_added * (h_target - h_added)
    return volume * from_bath / (from_bath + from_added)


class Table:
    """IAPWS-95 on a grid of 1 K from 1 to 99 C, so that thousands of mixtures take seconds.

    A cubic spline through these points misses the equation of state by less than 1e-5 K in the mixture.
    """

    def __init__(self):
        grid = list(range(1, 100))
        points = [exact(t) for t in grid]
        self.density = CubicSpline(grid, [rho for rho, _ in points])
        self.enthalpy = CubicSpline(grid, [h for _, h in points])
        self.temperature = CubicSpline([h for _, h in points], grid)

    def mixture(self, volume, start, added_volume, added):
        bath = volume * self.density(start)
        water = added_volume * self.density(added)
        enthalpy = (bath * self.enthalpy(start) + water * self.enthalpy(added)) / (bath + water)
        return float(self.temperature(enthalpy))


def steps(low, high, step):
    return [float(low + step * n) for n in range(round((high - low) / step) + 1)]


def worst_case(table, start, target, added):
    """The largest distance from the target, after adding what the simple formula says, over three ranges."""
    worst = None
    for t0, tt, ta in itertools.product(*(steps(*r) for r in (start, target, added))):
        if t0 == tt:
            continue
        error = table.mixture(1.0, t0, add_simple(1.0, t0, tt, ta), ta) - tt
        if worst is None or abs(error) > abs(worst[0]):
            worst = (error, t0, tt, ta)
    error, t0, tt, ta = worst
    # The place of the worst case comes from the table; the figure itself is asked of the equation of state.
    water = add_simple(1.0, t0, tt, ta)
    (rho_start, h_start), (rho_added, h_added) = exact(t0), exact(ta)
    enthalpy = (rho_start * h_start + water * rho_added * h_added) / (rho_start + water * rho_added)
    checked = IAPWS95(P=PRESSURE_MPA, h=enthalpy).T - 273.15 - tt
    assert abs(checked - error) < 1e-5, (checked, error)
    return {
        "T0": [float(t) for t in start[:2]],
        "target": [float(t) for t in target[:2]],
        "T_added": [float(t) for t in added[:2]],
        "max_error_K": round(abs(error), 4),
        "reached": round(tt + error, 4),
        "at": {"T0": t0, "target": tt, "T_added": ta},
    }


CASES = [
    # Too warm: cold water.
    (1.0, 38.4, 35.5, 10.0),
    (1.0, 38.4, 35.5, 15.0),
    (2.5, 42.0, 35.0, 12.0),
    (0.8, 36.6, 36.0, 18.0),
    (1.0, 37.0, 36.0, 4.0),
    (5.0, 45.0, 36.0, 8.0),
    (1.5, 39.0, 37.0, 25.0),
    (1.0, 60.0, 36.0, 10.0),
    # Too cold: hot water.
    (1.0, 33.0, 35.5, 55.0),
    (1.0, 34.0, 36.0, 50.0),
    (1.0, 20.0, 36.0, 60.0),
    (2.0, 30.0, 36.0, 45.0),
    (0.5, 15.0, 35.0, 80.0),
    (1.0, 10.0, 36.0, 95.0),
]


def main():
    table = Table()
    worst = {
        "cold water": worst_case(table, (34, 45, 0.5), (34, 37.5, 0.5), (4, 30, 1)),
        "hot water": worst_case(table, (10, 37, 1), (34, 37.5, 0.5), (40, 60, 1)),
        "near boiling water": worst_case(table, (10, 37, 1), (34, 37.5, 0.5), (60, 95, 1)),
        "scalding bath, cold water": worst_case(table, (45, 60, 0.5), (34, 37.5, 0.5), (4, 30, 1)),
    }
    cold = worst["cold water"]["max_error_K"]
    result = {
        "library": "iapws (IAPWS-95)",
        "versions": {name: version(name) for name in ("iapws", "numpy", "scipy")},
        "function": "iapws.IAPWS95(T, P=0.101325).h/.rho, enthalpy balance; "
        "simple: add V(T0-Tt)/(Tt-Ta), replace V(T0-Tt)/(T0-Ta)",
        "tolerance_rel": 1e-08,
        "note": "max temperature error of the simple formula for T0 34..45, target 34..37.5, "
        f"cold water 4..30 C: {cold} K",
        "worst_case": worst,
        "cases": [
            {
                "V_litre": volume,
                "T0": start,
                "target": target,
                "T_added": added,
                "add_litre_simple": add_simple(volume, start, target, added),
                "replace_litre_simple": replace_simple(volume, start, target, added),
                "add_litre_IAPWS95": add_iapws(volume, start, target, added),
                "replace_litre_IAPWS95": replace_iapws(volume, start, target, added),
            }
            for volume, start, target, added in CASES
        ],
    }
    path = Path(__file__).with_suffix(".json")
    path.write_text(json.dumps(result, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
