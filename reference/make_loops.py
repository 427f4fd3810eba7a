"""Makes loop_chains.csv, loop_margins.csv, closed_step.csv and rational_margins.csv.

Margins of chains with delays: python-control's stability_margins of the frequency response (no Pade form), on
6000 points joined by a spline. The disc margin of these is 2 min |(1 + L)/(1 - L)| on 2 million points, because
control.disk_margins takes rational systems only; for those see rational_margins.csv.

Steps: a time simulation of the same linear chain (delays as buffers, waits as moving averages, filters as difference
equations on the delayed signal, lags by first-order hold). At 10 us; the answer at 20 us serves to extrapolate.
`sampled` rows: a second simulation as the hardware runs, with the gyro sampled, the controller a difference equation
at the loop rate, the command held, and the ESC taking it up at its own period; mean of 8 phases of the ESC.
"""

import control
import numpy as np
import scipy
from scipy import signal

KEYS = "imu_delay,sample_period,order,cutoff,centre,width,floor,p,i,d,d_lag,delay,period,protocol,update,dead,tau,zero,pole".split(",")
BASE = dict(imu_delay=0.3e-3, sample_period=1e-3, order=2, cutoff=40, centre=95, width=30, floor=0.05, p=16, i=40, d=0,
            d_lag=2e-3, delay=0.4e-3, period=1e-3, protocol=0.1e-3, update=0.5e-3, dead=1.5e-3, tau=0.035, zero=0, pole=0)
NONE = dict(imu_delay=0, sample_period=1e-3, order=0, cutoff=0, centre=0, width=0, floor=0, i=0, d=0, d_lag=0,
            delay=0, period=0, protocol=0, update=0, dead=0, tau=0, zero=0, pole=0)
CHAINS = {
    "integrator and delay": NONE | dict(p=20, dead=0.02),
    "integrator and longer delay": NONE | dict(p=30, dead=0.025),
    "typical": BASE,
    "typical with derivative": BASE | dict(p=24, d=0.25, i=60),
    "inflow lead": BASE | dict(p=20, zero=0.007, pole=0.005),
    "gyro out of step": BASE | dict(sample_period=0.7e-3, period=2e-3),
    "small and quick": BASE | dict(sample_period=1.25e-4, period=1.25e-4, delay=6e-5, cutoff=90, order=1, centre=220, width=60,
                                   floor=0, p=40, i=120, d=0.1, d_lag=1e-3, update=2.5e-4, dead=0.5e-3, tau=0.018),
    "large and slow": BASE | dict(sample_period=2e-3, period=4e-3, order=4, cutoff=35, centre=60, width=20, p=5, i=6,
                                  tau=0.09, dead=4e-3, update=2.5e-3, protocol=2.5e-3),
    "unstable": BASE | dict(p=150, i=40),
}


def hold(x):
    return np.where(np.abs(x) < 1e-8, 1, -np.expm1(-x) / np.where(x == 0, 1, x))


def loop_gain(c, w):
    s = 1j * w
    fs = 1 / c["sample_period"]
    l = np.exp(-s * (c["imu_delay"] + c["delay"] + c["protocol"] + c["dead"]))
    if c["order"]:
        l = l * signal.freqz_sos(signal.butter(c["order"], c["cutoff"], fs=fs, output="sos"), worN=w / fs)[1]
    if c["centre"]:
        b, a = signal.iirnotch(c["centre"], c["centre"] / c["width"], fs=fs)
        l = l * ((1 - c["floor"]) * signal.freqz(b, a, worN=w / fs)[1] + c["floor"])
    steps = c["period"] / c["sample_period"]
    if abs(steps - round(steps)) > 1e-6:
        l = l * hold(s * c["sample_period"])
    l = l * hold(s * c["period"]) * hold(s * c["update"])
    l = l * (c["p"] + c["i"] / s + c["d"] * s / (1 + c["d_lag"] * s))
    return l / (1 + c["tau"] * s) * (1 + c["zero"] * s) / (1 + c["pole"] * s) / s


