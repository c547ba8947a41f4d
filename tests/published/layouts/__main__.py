"""Writes the captures of fixtures/captures/layouts anew: ``python -m tests.published.layouts``."""

from __future__ import annotations

from pathlib import Path

from tests.published.layouts.binary import all_binary
from tests.published.layouts.headed import all_headed
from tests.published.layouts.hostile import all_hostile
from tests.published.layouts.layout import Layout, as_toml
from tests.published.layouts.odd import all_odd
from tests.published.layouts.sound import all_sound
from tests.published.layouts.text import all_text

FOLDER = Path(__file__).parents[3] / "fixtures" / "captures" / "layouts"


def all_layouts() -> list[Layout]:
    """Return every layout."""
    text = [*all_text(), *all_headed(), *all_odd()]
    return [*text, *all_sound(), *all_binary(), *all_hostile()]


def files(layouts: list[Layout]) -> dict[str, bytes]:
    """Return the content of every file in the folder that is written, by name."""
    content = {"expected.toml": as_toml(layouts).encode()}
    for layout in layouts:
        content |= {layout.name: layout.content, **layout.beside}
    return content


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, data in files(all_layouts()).items():
        (FOLDER / name).write_bytes(data)
