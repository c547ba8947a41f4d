"""A probe checked by way of a real PortAudio and a real sound server, a virtual probe between."""

import contextlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.integration.soundserver import running_server
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


def evenlobe(server, *words):
    environment = {**server.environment, "PULSE_SOURCE": "card.monitor", "PULSE_SINK": "play"}
    return subprocess.run(
        [sys.executable, "-m", "app", *words],
        cwd=ROOT,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )


CHECK = ("check-source", f"sound:default?rate={RATE_HZ}", "--roles", "envelope,-", "--seconds", "3")
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