def simulate(c, duration, dt):
    """Response to a unit step of rate demand: the linear chain in continuous time."""
    n = int(round(duration / dt)) + 1
    rate = np.zeros(n)

    def lag_steps(t):
        k = t / dt
        assert abs(k - round(k)) < 1e-6, t
        return int(round(k))

    m = lag_steps(c["sample_period"])
    filters = []
    fs = 1 / c["sample_period"]
    if c["order"]:
        b, a = signal.butter(c["order"], c["cutoff"], fs=fs)
        filters.append((b, a))
    if c["centre"]:
        b, a = signal.iirnotch(c["centre"], c["centre"] / c["width"], fs=fs)
        filters.append(((1 - c["floor"]) * b + c["floor"] * a, a))
    taps = [np.zeros(n) for _ in filters]
    waits = [lag_steps(t) for t in (c["period"], c["update"]) if t]
    # The gyro's own delay and wait are in the measurement only: the demand does not pass them.
    sensing = lag_steps(c["imu_delay"])
    steps = c["period"] / c["sample_period"]
    gyro_wait = m if c["period"] and abs(steps - round(steps)) > 1e-6 else 0
    gyro_sum = 0.0
    delayed = np.zeros(n)
    pure = lag_steps(c["delay"] + c["protocol"] + c["dead"])
    control_out = np.zeros(n)
    averaged = [np.zeros(n) for _ in waits]
    sums = [0.0] * len(waits)
    integral, d_state, previous_error, previous_meas = 0.0, 0.0, 0.0, 0.0
    speed = 0.0
    lead_state = 0.0
    e_tau = np.exp(-dt / c["tau"]) if c["tau"] else 0
    e_pole = np.exp(-dt / c["pole"]) if c["pole"] else 0
    e_d = np.exp(-dt / c["d_lag"]) if c["d_lag"] else 0
    drive_prev, torque_prev, lag_prev = 0.0, 0.0, 0.0

    def foh(e, tau, x, u0, u1):
        """First-order lag with an input that is linear over the step, exact."""
        slope = (u1 - u0) / dt
        return e * x + (1 - e) * (u0 - slope * tau) + slope * dt

    for k in range(n):
        # Rate at k is known from the step before, given that at least one delay is in the loop.
        delayed[k] = rate[k - sensing] if k >= sensing else 0.0
        meas = delayed[k]
        for (b, a), tap_list, source in zip(filters, taps, [delayed] + taps):
            y = 0.0
            for j, coeff in enumerate(b):
                if k - j * m >= 0:
                    y += coeff * source[k - j * m]
            for j in range(1, len(a)):
                if k - j * m >= 0:
                    y -= a[j] * tap_list[k - j * m]
            tap_list[k] = y
            meas = y
        if gyro_wait and k:
            x = (taps or [delayed])[-1]
            gyro_sum += 0.5 * (x[k] + x[k - 1])
            if k - gyro_wait >= 1:
                gyro_sum -= 0.5 * (x[k - gyro_wait] + x[k - gyro_wait - 1])
            meas = gyro_sum / gyro_wait
        error = 1.0 - meas
        if k:
            integral += 0.5 * dt * (error + previous_error)
        previous_error = error
        u = c["p"] * error + c["i"] * integral
        if c["d"]:
            # d s/(1 + d_lag s) = d/d_lag (1 - lag)
            d_state = foh(e_d, c["d_lag"], d_state, previous_meas, meas) if k else 0.0
            u -= c["d"] / c["d_lag"] * (meas - d_state)
        previous_meas = meas
        control_out[k] = u
        x = control_out
        for q, width in enumerate(waits):
            # Moving average over the wait, by the trapezium rule.
            if k:
                sums[q] += 0.5 * (x[k] + x[k - 1])
                if k - width >= 1:
                    sums[q] -= 0.5 * (x[k - width] + x[k - width - 1])
            # The input jumps at k = 0 from rest: counted from k = 0 on.
            averaged[q][k] = sums[q] / width
            x = averaged[q]
        # Delay; the command is zero before it arrives.
        drive = x[k - pure] if k >= pure else 0.0
        at_arrival = k == pure and not waits
        before = drive if at_arrival else drive_prev
        if c["tau"]:
            new = foh(e_tau, c["tau"], speed, before, drive) if k else 0.0
            lag_out, speed = new, new
        else:
            lag_out = drive
        if c["pole"]:
            lead_state = foh(e_pole, c["pole"], lead_state, lag_prev, lag_out) if k else 0.0
            torque = lag_out * c["zero"] / c["pole"] + (1 - c["zero"] / c["pole"]) * lead_state
        else:
            torque = lag_out
        drive_prev, lag_prev = drive, lag_out
        # Predict one step on: Adams-Bashforth of second order keeps it explicit, with the jump of a pure delay respected.
        if k + 1 < n:
            last = torque if at_arrival else torque_prev
            rate[k + 1] = rate[k] + dt * (1.5 * torque - 0.5 * last)
        torque_prev = torque
    return rate


