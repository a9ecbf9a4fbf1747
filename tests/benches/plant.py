#!/usr/bin/env python3
"""The plant alone by a plain scipy integration: press B turning with the clutch locked, the crank
read off once a carrier frame as a resolver needs it. The bench `speed` runs it and sets it beside
itself. Equations: docs/PLANT.md, as in tests/plant/reference.py.

Prints how many seconds of the press one second of this machine makes, best of some rounds.

    pip install scipy==1.17.1 numpy==2.4.6
    python3 tests/benches/plant.py
"""

import pathlib
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).parent / ".." / "plant"))

import numpy
from scipy.integrate import solve_ivp

from reference import Press

SPAN_S = 5.0
FRAME_S = 200e-6
ROUNDS = 3


def main():
    press = Press("B", 85, Press.share("B"))

    def locked(t, y):
        inertia, torque = press.crank(y[0], y[1], 0.0)
        return [y[1], (torque + press.motor(y[1])) / (inertia + press.j_fly)]

    frames = numpy.arange(0.0, SPAN_S, FRAME_S)
    best = float("inf")
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        run = solve_ivp(locked, (0.0, SPAN_S), [0.0, press.setting], t_eval=frames, rtol=1e-8, atol=1e-9)
        best = min(best, time.perf_counter() - begun)
        assert run.success and run.y.shape == (2, len(frames)), run.message
        # It did turn: 85 strokes per minute within its slip.
        assert 0.9 < run.y[0, -1] / (press.setting * SPAN_S) < 1.1
    print(SPAN_S / best)


if __name__ == "__main__":
    main()
