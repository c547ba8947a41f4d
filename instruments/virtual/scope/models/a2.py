"""Family A2: ten fields, the origin in codes; screen or memory, the memory in pages.

``A2-older`` is the generation before: no preamble, the source beside ``:WAVeform:DATA?``, codes
that fall with the voltage, pairs with the maximum first.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.hardware import (
    EXTERNAL,
    LINE,
    MATHS,
    FrontPanelError,
    SweepRecord,
    Traits,
    WireTrace,
)
from instruments.virtual.scope.models.common import Reply, attribute
from instruments.virtual.scope.models.ten_field import TenField, unsigned, whole
from instruments.virtual.scope.scpi import Answer, Buffer, ScpiError, choice

_CHANNELS = {f"CHANnel{number}": number for number in (1, 2, 3, 4)}
_DEPTHS = tuple(size * 10**power for power in (3, 4, 5, 6) for size in (1, 3, 6, 12))
_PAGE = 250_000
"""Most points of one read from memory."""
_SCREEN_POINTS = 1200


class A2(TenField):
    """Answers with ``(raw − yorig − yref)·yinc``."""

    maker = "RIGOL TECHNOLOGIES"
    traits = Traits(divisions=12, memory=12_000)
    sources: ClassVar = {**_CHANNELS, "MATH": MATHS, "MATH1": MATHS}
    trigger_sources: ClassVar = {**_CHANNELS, "EXT": EXTERNAL, "AC": LINE, "ACLine": LINE}
    couplings: ClassVar = {"DC": "dc", "AC": "ac", "GND": "gnd"}
    types: ClassVar = {
        "NORMal": "normal",
        "PEAK": "peak",
        "AVERages": "average",
        "HRESolution": "hires",
    }
    offset_sign = -1.0

    def restart(self) -> None:
        """Set the waveform's source, format, mode and page."""
        super().restart()
        self._mode = "NORMal"
        self._start, self._stop = 1, _SCREEN_POINTS

    def show(self, value: float) -> str:
        """Return a number in lower-case NR3 form."""
        return f"{value:.6e}"

    def execute(self, message: bytes) -> Reply:
        """Carry out a message; without a newline nobody waits for ``*OPC?`` to be answered."""
        reply = super().execute(message)
        if not message.endswith(b"\n") and message.strip().upper().endswith(b"*OPC?"):
            return Reply()
        return reply

    def commands(self) -> None:
        """Teach A2's headers."""
        super().commands()
        self.do(":TFORce", self.acquisition.force)
        self.do(":CLEar", self.acquisition.forget)
        self.ask(":TRIGger:STATus", self._status)
        self.numeric(
            ":TIMebase[:MAIN]:SCALe",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value),
        )
        self.numeric(":TIMebase[:MAIN]:OFFSet", *attribute(lambda: self.panel, "delay_s"))
        self.choose(":TIMebase:MODE", {"MAIN": 0}, lambda: 0, lambda _: None)
        self.ask(":ACQuire:MDEPth", lambda: str(self.panel.memory))
        self.do(":ACQuire:MDEPth", self._depth, 1)
        for head in (":MATH:", ":MATH1:"):
            self.maths(head, "OPERator")
        modes = {"NORMal": "NORMal", "MAXimum": "MAXimum", "RAW": "RAW"}
        self.choose(":WAVeform:MODE", modes, *attribute(lambda: self, "_mode"))
        for name in ("STARt", "STOP"):
            at = f"_{name.lower()}"
            self.ask(f":WAVeform:{name}", lambda at=at: str(getattr(self, at)))
            self.do(f":WAVeform:{name}", lambda text, at=at: self._limit(at, text), 1)
        self.ask(":WAVeform:POINts", lambda: str(self._page_of(self.acquisition.held())[1]))

    def points(self, record: SweepRecord) -> int | None:
        """Return None for the memory, else the screen's points."""
        return None if self._from_memory() else min(_SCREEN_POINTS, record.points)

    def fields(self, trace: WireTrace) -> tuple[float, ...]:
        """Return the last six fields of the preamble."""
        step = trace.scale.volts_per_code
        return (trace.increment_s, trace.start_s, 0, step, -trace.scale.centre_v / step, 128)

    def preamble(self) -> str:
        """Return the ten fields: format, mode, points of the page, count and the six."""
        trace = self.held_trace()
        xinc, xorig, xref, yinc, yorig, yref = self.fields(trace)
        kind = {"BYTE": 0, "WORD": 1, "ASCii": 2}[self.format]
        mode = {"NORMal": 0, "MAXimum": 1, "RAW": 2}[self._mode]
        points = self._page_of(self.acquisition.held())[1]
        return (
            f"{kind},{mode},{points},1,{self.show(xinc)},{self.show(xorig)},{int(xref)},"
            f"{self.show(yinc)},{yorig + 0.0:.6g},{int(yref)}"
        )

    def data(self, *source: str) -> Answer:
        """Return the page of the waveform, empty where there is none."""
        if source:
            raise ScpiError(-108)
        try:
            return self.block(self._page())
        except ScpiError as error:
            self.fail(error.code)
            return self.empty()

    def _page(self) -> Buffer:
        if self._mode == "RAW" and not self.acquisition.stopped:
            raise ScpiError(-221)
        record = self.acquisition.newest()
        if record is None:
            raise ScpiError(-230)
        first, count = self._page_of(record)
        if count > _PAGE or count < 1:
            raise ScpiError(-222)
        codes = memoryview(self.bytes_of(record, self.points(record)))[first : first + count]
        if self.format == "ASCii":
            raise ScpiError(-221)
        if self.format == "WORD":
            return np.frombuffer(codes, np.uint8).astype("<u2").tobytes()
        return codes

    def _page_of(self, record: SweepRecord | None) -> tuple[int, int]:
        """Return the page's first point, from 0, and its points."""
        if record is None:
            return 0, 0
        there = record.points if self._from_memory() else min(_SCREEN_POINTS, record.points)
        first = self._start - 1
        return first, max(min(self._stop, there) - first, 0)

    def _from_memory(self) -> bool:
        return self._mode == "RAW" or (self._mode == "MAXimum" and self.acquisition.stopped)

    def _limit(self, name: str, text: str) -> None:
        value = whole(text)
        if value < 1:
            raise FrontPanelError
        setattr(self, name, value)

    def _depth(self, text: str) -> None:
        if text.upper() == "AUTO":
            self.memory(self.traits.memory)
            return
        points = whole(text)
        if points not in _DEPTHS:
            raise FrontPanelError
        self.memory(points)

    def _status(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "STOP",
            SweepState.WAITING: "WAIT",
            SweepState.SWEEPING: "RUN",
            SweepState.RUNNING: "AUTO" if automatic else "TD",
        }[self.state()]


