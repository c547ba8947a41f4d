"""The virtual drive: one physical model, and its face as a source of samples.

Its parts are separate and know nothing of one another: spindle, clamp, disk, positioner,
amplifier, index sensor; :mod:`~instruments.virtual.drive` joins them,
:mod:`~instruments.virtual.digitiser` samples them. None has a clock: time is passed in.
"""

from instruments.virtual.params import OPTIONS, VirtualParams, help_text
from instruments.virtual.simulation import simulate
from instruments.virtual.source import VirtualSource
from instruments.virtual.truth import Truth

__all__ = [
    "OPTIONS",
    "Truth",
    "VirtualParams",
    "VirtualSource",
    "help_text",
    "simulate",
]
