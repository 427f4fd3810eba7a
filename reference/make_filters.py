"""Makes filters.csv and filter_steps.csv: digital filters by SciPy.

Low-pass: scipy.signal.butter (sos) and freqz_sos. Notch of full depth: scipy.signal.iirnotch. With a floor g the
notch is (1 - g) iirnotch + g, from the analogue form (s^2 + g B s + w0^2)/(s^2 + B s + w0^2).
"""

import numpy as np
import scipy
from scipy import signal

CASES = [
    # kind, order, cutoff or centre Hz, width Hz, floor, sample rate Hz
    ("low-pass", 1, 100, 0, 0, 1000),
    ("low-pass", 2, 80, 0, 0, 1000),
    ("low-pass", 2, 90, 0, 0, 8000),
    ("low-pass", 3, 60, 0, 0, 1000),
    ("low-pass", 4, 120, 0, 0, 2000),
    ("low-pass", 4, 480, 0, 0, 1000),
    ("notch", 0, 100, 50, 0, 1000),
    ("notch", 0, 200, 66, 0.05, 4000),
    ("notch", 0, 400, 120, 0.3, 1000),
    ("notch", 0, 95, 30, 0.05, 1000),
]


def response(kind, order, f, width, floor, fs, freqs):
    if kind == "low-pass":
        return signal.freqz_sos(signal.butter(order, f, fs=fs, output="sos"), worN=freqs, fs=fs)[1]
    b, a = signal.iirnotch(f, f / width, fs=fs)
    return (1 - floor) * signal.freqz(b, a, worN=freqs, fs=fs)[1] + floor


def run(kind, order, f, width, floor, fs, x):
    if kind == "low-pass":
        return signal.sosfilt(signal.butter(order, f, fs=fs, output="sos"), x)
    b, a = signal.iirnotch(f, f / width, fs=fs)
    return (1 - floor) * signal.lfilter(b, a, x) + floor * x


head = f"# SciPy {scipy.__version__}, NumPy {np.__version__}; made by make_filters.py\n"
with open("filters.csv", "w") as out:
    out.write(head + "kind,order,frequency_hz,width_hz,floor,sample_rate_hz,at_hz,re,im\n")
    for case in CASES:
        kind, order, f, width, floor, fs = case
        freqs = np.array([0.001, 0.02, 0.05, 0.1, 0.2, 0.35, 0.45]) * fs
        freqs = np.append(freqs, [f, 0.93 * f])
        for at, h in zip(freqs, response(*case, freqs)):
            out.write(f"{kind},{order},{f},{width},{floor},{fs},{at!r},{h.real:.17g},{h.imag:.17g}\n".replace("np.float64(", "").replace(")", ""))

n = np.arange(60)
x = np.where(n == 0, 1.0, 0.0) + np.where(n >= 10, 0.5, 0.0) + np.sin(0.002 * n**2)
with open("filter_steps.csv", "w") as out:
    out.write(head)
    out.write("# input: 1 at n = 0, plus 0.5 from n = 10, plus sin(0.002 n^2)\n")
    out.write("kind,order,frequency_hz,width_hz,floor,sample_rate_hz,n,output\n")
    for case in CASES:
        y = run(*case, x)
        for k in (0, 1, 2, 5, 10, 11, 20, 40, 59):
            out.write(",".join(str(v) for v in case) + f",{k},{y[k]:.17g}\n")
