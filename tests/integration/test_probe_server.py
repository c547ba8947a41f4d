"""A probe checked by way of a real PortAudio and a real sound server, a virtual probe between."""

import contextlib
import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.integration.screenreader import FOCUSED, SAID, screen_reader
from tests.integration.soundserver import running_server
from tests.integration.xdisplay import display, program
from tests.virtualprobe.draws import drawn, truth_of

pytestmark = [pytest.mark.real_time, pytest.mark.xdist_group("sound")]

RATE_HZ = 48_000
ROOT = Path(__file__).parents[2]


@contextlib.contextmanager
def patched(server, seed):
    """Lead the sink “play” through a probe to the sink “card”."""
    server.plug("play", RATE_HZ)
    server.plug("card", RATE_HZ)
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "tests.integration.patching",
            str(seed),
            str(RATE_HZ),
            "play",
            "card",
        ],
        cwd=ROOT,
        env=server.environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert process.stdout.readline() == b"ready\n"
        yield
    finally:
        process.stdin.close()
        process.wait(60)
        process.stdout.close()


def wired(server):
    """The environment of a program that hears the sink “card” and plays into “play”."""
    return {**server.environment, "PULSE_SOURCE": "card.monitor", "PULSE_SINK": "play"}


def evenlobe(server, *words):
    return subprocess.run(
        [sys.executable, "-m", "app", *words],
        cwd=ROOT,
        env=wired(server),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )


SOURCE = (f"sound:default?rate={RATE_HZ}", "--roles", "envelope,-")
CHECK = ("check-source", *SOURCE, "--seconds", "3")
KEPT = "what was played and found on"
PLAY = ("--play", "default", "--yes", "--json")


def proved(server):
    """Check until the server has let it through whole, as a person would: three times at most.

    A server on a busy machine drops some of what is played. What was found then is never kept.
    """
    for _ in range(2):
        done = evenlobe(server, *CHECK, *PLAY)
        if done.returncode == 0:
            return done
        assert done.returncode == 2, done.stderr
        assert KEPT not in evenlobe(server, *CHECK).stdout
    done = evenlobe(server, *CHECK, *PLAY)
    assert done.returncode == 0, done.stderr
    return done


@pytest.mark.slow
@pytest.mark.timeout(500)
@pytest.mark.parametrize("seed", range(5))
def test_a_probe_is_proved_through_a_sound_server(seed):
    with running_server() as server, patched(server, seed):
        done = proved(server)
        told = json.loads(done.stdout)
        again = evenlobe(server, *CHECK)
    found = told["detector"]
    parts, _, _ = drawn(seed)
    truth = truth_of(parts, found["level"])
    assert found["low_corner_hz"]["value"] == pytest.approx(truth.corner_hz, rel=0.02)
    assert found["threshold_v"]["value"] == pytest.approx(truth.threshold_v, abs=0.01 * truth.top_v)
    # And found again by its identity.
    assert KEPT in again.stdout, again.stdout + again.stderr


def test_nothing_comes_back_from_a_sink_that_is_not_wired():
    with running_server() as server:
        server.plug("play", RATE_HZ)
        server.plug("card", RATE_HZ)
        # The monitor of a null sink is digitally silent.
        done = evenlobe(server, *CHECK, *PLAY, "--at-most", "1")
    assert done.returncode == 2
    assert "nothing came back up to 1 % of full scale" in done.stderr


def keys_at(reader):
    """Return what has the keys once no more is told of that: what comes late is of a key before."""
    at = ""
    while (each := reader.next(1.0)) is not None or not at:
        if each is not None and each[0] == FOCUSED:
            at = each[1]
    return at


def told(reader, kind, *words, within_s=120.0):
    """Return the first that is told of this kind and has one of the words in it."""
    heard, end_s = [], time.monotonic() + within_s
    while time.monotonic() < end_s:
        each = reader.next(1.0)
        heard.append(each)
        if each is not None and each[0] == kind and any(word in each[1] for word in words):
            return each[1]
    return pytest.fail(f"none of {words} was {kind}, but {heard[-12:]}")


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_a_probe_is_measured_in_the_window_by_keys(tmp_path):
    seed = 0
    with contextlib.ExitStack() as stack:
        server = stack.enter_context(running_server())
        stack.enter_context(patched(server, seed))
        screen = stack.enter_context(display(tmp_path, (1024, 640)))
        stack.enter_context(screen.managed())
        shown = {name: screen.environment[name] for name in ("DISPLAY", "QT_QPA_PLATFORM")}
        reader = stack.enter_context(screen_reader({**wired(server), **shown}))
        book = str(tmp_path / "book.sqlite3")
        stack.enter_context(program(reader.environment, *SOURCE, "--book", book))
        screen.fill("Evenlobe")
        screen.press("F2")
        told(reader, FOCUSED, "Sources")
        for _ in range(40):
            screen.press("Tab")
            if "Measure the probe" in keys_at(reader):
                break
        screen.press("space")
        told(reader, FOCUSED, "Output that plays")
        # What is no output is said, and the field has the keys again by then.
        screen.type("nowhere")
        screen.press("Return")
        assert "sound output “nowhere”: it is not there" in told(reader, SAID, "play again")
        screen.press("ctrl+a")
        screen.type("default")
        for _ in range(3):  # as in `proved`
            screen.press("Return")
            answer = told(reader, SAID, "Measured, and kept", "play again")
            if "kept: this" in answer:
                break
        again = evenlobe(server, *CHECK)
    assert "read by it from now on. Its low corner is" in answer
    parts, _, _ = drawn(seed)
    corner_hz = float(answer.split("corner is ")[1].split()[0])
    assert corner_hz == pytest.approx(truth_of(parts, 1.0).corner_hz, rel=0.02)
    assert KEPT in again.stdout, again.stdout + again.stderr
