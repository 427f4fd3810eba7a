"""Reference values for the flight model: torque-free tumbling, a rate step and a velocity step of the linear loops.

Writes flight_tumbling.csv, flight_rate_step.csv and flight_velocity_step.csv beside itself.
"""

import math
import pathlib

import control
import numpy as np
import scipy
from scipy import signal, special

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


def rate_step():
    """The rate loop about roll, linear, with its delays, on a grid of 0.1 ms."""
    # The aircraft of the test, from its stated data.
    mass = 1.32 + 1.9 + 4 * 0.3
    diameter, ct, cp, density = 0.381, 0.105, 0.040, 1.225
    thrust = mass * 9.80665 / 4
    n = math.sqrt(thrust / (ct * density * diameter**4))
    omega = 2 * math.pi * n
    torque = cp * density * n**3 * diameter**5 / omega
    kt = 60 / (2 * math.pi * 400)
    tau = (9.5e-5 + 2.5e-5) / (kt**2 / (0.062 + 0.003) + 2 * torque / omega)

    grid, period = 1e-4, 1e-3
    p, i, d, d_lag = 14.0, 30.0, 0.2, 2e-3
    sensor_delay, output_delay = 3, 4 + 1 + 15  # grid steps: IMU; computation, frame, dead time
    step = 0.1
    sos = signal.butter(2, 40.0, fs=1 / period, output="sos")
    plant = signal.cont2discrete(
        (np.array([[-1 / tau, 0.0], [1.0, 0.0]]), np.array([[1 / tau], [0.0]]), np.eye(2), np.zeros((2, 1))), grid)
    a, b = plant[0], plant[1]

    def stepped(gain):
        x = np.zeros(2)
        rates = [0.0] * (sensor_delay + 1)
        commands = [0.0] * output_delay
        integral, held, slope, before = 0.0, 0.0, 0.0, 0.0
        keep = math.exp(-period / d_lag)
        state = np.zeros((sos.shape[0], 2))
        rows = []
        for k in range(4001):
            rates.append(x[1])
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
            f"motor lag {tau:.9f} s, hover speed {omega:.6f} rad/s",
        ]))
        out.write("time,ratio,low\n")
        for t, r, low in rows:
            out.write(f"{t:.4f},{r:.9f},{low:.9f}\n")


def velocity_step():
    """Velocity over a small velocity demand: rate, attitude and velocity loop in state space, delays by Pade forms."""
    mass = 1.32 + 1.9 + 4 * 0.3
    diameter, ct, cp, density = 0.381, 0.105, 0.040, 1.225
    n = math.sqrt(mass * 9.80665 / 4 / (ct * density * diameter**4))
    omega = 2 * math.pi * n
    torque = cp * density * n**3 * diameter**5 / omega
    kt = 60 / (2 * math.pi * 400)
    tau = (9.5e-5 + 2.5e-5) / (kt**2 / (0.062 + 0.003) + 2 * torque / omega)
    s = control.tf("s")

    def block(tf):
        return control.ss(tf)

    def delay(time, order):
        return block(control.tf(*control.pade(time, order)))

    # In state space throughout: as polynomials of the whole loop the coefficients span too many powers of ten.
    # IMU 0.3 ms; half a period of hold, computation 0.4, frame 0.1, dead time 1.5 ms; second-order Butterworth 40 Hz.
    w0 = 2 * math.pi * 40
    sensing = delay(0.3e-3, 1) * block(w0**2 / (s**2 + math.sqrt(2) * w0 * s + w0**2))
    forward = block(1 / s) * block(1 / (tau * s + 1)) * delay(0.5e-3 + 0.4e-3 + 0.1e-3 + 1.5e-3, 2) * block((14 * s + 30) / s)
    rate = control.feedback(forward, sensing)
    attitude = control.feedback(block(4.0 / s) * rate, 1)
    velocity = control.feedback(block((s + 0.2) / s**2) * attitude, delay(0.06, 4))
    time = np.arange(0, 12.0001, 0.1)
    _, value = control.step_response(velocity, time)

    # The same by numerical inversion of the Laplace transform with exact delays, which must agree.
    def exact(s):
        f = (14 + 30 / s) * np.exp(-2.5e-3 * s) / (tau * s + 1) / s
        a = 4 * f / (1 + f * np.exp(-0.3e-3 * s) * w0**2 / (s * s + math.sqrt(2) * w0 * s + w0**2)) / s
        a = a / (1 + a) * (s + 0.2) / s**2
        return a / (1 + a * np.exp(-0.06 * s))

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
            "0.2 1/s^2; velocity comes 60 ms late",
        ]))
        out.write("time,ratio\n")
        for t, r in zip(time, value):
            out.write(f"{t:.1f},{r:.9f}\n")


tumbling()
rate_step()
velocity_step()
