"""What sources say when they cannot be opened, in the window's language."""

import socket

import pytest
from PySide6.QtCore import QCoreApplication

from app.dashboard.source_words import SENTENCES, source_words
from app.dashboard.translation import Translation
from app.live.opening import Opening
from instruments.address import open_address
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
    assert source_words("GPIB instrument at 7") == "GPIB-Messgerät an 7"
