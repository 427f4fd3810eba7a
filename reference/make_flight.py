"""Reference values for the flight model: torque-free tumbling, a rotor on a stand, a rate step and a velocity step of the
linear loops.

Writes flight_tumbling.csv, rotor_on_stand.csv, flight_rate_step.csv and flight_velocity_step.csv beside itself. The rotor is
that of blade elements with uniform inflow (Leishman, Principles of Helicopter Aerodynamics, ch. 3) and an inflow of apparent
mass 8/3 rho R^3 (Pitt & Peters 1981), written out anew here.
"""

import math
import pathlib

import control
import numpy as np
import scipy
from scipy import integrate, optimize, signal, special

HERE = pathlib.Path(__file__).parent


def head(text):
    return (
        "".join(f"# {line}\n" for line in text)
        + f"# made by make_flight.py with scipy {scipy.__version__}, numpy {np.__version__}\n"
    )


def tumbling():
    """Euler's equations for an asymmetric body, Landau & Lifshitz, Mechanics, section 37 (formula from memory)."""
    i1, i2, i3 = 0.05, 0.08, 0.11
    w1, w3 = 2.0, 3.0
    twice_energy = i1 * w1**2 + i3 * w3**2
    square = (i1 * w1) ** 2 + (i3 * w3) ** 2
    assert square > twice_energy * i2
    pace = math.sqrt((i3 - i2) * (square - twice_energy * i1) / (i1 * i2 * i3))
    m = (i2 - i1) * (twice_energy * i3 - square) / ((i3 - i2) * (square - twice_energy * i1))
    a1 = math.sqrt((twice_energy * i3 - square) / (i1 * (i3 - i1)))
    a2 = math.sqrt((twice_energy * i3 - square) / (i2 * (i3 - i2)))
    a3 = math.sqrt((square - twice_energy * i1) / (i3 * (i3 - i1)))
    with open(HERE / "flight_tumbling.csv", "w") as out:
        out.write(head([
            "Torque-free motion of a body with moments of inertia 0.05, 0.08, 0.11 kg m^2, rates in rad/s,",
            "by Jacobi's elliptic functions (scipy.special.ellipj)",
        ]))
        out.write("time,x,y,z\n")
        for t in np.arange(0.0, 8.01, 0.5):
            sn, cn, dn, _ = special.ellipj(pace * t, m)
            out.write(f"{t:.3f},{a1 * cn:.12f},{a2 * sn:.12f},{a3 * dn:.12f}\n")


MASS = 1.32 + 1.9 + 4 * 0.3
DENSITY, RADIUS, SPIN, KT, PATH = 1.225, 0.1905, 9.5e-5 + 2.5e-5, 60 / (2 * math.pi * 400), 0.062 + 0.003
AREA = math.pi * RADIUS**2
DEPTH = 8 / (3 * math.pi) * RADIUS


class Rotor:
    """C_T 0.105, C_P 0.040 (propeller coefficients) at rest; along the axis C_T (1 - x/2 - x^2/2), x = J/(1.25 x 0.5), whose
    slope over the inflow is taken from rest to J = 0.15."""

    ct, cp = 0.105 * 4 / math.pi**3, 0.040 * 4 / math.pi**4
    hover = math.sqrt(ct / 2)
    kappa = 1.15

    def along(self, advance):
        x = advance / (1.25 * 0.5)
        return self.ct * (1 - x / 2 - x**2 / 2), self.cp * (1 - 0.6 * x**2)

    def constants(self, climb):
        """K1, K2, C_P0 at a climb over the tip speed."""
        climb = max(climb, 0.0)
        advance = math.pi * climb

        def through(ct, climb):
            return climb / 2 + math.sqrt(climb**2 / 4 + ct / 2)

        ct, cp = self.along(advance)
        moving, _ = self.along(advance + 0.15)
        inflow = through(ct, climb)
        k2 = (ct - moving) / (through(moving, climb + 0.15 / math.pi) - inflow)
        return ct + k2 * inflow, k2, cp - ct * climb - self.kappa * (inflow - climb) * ct

    def thrust(self, w, v, climb=0.0):
        tip = RADIUS * w
        k1, k2, _ = self.constants(climb / tip)
        return DENSITY * AREA * tip * (k1 * tip - k2 * (climb + v))

    def torque(self, w, v, climb=0.0):
        tip = RADIUS * w
        k1, k2, profile = self.constants(climb / tip)
        lift = k1 * tip - k2 * (climb + v)
        return DENSITY * AREA * RADIUS * (lift * (climb + self.kappa * v) + profile * tip**2)

    def inflow(self, w, v, climb=0.0):
        """dv/dt."""
        return (self.thrust(w, v, climb) / (DENSITY * AREA) - 2 * v * abs(climb + v)) / DEPTH

    def settled(self, w):
        return self.hover * RADIUS * w

    def h_force(self, w, v):
        """In-plane force per in-plane speed, small."""
        k1, _, profile = self.constants(0.0)
        return DENSITY * AREA * (1.5 * k1 * v + 2 * profile * RADIUS * w)


ROTOR = Rotor()


