"""Operating points, full thrust and endurance solved apart from the Rust code.

Every unknown of an operating point (speed, current and command of each rotor, bus voltage, battery
current) stays in one system of equations for scipy.optimize.root; nothing is eliminated. The
discharge goes through scipy.integrate.solve_ivp (DOP853) with events.

Run: python make_powertrain.py > powertrain.csv
"""

import sys

import numpy as np
import scipy
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, root

G = 9.80665
TWO_PI = 2 * np.pi


def lipo(s):
    """Chen & Rincon-Mora 2006, V."""
    return -1.031 * np.exp(-35 * s) + 3.685 + 0.2156 * s - 0.1178 * s**2 + 0.3201 * s**3


def nmc(s):
    """Chen et al. 2020, LG M50, V: positive less negative half cell."""
    y = (1 - s) * 0.9084 + s * 0.2661
    x = (1 - s) * 0.0279 + s * 0.9014
    up = (
        4.4875
        - 0.8090 * y
        - 0.0428 * np.tanh(18.5138 * (y - 0.5542))
        - 17.7326 * np.tanh(15.7890 * (y - 0.3117))
        + 17.5842 * np.tanh(15.9308 * (y - 0.3120))
    )
    un = (
        0.2482
        + 1.9793 * np.exp(-39.3631 * x)
        - 0.0909 * np.tanh(29.8538 * (x - 0.1234))
        - 0.04478 * np.tanh(14.9159 * (x - 0.2769))
        - 0.0205 * np.tanh(30.4444 * (x - 0.6103))
    )
    return up - un


CURVES = {"lipo": (lipo, 4.20), "li-ion-nmc": (nmc, 4.20)}
# Mean of three published 4.35 V cells, percent and mV: see high_voltage_cells.csv.
HIGH_VOLTAGE = np.array([
    (0, 3300.0), (1, 3426.7), (2, 3510.7), (3, 3571.7), (4, 3608.7), (5, 3635.3),
    (7, 3662.0), (10, 3681.0), (12.5, 3689.7), (15, 3706.3), (17.5, 3727.1), (20, 3741.0),
    (25, 3759.3), (30, 3773.0), (35, 3781.7), (40, 3793.0), (45, 3809.7), (50, 3831.3),
    (52.5, 3846.4), (55, 3867.7), (57.5, 3897.1), (60, 3918.0), (65, 3954.6), (70, 3992.6),
    (75, 4039.1), (80, 4089.2), (85, 4141.4), (90, 4196.9), (95, 4256.3), (98, 4291.6),
    (100, 4326.0),
])


def cell_ocv(chemistry, s):
    if chemistry == "lipo-hv":
        return np.interp(100 * s, HIGH_VOLTAGE[:, 0], HIGH_VOLTAGE[:, 1]) / 1e3
    curve, full = CURVES[chemistry]
    return curve(s) + s * (full - curve(1.0))


BASE = dict(
    rotors=4, lower="", diameter=0.381, ct=0.105, cp=0.040, table="", kv=400 * np.pi / 30,
    resistance=0.062, no_load=0.9, winding=333.15, esc=0.003, chemistry="lipo", series=6, parallel=1,
    capacity=8 * 3600.0, cell=0.0024, lead=0.004, polarisation=0.0015, time=30.0, cutoff=3.3,
    reserve=0.2, avionics=9.0, mass=4.2, motor_limit="", esc_limit="", battery_limit="",
    growth=0.0, switching=0.0, edges=0.0, download=0.0,
)