class A2Older(A2):
    """Answers with ``(128 − raw)·vdiv/25.6 − offset``."""

    traits = Traits(divisions=12, codes_per_div=25.6, memory=12_000, order="max-min")
    digits = 8

    def commands(self) -> None:
        """Teach the headers of A2, less those of the preamble."""
        super().commands()
        for pattern in (":WAVeform:PREamble", ":WAVeform:SOURce", ":WAVeform:MODE"):
            self.tree.remove(pattern)
        for name in ("XINCrement", "YINCrement", "YORigin", "YREFerence", "STARt", "STOP"):
            self.tree.remove(f":WAVeform:{name}")

    def data(self, *source: str) -> Answer:
        """Return the screen of the channel that is named."""
        if not source:
            raise ScpiError(-109)
        self.source = self.sources[choice(source[0], tuple(self.sources))]
        try:
            record = self.acquisition.newest()
            trace = self.trace(record, self.source, _SCREEN_POINTS)
        except ScpiError as error:
            self.fail(error.code)
            return self.empty()
        # 128 − raw is the code: the lowest has no byte of its own, and is held at the rail.
        fallen = 255 - np.frombuffer(unsigned(trace), np.uint8).astype(np.int16) + 1
        return self.block(np.minimum(fallen, 255).astype(np.uint8).tobytes())
