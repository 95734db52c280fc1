#!/usr/bin/python3
# Makes the invented sweeps of this folder by nodal analysis with numpy: it shares no code with provoke.
# Each network is a list of branches (node, node, admittance) and one mutual element; ports are 50 ohm.
import numpy as np

rng = np.random.default_rng(7)
C0 = 299792458.0
table = np.loadtxt("../../ferrite/testdata/demo-nizn.csv", delimiter=";", skiprows=2)


def mu(f):
    lf = np.log(f / 1e6)
    t = np.log(table)
    return np.exp(np.interp(lf, t[:, 0], t[:, 1])) - 1j * np.exp(np.interp(lf, t[:, 0], t[:, 2]))


def z_turn(f, od, idia, h):
    return 2j * np.pi * f * 4e-7 * np.pi * h * np.log(od / idia) / (2 * np.pi) * mu(f)


def line_y(f, z0, length):
    b = 2 * np.pi * f * length / C0
    return np.array([[np.cos(b), -1], [-1, np.cos(b)]]) / (1j * z0 * np.sin(b))


def three_port(f, turns, load_inside, cap, lp, ls, od, idia, h, z0, length):
    """ports: 0 coil connector, 1 jig in, 2 jig out. nodes: 0 coil, 1 jig in, 2 jig out, 3 left, 4 right, 5 behind lp;
    unknown currents: transformer."""
    n = 6
    w = 2 * np.pi * f
    y = np.zeros((n + 1, n + 1), complex)
    y[0, 0] += 1j * w * cap + (1 / load_inside if load_inside else 0)
    for a, b, g in [(0, 5, 1 / (1j * w * lp))]:
        y[a, a] += g; y[b, b] += g; y[a, b] -= g; y[b, a] -= g
    y[5, 5] += 1 / (turns**2 * z_turn(f, od, idia, h))
    for a, b in [(1, 3), (4, 2)]:
        q = line_y(f, z0, length)
        y[np.ix_([a, b], [a, b])] += q
    # ideal transformer: v5 = N (v3 - v4 - jwLs i), current i through the wire 3 -> 4, i5 = -i/N into node 5
    y[3, 6] += 1; y[4, 6] -= 1; y[5, 6] -= 1 / turns
    y[6, 3], y[6, 4], y[6, 5], y[6, 6] = 1, -1, -1 / turns, -1j * w * ls
    s = np.zeros((3, 3), complex)
    for k in range(3):
        m = y.copy()
        for p in range(3):
            m[p, p] += 1 / 50
        j = np.zeros(n + 1, complex)
        j[k] = 2 / 50  # emf 2 V behind 50 ohm: incident wave of 1 V
        v = np.linalg.solve(m, j)
        s[:, k] = v[:3]
        s[k, k] -= 1
    return s


def write(name, what, freqs, networks, order):
    with open(name, "w") as out:
        out.write(f"! {what}\n! invented, made by generate.py beside it\n# MHz S MA R 50\n")
        for f, s in zip(freqs, networks):
            s = s[np.ix_(order, order)]
            if len(order) == 2:
                rows = [[s[0, 0], s[1, 0], s[0, 1], s[1, 1]]]
            else:
                rows = s
            for i, r in enumerate(rows):
                lead = f"{f/1e6:.9g}" if i == 0 else "   "
                out.write(lead + "".join(f" {abs(x):.6f} {np.degrees(np.angle(x)):.3f}" for x in r) + "\n")


probe = dict(turns=8, load_inside=50, cap=6e-12, lp=8e-9, ls=1e-9, od=40e-3, idia=22e-3, h=16e-3, z0=54, length=22e-3)
clamp = dict(turns=2, load_inside=0, cap=6e-12, lp=40e-9, ls=25e-9, od=63e-3, idia=38e-3, h=75e-3, z0=58, length=45e-3)
f = np.geomspace(0.1e6, 200e6, 81)
for i in range(3):
    scale = 1 + 0.006 * rng.standard_normal()
    nets = []
    for x in f:
        s = three_port(x, **probe)
        s[0, 1] *= scale; s[1, 0] *= scale; s[0, 2] *= scale; s[2, 0] *= scale
        nets.append(s)
    write(f"demo-probe-{i+1}.s3p", f"monitoring probe in a jig, sweep {i+1}: port 1 jig in, 2 probe, 3 jig out", f, nets, [1, 0, 2])
write("demo-clamp.s3p", "injection clamp in a jig: port 1 connector, 2 and 3 the jig's ends", f, [three_port(x, **clamp) for x in f], [0, 1, 2])

with open("demo-levels.csv", "w") as out:
    out.write("# Current in the jig over the generator's drive, 1 dB apart; invented, made by generate.py.\nf/MHz;drive/dBm;I/dBµA\n")
    for mhz, gain, sat in [(0.15, 105, 97.5), (1, 111, 101), (10, 114, 102), (80, 112, 98)]:
        for d in range(-24, 1):
            lin = 10 ** ((gain + d - sat) / 20)
            out.write(f"{mhz};{d};{sat + 20*np.log10(lin / (1 + lin**4) ** 0.25):.2f}\n")