class Craft:
    def __init__(self, **changes):
        self.inputs = {**BASE, **changes}
        for key, value in self.inputs.items():
            setattr(self, key, value)
        self.low = [int(x) for x in str(self.lower).split()]
        # Annealed copper, IEC 60028: 0.00393 per kelvin of the resistance at 20 degC.
        at20 = self.resistance / (1 + 0.00393 * 5)
        self.rw = at20 * (1 + 0.00393 * (self.winding - 293.15))
        group = self.series / self.parallel
        self.r_cells = group * self.cell
        self.r_pol = group * self.polarisation
        # No-load test at 10 V.
        self.tested = self.kv * (10.0 - self.no_load * self.resistance)
        self.rows = [tuple(map(float, r.split())) for r in self.table.split(";")] if self.table else None

    def coefficients(self, w):
        if self.rows is None:
            return self.ct, self.cp
        speeds, ct, cp = np.array(self.rows).T
        return np.interp(w, speeds, ct), np.interp(w, speeds, cp)

    def held(self, w, k):
        """Thrust of a rotor over that of the same one apart at one speed: blade elements C_T = K1 - K2 lambda
        (helicopter coefficients), K2 over an advance ratio of 0.15 by the law for pitch/diameter 0.5, and
        a lower rotor through which 1.72 times its own induced speed flows (Harrington 1951)."""
        if k not in self.low:
            return 1.0
        ct = self.coefficients(w)[0] * 4 / np.pi**3
        x = 0.15 / (1.25 * 0.5)
        moving, climb = ct * (1 - x / 2 - x * x / 2), 0.15 / np.pi
        hover = np.sqrt(ct / 2)
        k2 = (ct - moving) / (climb / 2 + np.sqrt(climb**2 / 4 + moving / 2) - hover)
        k1 = ct + k2 * hover
        low = brentq(lambda c: k1 - k2 * 1.72 * np.sqrt(c / 2) - c, 0.0, ct, xtol=1e-18, rtol=1e-15)
        return low / ct

    def thrust(self, w, rho, k=None):
        n = w / TWO_PI
        return self.held(w, k) * (1 - self.download) * self.coefficients(w)[0] * rho * n**2 * self.diameter**4

    def idle(self, w):
        """No-load current: a steady part and one in proportion to speed, A."""
        return self.no_load * (1 - self.growth + self.growth * w / self.tested)

    def chopped(self, u, i):
        """Current drawn by overlapping edges below full command: each edge costs V I t/2, A."""
        return sum(0.5 * self.edges * self.switching * abs(x) for c, x in zip(u, i) if c < 1 - 1e-9)

    def torque(self, w, rho, k):
        ct, cp = self.coefficients(w)
        n = w / TWO_PI
        power = cp * rho * n**3 * self.diameter**5
        if k in self.low:
            # Harrington 1951: kappa_int 1.36 for the pair, all on the lower rotor, on the induced
            # power 1.15 x ideal; ideal power T^1.5 / sqrt(2 rho A). What it takes apart at its thrust
            # goes with the power 1.5 of the thrust.
            held = self.held(w, k)
            t = held * ct * rho * n**2 * self.diameter**4
            ideal = t**1.5 / np.sqrt(2 * rho * np.pi * self.diameter**2 / 4)
            power = power * held**1.5 + 0.72 * 1.15 * ideal
        return power / w

    def ocv(self, s):
        return self.series * cell_ocv(self.chemistry, s)

    def cell_voltage(self, v, i):
        return (v + self.lead * i) / self.series

    def equations(self, x, rho, e, r, given):
        n = self.rotors
        w, i, u = x[:n], x[n : 2 * n], x[2 * n : 3 * n]
        v, total = x[3 * n], x[3 * n + 1]
        out = []
        for k in range(n):
            out.append(given(k, w[k], u[k]))
            out.append((i[k] - self.idle(w[k])) - self.kv * self.torque(w[k], rho, k))
            out.append(u[k] * v - i[k] * (self.esc + self.rw) - w[k] / self.kv)
        out.append(e - total * r - v)
        out.append(float(np.dot(u, i)) + self.chopped(u, i) + self.avionics / v - total)
        return out

    def solve(self, rho, e, r, given, guess):
        x = guess
        for _ in range(4):
            answer = root(self.equations, x, args=(rho, e, r, given), method="hybr", options=dict(xtol=1e-15))
            x = answer.x
        worst = np.max(np.abs(self.equations(x, rho, e, r, given)))
        assert worst < 1e-10, worst
        return x

    def hover(self, thrusts, s, rho):
        n, e = self.rotors, self.ocv(s)
        r = self.r_cells + self.lead + self.r_pol
        w0 = np.array([np.sqrt(t / (rho * self.ct * self.diameter**4)) * TWO_PI for t in thrusts])
        i0 = np.array([self.no_load + self.kv * self.torque(w0[k], rho, k) for k in range(n)])
        guess = np.concatenate([w0, i0, (w0 / self.kv + i0 * self.rw) / e, [0.95 * e, i0.sum() * 0.6]])
        scale = max(thrusts)
        return self.solve(rho, e, r, lambda k, w, u: 10 * (self.thrust(w, rho, k) - thrusts[k]) / scale, guess)

    def at_command(self, u, rho, e, r):
        n = self.rotors
        w0 = np.full(n, 0.7 * u * e * self.kv)
        i0 = np.array([self.no_load + self.kv * self.torque(w0[k], rho, k) for k in range(n)])
        guess = np.concatenate([w0, i0, np.full(n, u), [0.9 * e, u * i0.sum()]])
        return self.solve(rho, e, r, lambda k, w, uk: uk - u, guess)

    def excesses(self, x):
        n = self.rotors
        i, v, total = x[n : 2 * n], x[3 * n], x[3 * n + 1]
        out = {"cell-voltage": 1 - self.cell_voltage(v, total) / self.cutoff}
        for name, value, limit in (
            ("motor-current", max(i), self.motor_limit),
            ("esc-current", max(i), self.esc_limit),
            ("battery-current", total, self.battery_limit),
        ):
            if limit != "":
                out[name] = value / limit - 1
        return out

    def full(self, rho, e, r, cells=True):
        x = self.at_command(1.0, rho, e, r)
        over = {k: v for k, v in self.excesses(x).items() if v > 0 and (cells or k != "cell-voltage")}
        if not over:
            return 1.0, x, "full-command"
        found = []
        for name in over:
            u = brentq(lambda c: self.excesses(self.at_command(c, rho, e, r))[name], 0.05, 1.0, xtol=1e-15, rtol=1e-15)
            found.append((u, name))
        u, name = min(found)
        return u, self.at_command(u, rho, e, r), name

    def full_after_hover(self, s, rho):
        n = self.rotors
        h = self.hover([self.mass * G / n] * n, s, rho)
        e = self.ocv(s)
        return self.full(rho, e - self.r_pol * h[3 * n + 1], self.r_cells + self.lead)

    def lift(self, x, rho):
        return sum(self.thrust(w, rho, k) for k, w in enumerate(x[: self.rotors]))

    def power(self, thrusts, rho):
        """Bus power at given thrusts, W, and the current of the edges besides, A."""
        total, edges = self.avionics, 0.0
        for k, t in enumerate(thrusts):
            w = brentq(lambda y: self.thrust(y, rho, k) - t, 1.0, 5000.0, xtol=1e-13, rtol=1e-15)
            i = self.idle(w) + self.kv * self.torque(w, rho, k)
            total += i * (w / self.kv + i * (self.rw + self.esc))
            edges += self.chopped([0.5], [i])
        return total, edges

    def endurance(self, thrusts, s0, rho):
        p, edges = self.power(thrusts, rho)
        r = self.r_cells + self.lead

        def bus(y):
            e = self.ocv(y[0]) - y[1]
            top = (e + edges * r) / (2 * r)
            i = brentq(lambda c: (e - c * r) * (c - edges) - p, 0.0, top, xtol=1e-14, rtol=1e-15)
            return e - i * r, i

        def rates(_t, y):
            v, i = bus(y)
            return [-i / self.capacity, (self.r_pol * i - y[1]) / self.time, v * i]

        def reserve(_t, y):
            return y[0] - self.reserve

        def cell(_t, y):
            v, i = bus(y)
            return self.cell_voltage(v, i) - self.cutoff

        def margin(_t, y):
            _, x, _ = self.full(rho, self.ocv(y[0]) - y[1], r, cells=False)
            return self.lift(x, rho) / (1.3 * self.mass * G) - 1

        events = [reserve, cell, margin]
        for event in events:
            event.terminal = True
        run = solve_ivp(rates, (0, 1e5), [s0, 0.0, 0.0], "DOP853", events=events, rtol=1e-11, atol=1e-13)
        hit = [k for k, t in enumerate(run.t_events) if len(t)]
        y = run.y_events[hit[0]][0]
        return run.t_events[hit[0]][0], ["reserve", "cell-voltage", "control-margin"][hit[0]], s0 - y[0], y[2]


