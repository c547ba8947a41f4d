"""The command ``probes``: what each is made of and gives, and its drawing."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from pathlib import Path

from app.cli.arguments import UsageFault
from app.files import atomic_write
from app.probes.built import PROBES
from app.probes.circuit import ExpectedLevel, Probe
from app.probes.drawing import svg_of

_WIDTH = 96


def tell_probes(name: str | None, folder: Path | None, say: Callable[[str], None]) -> None:
    """Say what there is to build, or all of one; write the drawings to a folder where one is named.

    Raises
    ------
    UsageFault
        When there is no such probe, or the folder cannot be written.
    """
    chosen = [probe for probe in PROBES if name in (None, probe.name)]
    if not chosen:
        known = " or ".join(probe.name for probe in PROBES)
        raise UsageFault(f"“{name}” is no probe; choose {known}")
    for probe in chosen:
        say(probe_as_text(probe) if name else f"{probe.name:<10} {probe.title}")
        if folder is not None:
            say(f"{_drawn(probe, folder)}: its drawing")


def probe_as_text(probe: Probe) -> str:
    """Return all that is to be known of a probe."""
    lines = [probe.title, *_wrapped(probe.purpose, ""), "", "parts"]
    for part in probe.parts:
        nodes = " – ".join("ground" if node == "0" else node for node in part.nodes)
        lines.append(f"  {part.name:<3} {part.words:<8} {nodes:<14} {part.kind}")
        lines += _wrapped(part.why, "      ")
    lines += ["", "to expect", *(f"  {level_words(level)}" for level in probe.levels)]
    lines += ["", "cautions"]
    for caution in probe.cautions:
        lines += _wrapped(caution, "  ")
    return "\n".join([*lines, "", f"opened as  {probe.address}"])


def level_words(level: ExpectedLevel) -> str:
    """Return what is to be expected somewhere, in one line."""
    return f"{level.what}: {level.value:g} {level.unit}".rstrip()


def _wrapped(words: str, indent: str) -> list[str]:
    return textwrap.wrap(words, _WIDTH, initial_indent=indent, subsequent_indent=indent)


def _drawn(probe: Probe, folder: Path) -> Path:
    out = folder / f"probe-{probe.name}.svg"
    try:
        with atomic_write(out) as part:
            part.write_text(svg_of(probe), encoding="utf-8")
    except OSError as fault:
        raise UsageFault(
            f"drawing: “{out}” cannot be written: {fault.strerror}; name another folder"
        ) from None
    return out
