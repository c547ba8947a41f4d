"""What LeCroy and the older Siglent scopes share: short mnemonics, the channel before a colon.

Headers stand before answers, with units, until ``CHDR OFF``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, ClassVar

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import EXTERNAL, MATHS, FrontPanelError
from instruments.virtual.scope.record import Codes, WireTrace
from instruments.virtual.scope.scpi import Answer, ScpiError, choice, flag, number, parse_unit
from instruments.virtual.scope.speech.common import Interpreter, attribute

COUPLINGS = {"D1M": "dc", "A1M": "ac", "GND": "gnd"}
SLOPES = {"POS": "rise", "NEG": "fall", "EITHER": "either"}
_HEADERS = {"OFF": "", "SHORT": "short", "LONG": "long"}
_MODES = ("AUTO", "NORM", "SINGLE", "STOP")
_UNITS = {"VDIV": "V", "OFST": "V", "TRLV": "V", "TDIV": "S", "TRDL": "S"}
_LONG = {
    "ACQW": "ACQUIRE_WAY",
    "ARM": "ARM_ACQUISITION",
    "ATTN": "ATTENUATION",
    "CFMT": "COMM_FORMAT",
    "CHDR": "COMM_HEADER",
    "CORD": "COMM_ORDER",
    "CPL": "COUPLING",
    "FRTR": "FORCE_TRIGGER",
    "INVS": "INVERT_SET",
    "MSIZ": "MEMORY_SIZE",
    "OFST": "OFFSET",
    "PDET": "PEAK_DETECT",
    "SANU": "SAMPLE_NUM",
    "SARA": "SAMPLE_RATE",
    "SAST": "SAMPLE_STATUS",
    "TDIV": "TIME_DIV",
    "TRA": "TRACE",
    "TRDL": "TRIG_DELAY",
    "TRLV": "TRIG_LEVEL",
    "TRMD": "TRIG_MODE",
    "TRSE": "TRIG_SELECT",
    "TRSL": "TRIG_SLOPE",
    "VDIV": "VOLT_DIV",
    "WF": "WAVEFORM",
    "WFSU": "WAVEFORM_SETUP",
}
_SHORT = {long: short for short, long in _LONG.items()}


class Mnemonics(Interpreter):
    """What these scopes have in common."""

    lenient = True
    external_words: ClassVar[Mapping[str, int]]

    def restart(self) -> None:
        """Set whether headers stand before answers, the mode and the window of the readout."""
        self._headers = "short"
        self._mode = "AUTO"
        self._sparsing, self._count, self._first = 1, 0, 0

    def show(self, value: float) -> str:
        """Return a number in NR3 form of three digits."""
        return f"{value:.2E}"

    def unit(self, text: str) -> Answer | None:
        """Carry out one unit, with the header before the answer where that is wanted."""
        answer = super().unit(text)
        if answer is None or not self._headers:
            return answer
        header = parse_unit(text).header.upper()
        if header.startswith("*"):
            return self.identified(header, answer)
        path, colon, name = header.rpartition(":")
        name = _SHORT.get(name, name) if self._headers == "short" else _LONG.get(name, name)
        before = f"{path}{colon}{name} "
        if isinstance(answer, str):
            return f"{before}{answer}{_UNITS.get(_SHORT.get(name, name), '')}"
        return [before.encode() + bytes(answer[0]), *answer[1:]]

    def identified(self, _header: str, answer: Answer) -> Answer:
        """Return the answer to a common query as it stands while headers do."""
        return answer

    def teach(self, name: str, places: str, ask: Any = None, do: Any = None) -> None:
        """Teach a query and a command of one parameter by both names of a mnemonic."""
        for each in (name, _LONG[name]):
            if ask is not None:
                self.ask(places + each, ask)
            if do is not None:
                self.do(places + each, do, 1)

    def commands(self) -> None:
        """Teach what all have."""
        for name in ("CHDR", "COMM_HEADER"):
            self.choose(name, _HEADERS, *attribute(lambda: self, "_headers"))
        self._running()
        self._horizontal()
        self._vertical()
        self._trigger()
        for name in ("WFSU", "WAVEFORM_SETUP"):
            self.ask(name, self.window_text)
            self.tree.add(name, command=self._set_window)

    def window(self, trace: WireTrace) -> Codes:
        """Return the part of a trace that is read out."""
        there = max(-(-(trace.points - self._first) // self._sparsing), 0)
        count = min(self._count or there, there)
        return trace.part(self._first, count, self._sparsing)

    def delay(self) -> float:
        """Return the trigger's delay as the scope tells it, in seconds."""
        raise NotImplementedError

    def set_delay(self, text: str) -> None:
        """Set the trigger's delay."""
        raise NotImplementedError

    def memory_text(self) -> str:
        """Return the memory's size as the scope tells it."""
        raise NotImplementedError

    def _running(self) -> None:
        self.teach("TRMD", "", self._mode_now, self.set_mode)
        for name in ("ARM", "ARM_ACQUISITION"):
            self.do(name, self._arm)
        self.do("STOP", lambda: self.set_mode("STOP"))
        for name in ("FRTR", "FORCE_TRIGGER"):
            self.do(name, self.acquisition.force)
        self.do("WAIT", self.wait)
        self.ask("INR", lambda: str(int(self.acquisition.take_fresh())))

    def _mode_now(self) -> str:
        return "STOP" if self.acquisition.look() is SweepState.STOPPED else self._mode

    def set_mode(self, text: str) -> None:
        """Set the trigger's mode, which starts and stops the scope as well."""
        self._mode = choice(text, _MODES)
        if self._mode == "STOP":
            self.acquisition.stop()
        elif self._mode == "SINGLE":
            self.panel.trigger.automatic = False
            self.acquisition.single()
        else:
            self.panel.trigger.automatic = self._mode == "AUTO"
            self.acquisition.run()

    def _arm(self) -> None:
        self._mode = "SINGLE"
        self.acquisition.single()

    def _horizontal(self) -> None:
        self.teach(
            "TDIV",
            "",
            lambda: self.show(self.panel.seconds_per_div),
            lambda text: self.panel.set_timebase(number(text)),
        )
        self.teach("TRDL", "", lambda: self.show(self.delay()), self.set_delay)
        self.teach("MSIZ", "", lambda: self.memory_text(), lambda text: self.memory(points(text)))

    def _vertical(self) -> None:
        per = self.channel
        self.teach(
            "VDIV",
            "C#:",
            lambda n: self.show(per(n).volts_per_div),
            lambda n, text: per(n).set_scale(number(text)),
        )
        self.teach(
            "OFST",
            "C#:",
            lambda n: self.show(0.0 - per(n).offset_v),
            lambda n, text: setattr(per(n), "offset_v", 0.0 - number(text)),
        )
        self.teach(
            "ATTN",
            "C#:",
            lambda n: f"{per(n).probe:g}",
            lambda n, text: per(n).set_probe(number(text)),
        )
        for name in ("CPL", "COUPLING"):
            self.choose(f"C#:{name}", COUPLINGS, *attribute(per, "coupling"))
        for name in ("TRA", "TRACE"):
            self.switch(f"C#:{name}", *attribute(per, "on"), words=("OFF", "ON"))
        for name in ("BWL", "BANDWIDTH_LIMIT"):
            self.ask(name, self._limits)
            self.tree.add(name, command=self._limit)
        for name in ("INVS", "INVERT_SET"):
            self.switch(f"C#:{name}", *attribute(per, "inverted"), words=("OFF", "ON"))

    def _limits(self) -> str:
        return ",".join(
            f"C{n},{('OFF', 'ON')[channel.limited]}"
            for n, channel in self.panel.channels.items()
            if n != MATHS
        )

    def _limit(self, _numbers: list[int], given: list[str]) -> None:
        if len(given) % 2 or not all(re.fullmatch(r"C\d", name) for name in given[::2]):
            raise ScpiError(-104)
        for name, word in zip(given[::2], given[1::2], strict=True):
            self.channel(int(name[1:])).limited = flag(word)

    @property
    def sources(self) -> dict[str, int]:
        """Words for the trigger's sources."""
        return self.words_for("C#", self.external_words, "LINE")

    def _trigger(self) -> None:
        for name in ("TRSE", "TRIG_SELECT"):
            self.ask(name, self._selected)
            self.tree.add(name, command=self._select)
        external = self.external_words if self.model.external else {}
        self.teach(
            "TRLV",
            "C#:",
            lambda n: self.show(self.level(self.checked(n))),
            lambda n, text: self.set_level(self.checked(n), number(text)),
        )
        for word, place in external.items():
            self.teach(
                "TRLV",
                f"{word}:",
                lambda at=place: self.show(self.level(at)),
                lambda text, at=place: self.set_level(at, number(text)),
            )
        for name in ("TRSL", "TRIG_SLOPE"):
            for head in ("C#", *external, "LINE"):
                self.choose(f"{head}:{name}", SLOPES, self._slope, self._set_slope)

    def checked(self, place: int) -> int:
        """Return the number of a channel that the model has."""
        self.channel(place)
        return place

    def level(self, source: int) -> float:
        """Return the trigger's level as the scope tells it, in volts."""
        return self.panel.trigger.levels_v.get(source, 0.0)

    def set_level(self, source: int, volts: float) -> None:
        """Set the trigger's level."""
        self.panel.trigger.levels_v[source] = volts

    def _slope(self, *_source: int) -> str:
        return self.panel.trigger.slope

    def _set_slope(self, *at: Any) -> None:
        self.panel.trigger.slope = at[-1]

    def _selected(self) -> str:
        words = {place: word for word, place in reversed(self.sources.items())}
        return f"EDGE,SR,{words[self.panel.trigger.source]},HT,OFF"

    def _select(self, _numbers: list[int], given: list[str]) -> None:
        if not given or given[0].upper() != "EDGE":
            raise ScpiError(-224)
        pairs = dict(zip(given[1::2], given[2::2], strict=False))
        for key, value in pairs.items():
            if key.upper() == "SR":
                self.panel.trigger.source = self.sources[choice(value, tuple(self.sources))]

    def window_text(self) -> str:
        """Return the window of the readout."""
        return f"SP,{self._sparsing},NP,{self._count},FP,{self._first}"

    def _set_window(self, _numbers: list[int], given: list[str]) -> None:
        places = {"SP": "_sparsing", "NP": "_count", "FP": "_first"}
        for key, value in zip(given[::2], given[1::2], strict=False):
            amount = int(number(value))
            if amount < 0:
                raise FrontPanelError
            if key.upper() in places:
                setattr(self, places[key.upper()], amount)
        self._sparsing = max(self._sparsing, 1)


EXTERNALS: Mapping[str, int] = {"EX": EXTERNAL, "EX5": EXTERNAL, "EX/5": EXTERNAL}


def points(text: str) -> float:
    """Read a number of points: ``12K``, ``1M``, ``100000``; here M is a million.

    Raises
    ------
    ScpiError
        When it is none.
    """
    word = text.upper().removesuffix("PTS").removesuffix("SA")
    factor = {"K": 1e3, "M": 1e6}.get(word[-1:], 1.0)
    return round(number(word[:-1] if factor > 1 else word) * factor)


def short_points(count: int) -> str:
    """Return a number of points as ``14K`` or ``1.4M``."""
    for size, mark in ((1_000_000, "M"), (1000, "K")):
        if count >= size:
            return f"{count / size:g}{mark}"
    return str(count)
