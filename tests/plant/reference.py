#!/usr/bin/env python3
"""Stops of the invented presses by an integration of its own: scipy, adaptive steps, tight
tolerances, events. Shares no code and no step with the simulated press; docs/PLANT.md has the
equations. Writes reference_stops.csv and reference_starts.csv beside itself.

    pip install scipy==1.17.1 numpy==2.4.6
    python3 tests/plant/reference.py
"""

import csv
import math
import pathlib
import tomllib

from scipy.integrate import solve_ivp
from scipy.optimize import brentq

HERE = pathlib.Path(__file__).parent
PRESSES = HERE / ".." / ".." / "sim-host" / "presses"
G = 9.80665
TIGHT = {"method": "DOP853", "rtol": 1e-11, "atol": 1e-12}


class Press:
    """One press with heaviest die, cool and unworn."""

    def __init__(self, letter, spm, share):
        with open(PRESSES / f"{letter.lower()}.toml", "rb") as file:
            d = tomllib.load(file)
        self.r = d["frame"]["stroke_mm"] / 2000
        self.rod = d["frame"]["rod_mm"] / 1000
        self.mass = d["masses"]["slide_kg"] + d["masses"]["die_max_kg"]
        self.j_crank = d["masses"]["crank_kg_m2"]
        self.j_fly = d["masses"]["flywheel_kg_m2"]
        self.friction = d["drive_train"]["friction_nm"]
        self.brake = d["brake"]["torque_nm"]
        self.clutch = d["clutch"]["torque_nm"]
        self.p0, self.pc = d["air"]["supply_bar"], d["clutch"]["touch_bar"]
        self.pt = d["brake"]["touch_bar"]
        self.t_off, self.t_on = d["air"]["shift_off_ms"] / 1e3, d["air"]["shift_on_ms"] / 1e3
        self.tau_e, self.tau_f = d["air"]["exhaust_ms"] / 1e3, d["air"]["fill_ms"] / 1e3
        self.gap = d["brake"]["gap_ms"] / 1e3
        nominal = d["speed"]["nominal_spm"] * math.pi / 30
        self.rated = d["motor"]["power_kw"] * 1e3 / nominal
        self.slip = d["motor"]["rated_slip_percent"] / 100
        self.most = d["motor"]["pull_out"] * self.rated
        self.least = -self.rated if d["motor"]["variable_speed"] else 0.0
        self.setting = spm * math.pi / 30
        self.unbalanced = self.mass * G * (1 - share)

    @staticmethod
    def share(letter):
        with open(PRESSES / f"{letter.lower()}.toml", "rb") as file:
            return tomllib.load(file)["counterbalance"]["share"]

    def slide(self, theta):
        """Derivatives of slide travel by crank angle: x = r(1-cos) - (l - sqrt(l^2 - r^2 sin^2))."""
        s, c = math.sin(theta), math.cos(theta)
        q2 = self.rod**2 - (self.r * s) ** 2
        q = math.sqrt(q2)
        u = self.r**2 * s * c
        du = self.r**2 * (c * c - s * s)
        return self.r * s - u / q, self.r * c - du / q - u * u / (q2 * q)

    def crank(self, theta, omega, brake):
        """Inertia, and the torque of all but the clutch; omega is positive or zero."""
        x1, x2 = self.slide(theta)
        inertia = self.j_crank + self.mass * x1 * x1
        torque = self.unbalanced * x1 - self.friction - brake - self.mass * x1 * x2 * omega * omega
        return inertia, torque

    def motor(self, omega_fly):
        raw = self.rated * (1 - omega_fly / self.setting) / self.slip
        return min(max(raw, self.least), self.most)


