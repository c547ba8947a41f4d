"""Blocks for a black box, and a box that is written and kept."""

import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from app.blackbox.recorder import BlackBox, Why
from app.live.measurement import EnvelopeOptions
from app.live.session import OpenedAs
from app.profiles import load_profile
from instruments.source import Block, Role, SourceInfo
from tests.app.bench import until

RATE_HZ = 10_000.0


def heard(roles=(Role.DIFFERENTIAL,), **changes):
    info = SourceInfo("sound:", roles, "given", RATE_HZ, RATE_HZ / 2, **changes)
    return OpenedAs(info, load_profile("130mm-48tpi"), EnvelopeOptions())


def block(samples_v, first_index=0, **changes):
    samples_v = np.asarray(samples_v, np.float32).reshape(len(samples_v), -1)
    at_s = time.monotonic() + first_index / RATE_HZ
    return Block(samples_v, RATE_HZ, first_index, at_s, **changes)


@contextmanager
def running(folder):
    box = BlackBox(folder)
    try:
        yield box
    finally:
        box.end()


def news(box):
    found = []

    def came():
        said = box.said()
        if said is not None:
            found.append(said)
        return bool(found)

    until(came, "what became of a black box")
    return found[0]


def kept(box, why=Why.KEY) -> Path:
    box.keep(why)
    said = news(box)
    assert said.path is not None, said
    return said.path
