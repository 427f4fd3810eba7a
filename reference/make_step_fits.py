"""Steps of an exponential and of a second-order lag in noise, fitted by scipy.optimize.curve_fit.

Writes step_fits.csv (times, command, both responses) and step_fits_expected.csv (dead time and lags with their
standard errors). Run with Python 3.11, numpy and scipy; versions are written into the tables' first lines.
"""
import pathlib

import numpy as np
import scipy
from scipy.optimize import curve_fit

HERE = pathlib.Path(__file__).parent
RATE, HOLD, LEVELS = 500.0, 0.4, [0.4, 0.55] * 6 + [0.4]
DEAD, LAG, SECOND, GAIN, NOISE = 0.0063, 0.031, 0.014, 1000.0, 1.2

rng = np.random.default_rng(20261129)
n = int(len(LEVELS) * HOLD * RATE)
t = np.arange(n) / RATE
# The command's row of the new value is the first after the step, which lies half a row before it.
edges = [k * HOLD - 0.5 / RATE for k in range(1, len(LEVELS))]
command = np.array([LEVELS[min(int((x + 1e-9) / HOLD), len(LEVELS) - 1)] for x in t])


def unit(s, lag, second):
    s = np.maximum(s, 0.0)
    if second is None:
        return 1.0 - np.exp(-s / lag)
    return 1.0 - (lag * np.exp(-s / lag) - second * np.exp(-s / second)) / (lag - second)


def response(dead, lag, second=None):
    y = np.full(n, GAIN * LEVELS[0])
    for e, a, b in zip(edges, LEVELS, LEVELS[1:]):
        y += GAIN * (b - a) * np.where(t > e + dead, unit(t - e - dead, lag, second), 0.0)
    return y


first = np.round(response(DEAD, LAG) + NOISE * rng.standard_normal(n), 3)
second = np.round(response(DEAD, LAG, SECOND) + NOISE * rng.standard_normal(n), 3)


def line(x, base, gain, dead, *lags):
    return base + gain * (response(dead, *lags) - GAIN * LEVELS[0]) / GAIN


one, cov1 = curve_fit(line, t, first, [400.0, 1000.0, 0.005, 0.03])
two, cov2 = curve_fit(line, t, second, [400.0, 1000.0, 0.005, 0.03, 0.01])
version = f"# numpy {np.__version__}, scipy {scipy.__version__}"
with open(HERE / "step_fits.csv", "w") as f:
    f.write("time,command,first,second\n")
    for row in zip(t, command, first, second):
        f.write("%.3f,%.2f,%.3f,%.3f\n" % row)
with open(HERE / "step_fits_expected.csv", "w") as f:
    f.write(f"{version}\nfit,quantity,value,error\n")
    for name, p, c in [("first", one, cov1), ("second", two, cov2)]:
        for k, q in enumerate(["base", "gain", "dead", "lag", "second"][: len(p)]):
            f.write(f"{name},{q},{p[k]:.9e},{np.sqrt(c[k, k]):.4e}\n")
