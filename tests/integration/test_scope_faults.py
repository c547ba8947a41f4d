"""Every fault of the virtual scope over every transport, each in a process with a kill timer.

Required of each: no hang beyond a record's deadline and a second, no crash, no wrong reading, and
the next good record is read right.
"""

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from instruments.virtual.scope import Fault

ROOT = Path(__file__).parents[2]
TRANSPORTS = ("socket", "vxi11", "hislip", "usb", "serial")
KILL_S = 90  # three places, each with its deadline, the connecting anew and two records
AT_ONCE = 5

# Faults after which nothing but a new connection helps, whatever the link.
BROKEN = {Fault.STALL, Fault.CLOSE, Fault.RESET}
# Faults that spoil no record.
HARMLESS = {Fault.NO_NEWLINE, Fault.TWO_NEWLINES, Fault.JUNK_BEFORE, Fault.ERRORS}


def run(transport, family, fault):
    case = [sys.executable, "-m", "tests.instruments.scope.faultcase", transport, family, fault]
    done = subprocess.run(
        case, cwd=ROOT, capture_output=True, text=True, timeout=KILL_S, check=False
    )
    assert done.returncode == 0, f"{fault}: {done.stderr[-2000:]}"
    return fault, [json.loads(line) for line in done.stdout.splitlines()]


def check(fault, lines):
    places, closing = lines[:-1], lines[-1]
    assert [entry["place"] for entry in places] == ["start", "middle", "end"], fault
    for entry in places:
        told = f"{fault} at {entry['place']}: {entry}"
        # Ratio from one record of 8-bit codes against the drive's truth.
        assert entry["worst"] < 0.01, told
        assert entry["records"] >= 1, told
        if fault in BROKEN:
            assert entry["said"].startswith("scope “"), told
        if fault in HARMLESS:
            assert not entry["said"], told
    assert closing["close_s"] < 2, fault


@pytest.mark.timeout(300)
@pytest.mark.parametrize("transport", TRANSPORTS)
def test_every_fault_over(transport):
    with ThreadPoolExecutor(AT_ONCE) as pool:
        results = list(pool.map(lambda fault: run(transport, "A2", fault), Fault))
    assert len(results) == len(Fault)
    for fault, lines in results:
        check(fault, lines)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("family", ["A1", "A2-older", "B", "C1", "C2", "C3", "D"])
def test_faults_that_touch_a_family_s_own_grammar(family):
    faults = (Fault.WRONG_LENGTH, Fault.JUNK_AFTER, Fault.GARBAGE_TEXT, Fault.REFUSE)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for fault, lines in pool.map(lambda fault: run("socket", family, fault), faults):
            check(fault, lines)
