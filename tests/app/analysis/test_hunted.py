"""Draws of the hunt which once were valid and wrong: now they are right, held by u, or refused."""

import pytest

from tests.hunt.campaign import Key, tried


@pytest.mark.parametrize(
    "key",
    [
        Key("one-rail", 7777, 19),
        Key("one-rail", 7777, 21),
        Key("clipping", 7777, 10),
        Key("saturation", 31337, 7),
    ],
    ids=lambda key: f"{key.name}-{key.seed}-{key.number}",
)
def test_what_was_wrong_once_is_not_again(key):
    assert not tried(key).verdict.faults()
