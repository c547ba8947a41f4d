"""A scope's settings: set, confirmed by reading them back, remembered, and restored.

Only the thread that owns the link may use it.
"""

from __future__ import annotations

import re

from instruments.scope.family import HELD, Family, Setting
from instruments.scope.links import Deadline, Garbled, Link
from instruments.scope.preamble import PreambleError, number
from instruments.source import SourceError, SourceUnavailable

Key = tuple[str, int]
Memory = dict[Key, str]
"""What the scope said of each setting before it was first changed, in that order."""

_EQUAL = {"ON": "1", "OFF": "0"}
_FIGURE = re.compile(r"[-+]?\.?\d")
_MOST_ERRORS = 40
_NEAR = 0.03
_ANSWER_S = 2.0
EXTERNAL = 0
"""The external trigger's input, where a channel's number is asked for."""


class Panel:
    """The front panel of one scope.

    Parameters
    ----------
    link, family : Link, Family
        How it is spoken to.
    memory : dict
        Kept by the caller, so that it outlives a broken connection.
    """

    def __init__(self, link: Link, family: Family, memory: Memory) -> None:
        self._link = link
        self._family = family
        self._memory = memory

    def has(self, name: str) -> bool:
        """Return whether the family knows the setting."""
        return name in self._family.settings

    def told(self, name: str, channel: int, deadline: Deadline) -> str:
        """Return the scope's own word for a setting, as it can be sent again."""
        answer = self._link.ask(self.query(name, channel), deadline.within(_ANSWER_S))
        return self._family.settings[name].answers.get(answer.strip(), answer)

    def query(self, name: str, channel: int) -> str:
        """Return the query for a setting."""
        return self._filled(self._family.settings[name].ask, channel)

    def number(self, name: str, channel: int, deadline: Deadline) -> float:
        """Return a setting that is a number."""
        return self._number(self._family.settings[name], self.told(name, channel, deadline))

    def probe(self, channel: int, deadline: Deadline) -> float | None:
        """Return a channel's probe factor, None where the family has no query for it."""
        if not self._family.probe:
            return None
        query = self._family.probe.format(n=channel)
        told = self._as_number(query, self._link.ask(query, deadline.within(_ANSWER_S)))
        return 1 / told if self._family.probe_is_gain and told else told

    def set_word(
        self, name: str, word: str, deadline: Deadline, channel: int = 1, source: int = 1
    ) -> None:
        """Set one of our words and confirm it: the first of the scope's that it takes.

        Parameters
        ----------
        name, word : str
            Setting and word.
        deadline : Deadline
            For all of it.
        channel : int
            Whose setting, where each channel has one.
        source : int
            The channel that the word itself names (a trigger's source).

        Raises
        ------
        SourceUnavailable
            When the scope does not take it.
        """
        setting = self._family.settings[name]
        words = [each.format(n=source) for each in setting.words[word]]
        told = self.told(name, channel, deadline)
        if any(same_word(told, wanted) for wanted in words):
            return
        self._keep(setting, channel, told)
        command = ""
        for wanted in words:
            command = self._filled(setting.command, channel, wanted)
            self._link.send(command, deadline)
            told = self.told(name, channel, deadline)
            if same_word(told, wanted):
                if wanted != words[0]:
                    self.errors(deadline)  # that it took none of the words before is no fault
                return
        raise self._refused(command, setting, channel, told)

    def hold(self, deadline: Deadline, channel: int | None = None) -> None:
        """Set what must have one value all the while: a channel's own, else the whole scope's.

        Raises
        ------
        SourceUnavailable
            When the scope does not take it.
        """
        for name, setting in self._family.settings.items():
            if HELD in setting.words and setting.of_channel == (channel is not None):
                self.set_word(name, HELD, deadline, channel or 1)

    def set_number(
        self, name: str, value: float, deadline: Deadline, channel: int = 1, near: float = _NEAR
    ) -> float:
        """Set a number, confirm it, and return what the scope made of it.

        Parameters
        ----------
        name, value : str, float
            Setting and number.
        deadline : Deadline
            For all of it.
        channel : int
            Whose setting, where each channel has one.
        near : float
            Largest difference, as a fraction of `value` (of one, where it is 0).

        Raises
        ------
        SourceUnavailable
            When the scope does not take it.
        """
        setting = self._family.settings[name]
        allowed = near * (abs(value) or 1.0)
        told = self.told(name, channel, deadline)
        before = self._number(setting, told)
        if abs(before - value) <= min(allowed, 1e-3 * abs(value)):
            return before
        self._keep(setting, channel, told)
        command = self._filled(setting.command, channel, self._written(value))
        self._link.send(command, deadline)
        told = self.told(name, channel, deadline)
        taken = self._number(setting, told)
        if abs(taken - value) > allowed:
            raise self._refused(command, setting, channel, told)
        return taken

    def remember(self, name: str, channel: int, deadline: Deadline) -> None:
        """Remember a setting that another's change may change with it."""
        self._keep(self._family.settings[name], channel, self.told(name, channel, deadline))

    def set_memory(self, word: str, deadline: Deadline) -> None:
        """Give the scope its memory for live records or for a deep one, where it has such.

        A scope without a word for live records gets back what was found.
        """
        setting = self._family.settings.get("memory")
        if setting is None:
            return
        if word in setting.words:
            self.set_word("memory", word, deadline)
        elif ("memory", 1) in self._memory:
            told = self._memory["memory", 1]
            self._link.send(self._filled(setting.command, 1, told), deadline)

    def ready(self, deadline: Deadline) -> None:
        """Let the scope run, for what it takes only while it does; how it swept is remembered.

        So is its memory, before channels are switched on: it hangs on how many are.
        """
        if self._family.acquire.ready:
            self.remember("sweep", 1, deadline)
        if self.has("memory"):
            self.remember("memory", 1, deadline)
        self._let_run(deadline)

    def _let_run(self, deadline: Deadline) -> None:
        for command in self._family.acquire.ready:
            self._link.send(command, deadline)

    def restore(self, deadline: Deadline) -> None:
        """Put back what was changed, the newest change first, as far as time allows.

        Nothing is asked: the late answer to a query that was given up would be in the way.
        All of it stays remembered: whether it was carried out is the caller's to find out.

        Raises
        ------
        SourceError
            When the link fails.
        """
        if self._memory:
            self._let_run(deadline)
        for (name, channel), told in reversed(list(self._memory.items())):
            setting = self._family.settings[name]
            value = told if setting.words else self._written(self._number(setting, told), 6)
            self._link.send(self._filled(setting.command, channel, value), deadline)

    def errors(self, deadline: Deadline) -> list[str]:
        """Take all entries from the error queue."""
        found: list[str] = []
        while self._family.errors and len(found) < _MOST_ERRORS:
            entry = self._link.ask(self._family.errors, deadline)
            if is_no_error(entry):
                break
            found.append(entry)
        return found

    def _keep(self, setting: Setting, channel: int, told: str) -> None:
        """Keep what is about to be changed; what is as wanted is left alone, and not put back.

        A scope may take one setting for another's change: a mode that is set again ends a zoom.
        """
        key = (setting.name, channel if setting.of_channel else 1)
        self._memory.setdefault(key, told)

    def _filled(self, command: str, channel: int, value: str = "") -> str:
        heads = self._family.heads
        head = heads["channel" if channel else "external"].format(n=channel)
        return command.format(n=channel, s=head, value=value)

    def _written(self, value: float, digits: int = 3) -> str:
        return f"{value:.9f}" if self._family.decimals else f"{value:.{digits}E}"

    def _number(self, setting: Setting, told: str) -> float:
        return self._as_number(setting.ask, told)

    def _as_number(self, query: str, told: str) -> float:
        try:
            return number(told)
        except PreambleError as fault:
            raise Garbled(
                f"{self._link.what}: the answer to {query} cannot be read ({fault}); "
                "if it lasts, switch the scope off and on"
            ) from None

    def _refused(self, command: str, setting: Setting, channel: int, told: str) -> SourceError:
        query = self.query(setting.name, channel)
        return SourceUnavailable(
            f"{self._link.what}: it does not take {command} ({query} says {told}); set that at "
            "the scope, or see with check-scope which family of commands fits"
        )


def same_word(told: str, wanted: str) -> bool:
    """Tell whether the scope's word is the one wanted: long and short forms are the same.

    SCPI-1999 lets an instrument answer in either form; older ones put a header before it.
    """
    one = told.strip().strip('"').upper()
    other = wanted.strip().upper()
    if " " in one and " " not in other:
        one = one.rpartition(" ")[2]
    one, other = _EQUAL.get(one, one), _EQUAL.get(other, other)
    if _FIGURE.match(other):
        return _same_number(one, other)
    return bool(one) and (one.startswith(other) or (other.startswith(one) and len(one) >= 2))


def _same_number(one: str, other: str) -> bool:
    try:
        return number(one) == number(other)
    except PreambleError:
        return False


def is_no_error(entry: str) -> bool:
    """Tell whether an entry of the error queue says that it is empty (SCPI-1999: ``0,``)."""
    return entry.partition(",")[0].strip().lstrip("+-") in ("0", "")
