"""What each target is tried from: what the fixtures hold, and what has once reached new code.

The latter is kept as an archive a target in ``fixtures/fuzz``, minimised.
"""

from __future__ import annotations

import hashlib
import io
import re
import tarfile
from collections.abc import Iterable

from tests.fuzz.targets import ROOT, Target

_KEPT = ROOT / "fixtures" / "fuzz"
_MOST_TOKENS = 1000
_LONGEST_TOKEN = 48
_TOKEN = re.compile(rb"[A-Za-z_][\w .:/()-]*|[-+.\d][\d.eE+-]*")
WORDS = (
    *(b"0", b"-1", b"1e999", b"-1e999", b"nan", b"inf", b"1e-320", b"9.9E37", b"1e308"),
    *(b"2147483648", b"4294967295", b"9007199254740993", b"18446744073709551616"),
    *(b"\0", b"\n", b"\r\n", b"\x1b[2J", b'"', b"'", b"#", b",", b";", b"[[", b"{}", b"null"),
    *(b"\xff\xff\xff\xff", b"\0\0\0\x80", b"\xff\xff\xff\x7f", b"\xef\xbb\xbf", b"\xc3\x28"),
    *(b"data", b"RIFF", b"fmt ", b"ds64", "−".encode(), "µ".encode(), b"../../x"),
)
"""What breaks readers."""


def kept(target: Target) -> list[bytes]:
    """Return the inputs that are kept of a target."""
    path = _KEPT / f"{target.name}.tar.xz"
    if not path.exists():
        return []
    with tarfile.open(path) as file:
        return [part.read() for each in file if (part := file.extractfile(each))]


def keep(target: Target, inputs: Iterable[bytes]) -> None:
    """Keep these inputs of a target, and no others."""
    _KEPT.mkdir(exist_ok=True)
    with tarfile.open(_KEPT / f"{target.name}.tar.xz", "w:xz", preset=9) as file:
        for data in sorted(inputs):
            name = tarfile.TarInfo(hashlib.sha256(data).hexdigest()[:12])
            name.size = len(data)
            file.addfile(name, io.BytesIO(data))


def known(target: Target) -> list[bytes]:
    """Return all that a target is tried from."""
    return [*target.corpus(), *kept(target)]


def dictionary(inputs: Iterable[bytes]) -> str:
    """Return words of these inputs, and such that break readers, as libFuzzer reads them."""
    found = dict.fromkeys(WORDS)
    for data in inputs:
        found |= dict.fromkeys(
            each for each in _TOKEN.findall(data) if 1 < len(each) <= _LONGEST_TOKEN
        )
    words = list(found)[:_MOST_TOKENS]
    return "".join('"' + "".join(f"\\x{byte:02x}" for byte in word) + '"\n' for word in words)
