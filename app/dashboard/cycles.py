"""Cycles of objects, collected in the thread of the GUI alone.

The interpreter collects them in whichever thread has just made an object: in that of the analysis
as soon as in that of the window. What is left of a window is in such cycles, and an object of Qt's
that ends in another thread than its own stays known to the event loop, which then calls what is no
more. So nobody collects by itself, and the window does so from frame to frame.

Threads: everything here is called in the thread of the GUI.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collected_here() -> Iterator[None]:
    """Let no thread collect cycles by itself; who asks for this calls :func:`collect_due`.

    What is there by now is taken to stay, and is not looked through again and again.
    """
    was_on = gc.isenabled()
    gc.disable()
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        if was_on:
            gc.enable()


def collect_due() -> None:
    """Collect as much as the interpreter would by its own thresholds; nothing where it does."""
    if gc.isenabled():
        return
    due = [
        generation
        for generation, (count, most) in enumerate(
            zip(gc.get_count(), gc.get_threshold(), strict=True)
        )
        if 0 < most < count
    ]
    if due:
        gc.collect(due[-1])
