"""Finds the fixed text of a sentence that a job has kept.

The book keeps sentences as they were said, in English and filled in; by their text they can be said
in another language.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from types import ModuleType

from app.analysis import messages as of_analysis
from app.analysis.adjust import calibration, flanks
from app.analysis.results import Message
from app.job import messages, verdicts

_MODULES: tuple[ModuleType, ...] = (messages, verdicts, of_analysis, calibration, flanks)
_WHOLE = "{0}"
_BETWEEN, _MOST = "; ", 12
_PARTS = re.compile(r"(\{\d+\})")


def message_of(sentence: str) -> Message:
    """Return the message that a sentence was made of; the sentence itself where there is none."""
    for pattern, text in _patterns():
        if (found := pattern.fullmatch(sentence)) is not None:
            return Message(text, tuple(found[f"v{n}"] for n in range(pattern.groups)))
    return Message(_WHOLE, (sentence,))


@lru_cache(1000)
def messages_of(sentences: str) -> tuple[Message, ...]:
    """Return the messages that sentences between semicolons were made of.

    Some have semicolons of their own. Where one of them is not known, the whole is taken as it is.
    """
    parts = sentences.split(_BETWEEN)
    for end in range(1, min(len(parts), _MOST)):
        first = message_of(_BETWEEN.join(parts[:end]))
        rest = messages_of(_BETWEEN.join(parts[end:]))
        if all(each.text != _WHOLE for each in (first, *rest)):
            return first, *rest
    return (message_of(sentences),)


@cache
def _patterns() -> tuple[tuple[re.Pattern[str], str], ...]:
    texts = {
        each.text: None
        for module in _MODULES
        for each in vars(module).values()
        if isinstance(each, Message)
    }
    # Of two that fit, the one with more words of its own was meant.
    ordered = sorted(texts, key=lambda text: -len(_PARTS.sub("", text)))
    return tuple((pattern_of(text), text) for text in ordered)


def pattern_of(text: str) -> re.Pattern[str]:
    """Return what fits a text that was filled in; its groups are the values, by their numbers."""
    parts, seen = [], set[str]()
    for part in _PARTS.split(text):
        number = part[1:-1]
        if not _PARTS.fullmatch(part):
            parts.append(re.escape(part))
        elif number in seen:
            parts.append(f"(?P=v{number})")
        else:
            seen.add(number)
            parts.append(f"(?P<v{number}>.+?)")
    return re.compile("".join(parts), re.DOTALL)
