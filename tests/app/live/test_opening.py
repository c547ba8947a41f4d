"""What a form states is what the command line takes, and comes back into the form."""

import os
import shlex
from pathlib import Path

import pytest

from app.cli.arguments import parse
from app.live.opening import KINDS, Opening, address_of, stated_by
from instruments.address import open_address
from instruments.source import SourceError

OPENINGS = (
    Opening("sim:"),
    Opening("sim:offset_um=-40&seed=2&wow_percent=1"),
    Opening("file:/home/m/a b.wav"),
    Opening("file:/home/m/scope.csv?rate=1e6", "-,differential"),
    Opening("sound:"),
    Opening("sound:Card 2, ALSA?rate=192000&full_scale_v=2&low_corner_hz=7+-10%", "plus,minus"),
    Opening("sound:1?rate=48000", "envelope,index", "7+-10%", "0.2"),
    Opening("visa:"),
    Opening("visa:TCPIP::192.0.2.7::5025::SOCKET?trigger=free&coupling=dc&probe=10"),
    Opening("visa:TCPIP::192.0.2.7::5555::SOCKET"),
    Opening("visa:USB0::0x1234::0x5678::SERIAL::INSTR?family=A2"),
    Opening("visa:ASRL/dev/ttyUSB0::INSTR?baud=115200"),
    Opening("run:arecord -q -D hw:1 -t wav -"),
    Opening("run:capture --fast?rate=1000000&dtype=int16&channels=2", "differential,index"),
    Opening("pipe:?rate=1000000&dtype=int16&channels=2"),
    Opening("sim:", steps="sim:"),
    Opening("sound:", "differential,index", steps="serial:/dev/ttyACM0?rate=50"),
)


@pytest.mark.parametrize("opening", OPENINGS, ids=lambda each: each.address)
def test_fields_give_back_the_address_that_filled_them(opening):
    stated = stated_by(opening)
    assert address_of(stated.kind, stated.body, stated.options) == opening.address
    assert stated.roles == opening.roles


@pytest.mark.parametrize("opening", OPENINGS, ids=lambda each: each.address)
def test_the_command_line_takes_the_same(opening):
    _, options = parse(shlex.split(opening.command))
    assert (options.steps or "") == opening.steps
    assert (options.source, options.roles or "") == (opening.address, opening.roles)
    if opening.envelope is not None:
        assert options.low_corner.value == opening.envelope.low_corner_hz == 7.0
        assert options.low_corner.part == opening.envelope.low_corner_part == 0.1
        assert options.detector_threshold.value == opening.envelope.detector_threshold_v == 0.2
    assert opening.fault() == ""


@pytest.mark.parametrize(
    ("typed", "address"),
    [
        ("192.0.2.7", "visa:TCPIP::192.0.2.7::5025::SOCKET"),
        (" scope.lan:5555 ", "visa:TCPIP::scope.lan::5555::SOCKET"),
        ("USB0::0x1::0x2::X::INSTR", "visa:USB0::0x1::0x2::X::INSTR"),
        ("ASRL3::INSTR", "visa:ASRL3::INSTR"),
        ("", "visa:"),
    ],
)
def test_a_scope_is_named_by_host_and_port_or_by_its_resource(typed, address):
    assert address_of(KINDS["visa"], typed, {"probe": " "}) == address


def test_every_option_of_a_form_is_one_that_the_reader_knows():
    bodies = {"file": "x.wav", "run": "true"}
    for kind in KINDS.values():
        for option in kind.options:
            address = address_of(kind, bodies.get(kind.scheme, ""), {option.key: "?"})
            said = ""
            try:
                open_address(address)  # “?” is no value of most, which is another matter
            except SourceError as fault:
                said = str(fault)
            assert "is not an option" not in said


@pytest.mark.parametrize(
    ("opening", "words"),
    [
        (Opening("file:"), "Capture: first state “File”"),
        (Opening("run: "), "Program: first state “Command”"),
        (Opening("sim:", "plus"), "the lobes need plus and minus together"),
        (Opening("sim:", "plus,both"), "“both” is not a role"),
        (Opening("sound:", "envelope", "low"), "low corner “low”: it must be a number"),
        (Opening("sound:?rate"), "must be NAME=VALUE"),
        (Opening("tape:reel"), "is not a kind of source"),
        (Opening("sound:", steps="sim:"), "steps “sim:”: it steps the virtual drive alone"),
        (Opening("sound:", steps="usb:"), "address “usb:” is none of a line that steps"),
        (Opening("sound:", steps="serial:"), "names no port; write serial:/dev/ttyACM0"),
        (Opening("sound:", steps="serial:/dev/x?rate=5000"), "rate"),
        (Opening("sound:", steps="run:"), "names no program; write run:PROGRAM"),
    ],
)
def test_what_cannot_be_opened_is_said_in_one_sentence(opening, words):
    assert words in opening.fault()


def test_roles_in_an_address_are_shown_and_those_beside_it_count_first():
    assert stated_by(Opening("visa:?roles=plus,minus")).roles == "plus,minus"
    assert stated_by(Opening("visa:?roles=plus,minus", "differential")).roles == "differential"


def test_what_lasts_is_a_whole_path_and_never_a_program(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    expected = f"file:{tmp_path / 'found.wav'}?rate=5"
    assert Opening("found.wav?rate=5", "differential").lasting == Opening(expected, "differential")
    assert Opening("~/found.wav").lasting == Opening(f"file:{Path.home()}{os.sep}found.wav")
    assert Opening("pipe:").lasting is None
    assert Opening("run:capture").lasting is None
    assert Opening("sim:seed=2").lasting == Opening("sim:seed=2")
    port = Opening("sound:", steps="serial:/dev/ttyACM0")
    assert port.lasting == port
    assert Opening("sound:", steps="run:stepper").lasting == Opening("sound:")
