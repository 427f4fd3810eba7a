"""Makes outer_loops.csv: the chains of loop_chains.csv with attitude, velocity and position loops closed around them.

Margins: python-control's stability_margins of the frequency response on 6000 points joined by a spline. Rejection: the
rise of |1/(1 + L)| through -3 dB and its largest value on 400000 points.
"""

import csv

import control
import numpy as np
from scipy import signal

with open("loop_chains.csv") as table:
    rows = csv.DictReader(line for line in table if not line.startswith("#"))
    CHAINS = {row["case"]: {k: float(v) for k, v in row.items() if k != "case"} for row in rows}

# Attitude, velocity and position gain, integral of the velocity loop, delay of velocity and position.
CASES = [
    ("typical", 4.0, 1.0, 0.25, 0.0, 0.0),
    ("typical", 4.0, 1.0, 0.25, 0.15, 0.1),
    ("typical with derivative", 6.0, 1.5, 0.4, 0.0, 0.0),
    ("inflow lead", 5.0, 1.0, 0.3, 0.2, 0.05),
    ("small and quick", 9.0, 2.0, 0.5, 0.0, 0.0),
    ("large and slow", 1.2, 0.3, 0.08, 0.02, 0.2),
]


def hold(x):
    return np.where(np.abs(x) < 1e-8, 1, -np.expm1(-x) / np.where(x == 0, 1, x))


def loop_gain(c, w):
    """As in make_loops.py."""
    s = 1j * w
    fs = 1 / c["sample_period"]
    l = np.exp(-s * (c["imu_delay"] + c["delay"] + c["protocol"] + c["dead"]))
    if c["order"]:
        l = l * signal.freqz_sos(signal.butter(int(c["order"]), c["cutoff"], fs=fs, output="sos"), worN=w / fs)[1]
    if c["centre"]:
        b, a = signal.iirnotch(c["centre"], c["centre"] / c["width"], fs=fs)
        l = l * ((1 - c["floor"]) * signal.freqz(b, a, worN=w / fs)[1] + c["floor"])
    steps = c["period"] / c["sample_period"]
    if abs(steps - round(steps)) > 1e-6:
        l = l * hold(s * c["sample_period"])
    l = l * hold(s * c["period"]) * hold(s * c["update"])
    l = l * (c["p"] + c["i"] / s + c["d"] * s / (1 + c["d_lag"] * s))
    return l / (1 + c["tau"] * s) * (1 + c["zero"] * s) / (1 + c["pole"] * s) / s


def parts(c, w):
    """Loop gain, and the same with p + i/s in the controller's place and without the sensing path."""
    s = 1j * w
    whole = loop_gain(c, w)
    controller = c["p"] + c["i"] / s + c["d"] * s / (1 + c["d_lag"] * s)
    # The sensing path of a chain: all that is left when gyro delay, filters and its wait are alone.
    bare = c | dict(imu_delay=0, order=0, centre=0, sample_period=c["period"])
    forward = loop_gain(bare, w) / controller
    return whole, forward, c["p"] + c["i"] / s


def margins(l, w):
    """Least gain margin upwards and least phase margin of all crossings."""
    gm, pm, _, _, _, _ = control.stability_margins(control.frd(l, w, smooth=True), returnall=True)
    return min(g for g in gm if g > 1), min(pm, key=abs)


with open("outer_loops.csv", "w") as out:
    print(f"# python-control {control.__version__}, NumPy {np.__version__}; made by make_outer.py", file=out)
    print("case,attitude,velocity,position,integral,late,motor_gain_up_db,motor_phase_deg,attitude_phase_deg,velocity_phase_deg,"
          "position_phase_deg,rejection_bandwidth,rejection_peak", file=out)
    for name, ka, kv, kp, ki, td in CASES:
        c = CHAINS[name]

        def loops(w):
            s = 1j * w
            whole, forward, demand = parts(c, w)
            closed = forward * demand / (1 + whole)
            late = np.exp(-s * td)
            pi = (kv + ki / s) / s
            attitude = ka * closed / s
            there = pi * attitude / (1 + attitude)
            velocity = there * late
            position = kp / s * late * there / (1 + velocity)
            motor = whole + forward * demand * (ka / s) * (1 + pi * late * (1 + kp / s))
            return motor, attitude, velocity, position

        w = np.geomspace(0.02, min(3000, 0.9 * np.pi / c["sample_period"]), 6000)
        figures = [margins(l, w) for l in loops(w)]
        fine = np.geomspace(0.01, 500, 400000)
        size = 1 / np.abs(1 + loops(fine)[1])
        rise = np.argmax(size > 10 ** (-3 / 20))
        up = figures[0][0]
        print(",".join([name] + [f"{v:.10g}" for v in (ka, kv, kp, ki, td, 20 * np.log10(up), figures[0][1], figures[1][1],
                                                      figures[2][1], figures[3][1], fine[rise], size.max())]), file=out)
