"""Makes estimator_gains.csv: steady gains of the estimator's two filters by scipy.linalg.solve_discrete_are.

fix: place, velocity, acceleration and its rate, corrected by place and velocity; noise enters the last three.
height: height, climb and an error of the acceleration, corrected by height; noise enters the last two.
"""

import csv

import numpy as np
from scipy.linalg import solve_discrete_are

# Period, noise of acceleration, walks of tilt and bias, noise of place and velocity.
FIXES = [
    (0.2, 0.05, 0.01, 0.002, 1.5, 0.1),
    (0.1, 0.05, 0.005, 0.0002, 0.8, 0.05),
    (1.0, 0.2, 0.05, 0.01, 3.0, 0.3),
    (0.05, 0.01, 0.0005, 0.00001, 0.02, 0.03),
]
# Period, noise of acceleration, walk of its error, noise of height.
HEIGHTS = [(0.02, 0.05, 0.01, 0.35), (0.04, 0.05, 0.002, 0.5), (0.1, 0.3, 0.05, 0.1)]


def gain(a, q, h, r):
    p = solve_discrete_are(a.T, h.T, q, r)
    return p @ h.T @ np.linalg.inv(h @ p @ h.T + r)


def chain(n, t):
    return np.array([[t ** (j - i) / [1, 1, 2, 6][j - i] if j >= i else 0.0 for j in range(n)] for i in range(n)])


with open("estimator_gains.csv", "w", newline="") as table:
    table.write("# Made by make_estimator.py. Gains row by row.\n")
    out = csv.writer(table, lineterminator="\n")
    out.writerow(["filter", "parameters", "gains"])
    for t, qa, qt, qb, sp, sv in FIXES:
        q = np.diag([0, qa**2, qt**2, qb**2]) * t
        k = gain(chain(4, t), q, np.eye(4)[:2], np.diag([sp**2, sv**2]))
        out.writerow(["fix", " ".join(map(repr, (t, qa, qt, qb, sp, sv))), " ".join(f"{v:.12e}" for v in k.ravel())])
    for t, qa, qb, s in HEIGHTS:
        k = gain(chain(3, t), np.diag([0, qa**2, qb**2]) * t, np.eye(3)[:1], np.array([[s**2]]))
        out.writerow(["height", " ".join(map(repr, (t, qa, qb, s))), " ".join(f"{v:.12e}" for v in k.ravel())])