def emit(case, side, name, value, index=0):
    text = value if isinstance(value, str) else repr(float(value))
    print(f"{case},{side},{name},{index},{text}")


def head(case, kind, craft, **state):
    emit(case, "in", "kind", kind)
    for key, value in craft.inputs.items():
        emit(case, "in", key, value)
    for key, value in state.items():
        emit(case, "in", key, value)


def write_point(case, craft, x, rho):
    n = craft.rotors
    for k in range(n):
        emit(case, "out", "speed", x[k], k)
        emit(case, "out", "motor_current", x[n + k], k)
        emit(case, "out", "command", x[2 * n + k], k)
        emit(case, "out", "torque", craft.torque(x[k], rho, k), k)
    emit(case, "out", "bus_voltage", x[3 * n])
    emit(case, "out", "battery_current", x[3 * n + 1])


def hover(case, craft, thrusts, charge, density):
    head(case, "hover", craft, charge=charge, density=density)
    for k, t in enumerate(thrusts):
        emit(case, "in", "thrust", t, k)
    write_point(case, craft, craft.hover(thrusts, charge, density), density)


def full(case, craft, charge, density):
    head(case, "full", craft, charge=charge, density=density)
    _, x, binding = craft.full_after_hover(charge, density)
    emit(case, "out", "binding", binding)
    emit(case, "out", "total", craft.lift(x, density))
    write_point(case, craft, x, density)