def sampled(c, duration, dt, phase):
    """As the hardware runs. `phase`, 0 to 1, is that of the ESC."""
    n = int(round(duration / dt)) + 1
    r = lambda t: int(round(t / dt))
    m, period, update = r(c["sample_period"]), r(c["period"]), r(c["update"])
    fs = 1 / c["sample_period"]
    sos = signal.butter(c["order"], c["cutoff"], fs=fs, output="sos")
    b, a = signal.iirnotch(c["centre"], c["centre"] / c["width"], fs=fs)
    zi1, zi2 = np.zeros((sos.shape[0], 2)), np.zeros(2)
    b = (1 - c["floor"]) * b + c["floor"] * a
    rate = np.zeros(n)
    pending, sent, applied, arrivals = [], 0.0, 0.0, []
    speed, integral, filtered, d_state, last_meas = 0.0, 0.0, 0.0, 0.0, 0.0
    ts = c["period"]
    e = np.exp(-dt / c["tau"])
    offset = int(phase * update)
    for k in range(n):
        if k % m == 0:
            j = k - r(c["imu_delay"])
            x = rate[j] if j >= 0 else 0.0
            x, zi1 = signal.sosfilt(sos, [x], zi=zi1)
            x, zi2 = signal.lfilter(b, a, x, zi=zi2)
            filtered = x[0]
        if k % period == 0:
            error = 1.0 - filtered
            integral += c["i"] * error * ts
            u = c["p"] * error + integral
            if c["d"]:
                g = 1 - np.exp(-ts / c["d_lag"])
                # Backward difference, then a first-order lag: unit gain on a ramp.
                d_state += g * ((filtered - last_meas) / ts - d_state)
                u -= c["d"] * d_state
            last_meas = filtered
            pending.append((k + r(c["delay"] + c["protocol"]), u))
        while pending and pending[0][0] <= k:
            sent = pending.pop(0)[1]
        if (k - offset) % update == 0:
            arrivals.append((k + r(c["dead"]), sent))
        while arrivals and arrivals[0][0] <= k:
            applied = arrivals.pop(0)[1]
        if k + 1 < n:
            # Exact for a command that is constant over the step.
            rate[k + 1] = rate[k] + applied * dt + (speed - applied) * c["tau"] * (1 - e)
        speed = applied + (speed - applied) * e
    return rate


head = f"# python-control {control.__version__}, SciPy {scipy.__version__}, NumPy {np.__version__}; made by make_loops.py\n"
with open("loop_chains.csv", "w") as out:
    out.write(head + "case," + ",".join(KEYS) + "\n")
    for name, c in CHAINS.items():
        out.write(name + "," + ",".join(repr(c[k]) for k in KEYS) + "\n")

