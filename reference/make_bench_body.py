"""Makes reference/tap_series.csv, tap_modes.csv and wire_pendulum.csv.

tap: two decaying modes with noise, fitted by scipy.optimize.curve_fit. wire_pendulum: a body on parallel
wires turned by a finite angle, exact motion (no small angles, the rise of the body and straight wires
with mass kept) integrated by scipy.integrate.solve_ivp; the period is four times the quarter swing.

Run from this folder: python make_bench_body.py
"""
import numpy as np, scipy
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit

rng = np.random.default_rng(11)
head = f"# made by make_bench_body.py with scipy {scipy.__version__}, numpy {np.__version__}\n"

t = np.arange(1000) * 1e-3


def model(t, a1, b1, f1, z1, a2, b2, f2, z2, c):
    y = c
    for a, b, f, z in ((a1, b1, f1, z1), (a2, b2, f2, z2)):
        wn = 2 * np.pi * f
        w = wn * np.sqrt(1 - z * z)
        y = y + np.exp(-z * wn * t) * (a * np.cos(w * t) + b * np.sin(w * t))
    return y


truth = (1.0, 0.4, 41.0, 0.012, -0.5, 0.3, 118.0, 0.02, 0.05)
y = model(t, *truth) + 0.02 * rng.standard_normal(t.size)
with open("tap_series.csv", "w") as f:
    f.write(head + "value\n" + "".join(f"{v!r}\n" for v in map(float, y)))
p, cov = curve_fit(model, t, y, p0=truth)
e = np.sqrt(np.diag(cov))
with open("tap_modes.csv", "w") as f:
    f.write(head + "natural,natural_error,damping,damping_error\n")
    for k in (2, 6):
        f.write(f"{float(p[k])!r},{float(e[k])!r},{float(p[k+1])!r},{float(e[k+1])!r}\n")

g = 9.80665
with open("wire_pendulum.csv", "w") as f:
    f.write(head + "mass,radius,length,wire_mass,gravity,inertia,amplitude,period\n")
    for m, r, h, mw, inertia in ((1.5, 0.2, 1.0, 0.0, 0.02), (2.4, 0.25, 0.6, 0.0, 0.05), (1.5, 0.2, 1.0, 0.05, 0.02)):
        for amp in (0.05, 0.2, 0.35):
            # Height of the body below the hooks is d(a) = sqrt(h^2 - 2 r^2 (1 - cos a)).
            def d(a):
                return np.sqrt(h * h - 2 * r * r * (1 - np.cos(a)))

            def potential(a):
                # Each straight wire's middle is at d/2.
                return -m * g * d(a) - mw * g * 0.5 * d(a)

            def mass(a):
                # Body turns and rises; a wire point at share s moves by s times the lower end's speed.
                da = -r * r * np.sin(a) / d(a)
                return inertia + m * da**2 + mw * (r * r + da**2) / 3

            # Energy is kept: T = 4 * integral of da / speed; a = amp sin(u) takes the singularity out.
            def rate(u, _):
                a = amp * np.sin(u)
                e = 2 * (potential(amp) - potential(a)) / mass(a)
                return amp * np.cos(u) / np.sqrt(max(e, 1e-300))

            s = solve_ivp(rate, (0, np.pi / 2 - 1e-6), [0.0], rtol=1e-10, atol=1e-13)
            f.write(f"{m},{r},{h},{mw},{g},{inertia},{amp},{float(4*s.y[0, -1])!r}\n")
