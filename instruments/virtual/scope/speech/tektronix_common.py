"""What Tektronix scopes of all generations share: ``CURVe?`` and its preamble, states, events.

Headers stand before answers until ``HEADer OFF``, in long form until ``VERBose OFF``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from math import floor, log10
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import MATHS, Trigger
from instruments.virtual.scope.record import WireTrace
from instruments.virtual.scope.scpi import Answer, ScpiError, flag, number, parse_unit, short_form
from instruments.virtual.scope.speech.common import Interpreter, attribute

_ENCODINGS = ("RIBinary", "RPBinary", "SRIbinary", "SRPbinary", "ASCIi", "FAStest")


class TektronixCommon(Interpreter):
    """Answers with ``(raw − YOFF)·YMULT + YZERO``."""

    lenient = True
    digits = 0
    point_order: ClassVar[bool]
    """Whether the preamble tells the order of points."""

    def restart(self) -> None:
        """Set what is read out, how, and whether headers stand before answers."""
        self.source = 1
        self._first, self._last = 1, self.memory_now
        self._encoding = "RIBinary"
        self._width = 1
        self._headers = self._verbose = True
        self._single = False

    def show(self, value: float) -> str:
        """Return a number with an exponent that three divides, as these scopes write it."""
        if value == 0:
            return "0.0E+0"
        power = 3 * floor(log10(abs(value)) / 3 + 1e-9)
        return f"{value / 10.0**power:.4f}E{power:+d}"

    def spell(self, word: str) -> str:
        """Return a word in capitals, in its long form until ``VERBose OFF``."""
        return word.upper() if self._verbose else short_form(word)

    def unit(self, text: str) -> Answer | None:
        """Carry out one unit, with the header before the answer where that is wanted."""
        path = self.path
        answer = super().unit(text)
        if answer is None or not self._headers:
            return answer
        header = parse_unit(text).header
        if header.startswith("*"):
            return answer
        after, self.path = self.path, path
        before = f":{self._long_header(header)} "
        self.path = after
        if isinstance(answer, str):
            return before + answer
        return [before.encode() + bytes(answer[0]), *answer[1:]]

    def _long_header(self, header: str) -> str:
        entry, numbers = self.found(header)
        pattern = re.sub(r"\[.*?\]", "", entry.pattern)
        for place in numbers:
            pattern = pattern.replace("#", str(place), 1)
        return pattern.upper() if self._verbose else short_form(pattern)

    def commands(self) -> None:
        """Teach what all have."""
        self.switch("HEADer", *attribute(lambda: self, "_headers"))
        self.switch("VERBose", *attribute(lambda: self, "_verbose"))
        self._running()
        self._events_commands()
        self._transfer()

    @property
    def acquisitions(self) -> Mapping[str, str]:
        """Words for the kinds of acquisition."""
        raise NotImplementedError

    def trigger(self) -> Trigger:
        """Return the trigger's settings."""
        return self.panel.trigger

    def state(self) -> SweepState:
        """Return what the acquisition is doing."""
        return self.acquisition.look()

    def origin(self, trace: WireTrace, first: int) -> tuple[float, int]:
        """Return ``XZEro`` and ``PT_Off`` for a reading from the point numbered `first` on."""
        raise NotImplementedError

    def zeros(self, trace: WireTrace) -> tuple[float, float]:
        """Return ``YOFf``, in codes of eight bits, and ``YZEro``."""
        scale = trace.scale
        return scale.position_div * self.traits.codes_per_div, scale.offset_v

    def readable(self, trace: WireTrace) -> WireTrace:
        """Return the trace of which ``DATa:STARt`` and ``STOP`` count the points."""
        return trace

    def _running(self) -> None:
        self.choose(
            "ACQuire:MODe", self.acquisitions, *attribute(lambda: self.panel, "acquisition")
        )
        self.choose(
            "ACQuire:STOPAfter",
            {"RUNSTop": False, "SEQuence": True},
            *attribute(lambda: self, "_single"),
        )
        self.ask("ACQuire:STATE", lambda: str(int(self.state() is not SweepState.STOPPED)))
        self.do("ACQuire:STATE", self._run, 1)
        self.ask("ACQuire:NUMACq", lambda: str(self.acquisition.count))
        self.ask(
            "BUSY", lambda: str(int(self.state() in (SweepState.WAITING, SweepState.SWEEPING)))
        )
        self.ask("TRIGger:STATE", self._trigger_state)
        self.do("TRIGger", self._force, 1)

    def _force(self, word: str) -> None:
        if word.upper() not in ("FORCE", "FORC"):
            raise ScpiError(-224)
        self.acquisition.force()

    def _run(self, text: str) -> None:
        word = text.upper()
        if word == "STOP" or (word != "RUN" and not flag(word)):
            self.acquisition.stop()
        elif self._single:
            self.acquisition.single()
        else:
            self.acquisition.run()

    def _trigger_state(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "SAVE",
            SweepState.WAITING: "READY",
            SweepState.SWEEPING: self.spell("TRIGger"),
            SweepState.RUNNING: "AUTO" if automatic else "READY",
        }[self.state()]

    def _events_commands(self) -> None:
        self.ask("ALLEv", lambda: ",".join(self._pop() for _ in range(max(len(self.errors), 1))))
        self.ask("EVMsg", self._pop)
        self.ask("EVENT", lambda: self._pop().partition(",")[0])
        self.ask("EVQty", lambda: str(len(self.errors)))

    def _pop(self) -> str:
        code, text = self.errors.pop()
        if not code:
            return '0,"No events to report - queue empty"'
        return f'{-code},"{text}"'

    def _transfer(self) -> None:
        sources = {f"CH{place}": place for place in range(1, self.model.channels + 1)}
        self.choose("DATa:SOUrce", sources | {"MATH": MATHS}, *attribute(lambda: self, "source"))
        words = {word: "RIBinary" if word == "FAStest" else word for word in _ENCODINGS}
        self.choose("DATa:ENCdg", words, *attribute(lambda: self, "_encoding"))
        for name in ("DATa:WIDth", *(f"{head}:BYT_Nr" for head in self.heads())):
            self.choose(name, {"1": 1, "2": 2}, *attribute(lambda: self, "_width"))
        for name, at in (("STARt", "_first"), ("STOP", "_last")):
            self.ask(f"DATa:{name}", lambda at=at: str(getattr(self, at)))
            self.do(f"DATa:{name}", lambda text, at=at: setattr(self, at, int(number(text))), 1)
        self.ask("CURVe", self._curve)
        for head in self.heads():
            self._preamble(head)

    def heads(self) -> tuple[str, ...]:
        """Return the names of the preamble."""
        return ("WFMOutpre",)

    def _window(self, trace: WireTrace) -> tuple[int, int]:
        """Return the first point that is read, from 0, and how many are."""
        first = min(max(min(self._first, self._last), 1), trace.points) - 1
        last = min(max(self._first, self._last), trace.points)
        return first, max(last - first, 1)

    def held(self) -> WireTrace:
        """Return the source's trace that is in memory."""
        return self.readable(self.trace(self.acquisition.held(), self.source))

    def _curve(self) -> Answer:
        record = self.acquisition.newest()
        trace = self.readable(self.trace(record, self.source))
        codes = trace.part(*self._window(trace)).astype(np.int32)
        words = codes << (16 - self.traits.bits)
        values = words if self._width == 2 else words >> 8
        if self._encoding == "ASCIi":
            return ",".join(map(str, values.tolist()))
        order = "<" if self._encoding.startswith("S") else ">"
        if "RP" in self._encoding.upper():
            kind = f"{order}u{self._width}"
            return self.block((values + (128 << 8 * (self._width - 1))).astype(kind).tobytes())
        return self.block(values.astype(f"{order}i{self._width}").tobytes())

    def _preamble(self, head: str) -> None:
        finer = lambda: 256.0 ** (self._width - 1)  # noqa: E731 - read at each asking

        def step(trace: WireTrace) -> float:
            return trace.scale.volts_per_code * 2.0 ** (self.traits.bits - 8) / finer()

        def offset(trace: WireTrace) -> float:
            middle = 128 if "RP" in self._encoding.upper() else 0
            return (self.zeros(trace)[0] + middle) * finer()

        fields: dict[str, Callable[[WireTrace], str]] = {
            "BYT_Nr": lambda _: str(self._width),
            "BIT_Nr": lambda _: str(8 * self._width),
            "ENCdg": lambda _: self.spell("ASCII" if self._encoding == "ASCIi" else "BINary"),
            "BN_Fmt": lambda _: "RP" if "RP" in self._encoding.upper() else "RI",
            "BYT_Or": lambda _: "LSB" if self._encoding.startswith("S") else "MSB",
            "WFId": self._name,
            "NR_Pt": lambda trace: str(self._window(trace)[1]),
            "PT_Fmt": lambda trace: "ENV" if trace.told_peak else "Y",
            "PT_ORder": lambda _: self.spell("LINear"),
            "XUNit": lambda _: '"s"',
            "XINcr": lambda trace: self.show(trace.increment_s),
            "XZEro": lambda trace: self.show(self.origin(trace, self._window(trace)[0])[0]),
            "PT_Off": lambda trace: str(self.origin(trace, self._window(trace)[0])[1]),
            "YUNit": lambda _: '"V"',
            "YMUlt": lambda trace: self.show(step(trace)),
            "YOFf": lambda trace: self.show(offset(trace)),
            "YZEro": lambda trace: self.show(self.zeros(trace)[1]),
        }
        if not self.point_order:
            del fields["PT_ORder"]
        for name, field in fields.items():
            self.ask(f"{head}:{name}", lambda field=field: field(self.held()))
        self.ask(head, lambda: ";".join(field(self.held()) for field in fields.values()))

    def _name(self, trace: WireTrace) -> str:
        source = f"Ch{self.source}" if self.source else "Math"
        kind = "Peak Detect" if trace.peak else "Sample"
        scales = f"{trace.scale.volts_per_div:g}V/div, {self.panel.seconds_per_div:g}s/div"
        return f'"{source}, DC coupling, {scales}, {trace.points} points, {kind} mode"'
