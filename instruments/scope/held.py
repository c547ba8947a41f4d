"""Whether somebody has turned at a scope what its records' meaning hangs on.

Only the thread that owns the link may use it.
"""

from __future__ import annotations

from instruments.scope.family import Family
from instruments.scope.faults import Deadline
from instruments.scope.panel import Key, Panel
from instruments.source import SourceLost

_OF_START = ("delay", "reference", "trigger_type", "trigger_source", "trigger_slope", "sweep")
_OF_VOLTS = ("scale", "offset")


def watched(
    family: Family,
    *,
    detecting: tuple[int, ...],
    trigger: int | None,
    signals: tuple[int, ...],
) -> list[Key]:
    """Return setting and channel of all without which a record means something else.

    Parameters
    ----------
    family : Family
        Whose settings.
    detecting : tuple of int
        Channels whose peak detect is on.
    trigger : int or None
        Where the trigger comes from; None where records begin anywhere.
    signals : tuple of int
        Channels of the read signal.
    """
    keys = [("time_scale", 1), *(("detect", channel) for channel in detecting)]
    if trigger is not None:
        keys += [(name, trigger) for name in _OF_START if name in family.settings]
    if family.waveform.codes == "float32":
        # Volts have no codes at the rails: these alone tell where the screen ends.
        keys += [(name, channel) for channel in signals for name in _OF_VOLTS]
    return keys


class Held:
    """How a scope said that it is set.

    Parameters
    ----------
    panel : Panel
        The scope's.
    what : str
        The scope, as messages begin.
    """

    def __init__(self, panel: Panel, what: str) -> None:
        self._panel = panel
        self._what = what
        self._told: dict[Key, str] = {}

    def note(self, keys: list[Key], deadline: Deadline) -> None:
        """Note how it is set now.

        How it sweeps is noted with the first record: a single one changes that on many.
        """
        noted = [key for key in keys if key[0] != "sweep"]
        self._told = {key: self._panel.told(*key, deadline) for key in noted}

    def forget_volts(self) -> None:
        """Note range and offset anew with the next record: they were changed on purpose."""
        self._told = {key: told for key, told in self._told.items() if key[0] not in _OF_VOLTS}

    def see_unchanged(self, keys: list[Key], deadline: Deadline) -> None:
        """See that it is set as noted.

        Raises
        ------
        SourceLost
            When it is not.
        """
        for key in keys:
            told = self._panel.told(*key, deadline)
            held = self._told.setdefault(key, told)
            if told != held:
                raise SourceLost(
                    f"{self._what}: somebody has changed it by hand ({self._panel.query(*key)} "
                    f"said {held} and says {told}); it is set anew: leave the front panel so "
                    "while it is read"
                )
