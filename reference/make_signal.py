"""Makes reference/signal_spectra.csv, signal_smoothing.csv and signal_least_squares.csv.

Inputs are made from a published linear congruential generator, so that a test can make the same
samples: x <- (1664525 x + 1013904223) mod 2^32, u = x / 2^32 (Press et al., Numerical Recipes,
"quick and dirty" generator; constants by Knuth and Lewis).

Run from this folder: python make_signal.py
"""
import numpy, scipy
from scipy import signal


def uniform(seed, n):
    x, out = seed, []
    for _ in range(n):
        x = (1664525 * x + 1013904223) % 2**32
        out.append(x / 2**32 - 0.5)
    return out


def pair(n):
    """x uniform noise about 0.3, y a first-order lag of x two samples late, with noise of its own."""
    x = uniform(1, n)
    v = uniform(7, n)
    y, state = [], 0.0
    for k in range(n):
        state = 0.5 * state + (x[k - 2] if k >= 2 else 0.0)
        y.append(state + 0.25 * v[k])
    return numpy.array([a + 0.3 for a in x]), numpy.array(y)


head = f"# made by make_signal.py with scipy {scipy.__version__}, numpy {numpy.__version__}; input: see the script\n"
cases = [
    ("hann-constant", 4096, 500.0, "hann", 256, 128, "constant"),
    ("hann-none", 4133, 500.0, "hann", 256, 128, False),
    ("hann-odd", 4096, 1000.0, "hann", 255, 127, "constant"),
    ("hann-three-quarters", 4096, 1000.0, "hann", 300, 225, "constant"),
    ("flattop-constant", 3000, 8000.0, "flattop", 500, 250, "constant"),
]
with open("signal_spectra.csv", "w") as f:
    f.write(head)
    f.write("case,n,rate,window,length,overlap,detrend,bin,frequency,pxx,pyy,pxy_re,pxy_im,coherence\n")
    for name, n, fs, window, length, overlap, detrend in cases:
        x, y = pair(n)
        kw = dict(fs=fs, window=window, nperseg=length, noverlap=overlap, detrend=detrend)
        fr, pxx = signal.welch(x, **kw)
        _, pyy = signal.welch(y, **kw)
        _, pxy = signal.csd(x, y, **kw)
        _, coh = signal.coherence(x, y, **kw)
        bins = sorted({0, 1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 110, len(fr) - 2, len(fr) - 1})
        for k in bins:
            if k == 0 and detrend == "constant":
                continue  # rounding errors only
            f.write(f"{name},{n},{fs!r},{window},{length},{overlap},{detrend or 'none'},{k},{float(fr[k])!r},"
                    f"{float(pxx[k])!r},{float(pyy[k])!r},{float(pxy[k].real)!r},{float(pxy[k].imag)!r},{float(coh[k])!r}\n")

with open("signal_smoothing.csv", "w") as f:
    f.write(head)
    f.write("case,half,degree,derivative,period,index,value\n")
    x, _ = pair(200)
    for half, degree, derivative, period in [(5, 2, 1, 0.01), (4, 3, 1, 0.002), (7, 4, 2, 0.01), (6, 2, 0, 1.0)]:
        y = signal.savgol_filter(x, 2 * half + 1, degree, deriv=derivative, delta=period, mode="interp")
        for k in (0, 1, half, 50, 117, 200 - half, 198, 199):
            f.write(f"sg,{half},{degree},{derivative},{period!r},{k},{float(y[k])!r}\n")

with open("signal_least_squares.csv", "w") as f:
    f.write(head.rstrip("\n") + "; weighted least squares by numpy.linalg.lstsq\n")
    f.write("# rows: y_k = 2 - 3 t + 0.5 t^2 + u_k, t = k/40 - 1, weight 1 + k/40, k = 0..79, u from seed 3\n")
    f.write("quantity,value\n")
    u = numpy.array(uniform(3, 80))
    t = numpy.arange(80) / 40 - 1
    w = 1 + numpy.arange(80) / 40
    X = numpy.vander(t, 3, increasing=True)
    y = X @ [2.0, -3.0, 0.5] + u
    r = numpy.sqrt(w)
    b, _, _, _ = numpy.linalg.lstsq(X * r[:, None], y * r, rcond=None)
    e = y - X @ b
    s2 = float((w * e * e).sum() / 77)
    C = numpy.linalg.inv(X.T @ (X * w[:, None])) * s2
    for j in range(3):
        f.write(f"b{j},{float(b[j])!r}\n")
    for i in range(3):
        for j in range(i, 3):
            f.write(f"c{i}{j},{float(C[i, j])!r}\n")
    f.write(f"s2,{s2!r}\n")
