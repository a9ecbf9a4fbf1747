#!/usr/bin/env python3
"""Makes resolver_errors.csv and quantisation.csv: errors of an ideal decode of imperfect windings.

Model: s = (1+alpha)*(sin t + h*sin 3t*sign) + a, c = cos(t + beta) + h*cos 3t + b, decoded by atan2, the
error taken to t (with beta as the cosine winding stands beyond 90 degrees, the error of the model
is of one sign: its mean is reported beside its maximum). Quantisation: both amplitudes rounded to
steps of 2/2^bits.

Needs numpy (1.24 was used).
"""
import csv
from pathlib import Path
import numpy as np

HERE = Path(__file__).parent


def errors(alpha=0.0, beta_deg=0.0, a=0.0, b=0.0, h=0.0, sign=1.0):
    t = np.linspace(0, 2 * np.pi, 720_001)
    s = (1 + alpha) * np.sin(t) + sign * h * np.sin(3 * t) + a
    c = np.cos(t + np.radians(beta_deg)) + h * np.cos(3 * t) + b
    e = np.arctan2(s, c) - t
    e = np.degrees((e + np.pi) % (2 * np.pi) - np.pi)
    return np.max(np.abs(e)), np.mean(e)


def main():
    cases = [dict(alpha=v) for v in (0.001, 0.01, 0.02, 0.05, 0.10)]
    cases += [dict(beta_deg=v) for v in (0.5, 1.0, 2.0)]
    cases += [dict(a=0.01), dict(a=0.01, b=0.01), dict(a=0.005, b=-0.01)]
    cases += [dict(h=h, sign=s) for h in (0.005, 0.01) for s in (1.0, -1.0)]
    names = ["alpha", "beta_deg", "a", "b", "h", "sign"]
    with open(HERE / "resolver_errors.csv", "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(names + ["max_deg", "mean_deg"])
        for case in cases:
            worst, mean = errors(**case)
            row = [case.get(n, 1.0 if n == "sign" else 0.0) for n in names]
            out.writerow(row + [f"{worst:.10f}", f"{mean:.10f}"])

    rng = np.random.default_rng(1)
    t = rng.uniform(0, 2 * np.pi, 4_000_000)
    with open(HERE / "quantisation.csv", "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["bits", "amplitude", "rms_arcmin", "max_arcmin"])
        for bits, amplitude in [(10, 0.9), (12, 0.9), (12, 0.5), (16, 0.9)]:
            q = 2.0 / 2**bits
            s = np.round(amplitude * np.sin(t) / q) * q
            c = np.round(amplitude * np.cos(t) / q) * q
            e = np.arctan2(s, c) - t
            e = np.degrees((e + np.pi) % (2 * np.pi) - np.pi) * 60
            out.writerow([bits, amplitude, f"{np.sqrt(np.mean(e * e)):.6f}", f"{np.max(np.abs(e)):.6f}"])


main()
