"""Families whose settings are short mnemonics, with the channel before a colon: C1 and C2."""

from __future__ import annotations

from typing import Any, ClassVar

from instruments.virtual.scope.acquisition import State
from instruments.virtual.scope.families.base import Interpreter
from instruments.virtual.scope.families.vocabulary import attribute
from instruments.virtual.scope.panel import EXTERNAL, LINE, PanelError
from instruments.virtual.scope.record import Codes
from instruments.virtual.scope.scpi import Answer, ScpiError, choice, number, parse_unit

TRIGGERS = {"C1": 1, "C2": 2, "C3": 3, "C4": 4, "EX": EXTERNAL, "EXT": EXTERNAL, "LINE": LINE}
COUPLINGS = {"D1M": "dc", "A1M": "ac", "GND": "gnd"}
SLOPES = {"POS": "rise", "NEG": "fall", "EITHER": "either"}
_HEADERS = {"OFF": "", "SHORT": "short", "LONG": "long"}
_MODES = ("AUTO", "NORM", "SINGLE", "STOP")


class Mnemonics(Interpreter):
    """Common to the families C1 and C2."""

    lenient = True
    units: ClassVar[bool]
    """Whether an answer with a header carries its unit."""

    def restart(self) -> None:
        """Set whether headers stand before answers, the mode and the window of the readout."""
        self._headers = "short"
        self._mode = "AUTO"
        self._sparsing, self._count, self._first = 1, 0, 0

    def show(self, value: float) -> str:
        """Return a number in NR3 form."""
        return f"{value:.4E}"

    def unit(self, text: str) -> Answer | None:
        """Carry out one unit, with the header before the answer where that is wanted."""
        answer = super().unit(text)
        if answer is None or not self._headers:
            return answer
        header = parse_unit(text).header.upper()
        if header.startswith("*"):
            return answer
        if isinstance(answer, str):
            return f"{header} {answer}{self._unit_of(header)}"
        return [f"{header} ".encode() + bytes(answer[0]), *answer[1:]]

    def commands(self) -> None:
        """Teach what both have."""
        for name in ("CHDR", "COMM_HEADER"):
            self.choose(name, _HEADERS, *attribute(lambda: self, "_headers"))
        self._running()
        self._horizontal()
        self._vertical()
        self._trigger()
        for name in ("WFSU", "WAVEFORM_SETUP"):
            self.ask(name, self._window_text)
            self.tree.add(name, command=self._set_window)

    def window(self, codes: Codes) -> Codes:
        """Return the part of a trace that is read out."""
        part = codes[self._first :: self._sparsing]
        return part[: self._count] if self._count else part

    def _unit_of(self, header: str) -> str:
        name = header.rpartition(":")[2].rstrip("?")
        if not self.units:
            return ""
        return {"VDIV": "V", "OFST": "V", "TRLV": "V", "TDIV": "S", "TRDL": "S"}.get(name, "")

    def _running(self) -> None:
        for name in ("TRMD", "TRIG_MODE"):
            self.ask(name, self._mode_now)
            self.do(name, self._set_mode, 1)
        for name in ("ARM", "ARM_ACQUISITION"):
            self.do(name, self._arm)
        self.do("STOP", lambda: self._set_mode("STOP"))
        for name in ("FRTR", "FORCE_TRIGGER"):
            self.do(name, self.acquisition.force)
        self.do("WAIT", self.wait)
        self.ask("INR", lambda: str(int(self.acquisition.take_fresh())))

    def _mode_now(self) -> str:
        return "STOP" if self.acquisition.look() is State.STOPPED else self._mode

    def _set_mode(self, text: str) -> None:
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
        for name in ("TDIV", "TIME_DIV"):
            self.numeric(
                name,
                lambda: self.panel.seconds_per_div,
                lambda value: self.panel.set_timebase(value),
            )
        for name in ("TRDL", "TRIG_DELAY"):
            self.numeric(name, lambda: 0.0 - self.panel.delay_s, self._delay)
        for name in ("MSIZ", "MEMORY_SIZE"):
            self.ask(name, lambda: str(self.panel.memory))
            self.do(name, lambda text: self.memory(points(text)), 1)

    def _delay(self, seconds: float) -> None:
        self.panel.delay_s = 0.0 - seconds

    def _vertical(self) -> None:
        per = self.channel
        for name in ("VDIV", "VOLT_DIV"):
            self.numeric(
                f"C#:{name}", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v)
            )
        for name in ("OFST", "OFFSET"):
            self.numeric(
                f"C#:{name}",
                lambda n: 0.0 - per(n).offset_v,
                lambda n, v: setattr(per(n), "offset_v", 0.0 - v),
            )
        for name in ("CPL", "COUPLING"):
            self.choose(f"C#:{name}", COUPLINGS, *attribute(per, "coupling"))
        for name in ("ATTN", "ATTENUATION"):
            self.numeric(
                f"C#:{name}",
                lambda n: per(n).probe,
                lambda n, v: per(n).set_probe(v),
                show=lambda value: f"{value:g}",
            )
        for name in ("TRA", "TRACE"):
            self.switch(f"C#:{name}", *attribute(per, "on"), words=("OFF", "ON"))

    def _trigger(self) -> None:
        for name in ("TRSE", "TRIG_SELECT"):
            self.ask(name, self._selected)
            self.tree.add(name, command=self._select)
        places = {"EX": EXTERNAL, "EXT": EXTERNAL, "LINE": LINE}
        for name in ("TRLV", "TRIG_LEVEL"):
            self.numeric(f"C#:{name}", self._level_of, self._level)
            for head, place in places.items():
                self.numeric(
                    f"{head}:{name}",
                    lambda at=place: self._level_of(at),
                    lambda volts, at=place: self._level(at, volts),
                )
        for name in ("TRSL", "TRIG_SLOPE"):
            for head in ("C#", *places):
                self.choose(f"{head}:{name}", SLOPES, self._slope, self._set_slope)

    def _slope(self, *_source: int) -> str:
        return self.panel.trigger.slope

    def _set_slope(self, *at: Any) -> None:
        self.panel.trigger.slope = at[-1]

    def _level_of(self, source: int) -> float:
        return self.panel.trigger.levels_v.get(source, 0.0)

    def _level(self, source: int, volts: float) -> None:
        self.panel.trigger.levels_v[source] = volts

    def _selected(self) -> str:
        words = {place: word for word, place in reversed(TRIGGERS.items())}
        return f"EDGE,SR,{words[self.panel.trigger.source]},HT,OFF"

    def _select(self, _numbers: list[int], given: list[str]) -> None:
        if not given or given[0].upper() != "EDGE":
            raise ScpiError(-224)
        pairs = dict(zip(given[1::2], given[2::2], strict=False))
        for key, value in pairs.items():
            if key.upper() == "SR":
                self.panel.trigger.source = TRIGGERS[choice(value, tuple(TRIGGERS))]

    def _window_text(self) -> str:
        return f"SP,{self._sparsing},NP,{self._count},FP,{self._first}"

    def _set_window(self, _numbers: list[int], given: list[str]) -> None:
        places = {"SP": "_sparsing", "NP": "_count", "FP": "_first"}
        for key, value in zip(given[::2], given[1::2], strict=False):
            amount = int(number(value))
            if amount < 0:
                raise PanelError
            if key.upper() in places:
                setattr(self, places[key.upper()], amount)
        self._sparsing = max(self._sparsing, 1)


def points(text: str) -> float:
    """Read a number of points: ``12K``, ``1M``, ``100000``; here M is a million.

    Raises
    ------
    ScpiError
        When it is none.
    """
    word = text.upper().removesuffix("PTS").removesuffix("SA")
    factor = {"K": 1e3, "M": 1e6}.get(word[-1:], 1.0)
    return number(word[:-1] if factor > 1 else word) * factor
