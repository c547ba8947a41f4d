"""Draws of the hunt which once were valid and wrong, or refused though plain."""

import pytest

from tests.hunt.campaign import Key, tried


@pytest.mark.parametrize(
    "key",
    [
        Key("one-rail", 7777, 19),
        Key("one-rail", 7777, 21),
        Key("clipping", 7777, 10),
        Key("saturation", 31337, 7),
        Key("envelope-hum", 9101, 38),
        Key("windows-open", 9103, 6),
        Key("narrow-head", 424242, 1),
    ],
    ids=lambda key: f"{key.name}-{key.seed}-{key.number}",
)
def test_what_was_wrong_once_is_not_again(key):
    assert not tried(key).verdict.faults()


@pytest.mark.parametrize("key", [Key("spikes", 31337, 7)], ids=lambda key: key.name)
def test_what_is_plain_is_read(key):
    verdict = tried(key).verdict
    assert verdict.valid
    assert not verdict.faults()
