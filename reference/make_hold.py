"""Makes hold.csv: spread of place and height in Dryden gusts, by Lyapunov's equation of the whole loop in state space.

Delays are Pade approximants of order 2, exact enough below 10 rad/s, where gusts are. Gusts are unit white noise through the forms of MIL-F-8785C (from memory):
sigma sqrt(2 T)/(1 + T s) along, sigma sqrt(T) (1 + sqrt(3) T s)/(1 + T s)^2 across and vertical.
95 % in the plane: quantile of a million drawn pairs (numpy), good to 0.2 %.
"""

import control
import numpy as np
import scipy
from scipy.linalg import solve_continuous_lyapunov

# p, i, dead, tau, damping, attitude, velocity, integral, position, delay, climb, climb_integral, height, decay, drag,
# sigma_u, T_u, sigma_v, T_v, sigma_w, T_w, lift, wind, lifted
CASES = [
    (30, 64, 8e-3, 0.010, 1.2, 4.0, 0.9, 0.05, 0.25, 0.12, 2.2, 0.8, 0.8, 0.5, 0.07, 1.4, 10.0, 1.4, 10.0, 0.7, 2.5, 1.0, 0.0, 0.0),
    (20, 30, 12e-3, 0.030, 0.0, 5.0, 1.2, 0.20, 0.30, 0.05, 2.0, 0.5, 0.7, 0.3, 0.15, 2.0, 6.0, 1.5, 6.0, 0.9, 1.5, 0.85, 8.0, 0.06),
    (60, 200, 4e-3, 0.008, 2.0, 9.0, 2.0, 0.00, 0.50, 0.02, 4.0, 2.0, 1.5, 0.9, 0.30, 1.0, 3.0, 1.0, 3.0, 0.5, 0.8, 0.93, 12.0, 0.1),
]
NAMES = "p,i,dead,tau,damping,attitude,velocity,integral,position,delay,climb,climb_integral,height,decay,drag,sigma_u,time_u,sigma_v,time_v,sigma_w,time_w,lift,wind,lifted"
GRAVITY = 9.80665
s = control.tf("s")


def pade(time):
    return control.tf2ss(*control.pade(time, 2)) if time > 0 else control.ss([], [], [], [[1.0]])


def spread(plant):
    """Root of the variance of the output for unit white noise."""
    plant = control.ss(plant)
    p = solve_continuous_lyapunov(plant.A, -plant.B @ plant.B.T)
    return float(np.sqrt((plant.C @ p @ plant.C.T)[0, 0]))


def closed(forward, back):
    return control.feedback(forward, back)


rng = np.random.default_rng(1)
draws = rng.standard_normal((2, 1_000_000))
with open("hold.csv", "w") as out:
    out.write(f"# python-control {control.__version__}, SciPy {scipy.__version__}; made by make_hold.py\n{NAMES},along,across,vertical,plane_95\n")
    for case in CASES:
        c = dict(zip(NAMES.split(","), case))
        lag = control.tf2ss(control.tf([1], [c["tau"], 1]))
        airframe = control.tf2ss(control.tf([1], [1, c["damping"]]))
        pi = control.tf2ss(control.tf([c["p"], c["i"]], [1, 0]))
        rate = closed(pi * pade(c["dead"]) * lag * airframe, control.ss([], [], [], [[1.0]]))
        attitude = closed(control.tf2ss(control.tf([c["attitude"]], [1, 0])) * rate, control.ss([], [], [], [[1.0]]))
        velocity = control.tf2ss(control.tf([c["velocity"], c["integral"]], [1, 0])) if c["integral"] else control.ss([], [], [], [[c["velocity"]]])
        one = control.tf2ss(control.tf([np.sqrt(2 * c["time_u"]) * c["sigma_u"]], [c["time_u"], 1]))

        def two(sigma, time):
            return control.tf2ss(control.tf([np.sqrt(3) * time * sigma * np.sqrt(time), sigma * np.sqrt(time)], [time**2, 2 * time, 1]))

        def moved(actuator, law, gain, decay):
            """Acceleration to place: velocity and place both fed back, late; states of the mass are speed and place."""
            mass = control.ss([[-decay, 0], [1, 0]], [[1], [0]], [[1, gain], [0, 1]], [[0], [0]])
            inner = control.append(actuator * law * pade(c["delay"]))
            loop = control.feedback(mass, control.ss(inner.A, np.hstack([inner.B, 0 * inner.B]), inner.C, np.hstack([inner.D, 0 * inner.D])))
            return loop[1, 0]

        def answer(actuator, law, gain, decay):
            """Acceleration by a gust to the acceleration that answers it."""
            inner = actuator * law * pade(c["delay"])
            a, b, y = np.array([[-decay, 0], [1, 0]]), np.array([[1], [0]]), np.array([[1, gain]])
            whole = np.block([[a - b @ inner.D @ y, -b @ inner.C], [inner.B @ y, inner.A]])
            return control.ss(whole, np.vstack([b, 0 * inner.B]), np.hstack([inner.D @ y, inner.C]), [[0]])

        along = spread(moved(attitude, velocity, c["position"], c["drag"]) * one * c["drag"])
        across = spread(moved(attitude, velocity, c["position"], c["drag"] / 2) * two(c["sigma_v"], c["time_v"]) * (c["drag"] / 2))
        climb = control.tf2ss(control.tf([c["climb"], c["climb_integral"]], [1, 0]))
        fall = c["decay"] + c["drag"] / 2
        height = moved(pade(c["dead"]) * lag, climb * c["lift"], c["height"], fall)
        upward = spread(height * two(c["sigma_w"], c["time_w"]) * fall)
        # Of a gust along the wind, by the lean that is there and the lean that answers it, less what it lifts.
        lean = np.sin(np.arctan(c["drag"] / 2 * c["wind"] / GRAVITY))
        leant = answer(attitude, velocity, c["position"], c["drag"]) * (c["drag"] * c["wind"] / GRAVITY) + control.ss([], [], [], [[lean]])
        forward = spread(height * (leant * c["decay"] - control.ss([], [], [], [[c["lifted"]]])) * one)
        vertical = np.hypot(upward, forward)
        plane = np.quantile(np.hypot(along * draws[0], across * draws[1]), 0.95)
        out.write(",".join(f"{v:.9g}" for v in (*case, along, across, vertical, plane)) + "\n")
