"""Helpers for the tests of captures: read one whole, and work out the fixtures' numbers."""

from pathlib import Path

import numpy as np

from instruments.address import open_address
from instruments.source import SourceEnd, SourceRequest, parse_roles

FIXTURES = Path(__file__).parents[3] / "fixtures" / "captures"


def read_all(address, roles=None):
    """Open, read to the end and close; return the info and the blocks."""
    request = SourceRequest(roles=None if roles is None else parse_roles(roles))
    source = open_address(str(address), request)
    try:
        source.open()
        blocks = []
        while True:
            try:
                blocks.append(source.read(0.0))
            except SourceEnd:
                return source.info, blocks
    finally:
        source.close()


def samples_of(address, roles=None):
    """Return all samples of a capture without gaps, one array."""
    _, blocks = read_all(address, roles)
    return np.concatenate([block.samples_v for block in blocks])


def fixture_table(channels):
    """Return the numbers of every fixture: whole thousandths on sines of 40, 20, 13.3 frames."""
    frame = np.arange(400)
    sines = [np.sin(2 * np.pi * frame * (c + 1) / 40 + c) for c in range(channels)]
    return np.rint(500 * np.column_stack(sines)) / 1000
