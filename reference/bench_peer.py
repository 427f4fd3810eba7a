"""Times of numpy and scipy on the inputs of our benches, under the same names.

Prints `VERSIONS|text` once and `PEER|name|median seconds` for each; `cargo xtask bench` reads it.
"""

import platform
import statistics
import time

import numpy as np
import scipy
from make_blade_element import solve
from scipy import optimize, signal


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


def once(name, call):
    """Long runs are timed once."""
    start = time.perf_counter()
    call()
    print(f"PEER|{name}|{time.perf_counter() - start:.9e}")


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