# Spline through these points for the crossings; a dense grid for the two minima.
w = np.logspace(-1, 3.2, 6_000)
dense = np.logspace(-1, 3.2, 2_000_000)
with open("loop_margins.csv", "w") as out:
    out.write(head + "case,crossover,phase_margin_deg,gain_margin_up,neutral,delay_margin,peak_sensitivity,disc_margin,at,re,im\n")
    for name, c in CHAINS.items():
        if name == "unstable":
            continue
        l = loop_gain(c, w)
        frd = control.frd(l, w, smooth=True)
        gm, pm, _, wpc, wgc, _ = control.stability_margins(frd)
        l = loop_gain(c, dense)
        sm = np.min(np.abs(1 + l))
        disc = 2 * np.min(np.abs((1 + l) / (1 - l)))
        dm = np.radians(pm) / wgc
        at = 30.0
        v = loop_gain(c, np.array([at]))[0]
        out.write(f"{name},{wgc:.12g},{pm:.12g},{gm:.12g},{wpc:.12g},{dm:.12g},{1 / sm:.12g},{disc:.12g},{at},{v.real:.17g},{v.imag:.17g}\n")

with open("rational_margins.csv", "w") as out:
    out.write(head + "# L = k / (s (s tau1 + 1) (s tau2 + 1)); control.margin and control.disk_margins (skew 0)\n")
    out.write("k,tau1,tau2,crossover,phase_margin_deg,gain_margin_up,neutral,disc_margin,disc_gain_db,disc_phase_deg\n")
    for k, t1, t2 in ((20, 0.05, 0), (20, 0.05, 0.01), (5, 0.5, 0.1), (12, 0.03, 0.02), (60, 0.03, 0.004)):
        sys = control.tf([k], [t1, 1]) * control.tf([1], [t2, 1]) * control.tf([1], [1, 0])
        gm, pm, wpc, wgc = control.margin(sys)
        dm, dgm, dpm = control.disk_margins(sys, np.logspace(-1, 4, 400_000), skew=0.0)
        out.write(f"{k},{t1},{t2},{wgc:.12g},{pm:.12g},{gm:.12g},{wpc:.12g},{dm:.12g},{dgm:.12g},{dpm:.12g}\n")

TIMES = [0.02, 0.04, 0.06, 0.08, 0.1, 0.125, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5]
with open("closed_step.csv", "w") as out:
    out.write(head + "kind,case,time,rate\n")
    for name in ("integrator and delay", "typical", "typical with derivative", "inflow lead", "gyro out of step", "large and slow"):
        c = CHAINS[name]
        fine, coarse = simulate(c, 0.5, 1e-5), simulate(c, 0.5, 2e-5)
        for t in TIMES:
            a, b = fine[int(round(t / 1e-5))], coarse[int(round(t / 2e-5))]
            out.write(f"continuous,{name},{t},{a + (a - b) / 3:.9g}\n")
        assert max(abs(fine[::2] - coarse)) < 1e-6, name
    # Only rational parts: p/(s (tau s + 1)) with unit feedback, by control.step_response.
    s = control.tf("s")
    for p, i, tau in ((16, 0, 0.035), (12, 30, 0.03)):
        c = (p + i / s) / (s * (1 + tau * s))
        t, y = control.step_response(control.minreal(control.feedback(c, 1), verbose=False), T=np.linspace(0, 0.5, 501))
        for at in TIMES:
            out.write(f"rational,{p} {i} {tau},{at},{y[int(round(at * 1000))]:.12g}\n")
    for name in ("typical", "typical with derivative", "large and slow"):
        runs = [sampled(CHAINS[name], 1.0, 2.5e-5, q / 8) for q in range(8)]
        mean = np.mean(runs, axis=0)
        for t in TIMES:
            out.write(f"sampled,{name},{t},{mean[int(round(t / 2.5e-5))]:.9g}\n")
        out.write(f"sampled-peak,{name},{np.argmax(mean) * 2.5e-5:.6g},{mean.max():.9g}\n")
