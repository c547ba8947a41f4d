"""Changes bytes as a broken writer, disk or line does, and as a person who means harm."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from numpy.random import Generator

LONGEST = 1 << 16
"""Input is never longer than this."""
_NUMBERS = (
    *(b"0", b"-1", b"1e999", b"-1e999", b"nan", b"inf", b"1e-320", b"9.9E37", b"1e308"),
    *(b"2147483648", b"4294967295", b"18446744073709551616", b"9" * 400, b"0" * 400 + b"1"),
)
_WORDS = (
    *(b"\0", b"\n", b"\r\n", b"\x1b[2J", b'"', b"'", b"#", b",", b";", b"[[", b"{}", b"null"),
    *(b"\xff\xff\xff\xff", b"\0\0\0\x80", b"\xff\xff\xff\x7f", b"\xef\xbb\xbf", b"\xc3\x28"),
    *(b"data", b"RIFF", b"fmt ", b"ds64", "−".encode(), "µ".encode(), b"../../x"),
)
_DIGITS = b"0123456789.+-eE"


def mutated(corpus: Sequence[bytes], rng: Generator) -> bytes:
    """Return one of the corpus with some changes."""
    data = bytearray(corpus[int(rng.integers(len(corpus)))])
    for _ in range(1 + int(rng.geometric(0.4))):
        _CHANGES[int(rng.integers(len(_CHANGES)))](data, corpus, rng)
    return bytes(data[:LONGEST])


def _flip(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    if data:
        data[_place(data, rng)] ^= 1 << int(rng.integers(8))


def _set(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    if data:
        data[_place(data, rng)] = int(
            rng.choice((0, 1, 127, 128, 255, 35, 10, int(rng.integers(256))))
        )


def _insert(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    at = int(rng.integers(len(data) + 1))
    data[at:at] = _WORDS[int(rng.integers(len(_WORDS)))]


def _overwrite(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    word = _WORDS[int(rng.integers(len(_WORDS)))]
    at = int(rng.integers(len(data) + 1))
    data[at : at + len(word)] = word


def _delete(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    start, stop = _stretch(data, rng)
    del data[start:stop]


def _repeat(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    start, stop = _stretch(data, rng)
    times = int(rng.choice((1, 2, 10, 1000)))
    data[stop:stop] = (bytes(data[start:stop]) * times)[:LONGEST]


def _cut(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    del data[int(rng.integers(len(data) + 1)) :]


def _splice(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    other = corpus[int(rng.integers(len(corpus)))]
    start, stop = _stretch(other, rng)
    at = int(rng.integers(len(data) + 1))
    data[at:at] = other[start:stop]


def _number(data: bytearray, corpus: Sequence[bytes], rng: Generator) -> None:
    """Put another number where one stands."""
    places = [at for at, byte in enumerate(data[:4096]) if byte in b"0123456789"]
    if not places:
        return
    start = stop = places[int(rng.integers(len(places)))]
    while start and data[start - 1] in _DIGITS:
        start -= 1
    while stop < len(data) and data[stop] in _DIGITS:
        stop += 1
    data[start:stop] = _NUMBERS[int(rng.integers(len(_NUMBERS)))]


def _place(data: bytes | bytearray, rng: Generator) -> int:
    """Return a place, half the time near the beginning: there the headers are."""
    size = len(data) if rng.random() < 0.5 else min(len(data), 128)
    return int(rng.integers(size))


def _stretch(data: bytes | bytearray, rng: Generator) -> tuple[int, int]:
    start = int(rng.integers(len(data) + 1))
    return start, min(len(data), start + int(rng.geometric(0.05)))


_Change = Callable[[bytearray, Sequence[bytes], Generator], None]
_CHANGES: tuple[_Change, ...] = (
    *(_flip, _set, _insert, _overwrite, _delete, _repeat, _cut, _splice, _number, _number),
)
