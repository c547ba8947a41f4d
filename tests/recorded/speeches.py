"""The virtual scope's answers to each header of a speech, with words that fit and that do not.

A model of each speech answers to all headers, with what they may be set to and with what nobody
should write; every model tells its settings, is set up by the bench's hand and read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import partial
from unittest.mock import patch

import numpy as np

from instruments.virtual.scope import VirtualScope
from instruments.virtual.scope.model import model_names
from instruments.virtual.scope.scpi import Tree
from instruments.virtual.scope.speech.common import Vocabulary
from tests.instruments.virtual.scope.bench import (
    SETUPS,
    Patient,
    asker,
    fact,
    make_scope,
    read,
    set_up,
    take,
)
from tests.recorded.keeping import Net
from tests.recorded.telling import told

_ODD = ("", "0", "-3", "1.7", "2E9", "OFF", "ON", "XYZ", "1,2", "50MV")
"""What is tried with every header: some fits one, and some fits none."""
_LEFT_OUT = re.compile(r"\*RST|DEFault|AUToscale|AUTOSET|SYSTem:PRESet|\*OPC|\*WAI|TESTer")
_DATA = re.compile(r":DATA|MEMory$|WF$|WAVEFORM$|CURVe")
"""What gives a record, which may be long: asked for once."""
_LONG = ("sds2204x-e", "wavesurfer-3024", "sds1202x-e")
"""Models of long records; others of their speeches are read."""
_SHOWN = 90


class Headers:
    """A scope's headers as they are taught, with the words that may be chosen."""

    def __init__(self, name: str) -> None:
        found: dict[str, list[str]] = {}
        add, choose = Tree.add, Vocabulary.choose

        def added(tree: Tree, pattern: str, **given: object) -> None:
            found.setdefault(pattern, [])
            add(tree, pattern, **given)

        def chosen(speech: Vocabulary, pattern: str, words: Iterable[str], *given: object) -> None:
            found.setdefault(pattern, []).extend(words)
            choose(speech, pattern, words, *given)

        with patch.object(Tree, "add", added), patch.object(Vocabulary, "choose", chosen):
            self.scope: VirtualScope = make_scope(name, clock=Patient())
        self.words = {each: words for each, words in found.items() if not _LEFT_OUT.search(each)}
        self.ask = asker(self.scope)

    def written(self, pattern: str) -> list[str]:
        """Return a header as it may be written: short and long, of a first and of no channel."""
        bare = re.sub(r"\[[^]]*\]", "", pattern)
        whole = pattern.replace("[", "").replace("]", "")
        short = re.sub(r"[a-z]", "", bare)
        many = [each.replace("#", "1") for each in (short, whole)]
        return list(dict.fromkeys([*many, short.replace("#", "9")]))


def _answer(data: bytes) -> str:
    """Return an answer: text as it is, of a block the beginning and what its bytes come to."""
    if data.isascii() and b"#" not in data and len(data) <= _SHOWN:
        return repr(data.decode())
    values = np.frombuffer(data, np.uint8)
    return f"{data[:16]!r} {told(values)}"


def all_headers(name: str) -> list[str]:
    """Tell what comes of each header of a model, by itself and with words."""
    headers = Headers(name)
    ask, lines = headers.ask, []
    for pattern, words in sorted(headers.words.items()):
        for written in headers.written(pattern):
            said = [f"? {_answer(ask(written + '?'))}"]
            for word in () if _DATA.search(pattern) else (*_ODD, *words):
                answered = ask(f"{written} {word}")
                now = ask(f"{written}?")
                error = headers.scope.errors.pop()[0]
                said.append(f"{word} {_answer(answered + now)}{error or ''}")
                headers.scope.errors.clear()
            lines.append(f"{written}: {'; '.join(said)}")
    headers.scope.close()
    return lines


def set_up_and_read(name: str) -> list[str]:
    """Tell a model's settings, one sweep of it as it is read, and how it is then set."""
    headers = Headers(name)
    ask = headers.ask
    lines = [_answer(ask("*IDN?")), *_settings(headers)]
    set_up(ask, name)
    take(ask, name)
    for channel in (1, 2):
        got = read(ask, name, channel)
        lines.append(f"{channel}: {told(got.volts)}, {told(got.increment_s)} s")
    lines += _settings(headers)
    headers.scope.close()
    return lines


def _settings(headers: Headers) -> Iterator[str]:
    for pattern in sorted(headers.words):
        written = headers.written(pattern)[0]
        yield f"{written}? {_answer(headers.ask(written + '?'))}"


def _one_of_each() -> Iterator[tuple[str, str]]:
    for speech in SETUPS:
        yield speech, next(name for name in model_names() if fact(name).speech == speech)


NET = Net(
    "speeches",
    {
        **{f"{speech}, all headers": partial(all_headers, name) for speech, name in _one_of_each()},
        **{name: partial(set_up_and_read, name) for name in model_names() if name not in _LONG},
    },
)
