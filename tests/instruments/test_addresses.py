"""Addresses: which source stands behind one, and what is wrong with the others."""

import math
import os
import sys

import pytest

from instruments.address import attached_sources, join_address, open_address, split_address
from instruments.file.source import FileSource
from instruments.options import (
    AddressOptions,
    read_toleranced,
    split_options,
)
from instruments.scope import discover
from instruments.source import UNSTATED_TOLERANCE, AddressError, SourceRequest, parse_roles
from instruments.virtual.source import VirtualSource
from tests.instruments.file.captures import FIXTURES, read_all


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        ("sim:", VirtualSource),
        ("SIM:", VirtualSource),
        ("sim:offset_um=25&seed=1", VirtualSource),
        ("sim:?offset_um=25", VirtualSource),
        ("file:x.wav", FileSource),
        ("x.wav", FileSource),
        (r"C:\captures\x.wav", FileSource),
        (" x.csv?rate=1e6 ", FileSource),
    ],
)
def test_the_source_behind_an_address(address, kind):
    assert isinstance(open_address(address), kind)


@pytest.mark.parametrize("form", ["{}", "file:{}", "file:{}?full_scale_v=2", "{}?full_scale_v=2"])
def test_files_keep_the_address_as_typed(form):
    address = form.format(FIXTURES / "integers.wav")
    info, _ = read_all(address)
    assert info.name == address


def test_a_name_with_a_mark_in_it_is_a_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    content = (FIXTURES / "integers.wav").read_bytes()
    for name in ("what?.wav", "odd:name.wav", "sim:x"):
        (tmp_path / name).write_bytes(content)
        info, _ = read_all(name)
        assert info.length_frames == 400


def test_roles_reach_the_capture():
    request = SourceRequest(roles=parse_roles("-,differential"))
    source = open_address(str(FIXTURES / "integers.wav"), request)
    source.open()
    assert source.info.roles == ("differential",)
    source.close()


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("TCPIP::host::5025::SOCKET", "write visa:TCPIP::host::5025::SOCKET"),
        ("usb0::0x1::0x2::X::INSTR", "write visa:usb0::0x1::0x2::X::INSTR"),
        ("ASRL/dev/ttyUSB0::INSTR?baud=9600", "write visa:ASRL/dev/ttyUSB0::INSTR?baud=9600"),
        ("192.0.2.7", "write visa:TCPIP::192.0.2.7::5025::SOCKET"),
        ("192.0.2.7:5555", "write visa:TCPIP::192.0.2.7::5555::SOCKET"),
        ("", "no source is named"),
        (
            "tape:reel",
            "use sim:, file:, sound:, visa:, pipe: or run:",
        ),
        ("file:", "names no file"),
        ("pipe:?channels=1", "“rate” is missing, and raw frames do not tell it; write"),
        ("pipe:x?rate=1e6", "frames come on standard input"),
        ("pipe:?rate=1e6&dtype=int16", "“channels” is missing"),
        (
            "pipe:?rate=1e6&dtype=int8&channels=2",
            "“int8”; it must be int16 or int24",
        ),
        ("pipe:?rate=1e6&dtype=int16&channels=9", "“9”; it must lie between 1 and 8"),
        ("pipe:?rate=1e6&dtype=int16&channels=1.5", "“1.5”; it must be a whole number"),
        ("pipe:?rate=1&dtype=int16&channels=1", "between 1000 and 1e+09"),
        ("pipe:?rate=1e6&dtype=int16&channels=1&gain=2", "“gain” is not an option here"),
        ("file:x.csv?rate", "the option “rate” must be NAME=VALUE"),
        ("file:x.csv?rate=", "the option “rate=” must be NAME=VALUE"),
        ("file:x.csv?=5", "must be NAME=VALUE"),
        ("file:x.csv?rate=1&rate=2", "“rate” stands there twice"),
        ("file:x.csv?rate=fast", "“rate” is “fast”; it must be a number above 0"),
        ("file:x.csv?rate=nan", "above 0"),
        ("file:x.csv?rate=-5", "above 0"),
        ("file:x.csv?rte=5", "“rte” is not an option here; known: rate, full_scale_v"),
        ("sim:here?seed=1", "write sim:NAME=VALUE"),
        ("sim:unheard_of=1", "unheard_of"),
    ],
)
def test_addresses_that_cannot_be_used(address, words):
    with pytest.raises(AddressError) as caught:
        open_address(address)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_rate_for_a_file_that_states_its_own():
    with pytest.raises(AddressError, match="take “rate” out"):
        read_all(f"{FIXTURES / 'integers.wav'}?rate=5")


def test_options_are_split_once_for_every_kind():
    assert split_options("a", "Device 1?rate=5&x=a=b") == ("Device 1", {"rate": "5", "x": "a=b"})
    assert split_options("a", "Device 1") == ("Device 1", {})
    assert split_options("a", "Device 1?") == ("Device 1", {})