def open_circuit(charge):
    """Chen & Rincon-Mora 2006, brought to 4.20 V in proportion to the charge."""
    def cell(x):
        return -1.031 * math.exp(-35 * x) + 3.685 + 0.2156 * x - 0.1178 * x**2 + 0.3201 * x**3
    return cell(charge) + (4.2 - cell(1.0)) * charge


def stand():
    """One rotor on a stand behind a stiff supply: a small step of voltage, and coasting."""
    volts = 6 * open_circuit(0.8)

    def slope(voltage, no_load, braking):
        def f(_, x):
            current = (voltage - KT * x[0]) / PATH
            drive = KT * ((current if braking else max(current, 0.0)) - no_load)
            return [(drive - ROTOR.torque(*x)) / SPIN, ROTOR.inflow(*x)]
        return f

    def steady(voltage, no_load):
        f = slope(voltage, no_load, True)
        w = optimize.brentq(lambda w: f(0, [w, ROTOR.settled(w)])[0], 50, 2000, xtol=1e-13)
        return [w, ROTOR.settled(w)]

    options = {"rtol": 1e-11, "atol": 1e-12, "method": "DOP853"}
    start, end = steady(0.45 * volts, 0.9), steady(0.455 * volts, 0.9)
    target = start[0] + (end[0] - start[0]) * (1 - math.exp(-1))

    def reached(_, x):
        return x[0] - target

    run = integrate.solve_ivp(slope(0.455 * volts, 0.9, True), (0, 0.3), start, events=reached, max_step=1e-4, **options)
    start = steady(0.6 * volts, 0.0)
    coast = integrate.solve_ivp(slope(0.04 * volts, 0.0, False), (0, 0.2), start, **options)
    with open(HERE / "rotor_on_stand.csv", "w") as out:
        out.write(head([
            "One rotor on a stand: speed and uniform inflow by scipy.integrate.solve_ivp (DOP853); times in s, speeds in rad/s",
        ]))
        out.write("what,value\n")
        out.write(f"time to 63 % of a 0.5 % step,{run.t_events[0][0]:.9f}\n")
        out.write(f"speed after coasting 0.2 s,{coast.y[0, -1]:.9f}\n")


def hover():
    """Speed and induced speed."""
    w = math.sqrt(MASS * 9.80665 / 4 / ROTOR.thrust(1.0, ROTOR.settled(1.0)))
    return w, ROTOR.settled(w)


def roll(height):
    """Roll about hover in state space: angular acceleration asked for -> roll rate. States: speed and induced speed of a rotor
    on the side that goes up, roll rate. `height` is the battery's, down from the hubs."""
    w, v = hover()
    # Inertia about roll: boxes of battery (0.16 x 0.06 x 0.05) and frame (0.24 x 0.2 x 0.06), motors as points.
    centre = 1.32 * height / MASS
    lever = 0.31 / math.sqrt(2)
    inertia = 1.32 * ((0.06**2 + 0.05**2) / 12 + (height - centre) ** 2) + 1.9 * ((0.2**2 + 0.06**2) / 12 + centre**2)
    inertia += 1.2 * (lever**2 + centre**2)

    def slopes(f):
        """By speed, induced speed and climb, numerically."""
        e = 1e-4
        return [(f(w + e, v) - f(w - e, v)) / (2 * e), (f(w, v + e) - f(w, v - e)) / (2 * e), (f(w, v, e) - f(w, v, -e)) / (2 * e)]

    t, q, r = slopes(ROTOR.thrust), slopes(ROTOR.torque), slopes(ROTOR.inflow)
    # Voltage per thrust of the settled rotor: what the controller's curve says.
    thrust, torque = ROTOR.thrust(w, v), ROTOR.torque(w, v)
    volts_per_thrust = (KT + PATH * 2 * torque / w / KT) / (2 * thrust / w)
    drive = KT / PATH / SPIN * volts_per_thrust * inertia / (4 * lever)
    a = np.array([
        [-(KT**2 / PATH + q[0]) / SPIN, -q[1] / SPIN, -q[2] * lever / SPIN],
        [r[0], r[1], r[2] * lever],
        [4 * lever * t[0] / inertia, 4 * lever * t[1] / inertia, 4 * lever**2 * t[2] / inertia],
    ])
    # In the plane: hubs above the centre of mass move sideways.
    a[2, 2] -= 4 * ROTOR.h_force(w, v) * centre**2 / inertia
    return a, np.array([[drive], [0.0], [0.0]])


