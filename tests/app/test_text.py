import json
import math
import re
from dataclasses import fields, replace

import pytest

from app.analysis import messages
from app.analysis.results import Message, Quantity, Sign, Verdict
from app.live.measurement import Measured
from app.profiles import load_profile
from app.text import plus_minus, reading_as_json, reading_as_text, roles_note
from instruments.source import Role, SourceInfo
from tests.app.dashboard.fakes import parked, reading

# The object's keys in order.
KEYS = [
    "schema",
    "source",
    "virtual",
    "profile",
    "roles",
    "duration_s",
    "revolutions",
    "valid",
    "reasons",
    "notes",
    "geometry",
    "speed_rpm",
    "carrier_hz",
    "snr_db",
    "lobes_v",
    "balance",
    "ratio",
    "difference",
    "offset_um",
    "sign_known",
    "calibrated",
    "detector_unproved",
    "limits",
]
QUANTITIES = ("speed_rpm", "carrier_hz", "balance", "ratio", "difference", "offset_um")
PROFILE = load_profile("130mm-48tpi")


def measured(result, **changes):
    plain = {
        "name": "found.wav",
        "roles": (Role.PLUS, Role.MINUS),
        "roles_from": "given",
        "sample_rate_hz": 1e6,
        "bandwidth_hz": 5e5,
        "notes": ("The volts are relative.",),
    }
    return Measured(result, SourceInfo(**(plain | changes)), 2.5)


def as_json(result, **changes):
    """As it is printed, and read again by a strict reader."""
    text = json.dumps(reading_as_json(measured(result, **changes), PROFILE), allow_nan=False)

    def refuse(word):
        raise AssertionError(f"{word} is no JSON (RFC 8259, 6)")

    return json.loads(text, parse_constant=refuse)


def test_object_has_these_keys_and_no_other():
    made = as_json(reading(notes=(Message("said {0}", ("twice",)),)))
    assert list(made) == KEYS
    assert list(made["lobes_v"]) == ["first", "second"]
    assert list(made["limits"]) == ["set", "check"]
    for quantity in (*(made[name] for name in QUANTITIES), *made["lobes_v"].values()):
        assert list(quantity) == ["value", "u"]
    assert made["schema"] == "evenlobe.reading/1"
    assert (made["source"], made["virtual"]) == ("found.wav", False)
    assert (made["profile"], made["roles"]) == ("130mm-48tpi", ["plus", "minus"])
    assert (made["duration_s"], made["revolutions"]) == (2.5, 3)
    assert (made["valid"], made["reasons"]) == (True, [])
    assert made["notes"] == ["The volts are relative.", "said twice"]
    assert made["geometry"] == "two-band"
    assert made["balance"] == {"value": 0.12, "u": 0.002}
    assert (made["sign_known"], made["calibrated"]) == (True, False)
    assert made["limits"] == {"set": "fail", "check": "pass"}


def test_what_a_number_hangs_on_stands_at_it_in_text_and_object():
    unproved = reading(notes=(messages.DETECTOR_UNPROVED,))
    lines = dict(line.split(None, 1) for line in shown_text(unproved).splitlines() if " " in line)
    for name in ("ratio", "difference", "balance"):
        assert lines[name].endswith(", detector unproved")
    assert lines["offset"].endswith(", head outward, uncalibrated, detector unproved")
    assert as_json(unproved)["detector_unproved"] is True
    sure = reading(calibrated=True)
    assert not {"uncalibrated", "unproved"} & set(re.findall(r"\w+", shown_text(sure)))
    assert as_json(sure)["detector_unproved"] is False


def shown_text(result):
    return reading_as_text(measured(result), PROFILE)


def test_without_a_reading_the_object_keeps_its_shape():
    made = as_json(parked("no carrier"))
    assert list(made) == KEYS
    assert (made["valid"], made["reasons"]) == (False, ["no carrier"])
    assert made["lobes_v"] == {"first": None, "second": None}
    assert made["limits"] == {"set": None, "check": None}
    for name in (*QUANTITIES, "geometry", "snr_db"):
        assert made[name] is None


@pytest.mark.parametrize("odd", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_null(odd):
    whole = reading()
    spoilt = {
        field.name: Quantity(odd, 0.1) if field.name.startswith("s") else Quantity(0.1, odd)
        for field in fields(whole)
        if isinstance(getattr(whole, field.name), Quantity)
    }
    made = as_json(replace(whole, snr_db=odd, **spoilt))
    assert made["lobes_v"] == {"first": None, "second": None}
    for name in (*QUANTITIES, "snr_db"):
        assert made[name] is None
    assert "nan" not in reading_as_text(measured(replace(whole, **spoilt)), PROFILE)


@pytest.mark.parametrize(("sign", "known"), [(s, s is not Sign.UNKNOWN) for s in Sign])
def test_a_taught_sign_is_known(sign, known):
    assert as_json(reading(sign=sign))["sign_known"] is known


def test_roles_that_nobody_gave_are_told_in_object_and_text():
    for whence, words in (("file", "the file's own names"), ("default", "the default")):
        note = f"roles are {words}: plus,minus"
        assert as_json(reading(), roles_from=whence)["notes"][0] == note
        assert note in reading_as_text(measured(reading(), roles_from=whence), PROFILE)
    assert roles_note("given", ("plus", "minus")) == ""


# JCGM 100 (GUM), 7.2.6: uncertainties need no more than two digits, and the value ends where
# its uncertainty does.
@pytest.mark.parametrize(
    ("value", "u", "words"),
    [
        (0.762588, 0.00039, "0.76259 ± 0.00078"),
        (23.976, 2.4249, "24.0 ± 4.8"),
        (300.07, 12.4, "300 ± 25"),
        (300.07, 124.0, "300 ± 248"),
        (-0.0812, 0.005, "-0.081 ± 0.010"),
        (1.0, 0.0, "1.000 ± 0.000"),
        (math.nan, 1.0, "not known"),
        (1.0, math.inf, "not known"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_digit(value, u, words):
    assert plus_minus(Quantity(value, u)) == words


def test_text_says_what_the_person_needs():
    text = reading_as_text(measured(reading(), virtual=True), PROFILE)
    for words in (
        "found.wav  [virtual drive]",
        "ratio        0.7857",
        "head outward",
        "set (15 %) fail, check (30 %) pass",
        "turns        3 in 2.500 s",
        "recording    two-band",
        "note         The volts are relative.",
    ):
        assert words in text


def test_text_without_a_sign_gives_magnitudes():
    text = reading_as_text(measured(reading(sign=Sign.UNKNOWN, side=None)), PROFILE)
    assert "magnitude: sign unknown" in text
    assert "head" not in text


def test_text_without_a_reading_gives_reasons_and_no_number():
    text = reading_as_text(measured(parked("clipped: too loud")), PROFILE)
    assert "no reading   clipped: too loud" in text
    for name in ("ratio", "balance", "offset", "difference", "limits"):
        assert name not in text


def test_an_undecided_limit_is_said_so():
    text = reading_as_text(measured(reading(set_limit=Verdict.UNDECIDED)), PROFILE)
    assert "set (15 %) undecided" in text


def test_a_line_break_in_a_name_forges_no_figure():
    text = reading_as_text(measured(parked(), name="x\nratio        1.00000 ± 0.00001"), PROFILE)
    assert text.splitlines()[0] == "source       x\ufffdratio        1.00000 ± 0.00001"
    assert [line for line in text.splitlines() if line.startswith("ratio")] == []
