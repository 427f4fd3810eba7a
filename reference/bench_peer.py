"""Times of numpy and scipy on the inputs of our benches, under the same names.

Prints `VERSIONS|text` once and `PEER|name|median seconds` for each; `cargo xtask bench` reads it.
"""

import platform
import statistics
import time

import numpy as np
import scipy
from make_blade_element import solve
from scipy import integrate, optimize, signal


def series(length, phase):
    k = np.arange(length)
    return np.sin(0.3 * k + phase) + 0.5 * np.sin(1.7 * k)


def timed(name, call):
    call()
    times = []
    for _ in range(30):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    print(f"PEER|{name}|{statistics.median(times):.9e}")


print(f"VERSIONS|scipy {scipy.__version__}, numpy {np.__version__}, Python {platform.python_version()}")
x, y = series(200_000, 0.0), series(200_000, 0.4)
timed(
    "welch_200000_samples_in_blocks_of_1024",
    lambda: signal.welch(x, 1000.0, "hann", 1024, 512, detrend="constant"),
)


def three_spectra():
    """Both densities and the cross density: what one call of ours returns."""
    for a, b in ((x, x), (y, y), (x, y)):
        signal.csd(a, b, 1000.0, "hann", 1024, 512, detrend="constant")


timed("cross_spectrum_200000_samples_in_blocks_of_1024", three_spectra)


def quad_residual(unknown):
    """Rotor speeds and bus voltage of a hovering quadrotor; the numbers are those of benches/hover.rs."""
    speed, bus = unknown[:4], unknown[4]
    ct, cp, density, diameter, kv = 0.105, 0.04, 1.225, 0.381, 41.9
    turns = speed / (2 * np.pi)
    thrust = ct * density * turns**2 * diameter**4
    torque = cp * density * turns**2 * diameter**5 / (2 * np.pi)
    current = torque * kv + 0.9
    applied = speed / kv + current * (0.062 + 0.003)
    supply = np.sum(applied * current) / bus + 9.0 / bus
    resistance = 6 * (0.0024 + 0.0015) + 0.004
    return np.append(thrust - 8.0, bus - (25.2 - resistance * supply))


timed(
    "operating_point_of_a_quad",
    lambda: optimize.root(quad_residual, np.array([400.0, 400.0, 400.0, 400.0, 24.0])),
)

timed("blade_element_rotor_of_20_stations", lambda: solve(0.254, 2, "thin", 700.0, 0.0))

grid = np.array([[2000.0, 4000.0, 6000.0, 8000.0], [0.098, 0.101, 0.104, 0.106], [0.041, 0.040, 0.040, 0.040]])


def table_residual(unknown):
    """The same quadrotor with C_T and C_P interpolated by rotor speed."""
    speed, bus = unknown[:4], unknown[4]
    turns = speed / (2 * np.pi)
    ct, cp = np.interp(60 * turns, grid[0], grid[1]), np.interp(60 * turns, grid[0], grid[2])
    density, diameter, kv = 1.225, 0.381, 41.9
    thrust = ct * density * turns**2 * diameter**4
    torque = cp * density * turns**2 * diameter**5 / (2 * np.pi)
    current = torque * kv + 0.9
    applied = speed / kv + current * (0.062 + 0.003)
    supply = np.sum(applied * current) / bus + 9.0 / bus
    resistance = 6 * (0.0024 + 0.0015) + 0.004
    return np.append(thrust - 8.0, bus - (25.2 - resistance * supply))


timed(
    "operating_point_of_a_quad_by_table",
    lambda: optimize.root(table_residual, np.array([400.0, 400.0, 400.0, 400.0, 24.0])),
)


