"""What a source says when it cannot be opened or is gone, in the window's language.

Sources speak English. The sentences that people at a window meet the oftenest are known here by
their texts; any other is shown as it was said.
"""

from __future__ import annotations

import re
from functools import cache

from PySide6.QtCore import QCoreApplication

from app.analysis.results import Message
from app.job.sentences import pattern_of
from app.live.opening import KINDS

SENTENCES = (
    Message("capture “{0}” is not there; check its name"),
    Message("capture “{0}” is a folder; name a file within it"),
    Message("capture “{0}” may not be read by you; change its permissions"),
    Message(
        "capture “{0}”: it holds no columns of numbers; export the samples as WAV or CSV",
    ),
    Message("capture “{0}”: the file is empty; copy or record it again"),
    Message("capture “{0}”: it is neither sound, text, ISF nor TRC; export it as CSV"),
    Message("capture “{0}”: it is named {1} but is no sound file; export it as WAV"),
    Message("capture “{0}”: it is {1}, which is not read; export it as WAV or CSV"),
    Message("address “{0}” names no file; write file:PATH"),
    Message("address “{0}” names no program; write run:PROGRAM ARGUMENTS"),
    Message("address “{0}”: {1} is “{2}”; it must be a number from {3} to {4}"),
    Message("address “{0}”: “{1}” is “{2}”; it must be a number above 0"),
    Message("address “{0}”: “{1}” is not an option; use {2}"),
    Message("address “{0}”: “{1}” is not a kind of source; use {2}"),
    Message(
        "sound input: there is none; plug one in, and check that the sound server runs (on Linux "
        "it also takes the ALSA plug-ins: “apt install libasound2-plugins”)"
    ),
    Message("sound input “{0}”: it is not there; plug it in, or choose one that is: {1}"),
    Message(
        "sound input “{0}”: it stopped; check that it is plugged in and that the sound server runs"
    ),
    Message(
        "sound input “{0}”: no samples have come for {1} s; check that it is plugged in and "
        "switched on"
    ),
    Message(
        "scope “{0}”: nothing answers at {1} port {2} ({3}); check the address, the cable and that "
        "remote control is on in the scope's menu"
    ),
    Message(
        "scope “{0}”: it does not answer *IDN?; check the address; is it a scope, and is remote "
        "control on?"
    ),
    Message(
        "scope “{0}”: the name “{1}” is not known on this network; check its spelling, or give the "
        "address in numbers, which the scope's menu shows"
    ),
    Message(
        "scope “{0}”: it cannot be opened ({1}); check the address, the cable and that no other "
        "program holds it"
    ),
    Message("no instrument was found; give an address, for example visa:TCPIP::HOST::5025::SOCKET"),
    Message("run: “{0}” cannot be started ({1}); check its name, or write its whole path"),
    Message("{0}: first state “{1}”"),
    # What a list of sources calls them.
    Message("Serial port {0}"),
    Message("Network instrument at {0}, {1}"),
    Message("GPIB instrument at {0}"),
    Message("USB instrument, serial {0}"),
)


def source_words(sentence: str) -> str:
    """Return what a source has said, in the window's language where its text is known."""
    for pattern, text in _patterns():
        if (found := pattern.fullmatch(sentence)) is not None:
            return _translated(text).format(*map(_named, found.groups()))
    return sentence


def _translated(text: str) -> str:
    return QCoreApplication.translate("messages", text)


def _named(value: str) -> str:
    """Return a value: where it is a name of ours it is translated, and else a person's own."""
    names = {words for kind in KINDS.values() for words in (kind.title, kind.body) if words}
    return _translated(value) if value in names else value


@cache
def _patterns() -> tuple[tuple[re.Pattern[str], str], ...]:
    return tuple((pattern_of(each.text), each.text) for each in SENTENCES)
