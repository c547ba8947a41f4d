"""What steps a drive, as a microcontroller would answer for it, on standard input and output.

In place of `time.sleep` a board gives a pulse on the line STEP, with DIRECTION set before it.
"""

import re
import sys
import time

LAST = 39
track, head, motor = None, 0, "off"


def pulses(tracks, rate_hz=1000):
    for _ in range(abs(tracks)):
        time.sleep(1 / rate_hz)


def answer(words):
    global track, head, motor
    if words == "hello":
        track = None
        return "evenlobe steps 1"
    if found := re.fullmatch(r"seek (\d+)", words):
        if int(found[1]) > LAST:
            return f"no the last track is {LAST}"
        # Outward to the track-zero sensor first, where the track is not known.
        pulses(-LAST if track is None else 0)
        pulses(int(found[1]) - (track or 0))
        track = int(found[1])
    elif found := re.fullmatch(r"step (in|out) (\d+) (\d+)", words):
        by = int(found[2]) * (1 if found[1] == "in" else -1)
        if track is None or not 0 <= track + by <= LAST:
            return "no that is beyond a stop, or no track is known"
        pulses(by, int(found[3]))
        track += by
    elif found := re.fullmatch(r"head ([01])", words):
        head = int(found[1])
    elif found := re.fullmatch(r"motor (on|off)", words):
        motor = found[1]
    elif words != "where":
        return "no such word"
    return f"ok track {'?' if track is None else track} head {head} motor {motor}"


for line in sys.stdin:
    print(answer(line.strip()), flush=True)