def gain_search(derivatives=(0.0,)):
    """Margins of 40 x 40 gains and so many derivatives over 30 plants at 400 frequencies, by sums and products on whole arrays."""
    w = np.geomspace(0.3, 600, 400)
    s = 1j * w
    plants = np.array(
        [np.exp(-s * (4e-3 + 1e-4 * k)) / ((1 + s * (0.025 + 3e-4 * k)) * s) * (1 + 0.005 * k) for k in range(30)]
    )
    kept = 0
    for d, i in ((d, i) for d in derivatives for i in np.geomspace(1, 600, 40)):
        controller = np.geomspace(2, 60, 40)[:, None] - 1j * i / w[None, :] + d * s / (1 + 2e-3 * s)
        loops = controller[:, None, :] * plants[None, :, :]
        size = np.abs(loops)
        near = np.abs(1 + loops).min(axis=2)
        crossing = (size[..., :-1] > 1) & (size[..., 1:] <= 1)
        phase = np.where(crossing, np.abs(np.angle(-loops[..., 1:])), np.inf).min(axis=2)
        turn = (loops.imag[..., :-1] < 0) & (loops.imag[..., 1:] >= 0) & (loops.real[..., 1:] < 0)
        gain = np.where(turn, 1 / np.maximum(size[..., 1:], 1e-12), np.inf).min(axis=2)
        kept += int(((phase > np.pi / 4) & (gain > 2) & (near > 1 / 1.8)).all(axis=1).sum())
    return kept


timed("gain_search_1600_gains_30_plants", gain_search)


def once(name, call, share=1.0):
    """Long runs are timed once; of some only a share is run."""
    start = time.perf_counter()
    call()
    print(f"PEER|{name}|{(time.perf_counter() - start) / share:.9e}")


def hour_of_spectra():
    """One hour at 8 kHz, six channels, one after the other."""
    long = np.tile(series(80_000, 0.0), 360)
    for _ in range(6):
        signal.welch(long, 8000.0, "hann", 8192, 4096, detrend="constant")


def hour_of_orders():
    """Orders 1, 2, 4 of one rotor in six channels, windows of half a second, in pieces of six minutes to save memory."""
    rate, half = 8000.0, 2000
    x = np.tile(series(80_000, 0.0), 36)
    speed = np.tile(600 + 60 * np.sin(2e-4 * np.arange(80_000)), 36)
    window = signal.windows.hann(2 * half, sym=False)
    window /= window.sum() / 2
    for _ in range(10):
        phase = np.cumsum(speed) / rate
        for order in (1, 2, 4):
            turn = np.exp(-1j * order * phase)
            for _ in range(6):
                signal.upfirdn(window, x * turn, 1, half)


once("gain_search_32000_gains_30_plants", lambda: gain_search(0.015 * np.arange(20)))


