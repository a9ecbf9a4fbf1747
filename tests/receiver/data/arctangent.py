#!/usr/bin/env python3
"""Makes arctangent.csv and prints the coefficients of core/src/trig.rs.

The coefficients are the minimax fit of t*P(t^2) to atan(t)/2pi with six odd terms on |t| <= T, by
the second Remez algorithm, in 2^-32. The rows of the file are arctangents to 40 digits, so that the
f64 reference of the tests is itself checked against something better.

Needs mpmath (1.3 was used).
"""
import csv
from pathlib import Path
from mpmath import atan, atan2, cos, lu_solve, matrix, mp, mpf, nint, nstr, pi

mp.dps = 50
TERMS = 6


def remez(limit):
    def exact(t):
        return atan(t) / (2 * pi)

    points = [limit * cos(pi * mpf(2 * i + 1) / (4 * TERMS + 6)) for i in range(TERMS + 1)][::-1]
    for _ in range(12):
        rows, right = matrix(TERMS + 1, TERMS + 1), matrix(TERMS + 1, 1)
        for r, t in enumerate(points):
            for c in range(TERMS):
                rows[r, c] = t ** (2 * c + 1)
            rows[r, TERMS] = (-1) ** r
            right[r] = exact(t)
        solution = lu_solve(rows, right)
        coefficients = [solution[i] for i in range(TERMS)]

        def error(t):
            return sum(k * t ** (2 * i + 1) for i, k in enumerate(coefficients)) - exact(t)

        grid = [limit * mpf(i) / 3000 for i in range(1, 3001)]
        values = [error(t) for t in grid]
        peaks = []
        for i, value in enumerate(values):
            if 0 < i < len(values) - 1 and not abs(values[i - 1]) <= abs(value) >= abs(values[i + 1]):
                continue
            if i == 0:
                continue
            if peaks and (value > 0) == (values[peaks[-1]] > 0):
                if abs(value) > abs(values[peaks[-1]]):
                    peaks[-1] = i
            else:
                peaks.append(i)
        if len(peaks) < TERMS + 1:
            break
        points = [grid[i] for i in peaks[-(TERMS + 1):]]
    return coefficients, max(abs(v) for v in values)


def main():
    for name, limit in [("AROUND_AXIS", mpf(2) / 5), ("AROUND_DIAGONAL", mpf(3) / 7)]:
        coefficients, worst = remez(limit)
        integers = [int(nint(abs(k) * 2**32)) for k in coefficients]
        print(name, integers, "fit error", nstr(worst * 2**32, 3), "counts")

    values = [0, 1, 2, 3, 7, 100, 1000, 5793, 12345, 13107, 13108, 16384, 23170, 28799, 32766, 32767]
    values += [-v for v in values if v] + [-32768]
    with open(Path(__file__).with_name("arctangent.csv"), "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["sine", "cosine", "counts"])
        for s in values:
            for c in values:
                if (s, c) != (0, 0):
                    out.writerow([s, c, nstr(atan2(mpf(s), mpf(c)) / (2 * pi) * 2**32, 20)])


main()
