"""Family C2: signed codes with two newlines after them; the numbers come from the settings."""

from __future__ import annotations

import numpy as np

from instruments.virtual.scope.acquisition import State
from instruments.virtual.scope.families.mnemonics import Mnemonics
from instruments.virtual.scope.record import Trace, Traits
from instruments.virtual.scope.scpi import Answer, ScpiError, choice

_ACQUISITIONS = {
    "SAMPLING": "normal",
    "PEAK_DETECT": "peak",
    "AVERAGE": "average",
    "HIGH_RES": "hires",
}


class C2(Mnemonics):
    """Answers with ``code·vdiv/25 − offset``."""

    maker = "Siglent Technologies"
    traits = Traits(divisions=14, memory=14_000)
    block_ending = b"\n\n"
    units = True

    def commands(self) -> None:
        """Teach C2's headers."""
        super().commands()
        for name in ("ACQW", "ACQUIRE_WAY"):
            self.ask(name, self._way)
            self.tree.add(name, command=self._set_way)
        for name in ("SAST", "SAMPLE_STATUS"):
            self.ask(name, self._status)
        for name in ("SARA", "SAMPLE_RATE"):
            self.ask(name, self._rate)
        for name in ("SANU", "SAMPLE_NUM"):
            self.ask(name, lambda source: self.show(self._held(source).codes.size), 1)
        for name in ("WF", "WAVEFORM"):
            self.ask(f"C#:{name}", self._waveform, 1)

    def _way(self) -> str:
        words = {meant: word for word, meant in _ACQUISITIONS.items()}
        return words[self.panel.acquisition]

    def _set_way(self, _numbers: list[int], given: list[str]) -> None:
        if not given:
            raise ScpiError(-109)
        self.panel.acquisition = _ACQUISITIONS[choice(given[0], tuple(_ACQUISITIONS))]

    def _status(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            State.STOPPED: "Stop",
            State.WAITING: "Ready",
            State.SWEEPING: "Trig'd",
            State.RUNNING: "Auto" if automatic else "Trig'd",
        }[self.acquisition.look()]

    def _rate(self) -> str:
        record = self.acquisition.held()
        if record is None or not record.codes:
            span_s = self.panel.seconds_per_div * self.model.divisions
            rate_hz = self.panel.memory / span_s
        else:
            trace = self.trace(record, next(iter(record.codes)))
            rate_hz = 1 / trace.increment_s if trace.increment_s else 0.0
        return self.show(rate_hz) + ("Sa/s" if self._headers else "")

    def _held(self, source: str) -> Trace:
        words = {f"C{number}": number for number in (1, 2, 3, 4)}
        place = words[choice(source, tuple(words))]
        return self.trace(self.acquisition.held(), place)

    def _waveform(self, place: int, part: str = "DAT2") -> Answer:
        self.channel(place)
        if part.upper() != "DAT2":
            raise ScpiError(-224)
        try:
            record = self.acquisition.newest()
            trace = self.trace(record, place)
        except ScpiError as error:
            self.fail(error.code)
            return self.block(b"", b"DAT2,")
        if record is None:
            raise ScpiError(-230)
        codes = self.cached(record, (place, self._window_text()), lambda: self._codes(trace))
        return self.block(codes, b"DAT2,")

    def _codes(self, trace: Trace) -> memoryview:
        return memoryview(np.ascontiguousarray(self.window(trace.codes)).tobytes())
