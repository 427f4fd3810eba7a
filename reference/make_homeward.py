"""Reference values for the way home: charge that legs of constant power need, throws with drag.

Writes homeward.csv beside itself.
"""

import math
import pathlib

import numpy as np
import scipy
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

HERE = pathlib.Path(__file__).parent
G = 9.80665


def open_circuit(s):
    """Polymer cell of Chen & Rincon-Mora 2006, brought to 4.20 V."""
    s = max(s, 0.05)  # the search starts below what is asked
    v = -1.031 * math.exp(-35 * s) + 3.685 + 0.2156 * s - 0.1178 * s**2 + 0.3201 * s**3
    return v + (4.2 - 4.1029) * s


def need(legs, reserve, series=6, capacity=8 * 3600.0, resistance=6 * (2.4e-3 + 1.5e-3) + 4e-3):
    """Charge at the start of legs (power, time) that leaves the reserve; forwards, by root finding."""

    def rate(power):
        def f(_, y):
            e = series * open_circuit(y[0])
            bus = 0.5 * (e + math.sqrt(e * e - 4 * resistance * power))
            return [-power / bus / capacity]

        return f

    def end(s):
        for power, time in legs:
            s = solve_ivp(rate(power), (0, time), [s], rtol=1e-11, atol=1e-13).y[0, -1]
        return s - reserve

    return brentq(end, reserve, 1.0, xtol=1e-12)


def throw(height, speed, wind, mass, drag_area, density=1.225):
    c = 0.5 * density * drag_area / mass

    def f(_, y):
        vx, vy = y[2] - wind, y[3]
        v = math.hypot(vx, vy)
        return [y[2], y[3], -c * v * vx, G - c * v * vy]

    hit = lambda _, y: y[1] - height
    hit.terminal = True
    r = solve_ivp(f, (0, 100), [0, 0, speed, 0], events=hit, rtol=1e-11, atol=1e-11)
    y = r.y_events[0][0]
    return y[0], math.hypot(y[2], y[3]), math.atan2(y[3], y[2]), r.t_events[0][0]


rows = []
for legs in [[(600, 300)], [(500, 20), (900, 60), (650, 240), (450, 80)], [(1500, 120)]]:
    flat = ";".join(f"{p}:{t}" for p, t in legs)
    rows.append(["need", flat, repr(need(legs, 0.2))])
for case in [(75, 25, 0, 3, 0.08), (30, 12, 8, 4.4, 0.02), (120, 0, 5, 1.5, 0.03)]:
    d, v, a, t = throw(*case)
    rows.append(["throw", ";".join(map(str, case)), ";".join(repr(float(x)) for x in (d, v, a, t))])

with open(HERE / "homeward.csv", "w") as f:
    f.write("# Charge needed by legs (power W : time s), reserve 20 %, six cells of 8 Ah; throws (height, speed, wind, mass, C_D A)\n")
    f.write("# as distance, speed, angle, time. solve_ivp of the same equations.\n")
    f.write(f"# made by make_homeward.py with scipy {scipy.__version__}, numpy {np.__version__}\n")
    f.write("what,case,answer\n")
    f.writelines(",".join(r) + "\n" for r in rows)