def rate_step():
    """The rate loop about roll, linear, with its delays, on a grid of 0.1 ms."""
    grid, period = 1e-4, 1e-3
    p, i, d, d_lag = 14.0, 30.0, 0.2, 2e-3
    sensor_delay, output_delay = 3, 4 + 1 + 15  # grid steps: IMU; computation, frame, dead time
    step = 0.1
    sos = signal.butter(2, 40.0, fs=1 / period, output="sos")
    a, b = roll(0.035)
    plant = signal.cont2discrete((a, b, np.eye(3), np.zeros((3, 1))), grid)
    a, b = plant[0], plant[1]

    def stepped(gain):
        x = np.zeros(3)
        rates = [0.0] * (sensor_delay + 1)
        commands = [0.0] * output_delay
        integral, held, slope, before = 0.0, 0.0, 0.0, 0.0
        keep = math.exp(-period / d_lag)
        state = np.zeros((sos.shape[0], 2))
        rows = []
        for k in range(4001):
            rates.append(x[2])
            if k % 10 == 0:
                seen = rates[-1 - sensor_delay]
                filtered, state = signal.sosfilt(sos, [seen], zi=state)
                error = step - filtered[0]
                integral += i * error * period
                slope = keep * slope + (1 - keep) * (filtered[0] - before) / period
                before = filtered[0]
                held = p * error + integral - d * slope
                if k % 50 == 0:
                    rows.append((k * grid, seen / step))
            commands.append(gain * held)
            x = a @ x + b[:, 0] * commands[-1 - output_delay]
        return rows

    rows = [(t, full, low) for (t, full), (_, low) in zip(stepped(1.0), stepped(0.8))]
    with open(HERE / "flight_rate_step.csv", "w") as out:
        out.write(head([
            "Roll rate over demanded rate after a step at time 0, as the gyro shows it (0.3 ms late), from an independent",
            "simulation of the linear loop: scipy.signal.butter, cont2discrete, exact delays; the same with 0.8 of the loop gain",
            f"hover speed {hover()[0]:.6f} rad/s; rotor with inflow as a state",
        ]))
        out.write("time,ratio,low\n")
        for t, r, low in rows:
            out.write(f"{t:.4f},{r:.9f},{low:.9f}\n")


def velocity_step():
    """Velocity over a small velocity demand: rate, attitude and velocity loop in state space, delays by Pade forms."""
    s = control.tf("s")

    def block(tf):
        return control.ss(tf)

    def delay(time, order):
        return block(control.tf(*control.pade(time, order)))

    # In state space throughout: as polynomials of the whole loop the coefficients span too many powers of ten.
    # IMU 0.3 ms; half a period of hold, computation 0.4, frame 0.1, dead time 1.5 ms; second-order Butterworth 40 Hz.
    w0 = 2 * math.pi * 40
    sensing = delay(0.3e-3, 1) * block(w0**2 / (s**2 + math.sqrt(2) * w0 * s + w0**2))
    a, b = roll(0.0)
    airframe = control.ss(a, b, [[0, 0, 1]], [[0]])
    w, v = hover()
    decay = 4 * ROTOR.h_force(w, v) / MASS
    forward = airframe * delay(0.5e-3 + 0.4e-3 + 0.1e-3 + 1.5e-3, 2) * block((14 * s + 30) / s)
    rate = control.feedback(forward, sensing)
    attitude = control.feedback(block(4.0 / s) * rate, 1)
    velocity = control.feedback(block((s + 0.2) / s) * block(1 / (s + decay)) * attitude, delay(0.06, 4))
    time = np.arange(0, 12.0001, 0.1)
    _, value = control.step_response(velocity, time)

    # The same by numerical inversion of the Laplace transform with exact delays, which must agree.
    def exact(s):
        # Cramer's rule for the third state.
        m = [[s - a[i, j] if i == j else -a[i, j] + 0 * s for j in range(3)] for i in range(3)]
        whole = sum(m[0][i] * (m[1][(i + 1) % 3] * m[2][(i + 2) % 3] - m[1][(i + 2) % 3] * m[2][(i + 1) % 3]) for i in range(3))
        f = (14 + 30 / s) * np.exp(-2.5e-3 * s) * b[0, 0] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]) / whole
        g = 4 * f / (1 + f * np.exp(-0.3e-3 * s) * w0**2 / (s * s + math.sqrt(2) * w0 * s + w0**2)) / s
        g = g / (1 + g) * (s + 0.2) / s / (s + decay)
        return g / (1 + g * np.exp(-0.06 * s))

    period, shift = 40.0, -math.log(1e-9) / 80.0
    line = shift + 1j * np.arange(100000) * math.pi / period
    image = exact(line) / line
    for t, v in zip(time[1:], value[1:]):
        turn = np.exp(1j * line.imag[1:] * t)
        y = math.exp(shift * t) / period * (image[0].real / 2 + np.sum((image[1:] * turn).real))
        assert abs(y - v) < 2e-4, (t, y, v)
    with open(HERE / "flight_velocity_step.csv", "w") as out:
        out.write(head([
            f"Velocity over demanded velocity after a small step at time 0, linear: python-control {control.__version__},",
            "delays by Pade forms, checked by numerical inversion with exact delays; gains of rate 14 1/s and 30 1/s^2, attitude 4 1/s, velocity 1 1/s and",
            "0.2 1/s^2; velocity comes 60 ms late; rotors with inflow as a state and in-plane force, all masses in the plane of the hubs",
        ]))
        out.write("time,ratio\n")
        for t, r in zip(time, value):
            out.write(f"{t:.1f},{r:.9f}\n")


tumbling()
stand()
rate_step()
velocity_step()
