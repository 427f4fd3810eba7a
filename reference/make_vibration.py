"""Makes vibration.csv: spectrogram, group delay and notch coefficients by SciPy.

Spectrogram: scipy.signal.spectrogram (Hann, constant detrend, density) of sin(0.3 k) + 0.5 sin(1.7 k + 1e-5 k^2).
Group delay: scipy.signal.group_delay of each second-order section of scipy.signal.butter, added up, in samples.
Notch: scipy.signal.iirnotch, b0 b1 b2 a1 a2 (the width is pre-warped, as in ours), beside the audio-cookbook form
(R. Bristow-Johnson), whose width is not.
"""

import numpy as np
import scipy
from scipy import signal

print_rows = [f"# SciPy {scipy.__version__}, NumPy {np.__version__}; made by make_vibration.py", "what,a,b,c,d,value"]
k = np.arange(6000)
x = np.sin(0.3 * k) + 0.5 * np.sin(1.7 * k + 1e-5 * k**2)
for length, overlap in ((256, 128), (500, 375), (1000, 0)):
    f, t, s = signal.spectrogram(x, 1000.0, "hann", length, overlap, detrend="constant")
    for block in (0, 1, len(t) // 2, len(t) - 1):
        for b in (1, 7, length // 7, length // 3, length // 2):
            print_rows.append(f"spectrogram,{length},{overlap},{block},{b},{s[b, block]:.17g}")
        print_rows.append(f"spectrogram-time,{length},{overlap},{block},0,{t[block]:.17g}")
for order, cut, fs in ((1, 100, 1000), (2, 80, 1000), (3, 60, 1000), (4, 120, 2000), (4, 90, 8000)):
    for f in (1.0, 20.0, 50.0, 100.0, 200.0):
        total = 0.0
        for section in signal.butter(order, cut, fs=fs, output="sos"):
            b, a = np.trim_zeros(section[:3], "b"), np.trim_zeros(section[3:], "b")
            total += signal.group_delay((b, a), w=[f], fs=fs)[1][0]
        print_rows.append(f"group-delay,{order},{cut},{fs},{f},{total:.17g}")
for centre, width, fs in ((100, 50, 1000), (200, 66, 4000), (95, 30, 8000)):
    b, a = signal.iirnotch(centre, centre / width, fs=fs)
    for name, v in zip(("b0", "b1", "b2", "a1", "a2"), (*b, *a[1:])):
        print_rows.append(f"iirnotch,{centre},{width},{fs},{name},{v:.17g}")
    w0 = 2 * np.pi * centre / fs
    alpha = np.sin(w0) / (2 * centre / width)
    for name, v in zip(
        ("b0", "b1", "b2", "a1", "a2"),
        np.array([1, -2 * np.cos(w0), 1, -2 * np.cos(w0), 1 - alpha]) / (1 + alpha),
    ):
        print_rows.append(f"cookbook-notch,{centre},{width},{fs},{name},{v:.17g}")
with open("vibration.csv", "w") as out:
    out.write("\n".join(print_rows) + "\n")
