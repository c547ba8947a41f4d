"""The virtual drive: one physical model, and its face as a source of samples.

Its parts are separate and know nothing of one another: :mod:`~instruments.virtual.mechanics`,
:mod:`~instruments.virtual.disk`, :mod:`~instruments.virtual.electronics`;
:mod:`~instruments.virtual.drive` joins them, :mod:`~instruments.virtual.sampling` samples them.
None has a clock: time is passed in.
"""

from instruments.virtual.drive import Truth
from instruments.virtual.params import OPTIONS, VirtualParams, help_text
from instruments.virtual.sampling import simulate
from instruments.virtual.source import VirtualSource

__all__ = [
    "OPTIONS",
    "Truth",
    "VirtualParams",
    "VirtualSource",
    "help_text",
    "simulate",
]