def test_options_are_read_by_one_reader_for_every_kind():
    given = AddressOptions("a", {"rate": "5e3", "corner": "0", "n": "2.5"}, ("rate", "corner", "n"))
    assert given.number("rate") == 5000.0
    assert given.number("full_scale_v") is None
    assert given.number("corner", 0.0, 1e3) == 0.0
    with pytest.raises(AddressError, match="“corner” is “0”; it must be a number above 0"):
        given.number("corner")
    with pytest.raises(AddressError, match="“rate” is “5e3”; it must lie between 1 and 10"):
        given.number("rate", 1, 10)
    with pytest.raises(AddressError, match=r"“n” is “2\.5”; it must be a whole number"):
        given.number("n", 1, 10, whole="a whole number")
    with pytest.raises(AddressError, match=r"“n” is “2\.5”; it must be one or two"):
        given.word("n", ("one", "two"))
    with pytest.raises(AddressError, match="known: none"):
        AddressOptions("a", {"x": "1"}, ())


def test_the_virtual_drive_is_always_there(monkeypatch):
    # No sound library at all: the list is shorter, and nothing is raised.
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    assert attached_sources().sources[0] == ("sim:", "Virtual drive")


def test_scopes_are_listed_beside_inputs_with_what_keeps_them_from_being_used(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    scope = ("visa:USB0::1::2::S123::INSTR", "USB instrument S123")
    found = discover.FoundScopes((scope,), ("there is a USB scope that speaks no SCPI",))
    waited = []
    monkeypatch.setattr(discover, "find_scopes", lambda within_s: waited.append(within_s) or found)
    attached = attached_sources()
    assert attached.sources == (("sim:", "Virtual drive"), scope)
    assert attached.hints == found.hints
    assert waited == [3.0]


def test_nothing_is_opened_by_naming_it(tmp_path):
    before = os.listdir("/proc/self/fd") if os.path.isdir("/proc/self/fd") else []
    source = open_address(str(FIXTURES / "integers.wav"))
    after = os.listdir("/proc/self/fd") if os.path.isdir("/proc/self/fd") else []
    assert len(before) == len(after)
    source.close()


@pytest.mark.parametrize(
    "address",
    [
        "sim:",
        "sim:offset_um=25&seed=1",
        "file:a b.wav?rate=1e6",
        "sound:Card 1, ALSA?rate=192000",
        "visa:TCPIP::192.0.2.7::5025::SOCKET?probe=10",
        "run:arecord -t wav -",
        "run:capture a?b?rate=1e6&dtype=int16&channels=2",
        "pipe:?rate=1e6&dtype=int16&channels=2",
    ],
)
def test_an_address_is_joined_as_it_was_split(address):
    assert join_address(split_address(address)) == address


def test_a_path_is_taken_as_it_was_meant(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    (tmp_path / "~").mkdir()
    for typed in ("~/x.wav", "'~/x.wav'", '"~/x.wav"', f"file://{tmp_path}/x.wav", " ~/x.wav "):
        assert split_address(typed).body == f"{tmp_path}/x.wav", typed
    monkeypatch.chdir(tmp_path)
    assert split_address("~").body == "~"  # where there is one of that very name
    assert split_address("~nobody-here/x.wav").body == "~nobody-here/x.wav"


@pytest.mark.parametrize(
    ("text", "value", "part"),
    [
        ("7", 7.0, UNSTATED_TOLERANCE),
        ("0", 0.0, UNSTATED_TOLERANCE),
        ("7±10%", 7.0, 0.1),
        (" 7.5 +- 2.5 % ", 7.5, 0.025),
        ("7+/-0%", 7.0, 0.0),
        ("7±100%", 7.0, 1.0),
    ],
)
def test_a_value_is_read_with_its_tolerance(text, value, part):
    assert read_toleranced(text) == pytest.approx((value, part))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("seven", "a number, with a tolerance or without"),
        ("7±%", "a number, with a tolerance or without"),
        ("7±10", "a number, with a tolerance or without"),
        ("-1", "not negative"),
        ("inf", "not negative"),
        ("nan", "not negative"),
        ("7±101%", "from 0 to 100 %"),
        ("7±-1%", "from 0 to 100 %"),
        ("7±nan%", "from 0 to 100 %"),
    ],
)
def test_what_is_no_value_with_a_tolerance_is_told(text, said):
    with pytest.raises(ValueError, match=said):
        read_toleranced(text)


def test_a_number_may_be_either_end_of_what_is_allowed():
    def read(text, low, high):
        return AddressOptions("x:", {"n": text}, ["n"]).number("n", low, high)

    assert [read(text, 2.0, 5.0) for text in ("2", "5")] == [2.0, 5.0]
    for text in ("1.9", "5.1"):
        with pytest.raises(AddressError, match="must lie between 2 and 5"):
            read(text, 2.0, 5.0)
    # None is 0 but where that is the low end of a range.
    assert read("0", 0.0, 5.0) == 0.0
    for text, low, high in (("0", 1.0, 5.0), ("-1", 0.0, 5.0), ("0", 0.0, math.inf)):
        with pytest.raises(AddressError, match="a number above 0"):
            read(text, low, high)
