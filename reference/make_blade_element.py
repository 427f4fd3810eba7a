"""Blade-element momentum in numpy by plain bisection: a second program for crates/physics/src/bem.

Writes blade_element.csv: an invented blade, and C_T, C_P of rotors with it in hover and climb. Same
equations, another solver (60 halvings of the bracket) and another language.
"""

import numpy as np

FAMILIES = {  # zero-lift angle, lift at stall, least drag, all at Re 1e5
    "thin-cambered": (-0.1015, 1.716, 0.0200),
    "thin": (-0.0572, 1.743, 0.0190),
    "thick-cambered": (-0.0609, 1.915, 0.0290),
    "thick-flat": (-0.0405, 1.796, 0.0220),
}
DENSITY, VISCOSITY, SOUND = 1.225, 1.7894e-5, 340.294
BLADE = [(0.15, 0.13, 26.0), (0.3, 0.17, 25.0), (0.5, 0.19, 18.0), (0.7, 0.17, 13.0), (0.85, 0.13, 10.0),
         (1.0, 0.05, 6.0)]


def polar(alpha, reynolds, mach, family):
    zero0, stall0, drag0 = FAMILIES[family]
    q = np.log(np.clip(reynolds, 1e4, 5e5) / 1e5)
    slope, zero, stall = 6.228 * np.exp(0.0805 * q), zero0 * np.exp(0.235 * q), stall0 * np.exp(0.156 * q)
    attached = slope / np.sqrt(1 - np.minimum(mach, 0.7) ** 2) * (alpha - zero)
    up = 1 / (1 + np.exp(np.clip((alpha - zero - stall / slope) / 0.0285, -40, 40)))
    down = 1 / (1 + np.exp(np.clip((zero - 0.8 * stall / slope - alpha) / 0.0285, -40, 40)))
    held = np.where(alpha > zero, up, down)
    sin, cos = np.sin(alpha), np.cos(alpha)
    lift = held * attached + (1 - held) * 1.98 * sin * cos
    drag = (drag0 * np.exp(-0.675 * q) + held * 0.0678 * (np.clip(attached, -2, 2.5) - 0.601) ** 2
            + (1 - held) * (1.98 * sin**2 + 0.325 * abs(sin * cos)))
    return lift, drag, attached, 1 - held


def solve(diameter, blades, family, speed, axial, count=20):
    blade = np.array(BLADE)
    tip, root = diameter / 2, blade[0, 0]
    edge = root + (1 - root) * np.sin(np.pi / 2 * np.arange(count + 1) / count)
    x, width = (edge[1:] + edge[:-1]) / 2, np.diff(edge)
    chord = np.interp(x, blade[:, 0], blade[:, 1])
    twist = np.radians(np.interp(x, blade[:, 0], blade[:, 2]))
    turning, solidity = speed * tip * x, blades * chord / (2 * np.pi * x)
    free = np.hypot(turning, axial)
    reynolds, mach = DENSITY * free * chord * tip / VISCOSITY, free / SOUND
    delay = np.minimum(6 * (chord / x) ** 2, 1) * np.clip((1 - x) / 0.2, 0, 1)

    def forces(phi):
        alpha = twist - phi
        lift, drag, attached, loose = polar(alpha, reynolds, mach, family)
        fade = np.clip((np.radians(50) - alpha) / np.radians(20), 0, 1)
        gain = delay * loose * fade * np.maximum(np.minimum(attached, 2.5) - lift, 0)
        lift = lift + np.where(attached > 0, gain, 0)
        sin, cos = np.sin(phi), np.cos(phi)
        size = np.maximum(abs(sin), 1e-9)

        def edge_loss(gap, at):
            return 2 / np.pi * np.arccos(np.exp(-np.minimum(blades / 2 * gap / (at * size), 700)))

        loss = np.maximum(edge_loss(1 - x, x) * edge_loss(x - root, root), 1e-4)
        return sin, cos, lift * cos - drag * sin, lift * sin + drag * cos, solidity / (4 * loss)

    def residual(phi):
        sin, cos, normal, tangential, k = forces(phi)
        size = abs(sin)
        return (turning * (sin * size - k * normal)
                - axial * size * (cos + k * tangential / np.maximum(size, 0.02)))

    below = residual(np.zeros(count)) < 0
    low, high = np.where(below, 0.0, -np.pi / 2), np.where(below, np.pi / 2, 0.0)
    for _ in range(60):
        middle = (low + high) / 2
        up = residual(middle) < 0
        low, high = np.where(up, middle, low), np.where(up, high, middle)
    phi = (low + high) / 2
    sin, cos, normal, tangential, k = forces(phi)
    local = turning / (cos + k * tangential / np.maximum(abs(sin), 0.02))
    pressure = 0.5 * DENSITY * local**2 * blades * chord * tip
    thrust = np.sum(pressure * normal * width * tip)
    torque = np.sum(pressure * tangential * x * tip * width * tip)
    n = speed / (2 * np.pi)
    return thrust / (DENSITY * n**2 * diameter**4), torque * speed / (DENSITY * n**3 * diameter**5)


if __name__ == "__main__":
    with open("blade_element.csv", "w") as out:
        out.write(f"# Blade-element momentum by bisection, numpy {np.__version__}; make_blade_element.py\n")
        out.write("# blade: r/R, chord/R, twist in deg. case: family, blades, diameter m, speed rad/s, axial m/s, C_T, C_P;\n")
        out.write("# air 1.225 kg/m3, 1.7894e-5 Pa s, 340.294 m/s\n")
        out.write("kind,a,b,c,d,e,f,g\n")
        for r, c, t in BLADE:
            out.write(f"blade,{r},{c},{t},,,,\n")
        for family, blades, diameter, speed, axial in [
            ("thin", 2, 0.254, 300.0, 0.0), ("thin", 2, 0.254, 700.0, 0.0), ("thin", 3, 0.254, 700.0, 5.0),
            ("thin", 2, 0.254, 700.0, 15.0), ("thin-cambered", 2, 0.254, 500.0, 0.0),
            ("thin-cambered", 4, 0.18, 1500.0, 3.0), ("thick-cambered", 2, 0.381, 400.0, 0.0),
            ("thick-cambered", 2, 0.381, 400.0, 12.0), ("thick-flat", 2, 0.66, 200.0, 0.0),
            ("thick-flat", 2, 0.66, 250.0, 20.0),
        ]:
            ct, cp = solve(diameter, blades, family, speed, axial)
            out.write(f"case,{family},{blades},{diameter},{speed},{axial},{ct:.12g},{cp:.12g}\n")
