"""What scopes tell of a record. Layouts from the makers' programming guides (from memory)."""

import contextlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.scope.preamble import PARSERS, PreambleError, number


def parse(name, **answers):
    return PARSERS[name].parse(answers)


@pytest.mark.parametrize(
    ("answer", "value"),
    [
        # NR1, NR2 and NR3 of IEEE 488.2, 8.7.2 to 8.7.4, with what some put around them.
        ("42", 42),
        ("+1.5", 1.5),
        ("-.25E+1", -2.5),
        ("5.00E-01V", 0.5),
        ("C1:VDIV 5.00E-01V", 0.5),
        ("TDIV 2.00E-03S", 2e-3),
        ("1.00GSa/s", 1e9),
        ("SARA 500MSa/s", 5e8),
        ("12.5kSa/s", 12500),
        (" 7 \r", 7),
        ("0.5 V", 0.5),
        # SI prefixes, as scopes of two makers answer (scopes' programming guides).
        ("20.0us", 20e-6),
        ("500mV", 0.5),
        ("2.00ns", 2e-9),
        ("TDIV 50.0ms", 0.05),
        ("1.4M", 1.4e6),
        ("14Mpts", 14e6),
        ("70kSa", 7e4),
        ("+0", 0),
    ],
)
def test_numbers(answer, value):
    assert number(answer) == pytest.approx(value)
    assert number(answer.encode()) == pytest.approx(value)


@pytest.mark.parametrize("answer", ["", "V", "****", "nan", "inf", "\xff\xfe", "e5"])
def test_no_numbers(answer):
    with pytest.raises(PreambleError):
        number(answer)


# Infinity, its opposite and no number (SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5, from memory).
@pytest.mark.parametrize("answer", ["9.9E+37", "-9.9E+37", "9.91E+37"])
def test_numbers_that_stand_for_none(answer):
    with pytest.raises(PreambleError):
        number(answer)


@given(st.binary(max_size=20))
def test_any_answer_gives_a_number_or_the_error(answer):
    with contextlib.suppress(PreambleError):
        assert abs(number(answer)) < 1e37


TEN = b"0,1,1200,1,5.0e-4,-3.0e-1,0,2.0e-2,-10,127"


def test_ten_fields():
    told = parse("ten-fields", preamble=TEN)
    assert (told.points, told.interval_s, told.start_s) == (1200, 5e-4, -0.3)
    assert told.fields == {"yinc": 0.02, "yorig": -10, "yref": 127}
    assert told.pairs is None  # type 1 is peak to one maker and the memory to the other


@pytest.mark.parametrize(
    ("preamble", "words"),
    [
        (b"0,1,1200", "3 fields and not 10"),
        (TEN.replace(b"1200", b"-3"), "number of points is -3"),
        (TEN.replace(b"1200", b"1.5"), "number of points is 1.5"),
        (TEN.replace(b"5.0e-4", b"-1"), "time between points is -1"),
        (TEN.replace(b"2.0e-2", b"garbage"), "'garbage' where a number"),
    ],
)
def test_ten_fields_that_do_not_describe_a_record(preamble, words):
    with pytest.raises(PreambleError, match=words):
        parse("ten-fields", preamble=preamble)


ONE_BY_ONE = {
    "points": b"10000",
    "point_format": b"ENV",
    "ymult": b"4.0E-3",
    "yoff": b"25",
    "yzero": b"0.2",
    "xincr": b"5.0E-5",
    "xzero": b"-1.0E-3",
    "pt_off": b"100",
}


def test_one_by_one():
    told = parse("one-by-one", **ONE_BY_ONE)
    assert (told.points, told.pairs) == (10000, True)
    # X = XZEro + XINcr·(n − PT_Off): TDS2012C programmer manual, p. 205.
    assert told.start_s == pytest.approx(-6e-3)
    assert parse("one-by-one", **{**ONE_BY_ONE, "point_format": b"Y"}).pairs is False
    assert parse("one-by-one", **{**ONE_BY_ONE, "point_format": b'"ENV"'}).pairs is True


def test_divisions():
    told = parse("divisions", vdiv=b"5.00E-01V", offset=b"-1.00E-01V", rate=b"20.0kSa/s")
    assert told.fields == {"vdiv": 0.5, "offset": -0.1}
    assert told.interval_s == pytest.approx(5e-5)
    assert parse("divisions", vdiv=b"1", offset=b"0", rate=b"0").interval_s == 0


