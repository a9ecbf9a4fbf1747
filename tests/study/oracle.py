#!/usr/bin/env python3
"""Independent numbers for the study of recorded stops, made with numpy and scipy.

Run from the folder of the project, in an environment with numpy and scipy:

    python3 tests/study/oracle.py

Writes beside itself
  oracle_recordings.csv  standstill of each stop in tests/data/recordings by another estimator: one
                         parabola that ends in a level line, least squares over both, no model of
                         the brake's torque rise, the last 65 % of the braking only
  oracle_stops.csv       stops of the invented presses A to H by scipy's solve_ivp (DOP853, with
                         standstill as an event), for the simulated stops of synthetic.rs
"""

import csv
import pathlib

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import minimize_scalar

HERE = pathlib.Path(__file__).resolve().parent
RECORDINGS = HERE.parent / "data" / "recordings"
LAST_PART = 0.65
HOLD_S = 0.3


def load(path):
    time, deg, stop = np.genfromtxt(path, delimiter=",", skip_header=1).T
    return time, np.rad2deg(np.unwrap(np.deg2rad(deg))), stop > 0.5


def command_edges(time, stop):
    """Middle of the two samples between which the stop command came on."""
    at = np.flatnonzero(stop[1:] & ~stop[:-1])
    return (time[at] + time[at + 1]) / 2


def first_guess(time, deg, command, speed):
    """Two square roots of the travel left give standstill and deceleration."""
    rest = np.median(deg[(time > command + 0.35) & (time < command + 0.45)])
    after = (time > command) & (time < command + 0.45)
    time, left = time[after], rest - deg[after]
    if left[0] < 0.02 * speed:
        return None  # no travel after the command
    early = np.flatnonzero(left > 0.12 * left[0])[-1]
    late = np.flatnonzero(left > 0.02 * left[0])[-1]
    root = np.sqrt(left[early]), np.sqrt(left[late])
    slope = (root[0] - root[1]) / (time[late] - time[early])
    standstill = time[late] + root[1] / slope
    return standstill, speed / (2 * slope**2)


def level_parabola(time, deg, standstill, braking):
    """Vertex of the parabola that goes over into a level line there."""
    part = (time > standstill - LAST_PART * braking) & (time < standstill + HOLD_S)
    time, deg = time[part], deg[part]

    def solve(vertex):
        before = np.maximum(vertex - time, 0)
        design = np.column_stack([np.ones_like(time), -(before**2)])
        (rest, bend), *_ = np.linalg.lstsq(design, deg, rcond=None)
        return np.sum((deg - design @ [rest, bend]) ** 2), rest

    grid = standstill + np.linspace(-0.02, 0.02, 81)
    best = grid[int(np.argmin([solve(vertex)[0] for vertex in grid]))]
    found = minimize_scalar(
        lambda vertex: solve(vertex)[0],
        bounds=(best - 0.001, best + 0.001),
        method="bounded",
        options={"xatol": 1e-8},
    )
    return found.x, solve(found.x)[1]


def recordings():
    for path in sorted(RECORDINGS.glob("stops-*.csv")):
        time, deg, stop = load(path)
        for command in command_edges(time, stop):
            before = (time > command - 0.06) & (time < command)
            speed = np.polyfit(time[before], deg[before], 1)[0]
            guess = first_guess(time, deg, command, speed)
            if guess is None:
                continue
            standstill, rest = level_parabola(time, deg, *guess)
            yield [path.stem, f"{command:.4f}", f"{(standstill - command) * 1e3:.3f}", f"{rest % 360:.3f}"]


# Letter: stroke mm, rod mm, moving kg, inertia kg m2, brake N m, friction N m, valve ms, gap ms,
# exhaust ms, air bar, touch bar, speeds. Invented presses.
PRESSES = {
    "A": (25, 250, 180, 0.55, 560, 12, 10, 2, 12, 5.5, 3.3, [200, 600, 800]),
    "B": (90, 420, 330, 21, 2100, 90, 18, 4, 20, 5.5, 3.2, [85]),
    "C": (200, 800, 3600, 340, 12500, 650, 25, 6, 32, 5.5, 3.3, [40]),
    "D": (400, 1500, 15000, 5200, 72000, 4500, 35, 10, 55, 5.2, 3.4, [16]),
    "E": (130, 560, 900, 70, 5200, 220, 20, 5, 24, 5.5, 3.2, [35, 55, 70]),
    "F": (75, 380, 250, 19, 1050, 60, 45, 14, 45, 4.5, 2.6, [100]),
    "G": (80, 620, 1800, 62, 7600, 260, 14, 3, 18, 5.5, 3.3, [50, 120, 150]),
    "H": (600, 2200, 36000, 22000, 240000, 14000, 30, 6, 40, 60, 36, [8, 15, 18]),
}


def stop(press, start_deg, spm, carried):
    """Time in ms and travel in degrees of a stop; `carried` is the counterbalance's share."""
    stroke, rod, mass, inertia, brake, friction, valve, gap, tau, air, touch_bar, _ = press
    radius, rod, tau = stroke / 2000, rod / 1000, tau / 1000
    touch = (valve + gap) / 1000 + tau * np.log(air / touch_bar)

    def height(angle):
        return radius * (1 - np.cos(angle)) - (rod - np.sqrt(rod**2 - (radius * np.sin(angle)) ** 2))

    def arm(angle):
        sine, cosine = np.sin(angle), np.cos(angle)
        return radius * sine - radius**2 * sine * cosine / np.sqrt(rod**2 - (radius * sine) ** 2)

    def bend(angle):
        # Second derivative of the height in closed form.
        sine, cosine = np.sin(angle), np.cos(angle)
        root = np.sqrt(rod**2 - (radius * sine) ** 2)
        return radius * cosine - radius**2 * ((cosine**2 - sine**2) / root + (radius * sine * cosine) ** 2 / root**3)

    def motion(time, state):
        angle, speed = state
        torque = mass * 9.81 * (1 - carried) * arm(angle) - friction
        if time > touch:
            torque -= brake * (1 - np.exp(-(time - touch) / tau))
        torque -= mass * arm(angle) * bend(angle) * speed**2
        return [speed, torque / (inertia + mass * arm(angle) ** 2)]

    def standstill(_, state):
        return state[1]

    standstill.terminal = True
    standstill.direction = -1
    state, begin, tolerance = [np.deg2rad(start_deg), spm * np.pi / 30], 0.0, {"rtol": 1e-11, "atol": 1e-12}
    for end in (touch, 3.0):
        way = solve_ivp(motion, (begin, end), state, method="DOP853", events=standstill, **tolerance)
        state, begin = way.y[:, -1], way.t[-1]
    # Height is not used by the motion; it ties `arm` to it.
    step = 1e-6
    assert abs((height(1 + step) - height(1 - step)) / (2 * step) - arm(1)) < 1e-7
    return begin * 1e3, np.rad2deg(state[0]) - start_deg


def stops():
    for letter, press in PRESSES.items():
        for spm in press[-1]:
            for start in (0, 60, 90, 270):
                for carried in (1.0, 0.0):
                    time, travel = stop(press, start, spm, carried)
                    yield [letter, spm, start, carried, f"{time:.4f}", f"{travel:.4f}"]


def write(name, header, rows):
    with open(HERE / name, "w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


if __name__ == "__main__":
    write("oracle_recordings.csv", ["recording", "command_time_s", "time_ms", "rest_deg"], recordings())
    write("oracle_stops.csv", ["press", "spm", "command_deg", "counterbalance", "time_ms", "travel_deg"], stops())
