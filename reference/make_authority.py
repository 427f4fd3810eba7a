"""Makes authority.csv, authority_rotors.csv, rotor_out.csv and cant.csv: control authority by scipy.optimize.linprog (HiGHS).

The effectiveness is built here from the cross product and the reaction about the rotor's own axis; trim is
numpy.linalg.lstsq (least norm). Moments are changes from trim with lift and the other moments held.
"""

import math

import numpy as np
import scipy
from scipy.optimize import linprog

S = 1 / math.sqrt(2)


def ring(n, arm, first, spins):
    """Rotors clockwise from `first` (deg from the nose)."""
    out = []
    for k in range(n):
        a = math.radians(first + 360 * k / n)
        out.append(((arm * math.cos(a), arm * math.sin(a), 0.0), (0.0, 0.0, -1.0), spins[k % len(spins)]))
    return out


def cant(rotors, degrees, with_reaction):
    """Tilts each thrust axis sideways, with or against the rotor's reaction."""
    out = []
    for at, _, spin in rotors:
        r = math.hypot(at[0], at[1])
        side = (1 if spin == "ccw" else -1) * (1 if with_reaction else -1)
        t = math.sin(math.radians(degrees)) * side
        out.append((at, (-at[1] / r * t, at[0] / r * t, -math.cos(math.radians(degrees))), spin))
    return out


def coax(arm):
    upper = ring(4, arm, 45, ["ccw", "cw"])
    lower = [((x, y, z + 0.06), a, "cw" if s == "ccw" else "ccw") for (x, y, z), a, s in upper]
    return upper + lower


CASES = {
    # name: rotors, centre, k m, weight N, largest thrust N (list or one), least N, inertia diagonal
    "quad-x": (ring(4, 0.31, 45, ["ccw", "cw"]), (0, 0, 0), 0.0231, 28.0, 16.0, 0.4),
    "quad-x off centre": (ring(4, 0.31, 45, ["ccw", "cw"]), (0.03, -0.02, 0.01), 0.0231, 28.0, 16.0, 0.4),
    "quad-x with cant": (cant(ring(4, 0.31, 45, ["ccw", "cw"]), 4, True), (0, 0, 0.02), 0.0231, 28.0, 16.0, 0.4),
    "quad-x against cant": (cant(ring(4, 0.31, 45, ["ccw", "cw"]), 6, False), (0.01, 0, 0.02), 0.0231, 28.0, 16.0, 0.4),
    "quad-x spins exchanged": (ring(4, 0.31, 45, ["ccw", "ccw", "cw", "cw"]), (0, 0, 0), 0.0231, 28.0, 16.0, 0.4),
    "quad-x one weak": (ring(4, 0.31, 45, ["ccw", "cw"]), (0, 0.01, 0), 0.0231, 28.0, [16.0, 11.0, 16.0, 14.5], 0.4),
    "hex-x": (ring(6, 0.45, 30, ["ccw", "cw"]), (0, 0, 0), 0.03, 60.0, 22.0, 0.5),
    "hex-plus off centre": (ring(6, 0.45, 0, ["ccw", "cw"]), (-0.04, 0.05, 0), 0.03, 60.0, 22.0, 0.5),
    "octo-x": (ring(8, 0.6, 22.5, ["ccw", "cw"]), (0.02, 0, 0), 0.035, 140.0, 40.0, 1.0),
    "octo canted": (cant(ring(8, 0.6, 22.5, ["ccw", "cw"]), 5, True), (0.02, 0.01, 0.05), 0.035, 140.0, 40.0, 1.0),
    "coax-quad": (coax(0.4), (0.01, -0.015, 0.02), 0.028, 90.0, 24.0, 0.5),
}


def effectiveness(rotors, centre, k):
    columns = []
    for at, axis, spin in rotors:
        a = np.array(axis)
        s = 1 if spin == "ccw" else -1
        m = np.cross(np.array(at) - np.array(centre), a) - s * k * a
        columns.append([-a[2], *m])
    return np.array(columns).T


head = f"# SciPy {scipy.__version__} linprog (HiGHS), NumPy {np.__version__}; made by make_authority.py\n"
rows, rotors_out = [], []
for name, (rotors, centre, k, weight, top, least) in CASES.items():
    n = len(rotors)
    top = [top] * n if not isinstance(top, list) else top
    b = effectiveness(rotors, centre, k)
    trim = np.linalg.lstsq(b, np.array([weight, 0, 0, 0]), rcond=1e-10)[0]
    assert np.allclose(b @ trim, [weight, 0, 0, 0], atol=1e-9), name
    moments = []
    for axis in (1, 2, 3):
        held = [r for r in range(4) if r != axis]
        for sign in (-1, 1):
            res = linprog(-sign * b[axis], A_eq=b[held], b_eq=b[held] @ trim, bounds=list(zip([least] * n, top)), method="highs-ds",
                          options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10})
            assert res.status == 0, (name, res.message)
            moments.append(sign * -res.fun - b[axis] @ trim)
    rows.append([name, *centre, k, weight, least, *moments])
    for (at, axis, spin), t, limit, column in zip(rotors, trim, top, b.T):
        rotors_out.append([name, *at, *axis, spin, limit, t, *column])


