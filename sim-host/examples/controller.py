#!/usr/bin/env python3
"""A tiny controller that speaks the protocol of docs/PROTOCOL.md on standard input and output.

It knows single strokes with two hands and nothing else: no muting, no stop limits, no reset. It is
there to show how little is needed to put a controller of one's own under the scenarios, in any
language. It is no example of a safe controller, and it never drives a real press.

    stopwright run FILE --controller "python3 sim-host/examples/controller.py"

At the far end of a serial line:

    stty -F /dev/ttyUSB1 raw -echo 115200
    python3 sim-host/examples/controller.py </dev/ttyUSB1 >/dev/ttyUSB1

Options: --zero DEG, electrical angle at top dead centre (45); --release DEG, where the top stop is
commanded (309.7, as commissioned for press B); --channel FROM TO, degrees over which the first limit
channel is on (none); --die-at DEG, end without a word at that angle of the first stroke, for a
test.
"""

import argparse
import math
import os
import signal
import sys

VERSION = 3
SINGLE = 3
POWER_UP, OFF, WAIT_RELEASE, READY, AWAY = 0, 1, 3, 4, 5
CLOSING, OPENING, TOP_STOPPING, INTERRUPTED, STOPPING, LATCHED = 7, 8, 9, 10, 16, 18
SIGNAL_LOW = 1
CARRIER = [math.sin(sample * math.pi / 4) / 4 for sample in range(8)]


class Reader:
    """Values of one postcard message."""

    def __init__(self, data):
        self.data, self.at = data, 0

    def byte(self):
        self.at += 1
        return self.data[self.at - 1]

    def flag(self):
        return self.byte() != 0

    def flags(self, count):
        return [self.flag() for _ in range(count)]

    def varint(self):
        value, shift = 0, 0
        while True:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7

    def codes(self):
        return [[self.varint() for _ in range(8)] for _ in range(5)]


def varint(value):
    out = bytearray()
    while value >= 0x80:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def cobs_decode(frame):
    out, at = bytearray(), 0
    while at < len(frame):
        code = frame[at]
        out += frame[at + 1 : at + code]
        at += code
        if code < 0xFF and at < len(frame):
            out.append(0)
    return bytes(out)


def cobs_encode(data):
    out, block = bytearray(), bytearray()
    for byte in data:
        if byte == 0:
            out.append(len(block) + 1)
            out += block
            block = bytearray()
        else:
            block.append(byte)
            if len(block) == 254:
                out.append(255)
                out += block
                block = bytearray()
    out.append(len(block) + 1)
    return bytes(out + block) + b"\x00"


def read_wired(reader):
    """What the controller is wired to in one tick, in the order of the protocol."""
    return {
        "now_us": reader.varint(),
        "sine": reader.codes(),
        "cosine": reader.codes(),
        "supply_ok": reader.flag(),
        "palms": [reader.flags(2), reader.flags(2)],
        "selector": reader.varint(),
        "emergency_chain": reader.flags(2),
        "stop_control_closed": reader.flag(),
        "presence": reader.flags(2),
        "guards": reader.flags(2),
        "motor_forward": reader.flag(),
        "drive_at_rest": reader.flag(),
        "clutch_air_ok": reader.flag(),
        "counterbalance_air_ok": reader.flag(),
        # Auxiliaries, key, valve elements, arm, top stop, reset, read-back of limit channels, index
        # switch, second resolver and thermal switch follow; this one does not use them.
    }


