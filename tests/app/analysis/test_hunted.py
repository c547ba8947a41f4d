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
        Key("narrow-head-even", 9105, 0),
        Key("far-two-band", 424242, 6),
        Key("residual", 424242, 7),
        Key("residual-boundary", 51001, 0),
        Key("head-moved", 424242, 8),
        Key("upside-down", 424242, 1),
        Key("mixed", 424242, 85),
        Key("mixed", 424242, 102),
        Key("mixed", 424242, 274),
        Key("mixed", 424242, 280),
        Key("mixed", 51010, 3),
        Key("mixed", 80808, 14),
    ],
    ids=lambda key: f"{key.name}-{key.seed}-{key.number}",
)
def test_what_was_wrong_once_is_not_again(key):
    assert not tried(key).verdict.faults()


@pytest.mark.parametrize(
    "key",
    [Key("spikes", 31337, 7), Key("many-groups", 51001, 1), Key("many-groups", 51006, 13)],
    ids=lambda key: f"{key.name}-{key.number}",
)
def test_what_is_plain_is_read(key):
    verdict = tried(key).verdict
    assert verdict.valid
    assert not verdict.faults()
