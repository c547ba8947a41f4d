"""A plug-in for pytest: it runs the tests of a list, in the list's order."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ORDER = "EVENLOBE_ORDER"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    listed = Path(os.environ[ORDER]).read_text().split("\n")
    there = {item.nodeid: item for item in items}
    items[:] = [there[name] for name in listed if name in there]