def text(row):
    return ",".join(v if isinstance(v, str) else f"{v:.15g}" for v in row) + "\n"


with open("authority.csv", "w") as out:
    out.write(head + "case,cx,cy,cz,k,weight,least,roll_neg,roll_pos,pitch_neg,pitch_pos,yaw_neg,yaw_pos\n")
    out.writelines(text(r) for r in rows)
with open("authority_rotors.csv", "w") as out:
    out.write(head + "case,x,y,z,ax,ay,az,spin,largest,trim,lift,mx,my,mz\n")
    out.writelines(text(r) for r in rotors_out)

# Yaw acceleration over cant, below zero against the reaction; inertia about z is 0.08 kg m^2.
with open("cant.csv", "w") as out:
    out.write(head + "case,first,count,arm,cx,cy,cz,k,weight,largest,least,cant_deg,acceleration\n")
    for name, first, n, arm, centre, k, weight, top, least in (
        ("quad", 45, 4, 0.31, (0.0, 0.0, 0.0), 0.0231, 28.0, 16.0, 0.4),
        ("quad off centre", 45, 4, 0.31, (0.03, -0.02, 0.01), 0.0231, 28.0, 16.0, 0.4),
        ("hex off centre", 30, 6, 0.45, (-0.04, 0.05, 0.02), 0.03, 60.0, 22.0, 0.5),
    ):
        for degrees in (-12, -8, -4, -2, 0, 2, 4, 8, 12):
            rotors = cant(ring(n, arm, first, ["ccw", "cw"]), degrees, True)
            b = effectiveness(rotors, centre, k)
            trim = np.linalg.lstsq(b, np.array([weight, 0, 0, 0]), rcond=1e-10)[0]
            sides = []
            for sign in (-1, 1):
                res = linprog(-sign * b[3], A_eq=b[:3], b_eq=b[:3] @ trim, bounds=[(least, top)] * n, method="highs-ds")
                sides.append(-res.fun - sign * (b[3] @ trim))
            out.write(text([name, first, n, arm, *centre, k, weight, top, least, degrees, min(sides) / 0.08]))

# One rotor lost: hexacopters by spin order. Largest share t of the intact authority, all directions at once.
with open("rotor_out.csv", "w") as out:
    out.write(head + "layout,spins,lost,with_yaw,without_yaw\n")
    for label, spins, count in (
        ("quad", ["ccw", "cw"], 4),
        ("hex", ["ccw", "cw", "ccw", "cw", "ccw", "cw"], 6),
        ("hex", ["ccw", "ccw", "cw", "cw", "ccw", "cw"], 6),
        ("octo", ["ccw", "cw"] * 4, 8),
    ):
        rotors = ring(count, 0.45, 0, spins)
        b = effectiveness(rotors, (0, 0, 0), 0.03)
        weight, top = 10.0 * count, 22.0
        trim = np.linalg.lstsq(b, np.array([weight, 0, 0, 0]), rcond=1e-10)[0]
        worse = []
        for axis in (1, 2, 3):
            held = [r for r in range(4) if r != axis]
            sides = []
            for sign in (-1, 1):
                res = linprog(-sign * b[axis], A_eq=b[held], b_eq=b[held] @ trim, bounds=[(0, top)] * count)
                sides.append(-res.fun)
            worse.append(min(sides))
        for lost in range(count):
            answer = []
            for held in (4, 3):
                dirs = [(a, s * worse[a - 1]) for a in range(1, held) for s in (1, -1)]
                nv = len(dirs) * count + 1
                a_eq, b_eq = [], []
                bounds = []
                for d, (axis, size) in enumerate(dirs):
                    bounds += [(0, 0) if r == lost else (0, top) for r in range(count)]
                    for row in range(held):
                        line = np.zeros(nv)
                        line[d * count:(d + 1) * count] = b[row]
                        if row == axis:
                            line[-1] = -size
                        a_eq.append(line)
                        b_eq.append(weight if row == 0 else 0.0)
                bounds.append((0, 1))
                c = np.zeros(nv)
                c[-1] = -1
                res = linprog(c, A_eq=np.array(a_eq), b_eq=b_eq, bounds=bounds)
                answer.append("none" if res.status == 2 else f"{max(0.0, -res.fun):.9g}")
            out.write(f"{label},{'-'.join(spins)},{lost},{answer[0]},{answer[1]}\n")
