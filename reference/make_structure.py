"""Makes structure.csv and twisted.csv: beams by finite elements, plates with a mass by Navier's series, a
twisted pair by quadrature.

Beams: 60 Hermite elements with consistent mass, scipy.linalg.eigh; the root is a spring on a hub that is fixed,
moves across the beam as a mass, or turns about an axis at a distance as an inertia. Plates: all edges supported;
the mass at the middle enters through the receptance of the series of modes, scipy.optimize.brentq. Twisted pair:
both helices by the trapezoidal rule with 400 points per turn, ends closed by straight lines.
"""

import math

import numpy as np
import scipy
from scipy.linalg import eigh
from scipy.optimize import brentq


def beam(ei, m, length, kroot, tip, hub=None, turn=None, n=60):
    """Lowest two frequencies, Hz. hub: mass that moves with the root; turn: (inertia, radius)."""
    h = length / n
    k1 = ei / h**3 * np.array([[12, 6 * h, -12, 6 * h], [6 * h, 4 * h * h, -6 * h, 2 * h * h],
                               [-12, -6 * h, 12, -6 * h], [6 * h, 2 * h * h, -6 * h, 4 * h * h]])
    m1 = m * h / 420 * np.array([[156, 22 * h, 54, -13 * h], [22 * h, 4 * h * h, 13 * h, -3 * h * h],
                                 [54, 13 * h, 156, -22 * h], [-13 * h, -3 * h * h, -22 * h, 4 * h * h]])
    dof = 2 * (n + 1)
    k = np.zeros((dof + 1, dof + 1))
    mm = np.zeros_like(k)
    for e in range(n):
        s = slice(2 * e, 2 * e + 4)
        k[s, s] += k1
        mm[s, s] += m1
    mm[2 * n, 2 * n] += tip
    # Unknowns: w0, slope0, ..., and the hub's turn last. Spring between slope0 and the hub's turn.
    q = dof
    k[1, 1] += kroot
    k[q, q] += kroot
    k[1, q] -= kroot
    k[q, 1] -= kroot
    if hub is not None:
        mm[0, 0] += hub
        t = np.delete(np.eye(dof + 1), [q], axis=1)
    elif turn is not None:
        inertia, radius = turn
        mm[q, q] += inertia
        t = np.delete(np.eye(dof + 1), [0], axis=1)
        t[0, -1] = radius
    else:
        t = np.delete(np.eye(dof + 1), [0, q], axis=1)
    w2 = eigh(t.T @ k @ t, t.T @ mm @ t, eigvals_only=True)
    f = np.sqrt(np.abs(w2)) / (2 * math.pi)
    return [x for x in f if x > 1e-2 * math.sqrt(ei / m) / length**2][:2]


def supported_plate(aspect, carried, terms=400):
    """omega a^2 sqrt(rho h/D) of a supported plate a x b with a mass at the middle (times the plate's)."""
    odd = np.arange(1, terms, 2)
    i, j = np.meshgrid(odd, odd)
    lam = math.pi**2 * (i**2 + (aspect * j) ** 2)
    if carried == 0:
        return float(lam.min())
    # 1 = mu w^2 sum 4/(w_mn^2 - w^2): modal mass is a quarter of the plate's.
    return brentq(lambda w: carried * w * w * float(np.sum(4 / (lam**2 - w * w))) - 1, 1e-6, lam.min() * (1 - 1e-9))


def twisted(length, spacing, pitch, at):
    """Field of one ampere, T: out along x from the origin on one helix, back on the other."""
    n = int(round(400 * length / pitch))
    s = np.linspace(0, length, n + 1)
    a = 2 * math.pi * s / pitch
    # Offset direction u = y, v = x cross y = z.
    off = np.stack([np.zeros_like(s), np.cos(a), np.sin(a)], axis=1) * spacing / 2
    line = np.stack([s, 0 * s, 0 * s], axis=1)

    def run(points):
        d = np.diff(points, axis=0)
        mid = 0.5 * (points[1:] + points[:-1])
        r = at - mid
        return 1e-7 * np.sum(np.cross(d, r) / np.linalg.norm(r, axis=1)[:, None] ** 3, axis=0)

    def straight(p, q):
        return run(p + (q - p) * np.linspace(0, 1, 400)[:, None])

    f, b = line + off, line - off
    return run(f) + straight(f[-1], b[-1]) + run(b[::-1]) + straight(b[0], f[0])


rng = np.random.default_rng(20260304)
with open("structure.csv", "w") as out:
    out.write(f"# Hermite beam elements and Navier's series: numpy {np.__version__}, scipy {scipy.__version__}; make_structure.py\n")
    out.write("kind,a,b,c,d,e,f,g,f1,f2\n")
    for i in range(24):
        ei, m, length = 10 ** rng.uniform(0, 3.3), rng.uniform(0.03, 0.4), rng.uniform(0.08, 0.5)
        kroot = 10 ** rng.uniform(-0.5, 1.5) * ei / length
        tip = 10 ** rng.uniform(-1, 1) * m * length
        kind = ["fixed", "moving", "turning"][i % 3]
        hub = 10 ** rng.uniform(-0.7, 0.7) * (tip + m * length)
        inertia, radius = 10 ** rng.uniform(-1.5, 0.5) * tip * length**2, rng.uniform(0, 0.6) * length
        f = beam(ei, m, length, kroot, tip, hub if kind == "moving" else None,
                 (inertia, radius) if kind == "turning" else None)
        g = [hub, 0.0] if kind == "moving" else [inertia, radius] if kind == "turning" else [0.0, 0.0]
        row = [ei, m, length, kroot, tip, *g, *f]
        out.write(kind + "," + ",".join(f"{x:.9e}" for x in row) + "\n")
    for aspect, carried in [(1, 0), (1, 0.5), (1, 2), (1.5, 0), (1.5, 0.5), (2, 1)]:
        row = [aspect, carried, 0, 0, 0, 0, 0, supported_plate(aspect, carried), 0]
        out.write("plate," + ",".join(f"{x:.9e}" for x in row) + "\n")
with open("twisted.csv", "w") as out:
    out.write(f"# two helices by the trapezoidal rule: numpy {np.__version__}; make_structure.py\n")
    out.write("length,spacing,pitch,x,y,z,bx,by,bz\n")
    for length, spacing, pitch, at in [(0.3, 0.004, 0.03, (0.15, 0.02, 0.01)), (0.3, 0.004, 0.03, (0.05, 0.03, -0.06)),
                                       (0.2, 0.006, 0.05, (0.1, 0.0, 0.05)), (0.12, 0.005, 0.02, (0.2, 0.04, 0.03))]:
        b = twisted(length, spacing, pitch, np.array(at))
        out.write(",".join(f"{x:.9e}" for x in [length, spacing, pitch, *at, *b]) + "\n")
