"""Steady forward flight and winding temperature with scipy, for crates/physics: forward_flight.csv.

The force and inflow equations of crates/physics/src/edgewise.rs and powertrain/airspeed.rs as one
system in (tilt, rotor speed, induced inflow), solved at once by scipy's hybrid Newton method.
"""

import numpy as np
import scipy
from scipy import integrate, optimize

DENSITY, G = 1.225, 9.80665
CT, CP, D, PITCH, MASS, DRAG, COUNT = 0.105, 0.040, 0.381, 0.127, 3.2, 0.03, 4
PI, R = np.pi, D / 2
AREA = PI * R**2


def along_axis(j):
    share = min(j * D / (1.25 * PITCH), 1.0)
    return CT * (1 - 0.5 * share - 0.5 * share**2) * 4 / PI**3, CP * (1 - 0.6 * share**2) * 4 / PI**4


def inflow(ct, climb):
    return climb / 2 + np.sqrt(climb**2 / 4 + ct / 2)


def constants(climb):
    (ct, cp), (moving, _) = along_axis(PI * climb), along_axis(PI * climb + 0.15)
    here = inflow(ct, climb)
    k2 = (ct - moving) / (inflow(moving, climb + 0.15 / PI) - here)
    induced, rest = (here - climb) * ct, cp - ct * climb
    kappa = min(1.15, 0.9 * rest / induced)
    return ct + k2 * here, k2, rest - kappa * induced, kappa


def state(tilt, speed, induced, v):
    tip = speed * R
    mu, climb = v * np.cos(tilt) / tip, v * np.sin(tilt) / tip
    k1, k2, profile, kappa = constants(climb)
    ct = k1 * (1 + 1.5 * mu**2) - k2 * (climb + induced)
    ch = (1.5 * k1 * (climb + induced) + 2 * profile) * mu
    cp = ct * (climb + kappa * induced) + profile * (1 + 4.65 * mu**2) - ch * mu
    force = DENSITY * AREA * tip**2
    return mu, climb, ct, force * ct, force * ch, force * cp * tip


def trim(v, guess):
    weight, drag = MASS * G, 0.5 * DENSITY * v**2 * DRAG

    def gaps(u):
        tilt, speed, induced = u[0], 100 * u[1], u[2]
        mu, climb, ct, thrust, inplane, _ = state(tilt, speed, induced, v)
        return [
            (COUNT * (thrust * np.sin(tilt) - inplane * np.cos(tilt)) - drag) / weight,
            (COUNT * (thrust * np.cos(tilt) + inplane * np.sin(tilt)) - weight) / weight,
            (induced - ct / (2 * np.hypot(mu, climb + induced))) / 0.05,
        ]

    u, info, ok, text = optimize.fsolve(gaps, guess, full_output=True, xtol=1e-13)
    assert ok == 1, text
    return u


with open("forward_flight.csv", "w") as out:
    out.write(f"# scipy {scipy.__version__}, numpy {np.__version__}; make_forward_flight.py\n")
    out.write(f"# trim: C_T {CT}, C_P {CP}, D {D} m, pitch {PITCH} m, {COUNT} rotors, {MASS} kg, drag area {DRAG} m2, 1.225 kg/m3:\n")
    out.write("#   airspeed m/s, tilt rad, rotor speed rad/s, shaft power of all rotors W\n")
    out.write("# winding: R 0.062 ohm at 25 degC, 1.5 K/W, 60 J/K, air 298.15 K, 2 W of iron: current A, time s, temperature K\n")
    out.write("kind,a,b,c,d\n")
    u = np.array([0.0, 4.3, 0.055])
    for v in [0.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0]:
        u = trim(v, u)
        power = COUNT * state(u[0], 100 * u[1], u[2], v)[5]
        out.write(f"trim,{v},{u[0] + 0.0:.10g},{100 * u[1]:.10g},{power:.10g}\n")
    copper = lambda t: 1 + 0.00393 * (t - 293.15)
    for current in [10.0, 20.0, 40.0]:
        heat = lambda _, t: (current**2 * 0.062 * copper(t) / copper(298.15) + 2.0 - (t - 298.15) / 1.5) / 60.0
        found = integrate.solve_ivp(heat, (0, 300), [298.15], rtol=1e-11, atol=1e-9, t_eval=[60.0, 300.0])
        for time, t in zip(found.t, found.y[0]):
            out.write(f"winding,{current},{time},{t:.10g},\n")
