"""Inertia of three composites by quadrature over their volume.

Each body is a cloud of Gauss points (exact for second moments), and the tensor is the plain sum of
m (r.r 1 - r r') about the common centre: no handbook formula, no parallel-axis theorem.

Run: python make_mass.py > mass.csv
"""

import numpy as np

X, W = np.polynomial.legendre.leggauss(6)


def box(mass, at, sides):
    for i in range(6):
        for j in range(6):
            for k in range(6):
                p = np.array([X[i], X[j], X[k]]) * np.array(sides) / 2
                yield mass * W[i] * W[j] * W[k] / 8, np.array(at) + p


def cylinder(mass, at, radius, length, axis):
    axis = np.array(axis) / np.linalg.norm(axis)
    helper = np.array([1.0, 0, 0]) if abs(axis[0]) < 0.9 else np.array([0, 1.0, 0])
    e1 = np.cross(axis, helper)
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(axis, e1)
    for i in range(6):
        r = radius * (X[i] + 1) / 2
        wr = W[i] / 2 * 2 * r / radius
        for j in range(12):
            a = 2 * np.pi * j / 12
            for k in range(6):
                p = r * (np.cos(a) * e1 + np.sin(a) * e2) + axis * length * X[k] / 2
                yield mass * wr / 12 * W[k] / 2, np.array(at) + p


def rod(mass, at, span):
    for k in range(6):
        yield mass * W[k] / 2, np.array(at) + np.array(span) * X[k] / 2


def point(mass, at):
    yield mass, np.array(at, float)


CASES = {
    "box": [("box", 1.32, (0.01, -0.02, 0.035), (0.16, 0.06, 0.05))],
    "oblique cylinder": [("cylinder", 0.4, (0.1, 0.05, -0.02), 0.03, 0.25, (1.0, 2.0, -0.5))],
    "aircraft": [
        ("box", 1.32, (0.0, 0.0, 0.035), (0.16, 0.06, 0.05)),
        ("cylinder", 0.13, (0.219, 0.219, -0.01), 0.017, 0.03, (0.0, 0.0, 1.0)),
        ("cylinder", 0.13, (-0.219, 0.219, -0.01), 0.017, 0.03, (0.0, 0.0, 1.0)),
        ("cylinder", 0.13, (-0.219, -0.219, -0.01), 0.017, 0.03, (0.0, 0.0, 1.0)),
        ("cylinder", 0.13, (0.219, -0.219, -0.01), 0.017, 0.03, (0.0, 0.0, 1.0)),
        ("rod", 0.06, (0.11, 0.11, 0.0), (0.22, 0.22, 0.0)),
        ("rod", 0.06, (-0.11, 0.11, 0.0), (-0.22, 0.22, 0.0)),
        ("point", 0.35, (0.08, -0.03, 0.09)),
    ],
}

print(f"# made by make_mass.py; numpy {np.__version__}; SI units")
print("# bodies: case,body,shape,mass,x,y,z,then sides | radius length axis | span; answers: case,answer,total,mass,centre,tensor rows")
print("case,role,shape,v0,v1,v2,v3,v4,v5,v6,v7,v8,v9,v10,v11,v12")


def row(case, role, shape, values):
    values = [repr(float(v)) for v in values]
    print(",".join([case, role, shape] + values + [""] * (13 - len(values))))


for case, bodies in CASES.items():
    cloud = []
    for shape, mass, at, *rest in bodies:
        flat = [v for r in rest for v in (r if isinstance(r, tuple) else (r,))]
        row(case, "body", shape, [mass, *at, *flat])
        cloud += list({"box": box, "cylinder": cylinder, "rod": rod, "point": point}[shape](mass, at, *rest))
    m = sum(w for w, _ in cloud)
    c = sum(w * p for w, p in cloud) / m
    tensor = sum(w * (np.dot(p - c, p - c) * np.eye(3) - np.outer(p - c, p - c)) for w, p in cloud)
    row(case, "answer", "total", [m, *c, *tensor.flatten()])
