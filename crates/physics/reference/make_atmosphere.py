"""Air: rows of ISO 2533 and densities of moist air by CIPM-2007.

The ISO rows come from the package `ambiance` 1.3.1 (constants of ICAO Doc 7488/3 = ISO 2533). The moist air is computed here from the CIPM-2007 equation (Picard, Davis,
Glaeser & Fujii 2008, Metrologia 45, 149-155; its constants written from memory, and checked by its
value for 20 degC, 101 325 Pa, 50 %: 1.1993 kg/m3).

Run: python make_atmosphere.py > atmosphere.csv
"""

import numpy as np
from ambiance import Atmosphere

HEIGHTS = [-1000, 0, 500, 1000, 2000, 3000, 5000, 10000, 11000, 15000, 20000, 25000, 30000, 32000]


def cipm(p, t, h):
    k = t + 273.15
    psv = np.exp(1.2378847e-5 * k**2 - 1.9121316e-2 * k + 33.93711047 - 6.3431645e3 / k)
    f = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    x = h * f * psv / p
    z = (
        1
        - p / k * (1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2 + (5.707e-6 - 2.051e-8 * t) * x + (1.9898e-4 - 2.376e-6 * t) * x**2)
        + (p / k) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    )
    return p * 28.96546e-3 / (z * 8.314472 * k) * (1 - x * (1 - 18.01528 / 28.96546))


print("# made by make_atmosphere.py; kind iso: ambiance 1.3.1 (ICAO Doc 7488/3 = ISO 2533), input geometric height")
print("# kind cipm: CIPM-2007, input pressure, temperature, humidity")
print("kind,height,pressure,temperature,humidity,density,sound_speed,viscosity")
for h in HEIGHTS:
    a = Atmosphere(h)
    state = f"{a.density[0]:.9e},{a.speed_of_sound[0]:.6f},{a.dynamic_viscosity[0]:.9e}"
    print(f"iso,{h},{a.pressure[0]:.6f},{a.temperature[0]:.6f},0,{state}")
for p, t, h in [(101325, 20, 0.0), (101325, 20, 0.5), (101325, 35, 0.9), (90000, 30, 1.0), (79500, 15, 0.6), (95000, 0, 0.5)]:
    print(f"cipm,0,{p},{t + 273.15},{h},{cipm(p, t, h):.9f},0,0")