def lasts(case, craft, thrusts, charge, density):
    head(case, "endurance", craft, charge=charge, density=density)
    for k, t in enumerate(thrusts):
        emit(case, "in", "thrust", t, k)
    time, end, used, energy = craft.endurance(thrusts, charge, density)
    emit(case, "out", "end", end)
    emit(case, "out", "time", time)
    emit(case, "out", "charge_used", used)
    emit(case, "out", "energy", energy)


TABLE = "150 0.098 0.0425; 300 0.101 0.041; 450 0.106 0.0402; 600 0.1085 0.0405; 750 0.107 0.0415"


def main():
    print(f"# made by make_powertrain.py; python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}")
    print("# SI units; the aircraft of every case is under side `in`, the answer under `out`")
    print("case,side,name,index,value")
    weight = lambda c: [c.mass * G / c.rotors] * c.rotors
    c = Craft()
    hover("hover-full-charge", c, weight(c), 1.0, 1.225)
    hover("hover-half-charge", c, weight(c), 0.5, 1.15)
    hover("hover-reserve", c, weight(c), 0.2, 1.05)
    hover("unequal-thrusts", c, [8.0, 13.5, 10.2, 9.1], 0.7, 1.225)
    c = Craft(chemistry="lipo-hv", parallel=2, mass=5.0, winding=353.15)
    hover("high-voltage-low-charge", c, weight(c), 0.06, 1.0)
    c = Craft(rotors=8, chemistry="li-ion-nmc", parallel=4, cell=0.025, capacity=16 * 3600.0, mass=8.5, polarisation=0.012, cutoff=2.8)
    hover("octo-nmc", c, weight(c), 0.3, 1.16)
    c = Craft(rotors=8, lower="4 5 6 7", mass=7.0, diameter=0.356)
    hover("coaxial", c, weight(c), 0.8, 1.2)
    full("coaxial-full", c, 0.8, 1.2)
    c = Craft(table=TABLE)
    hover("table", c, [9.0, 10.0, 11.0, 12.0], 0.6, 1.18)
    full("table-full", c, 0.6, 1.18)
    losses = dict(growth=0.6, switching=24000.0, edges=4e-7, download=0.03)
    c = Craft(**losses)
    hover("losses-hover", c, weight(c), 0.6, 1.18)
    c = Craft(rotors=8, lower="4 5 6 7", mass=7.0, diameter=0.356, motor_limit=20.0, **losses)
    full("losses-full-motor-limit", c, 0.8, 1.2)
    full("losses-full", Craft(**losses), 0.9, 1.2)
    c = Craft(**losses)
    lasts("endurance-losses", c, weight(c), 1.0, 1.2)
    full("full-thrust-full-charge", Craft(), 1.0, 1.225)
    full("full-thrust-reserve", Craft(cutoff=3.0), 0.2, 1.1)
    full("full-thrust-motor-limit", Craft(motor_limit=24.0, esc_limit=30.0), 1.0, 1.225)
    full("full-thrust-esc-limit", Craft(motor_limit=35.0, esc_limit=28.0), 1.0, 1.225)
    full("full-thrust-battery-limit", Craft(battery_limit=90.0, motor_limit=35.0), 0.9, 1.225)
    full("full-thrust-cell-limit", Craft(cutoff=3.55), 0.3, 1.225)
    c = Craft()
    lasts("endurance-reserve", c, weight(c), 1.0, 1.225)
    c = Craft(reserve=0.0, cell=0.004)
    lasts("endurance-cell", c, weight(c), 0.9, 1.16)
    c = Craft(reserve=0.05, cutoff=2.9, cell=0.006, mass=6.2, kv=280 * np.pi / 30)
    lasts("endurance-margin", c, weight(c), 1.0, 1.16)
    c = Craft(chemistry="li-ion-nmc", parallel=4, cell=0.03, capacity=20 * 3600.0, polarisation=0.02, time=60.0, cutoff=2.8, reserve=0.1)
    lasts("endurance-nmc", c, weight(c), 1.0, 1.225)


main()
