"""Rotor checks: measured static rows, interpolation of a table, ideal hover, coaxial pairs.

- uiuc: highest static row of six propellers of the UIUC Propeller Data Site (Brandt, Deters, Ananda,
  Dantsker, Selig; m-selig.ae.illinois.edu/props/propDB.html), thrust, power, torque and figure of
  merit at 1.225 kg/m3.
- axial: C_T of three of them in axial flow over its static value, same source.
- table: C_T and C_P of a made-up table between its points, by scipy.interpolate.RegularGridInterpolator.
- hover: induced speed and ideal power of four rotors that share a mass, momentum theory.
- coaxial: torque of single and coaxial rotors of Harrington 1951 (NACA TN 2318, figs 4 and 8,
  digitised by eye), helicopter coefficients on one disc; the single rotor as its fit
  CQ = CQ0 + k CT^1.5/sqrt 2.

Run: python make_rotor.py > rotor.csv
"""

import numpy as np
import scipy
from scipy.interpolate import RegularGridInterpolator

RHO = 1.225
UIUC = [
    ("slow-flyer 10x4.7", 0.254, 6528, 0.1299, 0.0531),
    ("electric 11x5.5", 0.2794, 6473, 0.0903, 0.0323),
    ("research 9x6.75", 0.2286, 5943.333, 0.14045, 0.08008),
    ("direct-drive 9x5", 0.2286, 6396.667, 0.109919, 0.040164),
    ("electric 14x12", 0.3556, 3506, 0.0929, 0.0638),
    ("folding 15x6", 0.381, 6006.667, 0.06764, 0.01827),
]
SINGLE = {
    1: [(0.00182, 0.000105), (0.00209, 0.000118), (0.00234, 0.000139), (0.00263, 0.00016), (0.00283, 0.000175), (0.00311, 0.000195), (0.00349, 0.000237),
        (0.00042, 0.000045), (0.00074, 0.000051), (0.00098, 0.000062), (0.00125, 0.000072), (0.00142, 0.000082), (0.00154, 0.00009)],
    2: [(0.00088, 0.000128), (0.001, 0.000137), (0.00121, 0.000144), (0.00184, 0.00018), (0.00236, 0.000208), (0.00299, 0.000254), (0.00323, 0.000288),
        (0.0042, 0.000359), (0.0045, 0.000388), (0.00496, 0.000438), (0.00579, 0.000531)],
}
PAIR = {
    1: [(0.00301, 0.000209), (0.0038, 0.000274), (0.00422, 0.000309), (0.00459, 0.000354), (0.00492, 0.000389), (0.00518, 0.000418), (0.00555, 0.000461)],
    2: [(0.004, 0.0004), (0.00417, 0.000418), (0.00541, 0.000546), (0.00571, 0.000579), (0.00681, 0.00071)],
}

print(f"# made by make_rotor.py; numpy {np.__version__}, scipy {scipy.__version__}; SI units")
print("kind,name,v0,v1,v2,v3,v4,v5,v6,v7")


def row(kind, name, *values):
    print(",".join([kind, name] + [repr(float(v)) for v in values] + [""] * (8 - len(values))))


for name, d, rpm, ct, cp in UIUC:
    n = rpm / 60
    t = ct * RHO * n**2 * d**4
    p = cp * RHO * n**3 * d**5
    ideal = t**1.5 / np.sqrt(2 * RHO * np.pi * d**2 / 4)
    row("uiuc", name, d, 2 * np.pi * n, ct, cp, t, p, p / (2 * np.pi * n), ideal / p)

# name, diameter and pitch in inches, static C_T and C_P at about the same speed, (J, C_T, C_P)
AXIAL = [
    ("slow-flyer 10x4.7", 10, 4.7, 0.1299, 0.0531, [(0.225, 0.0974, 0.0483), (0.378, 0.0704, 0.0424)]),
    ("electric 10x5", 10, 5, 0.0944, 0.0366, [(0.213, 0.0768, 0.0378), (0.397, 0.0430, 0.0281)]),
    ("direct-drive 9x5", 9, 5, 0.1079, 0.0396, [(0.3939, 0.043342, 0.027482)]),
]
for name, d, pitch, ct0, cp0, points in AXIAL:
    for j, ct, cp in points:
        row("axial", name, d * 0.0254, pitch * 0.0254, j, ct / ct0, cp / cp0)

speeds, advance = [200.0, 400.0, 700.0], [0.0, 0.2, 0.45, 0.7]
ct = np.array([[0.10, 0.085, 0.05, 0.005], [0.104, 0.09, 0.054, 0.008], [0.109, 0.096, 0.06, 0.01]])
cp = np.array([[0.042, 0.041, 0.036, 0.02], [0.040, 0.0405, 0.036, 0.021], [0.0395, 0.04, 0.037, 0.022]])
for i, w in enumerate(speeds):
    for j, a in enumerate(advance):
        row("grid", "made-up", w, a, ct[i, j], cp[i, j])
fct, fcp = RegularGridInterpolator((speeds, advance), ct), RegularGridInterpolator((speeds, advance), cp)
for w, a in [(250.0, 0.1), (333.0, 0.33), (650.0, 0.69), (400.0, 0.2), (200.0, 0.0), (555.5, 0.0)]:
    row("table", "made-up", w, a, fct((w, a)), fcp((w, a)))

for d, mass in [(0.254, 1.0), (0.381, 4.0), (0.33, 2.5)]:
    t = mass * 9.80665 / 4
    area = np.pi * d**2 / 4
    v = np.sqrt(t / (2 * RHO * area))
    row("hover", f"four rotors {d} m", d, t, t / area, v, 4 * t * v)

for r in (1, 2):
    s = np.array(SINGLE[r])
    a = np.c_[np.ones(len(s)), s[:, 0] ** 1.5 / 2**0.5]
    cq0, k = np.linalg.lstsq(a, s[:, 1], rcond=None)[0]
    for ct_pair, cq_pair in PAIR[r]:
        half = ct_pair / 2
        row("coaxial", f"rotor {r}", ct_pair, cq_pair, cq0 + k * half**1.5 / 2**0.5, half**1.5 / 2**0.5)
