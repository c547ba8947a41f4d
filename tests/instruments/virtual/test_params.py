"""The table of options, and what is said of one that cannot be used."""

from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.address import open_address
from instruments.source import AddressError
from instruments.virtual.params import (
    OPTIONS,
    VirtualParams,
    format_address,
    help_text,
    read_options,
)

ALONE = [name for name in OPTIONS if name != "bits"]
"""Options that may stand whatever the others are; bits needs a full scale."""


def test_every_setting_is_in_the_table_with_a_sentence_and_a_default_that_may_stand():
    assert list(OPTIONS) == [entry.name for entry in fields(VirtualParams)]
    for option in OPTIONS.values():
        assert option.accepts(option.default)
        assert option.help.endswith(".")
        assert option.help in help_text()
        assert option.allowed in help_text()


def test_nothing_said_is_the_default():
    assert read_options("sim:", {}) == VirtualParams()
    assert format_address(VirtualParams()) == "sim:"


def test_options_are_read_as_their_kind():
    params = read_options(
        "sim:", {"offset_um": "-3.5", "seed": "7", "recording": "boundary", "snr_db": "inf"}
    )
    assert params == VirtualParams(
        offset_um=-3.5, seed=7, recording="boundary", snr_db=float("inf")
    )


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("offest_um=3", ["“offest_um” is not an option", "offset_um"]),
        ("offset_um=here", ["offset_um is “here”", "a number from -2000 to 2000"]),
        ("offset_um=1e9", ["offset_um is “1e9”", "a number from -2000 to 2000"]),
        ("offset_um=nan", ["offset_um is “nan”"]),
        ("rate=10", ["rate is “10”", "a number from 1000 to 100000000"]),
        ("pairs=2.5", ["pairs is “2.5”", "a whole number from 2 to 18"]),
        ("recording=spiral", ["recording is “spiral”", "two-band or boundary or alternating"]),
        ("snr_db=-inf", ["snr_db is “-inf”", "a number from -40 up, or inf"]),
        ("bits=8", ["bits needs a full scale", "full_scale_v=1"]),
        ("seed=1&seed=2", ["seed"]),
        ("seed", ["seed"]),
    ],
)
def test_an_option_that_cannot_be_used_is_named_with_what_can(query, words):
    with pytest.raises(AddressError) as caught:
        open_address(f"sim:{query}")
    message = str(caught.value)
    assert "\n" not in message
    for word in words:
        assert word in message


@pytest.mark.parametrize("value", [float("nan"), "25", None, True, 1e9])
def test_settings_are_checked_in_code_too(value):
    with pytest.raises(AddressError, match="offset_um"):
        VirtualParams(offset_um=value)


@given(st.dictionaries(st.sampled_from([*ALONE, "other"]), st.text(max_size=8), max_size=4))
def test_any_text_gives_settings_or_an_address_error(texts):
    fits = all(
        name in OPTIONS and OPTIONS[name].accepts(OPTIONS[name].read(text))
        for name, text in texts.items()
    )
    if not fits:
        with pytest.raises(AddressError):
            read_options("sim:", texts)
        return
    params = read_options("sim:", texts)
    for name, text in texts.items():
        assert getattr(params, name) == OPTIONS[name].kind(text)


@given(
    offset_um=st.floats(-2000, 2000),
    seed=st.integers(0, 2**63 - 1),
    recording=st.sampled_from(OPTIONS["recording"].choices),
)
def test_an_address_is_read_back_as_it_was_written(offset_um, seed, recording):
    params = VirtualParams(offset_um=offset_um, seed=seed, recording=recording)
    query = format_address(params).removeprefix("sim:")
    texts = dict(part.split("=") for part in query.split("&") if part)
    assert read_options("sim:", texts) == params
