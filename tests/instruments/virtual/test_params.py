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
    windows_of,
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
        *(
            (f"windows={text}", [f"windows is “{text}”", "START:LENGTH:SIDE in degrees"])
            for text in (
                "here",
                "15:100:outward",
                "15:100:outward,190:45:outward",
                "15:100:outward,100:45:inward",
                "190:45:inward,15:100:outward",
                "15:100:outward,350:45:inward",
                "-5:100:outward,190:45:inward",
                "15:nan:outward,190:45:inward",
                "15:100:up,190:45:inward",
                "15:0:outward,190:45:inward",
            )
        ),
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


def test_an_address_that_was_kept_means_the_same_and_may_still_stand():
    """An address leaves out what is at its default, so neither defaults nor limits may move."""
    told = {
        name: " ".join(option.choices) if option.choices else f"{option.low:g} {option.high:g}"
        for name, option in OPTIONS.items()
    }
    assert [f"{name} {OPTIONS[name].default} {told[name]}" for name in OPTIONS] == KEPT.split("\n")
    assert OPTIONS["seed"].high == 2**63 - 1


KEPT = """\
offset_um 25.0 -2000 2000
seed 1 0 9.22337e+18
rate 1000000.0 1000 1e+08
practice none none drawn misaligned loose-clamp sticky-positioner wrong-wiring worn-disk \
wrong-disk two-heads
pace live live fast
recording two-band two-band boundary alternating beat windows track
track_um 300.0 20 2000
scale_um 178.0 10 2000
band_eccentricity 1.4 1.05 5
pairs 6 2 18
windows 15:100:outward,190:45:inward -inf inf
first_lobe 0.5 0.05 0.95
head_um 330.0 20 2000
carrier_hz 125000.0 1000 2e+06
speed_rpm 300.0 30 3000
wow_percent 0.15 0 20
wow_hz 1.3 0.01 100
drift_percent 0.05 0 20
drift_period_s 90.0 10 100000
clamp_um 8.0 0 200
oval_um 0.5 0 100
backlash_um 6.0 0 200
slope_um 0.0 -200 200
phase_um 0.0 -200 200
long_seek_um 0.0 -100 100
play_um 0.0 0 200
warm_um 0.0 -200 200
warm_minutes 10.0 0.1 1000
worn nothing nothing rails lubrication belt cone pad
screws loose loose tight
creep_um 6.0 -50 50
creep_scatter_um 3.0 0 50
hand_percent 10.0 0 50
hand_um 2.0 0 50
side_um 0.0 -500 500
age_months 0.0 0 1200
ageing_um 0.5 -50 50
ageing_rpm -0.01 -5 5
azimuth_arcmin 4.0 -60 60
azimuth_side_arcmin -7.0 -60 60
index_burst_us 210.0 0 5000
index_side_us 15.0 -1000 1000
protect works works fails
spacing_um 0.5 0 5
modulation_percent 3.0 0 90
asymmetry_ns 60.0 -2000 2000
amplitude_v 0.4 1e-06 100
snr_db 35.0 -40 inf
hum_v 0.02 0 100
hum_hz 50.0 40 70
mismatch_percent 1.0 -50 50
dc_v 0.0 -100 100
third_harmonic 0.02 0 0.5
radial_modulation_percent 0.0 0 50
spindle_modulation_percent 0.0 0 50
blank_deg 0.0 0 90
drop_outs 0 0 100
drop_out_place fixed fixed random
drop_out_deg 1.0 0.01 30
drop_out_depth 0.8 0 1
index_v 5.0 0 100
index_polarity low low high
index_width_ms 4.0 0.01 60
index_edge_us 1.0 0 1000
low_corner_hz 0.0 0 1000
detector_threshold_v 0.0 0 10
bits 0 0 24
full_scale_v inf 0.001 inf"""


@pytest.mark.parametrize(
    ("text", "fits"),
    [
        ("15:100:outward,115:45:inward", True),
        ("15:100:outward,114.9:45:inward", False),
        ("0:1:outward,359:1:inward", True),
        ("0:0.9:outward,100:45:inward", False),
        ("15:100:outward,350:10.1:inward", False),
    ],
)
def test_windows_may_touch_and_not_overlap(text, fits):
    assert (windows_of(text) is not None) == fits