def closed_loop():
    """Ten minutes at 1 kHz of the loop that benches/spectra.rs identifies."""
    n = 600_000
    k = np.arange(n)
    r = np.where((k // 700) % 5 == 1, 1.0, 0.0)
    push, gust = np.sin(0.7 * k), np.sin(0.011 * k)
    u, y, thrust = [0.0] * n, [0.0] * n, 0.0
    for j in range(1, n):
        u[j] = 12.0 * (r[j] - y[j - 1]) + push[j]
        thrust += 0.03 * (u[max(j - 8, 0)] - thrust)
        y[j] = y[j - 1] + 1e-3 * (thrust + gust[j])
    return r, np.array(u), np.array(y)


def identification(r, u, y):
    """Response command to rate through the demand at five window lengths, and gain, delay and lag fitted to the longest."""
    for seconds in (1, 2, 4, 8, 16):
        n = 1000 * seconds
        f, through_u = signal.csd(r, u, 1000.0, "hann", n)
        _, through_y = signal.csd(r, y, 1000.0, "hann", n)
        _, of_r = signal.welch(r, 1000.0, "hann", n)
        _, of_y = signal.welch(y, 1000.0, "hann", n)
        coherence = np.abs(through_y) ** 2 / (of_r * of_y)
    band = (f > 0.1) & (f < 5.0)
    w, plant, weight = 2 * np.pi * f[band], (through_y / through_u)[band], np.sqrt(coherence[band])

    def misfit(p):
        model = p[0] * np.exp(-1j * w * p[1]) / (1j * w * (1 + 1j * w * p[2]))
        gap = weight * np.log(model / plant)
        return np.concatenate([gap.real, gap.imag])

    return optimize.least_squares(misfit, [1.0, 0.01, 0.03]).x


loop = closed_loop()
once("identification_of_600000_samples", lambda: identification(*loop))
once("streamed_welch_one_hour_8khz_six_channels", hour_of_spectra)
once("orders_1_2_4_one_hour_8khz_six_channels", hour_of_orders)


class Flight:
    """The quadrotor of benches/flight.rs: body, four table rotors with inflow, motors, battery, loops at 1 kHz.

    State: position, velocity, quaternion, rate, charge, polarisation, four rotor speeds, four induced speeds; north-east-down.
    Delays, filter and sensor noise are left out: the peer has less to do.
    """

    mass, density, radius, spin, kt, path = 4.42, 1.225, 0.1905, 1.2e-4, 1 / 41.9, 0.065
    inertia = np.array([0.0621, 0.0666, 0.1247])
    hubs = 0.2192 * np.array([[1, 1, 0], [-1, -1, 0], [1, -1, 0], [-1, 1, 0]], float)
    turn = np.array([-1.0, -1.0, 1.0, 1.0])  # reaction about +z: minus where the rotor turns clockwise
    area = np.pi * radius**2
    depth = 8 / (3 * np.pi) * radius
    speeds = np.array([2000.0, 4000.0, 6000.0, 8000.0]) * 2 * np.pi / 60

    def __init__(self):
        ct = np.array([0.098, 0.101, 0.104, 0.106]) * 4 / np.pi**3
        cp = np.array([0.041, 0.040, 0.040, 0.040]) * 4 / np.pi**4
        hover = np.sqrt(ct / 2)
        moving = 0.8 * ct
        half = 0.5 * 0.15 / np.pi
        self.k2 = (ct - moving) / (half + np.sqrt(half**2 + moving / 2) - hover)
        self.k1 = ct + self.k2 * hover
        self.profile = cp - 1.15 * hover * ct
        self.mix = np.linalg.pinv(np.array([np.ones(4), -self.hubs[:, 1], self.hubs[:, 0], 0.0155 * self.turn]))
        rng = np.random.default_rng(1)
        self.gusts = np.array([-8.0, 0, 0]) + signal.lfilter([0.02], [1, -0.999], rng.standard_normal((30_000, 3)), axis=0)
        self.integral, self.outer = np.zeros(3), np.zeros(3)

    def start(self):
        w = 400.0
        return np.concatenate([[0, 0, -20, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0], np.full(4, w), np.full(4, 6.2)])

    def commands(self, x, dt):
        """Position, velocity, attitude and rate loop; voltage fractions."""
        q, rate = x[6:10], x[10:13]
        place = np.clip(0.25 * (np.array([0, 0, -20]) - x[:3]), -5, 5) - x[3:6]
        self.outer = self.outer + 0.2 * place * dt
        ask = np.array([1.0, 1.0, 2.0]) * place + self.outer
        yaw = np.arctan2(2 * (q[0] * q[3] + q[1] * q[2]), 1 - 2 * (q[2] ** 2 + q[3] ** 2))
        c, s = np.cos(yaw), np.sin(yaw)
        pitch = np.clip(-(c * ask[0] + s * ask[1]) / 9.80665, -0.44, 0.44)
        roll = np.clip((-s * ask[0] + c * ask[1]) / 9.80665, -0.44, 0.44)
        now = np.array([2 * (q[0] * q[1] + q[2] * q[3]), 2 * (q[0] * q[2] - q[3] * q[1]), yaw])
        wanted = np.clip(np.array([4.0, 4.0, 2.0]) * (np.array([roll, pitch, 0.0]) - now), -3.8, 3.8)
        error = wanted - rate
        self.integral = self.integral + np.array([30.0, 30.0, 8.0]) * error * dt
        moment = self.inertia * (np.array([14.0, 14.0, 6.0]) * error + self.integral)
        lift = self.mass * (9.80665 - ask[2])
        thrust = np.clip(self.mix @ np.concatenate([[lift], moment]), 0.1, 30.0)
        w = np.sqrt(thrust / 6.75e-5)
        torque = 0.0155 * thrust
        return np.clip((self.kt * w + self.path * (torque / self.kt + 0.9)) / 24.5, 0.04, 1.0)

    def slope(self, x, command, wind):
        v, q, rate, w, induced = x[3:6], x[6:10], x[10:13], x[15:19], x[19:23]
        a, b, c, d = q / np.linalg.norm(q)
        turn = np.array([
            [1 - 2 * (c * c + d * d), 2 * (b * c - a * d), 2 * (b * d + a * c)],
            [2 * (b * c + a * d), 1 - 2 * (b * b + d * d), 2 * (c * d - a * b)],
            [2 * (b * d - a * c), 2 * (c * d + a * b), 1 - 2 * (b * b + c * c)],
        ])
        air = turn.T @ (v - wind)
        hub = air + np.cross(rate, self.hubs)
        climb, along2 = -hub[:, 2], hub[:, 0] ** 2 + hub[:, 1] ** 2
        k1, k2, p0 = (np.interp(w, self.speeds, k) for k in (self.k1, self.k2, self.profile))
        tip = self.radius * w
        mu2 = along2 / tip**2
        through = climb + induced
        lift = k1 * (1 + 1.5 * mu2) * tip - k2 * through
        plane = 1.5 * k1 * through + 2 * p0 * tip
        torque = lift * (through + 0.15 * induced) + p0 * tip**2 * (1 + 4.65 * mu2) - plane * mu2 * tip
        scale = self.density * self.area
        force = np.column_stack([-scale * plane * hub[:, 0], -scale * plane * hub[:, 1], -scale * lift * tip])
        charge = x[13]
        cell = -1.031 * np.exp(-35 * charge) + 3.685 + charge * (0.2156 + 0.0971 + charge * (-0.1178 + 0.3201 * charge))
        source, resistance = 6 * cell - x[14], 6 * 0.0024 + 0.004
        one = 1 + resistance / self.path * np.sum(command**2)
        two = source + resistance / self.path * self.kt * np.sum(command * w)
        bus = (two + np.sqrt(two**2 - 4 * one * resistance * 9.0)) / (2 * one)
        current = (command * bus - self.kt * w) / self.path
        drawn = np.sum(command * current) + 9.0 / bus
        shaft = self.kt * (current - 0.9)
        total = force.sum(axis=0) - 0.5 * self.density * 0.02 * np.linalg.norm(air) * air
        moment = np.cross(self.hubs, force).sum(axis=0) + np.array([0, 0, np.sum(self.turn * shaft)])
        spins = np.array([0, 0, -self.spin * np.sum(self.turn * w)])
        angular = (moment - np.cross(rate, self.inertia * rate + spins)) / self.inertia
        out = np.empty(23)
        out[:3] = v
        out[3:6] = turn @ total / self.mass + np.array([0, 0, 9.80665])
        p, y, z = rate
        out[6:10] = 0.5 * np.array([-b * p - c * y - d * z, a * p + c * z - d * y, a * y + d * p - b * z, a * z + b * y - c * p])
        out[10:13] = angular
        out[13] = -drawn / 28_800
        out[14] = (drawn * 6 * 0.0015 - x[14]) / 30
        out[15:19] = (shaft - scale * self.radius * torque) / self.spin
        out[19:23] = (lift * tip - 2 * induced * np.sqrt(along2 + through**2)) / self.depth
        return out


def flight_by_numpy():
    """Heun's method at 1 kHz, commands held over a step."""
    f = Flight()
    x = f.start()
    for k in range(20_000):
        command = f.commands(x, 1e-3)
        first = f.slope(x, command, f.gusts[k])
        second = f.slope(x + 1e-3 * first, command, f.gusts[k + 1])
        x = x + 0.5e-3 * (first + second)
    assert np.linalg.norm(x[:3] - np.array([0, 0, -20])) < 5, x[:3]


def flight_by_scipy():
    """The same by solve_ivp from one run of the loops to the next, RK45 at its usual tolerances; the first 2 s."""
    f = Flight()
    x = f.start()
    for k in range(2_000):
        command = f.commands(x, 1e-3)
        wind = f.gusts[k]
        x = integrate.solve_ivp(lambda t, y: f.slope(y, command, wind), (0.0, 1e-3), x).y[:, -1]
    assert np.linalg.norm(x[:3] - np.array([0, 0, -20])) < 5, x[:3]


once("flight_model_20_s_four_table_rotors", flight_by_numpy)
once("flight_model_20_s_exact_steps", flight_by_scipy, 0.1)
