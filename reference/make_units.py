"""Writes units.csv: sizes of units in SI from scipy.constants, for the test of the table of units."""
import math
import os

import scipy
from scipy import constants as c

rows = [
    ("in", "length", c.inch), ("ft", "length", c.foot), ("mm", "length", c.milli), ("cm", "length", c.centi),
    ("lb", "mass", c.pound), ("oz", "mass", c.ounce), ("g", "mass", c.gram), ("t", "mass", c.metric_ton),
    ("min", "time", c.minute), ("h", "time", c.hour), ("ms", "time", c.milli), ("us", "time", c.micro),
    ("deg", "angle", c.degree), ("rev", "angle", 2 * c.pi), ("rpm", "angular-speed", 2 * c.pi / c.minute),
    ("deg/s", "angular-speed", c.degree), ("krpm", "angular-speed", 2000 * c.pi / c.minute),
    ("lbf", "force", c.lbf), ("kgf", "force", c.kgf), ("gf", "force", c.kgf / 1000),
    ("g", "acceleration", c.g), ("kn", "speed", c.knot), ("mph", "speed", c.mph), ("km/h", "speed", c.kmh),
    ("bar", "pressure", c.bar), ("hPa", "pressure", c.hecto), ("mbar", "pressure", c.bar / 1000),
    ("Ah", "charge", c.hour), ("mAh", "charge", c.hour / 1000), ("Wh", "energy", c.hour),
    ("lb in^2", "inertia", c.pound * c.inch**2), ("g cm^2", "inertia", c.gram * c.centi**2),
    ("g mm", "unbalance", c.gram * c.milli), ("lbf in", "torque", c.lbf * c.inch),
    ("in^2", "area", c.inch**2), ("rpm/V", "velocity-constant", 2 * c.pi / c.minute),
    ("degC", "temperature", c.convert_temperature(1, "Celsius", "Kelvin")),
    ("degF", "temperature", c.convert_temperature(1, "Fahrenheit", "Kelvin")),
    ("mohm", "resistance", c.milli), ("nT", "magnetic-flux-density", c.nano),
]
here = os.path.dirname(os.path.abspath(__file__))
with open(os.path.join(here, "units.csv"), "w", encoding="utf-8") as out:
    out.write("# size of one unit in SI (a temperature: the temperature of 1 on that scale)\n")
    out.write(f"# source: scipy.constants, scipy {scipy.__version__}; made by make_units.py\n")
    out.write("unit,dimension,si\n")
    for unit, dimension, value in rows:
        assert math.isfinite(value)
        out.write(f"{unit},{dimension},{value!r}\n".replace("np.float64(", "").replace(")", ""))