class Controller:
    def __init__(self, options):
        self.options = options
        self.state, self.mode, self.latched = POWER_UP, 0, []
        self.age = self.up_for = self.rest_for = 0
        self.first_hand_us = None
        self.angle = self.anchor = 0.0
        self.drive = False

    def go(self, state):
        self.state, self.age = state, 0

    def look(self, wired):
        """Angle and speed by the last frame; a fault when the signal is weak."""
        parts = [
            sum((code - 2048) * share for code, share in zip(wired[name][-1], CARRIER))
            for name in ("sine", "cosine")
        ]
        if math.hypot(*parts) < 0.75 * 0.9 * 2048 and self.age > 5:
            self.latched = [SIGNAL_LOW]
        angle = (math.degrees(math.atan2(*parts)) - self.options.zero) % 360
        self.per_ms = (angle - self.angle + 180) % 360 - 180
        self.angle = angle
        if abs((angle - self.anchor + 180) % 360 - 180) > 0.3:
            self.anchor, self.rest_for = angle, 0
        self.rest_for += 1

    def tick(self, wired):
        self.age += 1
        self.look(wired)
        closed = [bit for bit in range(6) if wired["selector"] >> bit & 1]
        mode = closed[0] if len(closed) == 1 else None
        held = [opened and not shut for opened, shut in wired["palms"]]
        both, up = all(held), not any(held)
        self.up_for = self.up_for + 1 if up else 0
        if up:
            self.first_hand_us = None
        elif self.first_hand_us is None:
            self.first_hand_us = wired["now_us"]
        permit = (
            wired["supply_ok"]
            and all(wired["emergency_chain"])
            and wired["stop_control_closed"]
            and wired["guards"] == [True, False]
            and wired["motor_forward"]
            and wired["clutch_air_ok"]
            and wired["counterbalance_air_ok"]
            and mode == SINGLE
            and not self.latched
        )
        clear = all(wired["presence"])
        after_us = 0
        at_top = self.angle < 5 or self.angle > 355
        if self.state == POWER_UP and self.age > 60:
            self.go(OFF)
        elif self.state in (OFF, INTERRUPTED) and mode == SINGLE and self.mode != SINGLE:
            self.go(WAIT_RELEASE)
        elif self.state == WAIT_RELEASE and self.up_for >= 50 and permit:
            self.go(READY if at_top else AWAY)
        elif self.state == READY and not permit:
            self.go(WAIT_RELEASE)
        elif self.state == READY and both and clear:
            together = wired["now_us"] - self.first_hand_us <= 500_000
            self.go(CLOSING if together else WAIT_RELEASE)
        elif self.state == CLOSING and not (permit and both and clear):
            self.go(STOPPING)
        elif self.state == CLOSING and 180 <= self.angle < 350:
            self.go(OPENING)
        elif self.state == OPENING and not permit:
            self.go(STOPPING)
        elif self.state == OPENING:
            # The angle is that of the middle of the last frame, a tenth of a millisecond ago.
            ahead = self.options.release - self.angle - 0.1 * self.per_ms
            if ahead <= self.per_ms:
                after_us = int(min(max(1_000 * ahead / max(self.per_ms, 1e-6), 0), 999))
                self.go(TOP_STOPPING)
        elif self.state == TOP_STOPPING and self.age > 80 and self.rest_for > 80:
            self.go(LATCHED if self.latched else WAIT_RELEASE)
        elif self.state == STOPPING and self.age > 80 and self.rest_for > 80:
            self.go(LATCHED if self.latched else INTERRUPTED)
        if self.latched and self.state in (OFF, WAIT_RELEASE, READY, AWAY, INTERRUPTED):
            self.go(LATCHED)
        self.mode = mode if mode is not None else self.mode
        dies_at = self.options.die_at
        if dies_at is not None and self.state == CLOSING and dies_at <= self.angle < 180:
            os.kill(os.getpid(), signal.SIGKILL)
        return self.answer(after_us)

    def channels(self):
        """One limit channel, by angle alone, while the angle can be trusted."""
        first, last = self.options.channel or (0, 0)
        return int(first <= self.angle < last and not self.latched and self.state != POWER_UP)

    def answer(self, after_us):
        drive = self.state in (CLOSING, OPENING)
        numbers = varint(len(self.latched)) + bytes(self.latched)
        return (
            b"\x01"
            + bytes([drive])
            + varint(after_us)
            + bytes([False, False, self.state, self.mode])
            + numbers
            + b"\x00"
            + varint(self.channels())
        )


def frames():
    """Frames as they come in; each ends with a zero byte, and an empty one says nothing."""
    waiting = b""
    while True:
        more = os.read(sys.stdin.fileno(), 65536)
        if not more:
            return
        *whole, waiting = (waiting + more).split(b"\x00")
        yield from filter(None, whole)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--zero", type=float, default=45.0)
    parser.add_argument("--release", type=float, default=309.7)
    parser.add_argument("--channel", type=float, nargs=2)
    parser.add_argument("--die-at", type=float)
    options = parser.parse_args()
    controller = Controller(options)
    for frame in frames():
        reader = Reader(cobs_decode(frame))
        question = reader.varint()
        if question == 0:
            name = b"example in Python"
            reply = b"\x00" + bytes([VERSION]) + varint(len(name)) + name
        elif question == 1:
            controller = Controller(options)
            controller.latched = [reader.byte() for _ in range(reader.varint())]
            continue
        elif question == 2:
            reply = controller.tick(read_wired(reader))
        else:
            # The run is over. On a serial line the next one comes; a pipe is closed.
            continue
        sys.stdout.buffer.write(cobs_encode(reply))
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
