"""What sources say when they cannot be opened, in the window's language."""

import ast
import inspect
import socket

import pytest
from PySide6.QtCore import QCoreApplication

from app.dashboard.source_words import SENTENCES, source_words
from app.dashboard.translation import Translation
from app.live import loop_check, proving
from app.live.opening import Opening
from instruments.address import open_address
from instruments.sound import capture, portaudio, server, source
from instruments.source import SourceError, SourceRequest


@pytest.fixture
def german(qapp):
    made = Translation("de")
    qapp.installTranslator(made)
    yield
    qapp.removeTranslator(made)


def said_of(address):
    """What is said when an address is opened."""
    with pytest.raises(SourceError) as told:
        open_address(address, SourceRequest()).open()
    return str(told.value)


def test_what_goes_wrong_the_oftenest_is_said_in_german(german, tmp_path):
    for name, content in (("notes.txt", b"hello"), ("none.wav", b""), ("odd.wav", b"\1\2" * 99)):
        (tmp_path / name).write_bytes(content)
    (tmp_path / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(99))
    with socket.create_server(("127.0.0.1", 0)) as server:
        free = server.getsockname()[1]
    files = ("gone.wav", "", "notes.txt", "none.wav", "odd.wav", "picture.png")
    addresses = (
        *(f"file:{tmp_path / name}" for name in files),
        f"visa:TCPIP::127.0.0.1::{free}::SOCKET",
        "file:",
        "sim:offset_um=abc",
        "sim:offset=3",
        "serial:x",
        "run:no-such-program",
    )
    for address in addresses:
        english = said_of(address)
        german_words = source_words(english)
        assert german_words != english
        assert "{" not in german_words
        # What a person typed, and numbers, stay.
        assert address.partition(":")[2].split("::")[0].split("=")[0] in german_words, address


SOUND = "sound input “Bench, ALSA”"


def sentence_of(node):
    """The text that a literal makes, with something in each place of a value."""
    if isinstance(node, ast.Constant):
        return node.value
    values = {
        "percent": "50 % of full scale",
        "what": SOUND,
        "self._what": SOUND,
        "mend": "use rate=9",
    }
    values |= {"asked": "9 frames a second", "device.full_name": "Bench, ALSA", "side": "input"}
    values |= {"look": "that no other program holds it"}
    return "".join(
        each.value if isinstance(each, ast.Constant) else values.get(ast.unparse(each.value), "a")
        for each in node.values
    )


def sentences_of_the_loop():
    """Every sentence that a measurement by test tones tells or ends with, as its source has it."""
    told = []
    for function in (loop_check._LoopCheck, proving.prove, proving.proof_of):
        for node in ast.walk(ast.parse(inspect.getsource(function))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("LoopFault", "self._tell"):
                told += [each for each in node.args if not isinstance(each, ast.Call | ast.Name)]
            if isinstance(node, ast.FunctionDef) and node.name == "_why_nothing":
                told += [each.value for each in ast.walk(node) if isinstance(each, ast.Return)]
    named = [loop_check.NOT_QUIET, loop_check._NOT_OURS]
    return named + [sentence_of(each) for each in told]


def test_all_that_a_measurement_of_a_probe_tells_is_said_in_german(german):
    told = sentences_of_the_loop()
    assert len(told) >= 13
    for english in told:
        assert source_words(english) != english, english


def sentences_of_sound():
    """Every sentence by which a sound input refuses or is lost, and what it notes of itself."""
    for module in (server, portaudio, source, capture):
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in _TELLS:
                yield from (each for each in node.args if not isinstance(each, ast.Name))
            if isinstance(node, ast.Return) and "what}" in ast.unparse(node):
                yield node.value


_TELLS = ("SourceUnavailable", "SourceLost", "notes.append")


def test_all_that_a_sound_input_says_is_said_in_german_with_device_and_server(german):
    told = [sentence_of(each) for each in sentences_of_sound()]
    told = [each for each in told if "open it" not in each and "output" not in each]
    assert len(told) >= 20
    for english in told:
        # What is not there is named in a line of its own.
        english = english.replace(f"{SOUND}; ", f"{SOUND}: it is not there; ")
        words = source_words(english)
        assert words != english, english
        assert english.count("“") == words.count("„"), words


def test_what_is_missing_in_a_form_is_named_in_german(german):
    assert source_words(Opening("file:").fault()) == "Aufnahme: zuerst „Datei“ angeben"


def test_an_unknown_sentence_stays_as_it_was_said(german):
    assert source_words("capture “a”: of no kind of ours") == "capture “a”: of no kind of ours"
    assert source_words("") == ""


def test_values_of_a_sentence_are_nobody_s_text(german):
    words = source_words("capture “yes” is not there; check its name")
    assert words == "Aufnahme „yes“ ist nicht da; den Namen prüfen"


def test_in_english_each_is_said_as_it_was(qapp):
    for message in SENTENCES:
        words = message.text.format(*"abcde")
        assert source_words(words) == words
        assert QCoreApplication.translate("messages", message.text) == message.text


def test_what_is_found_attached_is_listed_in_german(german):
    assert source_words("Serial port /dev/ttyS0") == "Serielle Schnittstelle /dev/ttyS0"
    inputs = {
        "Line (hw:1,0), ALSA (1 channel)": "Line (hw:1,0), ALSA (1 Kanal)",
        "pulse, ALSA (32 channels, default)": "pulse, ALSA (32 Kanäle, Vorgabe)",
        "pulse, ALSA (1 channel, default)": "pulse, ALSA (1 Kanal, Vorgabe)",
        "Line (hw:1,0), ALSA (2 channels)": "Line (hw:1,0), ALSA (2 Kanäle)",
    }
    assert {each: source_words(each) for each in inputs} == inputs
    assert source_words("GPIB instrument at 7") == "GPIB-Messgerät an 7"