def descriptor(order="<", *, points=6, gain=0.003, offset=0.5, size=346, lengths=None, junk=b""):
    """A descriptor as the 2.3 template of the maker of family C1 lays it out."""
    raw = bytearray(size)
    raw[:8] = b"WAVEDESC"
    struct.pack_into(f"{order}h", raw, 34, 1 if order == "<" else 0)
    struct.pack_into(f"{order}7i", raw, 36, *(lengths or (size, 0, 0, 0, 0, 0, points)))
    struct.pack_into(f"{order}i", raw, 116, points)
    struct.pack_into(f"{order}2f", raw, 156, gain, offset)
    struct.pack_into(f"{order}f", raw, 0xA4, 30)
    struct.pack_into(f"{order}f", raw, 176, 1e-4)
    struct.pack_into(f"{order}d", raw, 180, -0.02)
    if size >= 346:
        struct.pack_into(f"{order}f", raw, 0x148, 10)
    return junk + bytes(raw)


@pytest.mark.parametrize("order", "<>")
def test_descriptor_and_data(order):
    block = descriptor(order) + b"abcdef"
    told = parse("descriptor-and-data", data=block)
    assert block[told.data_at :] == b"abcdef"
    assert (told.points, told.start_s) == (6, -0.02)
    assert told.fields == {"gain": pytest.approx(0.003), "offset": 0.5}
    assert told.interval_s == pytest.approx(1e-4)


def test_descriptor_and_rest():
    """The data go on to the block's end, whatever number of points is told."""
    for order in "<>":
        block = descriptor(order, points=999) + b"abcdef"
        told = parse("descriptor-and-rest", data=block)
        assert (block[told.data_at :], told.points) == (b"abcdef", None)
        assert (told.start_s, told.interval_s) == (-0.02, pytest.approx(1e-4))
        assert told.fields == {"gain": pytest.approx(0.003), "offset": 0.5}


def test_a_descriptor_s_order_is_that_in_which_its_length_makes_sense():
    # One maker's COMM_ORDER has 0 for the high byte first, another's descriptors ignore it.
    block = bytearray(descriptor("<") + b"abcdef")
    block[34:36] = b"\0\0"
    assert parse("descriptor-and-data", data=bytes(block)).points == 6


def test_parts_between_descriptor_and_data_are_passed_over():
    block = descriptor(lengths=(346, 0, 8, 0, 4, 0, 3), points=3) + b"12345678abcdXYZ"
    assert block[parse("descriptor-and-data", data=block).data_at :] == b"XYZ"


@pytest.mark.parametrize("size", [346, 368, 369])
@pytest.mark.parametrize("order", "<>")
def test_descriptor_alone_of_either_length(size, order):
    told = parse("descriptor", preamble=descriptor(order, size=size, points=9, gain=0.1))
    assert told.points == 9
    assert told.fields == {
        "vdiv": pytest.approx(0.1),
        "offset": 0.5,
        "codes_per_div": 30,
        "probe": 10,
    }


@pytest.mark.parametrize(
    "block",
    [
        b"",
        b"WAVEDESC",
        descriptor()[:300],
        descriptor(gain=float("nan")),
        descriptor(lengths=(346, -1, 0, 0, 0, 0, 6)),
        descriptor(lengths=(346, 10**6, 0, 0, 0, 0, 6)),
    ],
)
def test_descriptors_that_cannot_be_meant(block):
    with pytest.raises(PreambleError):
        parse("descriptor-and-data", data=block)


@given(st.binary(max_size=400))
def test_any_bytes_give_a_preamble_or_the_error(block):
    for name, answer in (("descriptor-and-data", "data"), ("descriptor", "preamble")):
        with pytest.raises(PreambleError):
            PARSERS[name].parse({answer: block})


def test_four_fields():
    told = parse("four-fields", preamble=b"-0.1,0.5,600,2")
    assert (told.points, told.pairs, told.start_s) == (1200, True, -0.1)
    assert told.interval_s == pytest.approx(1e-3)
    assert parse("four-fields", preamble=b"0,1,100,1").pairs is False
    for wrong in (b"0,1,100", b"0,1,100,3", b"0,1,0,1", b"1,0,100,1"):
        with pytest.raises(PreambleError):
            parse("four-fields", preamble=wrong)