def stop(press, coil_off_deg):
    """Stop time (s) and travel (rad) from locked running at the setting, coils off at t = 0."""
    t_free = press.t_off + press.tau_e * math.log(press.p0 / press.pc)
    t_touch = press.t_off + press.gap + press.tau_e * math.log(press.p0 / press.pt)

    def capacity(t):
        p = press.p0 if t < press.t_off else press.p0 * math.exp(-(t - press.t_off) / press.tau_e)
        return max(0.0, press.clutch * (p - press.pc) / (press.p0 - press.pc))

    def brake(t):
        return max(0.0, press.brake * (1 - math.exp(-(t - t_touch) / press.tau_e)))

    def locked(t, y):
        inertia, torque = press.crank(y[0], y[1], brake(t))
        return [y[1], (torque + press.motor(y[1])) / (inertia + press.j_fly)]

    def carried(t, y):
        return press.motor(y[1]) - press.j_fly * locked(t, y)[1]

    def slipping(side):
        def rates(t, y):
            inertia, torque = press.crank(y[0], y[1], brake(t))
            clutch = side * capacity(t)
            return [y[1], (torque + clutch) / inertia, (press.motor(y[2]) - clutch) / press.j_fly]

        return rates

    def event(function, direction):
        function.terminal, function.direction = True, direction
        return function

    knots = sorted({press.t_off, t_free, t_touch, 5.0})
    t, y, mode = 0.0, [math.radians(coil_off_deg), press.setting], "locked"
    start = y[0]
    while True:
        until = min(k for k in knots if k > t + 1e-12)
        ended = event(lambda t, y: y[1], -1)
        if mode == "locked":
            let_go = event(lambda t, y: capacity(t) - abs(carried(t, y)), -1)
            run = solve_ivp(locked, (t, until), y, events=[ended, let_go], **TIGHT)
        else:
            even = event(lambda t, y: side * (y[2] - y[1]) + 1e-9, -1)
            events = [ended] + ([even] if until <= t_free + 1e-12 else [])
            run = solve_ivp(slipping(side), (t, until), y, events=events, **TIGHT)
        assert run.success, run.message
        t, y = run.t[-1], list(run.y[:, -1])
        if run.status == 1 and len(run.t_events[0]):
            return t, y[0] - start
        if mode == "locked":
            if run.status == 1 or capacity(t) < abs(carried(t, y)):
                mode, side = "slipping", math.copysign(1.0, carried(t, y))
                y = [y[0], y[1], y[1]]
        elif run.status == 1:
            # Speeds meet again while the clutch still presses.
            y = [y[0], (y[1] + y[2]) / 2]
            if capacity(t) >= abs(carried(t, y)):
                mode = "locked"
            else:
                side = math.copysign(1.0, carried(t, y))
                y = [y[0], y[1], y[1]]


def start(press):
    """From rest at the top: when the crank breaks away (s), when it locks (s), where (rad), and the
    common speed (rad/s). Only with the counterbalance as set, where the slide does not overhaul."""

    def pressure(t):
        return press.p0 * (1 - math.exp(-(t - press.t_on) / press.tau_f))

    def capacity(t):
        return max(0.0, press.clutch * (pressure(t) - press.pc) / (press.p0 - press.pc))

    def brake(t):
        return max(0.0, press.brake * (1 - pressure(t) / press.pt))

    t_bite = press.t_on - press.tau_f * math.log(1 - press.pc / press.p0)
    moves = brentq(
        lambda t: capacity(t) - brake(t) - press.friction, press.t_on, t_bite + press.tau_f, xtol=1e-13
    )

    # The clutch already works on the flywheel before the crank moves.
    def held(t, y):
        return [(press.motor(y[0]) - capacity(t)) / press.j_fly]

    y_fly = [press.setting]
    if moves > t_bite:
        y_fly = solve_ivp(held, (t_bite, moves), y_fly, **TIGHT).y[:, -1]

    def rates(t, y):
        inertia, torque = press.crank(y[0], y[1], brake(t))
        clutch = capacity(t)
        return [y[1], (torque + clutch) / inertia, (press.motor(y[2]) - clutch) / press.j_fly]

    def even(t, y):
        return y[2] - y[1]

    even.terminal, even.direction = True, -1
    run = solve_ivp(rates, (moves, 3.0), [0.0, 0.0, y_fly[0]], events=[even], **TIGHT)
    assert run.status == 1
    return moves, run.t[-1], run.y[0, -1], run.y[1, -1]


def top(press):
    """Coil-off angle (degrees) from which the crank rests at 360 degrees."""
    angle = 360.0 - 6 * 30 / math.pi * press.setting * stop(press, 300.0)[0] * 0.6
    for _ in range(20):
        rest = angle + math.degrees(stop(press, angle)[1])
        if abs(rest - 360.0) < 1e-9:
            break
        angle -= 0.9 * (rest - 360.0)
    return angle


def main():
    stops, starts = [], []
    for letter in "ABCDEFGH":
        with open(PRESSES / f"{letter.lower()}.toml", "rb") as file:
            speeds = tomllib.load(file)["speed"]["verify_spm"]
        for spm in speeds:
            for name, share in (("set", Press.share(letter)), ("lost", 0.0)):
                press = Press(letter, spm, share)
                for command in ("top", 45, 60, 90, 270):
                    angle = top(press) if command == "top" else float(command)
                    time, travel = stop(press, angle)
                    stops.append([letter, spm, name, command, f"{angle:.6f}",
                                  f"{1e3 * time:.6f}", f"{math.degrees(travel):.6f}"])
            moves, locks, at, speed = start(Press(letter, spm, Press.share(letter)))
            starts.append([letter, spm, f"{1e3 * moves:.6f}", f"{1e3 * locks:.6f}",
                           f"{math.degrees(at):.6f}", f"{speed * 30 / math.pi:.6f}"])
    write("reference_stops.csv", ["press", "spm", "counterbalance", "command", "coil_off_deg",
                                  "stop_time_ms", "travel_deg"], stops)
    write("reference_starts.csv", ["press", "spm", "moves_ms", "locks_ms", "lock_deg",
                                   "lock_spm"], starts)


def write(name, header, rows):
    with open(HERE / name, "w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


if __name__ == "__main__":
    main()
