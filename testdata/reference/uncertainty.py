#!/usr/bin/env python3
"""Exact shares of outcomes for uncertain readings, by numerical integration.

Writes uncertainty.json beside itself. Needs Debian's python3-scipy; the tests read
the JSON only. Each reading is rectangular within value * (1 ± pct/100). The limit
is solved for the last reading and integrated over the first.
"""
import json, math, os, platform
import scipy
from scipy.integrate import quad

def box(v, pct):
    return v * (1 - pct / 100), v * (1 + pct / 100)

def share_above(lo, hi, x):  # of a rectangle, above x
    return min(max((hi - x) / (hi - lo), 0.0), 1.0)

def over(first, inner):
    lo, hi = first
    value, err = quad(inner, lo, hi, limit=400, epsabs=1e-10)
    assert err < 1e-6
    return value / (hi - lo)

cases = []

def case(measurement, readings, pct, outcome, share):
    cases.append({"measurement": measurement, "in": readings, "pct": pct, "outcome": outcome, "share": round(share, 9)})

# Contact drop: high when dv/i is above the limit.
for limit in (0.95, 1.02, 1.06):
    dv, i = box(15, 5), box(15, 5)
    case("contact_drop", {"dv_mv": 15, "i_a": 15, "i_max_a": 20, "t_amb_c": 22, "r_limit_mohm": limit, "rth_kpw": 20},
         {"dv_mv": 5, "i_a": 5}, "high", over(i, lambda a: share_above(*dv, limit * a)))
# Insulation: low when r * 0.5^((40-t)/10) is below 5 (and above 1).
for r in (17, 20, 23):
    rr, t = box(r, 20), box(20, 10)
    case("phase_chassis_insulation", {"r_mohm": r, "t_c": 20}, {"r_mohm": 20, "t_c": 10}, "low",
         over(t, lambda x: 1 - share_above(*rr, 5 / 0.5 ** ((40 - x) / 10))))
# Thermistor: wrong when it differs from the ambient by more than 6 K; the
# temperature falls with r.
for r in (7700, 7900, 13200):
    rr, b = box(r, 4), box(3950, 2)
    def wrong(beta):
        at = lambda temp: 10000 * math.exp(beta * (1 / (temp + 273.15) - 1 / 298.15))
        return share_above(*rr, at(25 - 6)) + 1 - share_above(*rr, at(25 + 6))
    case("pack_ntc", {"r_ohm": r, "t_amb_c": 25, "r25": 10000, "beta": 3950}, {"r_ohm": 4, "beta": 2}, "reads_wrong", over(b, wrong))

out = {"tool": {"python": platform.python_version(), "scipy": scipy.__version__}, "cases": cases}
with open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "uncertainty.json"), "w") as f:
    json.dump(out, f, indent=1)
    f.write("\n")
