#!/usr/bin/env python3
"""Makes tracking.csv: answers of the continuous type-II loop to a step of one, and of the sampled
loop with the same poles, at 5000 frames a second.

Closed loop (1 + T1 s)/(1 + T1 s + s^2/K_a), with K_a = w^2 and T1 = 2*zeta/w. A step that
the first frame sees fell half a frame before it, on average: the continuous answer is taken one
frame after that plus as many frames again, the sampled one at each frame.

Needs numpy and scipy (1.10 was used).
"""
import csv
from pathlib import Path
import numpy as np
from scipy import signal

FRAME_S = 200e-6
FRAMES = 300


def continuous(hertz, damping):
    w = 2 * np.pi * hertz
    loop = signal.TransferFunction([2 * damping * w, w * w], [1, 2 * damping * w, w * w])
    at = (np.arange(FRAMES) + 1.0) * FRAME_S
    _, answer = signal.step(loop, T=np.concatenate([[0.0], at]))
    return answer[1:]


def sampled(hertz, damping):
    x = 2 * np.pi * hertz * FRAME_S
    r = np.exp(-damping * x)
    y = np.sqrt(complex(1 - damping**2)) * x
    alpha = 1 - r * r
    beta = (1 + r * r - 2 * r * np.cos(y)).real
    # State: angle and speed after a frame; input: the measured angle.
    a = np.array([[1 - alpha, 1 - alpha], [-beta, 1 - beta]])
    b = np.array([[alpha], [beta]])
    system = (a, b, a[:1], b[:1], FRAME_S)
    _, answer, _ = signal.dlsim(system, np.ones(FRAMES))
    return answer[:, 0]


def main():
    loops = [(25, 0.7071), (50, 1.0), (200, 0.707), (150, 1.2)]
    columns = {}
    for hertz, damping in loops:
        columns[f"continuous_{hertz}"] = continuous(hertz, damping)
        columns[f"sampled_{hertz}"] = sampled(hertz, damping)
    with open(Path(__file__).with_name("tracking.csv"), "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(columns)
        for row in zip(*columns.values()):
            out.writerow(f"{value:.12f}" for value in row)


main()
