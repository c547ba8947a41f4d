"""Words that others wrote (names of files, devices, drives) among those of the window.

The signs that turn the direction of text are those of Unicode Standard Annex 9 (The Unicode
Consortium), 2.1 to 2.6: an unended one turns all that stands after it, numbers too.
"""

from __future__ import annotations

import re
from html import escape

_STEERING = (
    "\\x00-\\x08\\x0b-\\x1f\\x7f-\\x9f\\u061c\\u200e\\u200f\\u2028-\\u202e\\u2066-\\u2069"
    "\\ufeff\\ufff9-\\ufffb\\ud800-\\udfff\\U000e0000-\\U000e007f"
)
_SIGNS = re.compile(f"(\u2068[^{_STEERING}]*\u2069)|[{_STEERING}]")


def plain(words: str) -> str:
    """Return words without signs that steer what stands beside them; each stands as U+FFFD.

    What :func:`app.report.blocks.within` has set apart stays so.
    """
    return _SIGNS.sub(lambda found: found[1] or "\ufffd", words)


def tip(words: str) -> str:
    """Return words as a tool tip shows them letter by letter, whatever tags they seem to have.

    Qt takes for markup what has one of these two (Qt.mightBeRichText).
    """
    if "<" not in words and "&lt;" not in words:
        return words
    return f"<span style='white-space: pre-wrap'>{escape(words)}</span>"
