"""Family D: volts as 32-bit floats (or text), a header with the count of values an interval.

Data are there only once a single sweep has been acknowledged; before, the old ones come.
"""

from __future__ import annotations

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.hardware import (
    EXTERNAL,
    LINE,
    MATHS,
    FrontPanelError,
    SweepRecord,
    Traits,
    Trigger,
    WireTrace,
)
from instruments.virtual.scope.models.common import Interpreter, attribute
from instruments.virtual.scope.scpi import Answer, ScpiError, choice

_TRIGGERS = {
    **{f"CH{number}": number for number in (1, 2, 3, 4)},
    "EXTernanalog": EXTERNAL,
    "LINE": LINE,
}
_TYPES = {"SAMPle": "normal", "PDETect": "peak", "AVERage": "average", "HRESolution": "hires"}
_COUPLINGS = {"DCLimit": "dc", "ACLimit": "ac", "GND": "gnd"}


class D(Interpreter):
    """Answers with volts."""

    maker = "Rohde&Schwarz"
    traits = Traits(divisions=12, memory=10_000)
    digits = 0

    def restart(self) -> None:
        """Set the format, and the readout to what is on the screen."""
        self._binary = False
        self._low_first = True
        self._points = "DEFault"

    def show(self, value: float) -> str:
        """Return a number in NR3 form."""
        return f"{value:.6E}"

    def commands(self) -> None:
        """Teach D's headers."""
        self.ask("SYSTem:ERRor[:NEXT]", self.next_error)
        self._running()
        self._horizontal()
        self._vertical()
        self._trigger()
        self.ask("FORMat[:DATA]", lambda: "REAL,32" if self._binary else "ASC,0")
        self.tree.add("FORMat[:DATA]", command=self._format)
        self.choose(
            "FORMat:BORDer",
            {"MSBFirst": False, "LSBFirst": True, "MSBF": False, "LSBF": True},
            *attribute(lambda: self, "_low_first"),
        )
        self._readout("CHANnel#:DATA", maths=False)
        self._readout("CALCulate:MATH#:DATA", maths=True)

    def _running(self) -> None:
        for name in ("RUN", "RUNContinous"):
            self.do(name, self.acquisition.run)
        for name in ("SINGle", "RUNSingle"):
            self.do(name, self.acquisition.single)
        self.do("STOP", self.acquisition.stop)
        self.ask("ACQuire:STATe", self._state)
        self.do("ACQuire:STATe", self._set_state, 1)
        self.numeric(
            "ACQuire:POINts[:VALue]",
            lambda: self.panel.memory,
            self.memory,
            show=lambda value: f"{value:.0f}",
        )
        self.ask(
            "ACQuire:SRATe",
            lambda: self.show(
                self.panel.memory / (self.panel.seconds_per_div * self.model.divisions)
            ),
        )

    def _state(self) -> str:
        return {SweepState.STOPPED: "COMP", SweepState.RUNNING: "RUN"}.get(
            self.acquisition.look(), "RUN"
        )

    def _set_state(self, text: str) -> None:
        if choice(text, ("RUN", "STOP")) == "RUN":
            self.acquisition.run()
        else:
            self.acquisition.stop()

    def _horizontal(self) -> None:
        panel = lambda: self.panel  # noqa: E731 - replaced by a reset
        width = self.model.divisions
        self.numeric(
            "TIMebase:SCALe",
            lambda: panel().seconds_per_div,
            lambda value: panel().set_timebase(value),
        )
        self.numeric(
            "TIMebase:RANGe",
            lambda: width * panel().seconds_per_div,
            lambda value: panel().set_timebase(value / width),
        )
        self.numeric("TIMebase:POSition", *attribute(panel, "delay_s"))
        self.numeric("TIMebase:REFerence", lambda: 100 * panel().reference, self._reference)

    def _reference(self, percent: float) -> None:
        if not 0 <= percent <= 100:
            raise FrontPanelError
        self.panel.reference = percent / 100

    def _vertical(self) -> None:
        per = self.channel
        self.switch("CHANnel#:STATe", *attribute(per, "on"))
        self.numeric(
            "CHANnel#:SCALe", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v)
        )
        self.numeric(
            "CHANnel#:RANGe",
            lambda n: 10 * per(n).volts_per_div,
            lambda n, v: per(n).set_scale(v / 10),
        )
        self.numeric("CHANnel#:OFFSet", *attribute(per, "offset_v"))
        self.numeric("CHANnel#:POSition", *attribute(per, "position_div"))
        self.choose("CHANnel#:COUPling", _COUPLINGS, *attribute(per, "coupling"))
        self.choose("CHANnel#:TYPE", _TYPES, self._type, self._set_type)
        self.numeric(
            "PROBe#:SETup:ATTenuation:MANual",
            lambda n: per(n).probe,
            lambda n, v: per(n).set_probe(v),
        )
        self.switch("CALCulate:MATH#:STATe", *attribute(self.maths_channel, "on"))
        self.ask("CALCulate:MATH#:EXPRession[:DEFine]", lambda _: '"CH1-CH2"')
        self.do("CALCulate:MATH#:EXPRession[:DEFine]", self._define, 1)
        self.numeric(
            "CALCulate:MATH#:SCALe", lambda _: self.maths_channel().volts_per_div, self.scale_maths
        )

    def _type(self, place: int) -> str:
        self.channel(place)
        return self.panel.acquisition

    def _set_type(self, place: int, kind: str) -> None:
        self.channel(place)
        self.panel.acquisition = kind

    def _define(self, _number: int, text: str) -> None:
        if text.strip("\"'").upper().replace(" ", "") not in ("CH1-CH2", "SUB(CH1,CH2)"):
            raise ScpiError(-224)

    def _trigger(self) -> None:
        def trigger() -> Trigger:
            return self.panel.trigger

        self.choose("TRIGger:A:TYPE", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose("TRIGger:A:SOURce", _TRIGGERS, *attribute(trigger, "source"))
        self.choose(
            "TRIGger:A:EDGE:SLOPe",
            {"POSitive": "rise", "NEGative": "fall", "EITHer": "either"},
            *attribute(trigger, "slope"),
        )
        self.choose(
            "TRIGger:A:MODE", {"AUTO": True, "NORMal": False}, *attribute(trigger, "automatic")
        )
        self.numeric(
            "TRIGger:A:LEVel#[:VALue]",
            lambda place: trigger().levels_v.get(_level_source(place), 0.0),
            lambda place, volts: trigger().levels_v.update({_level_source(place): volts}),
        )

    def _format(self, _numbers: list[int], given: list[str]) -> None:
        words = [word.upper() for word in given]
        if words[:1] in (["ASC"], ["ASCII"]):
            self._binary = False
        elif words in (["REAL"], ["REAL", "32"]):
            self._binary = True
        else:
            raise ScpiError(-224)

    def _readout(self, head: str, *, maths: bool) -> None:
        def place_of(number: int) -> int:
            return MATHS if maths else number

        words = {"DEFault": "DEFault", "MAXimum": "MAXimum", "DMAXimum": "DMAXimum"}
        self.ask(head, lambda number: self._data(place_of(number)))
        self.ask(f"{head}:HEADer", lambda number: self._header(place_of(number)))
        self.ask(f"{head}:POINts", lambda number: str(self._held(place_of(number)).codes.size))
        self.do(
            f"{head}:POINts",
            lambda _, text: setattr(self, "_points", words[choice(text, tuple(words))]),
            1,
        )

    def _held(self, place: int) -> WireTrace:
        if place:
            self.channel(place)
        return self.trace(self.acquisition.held(), place)

    def _header(self, place: int) -> str:
        """Return the times of the first point and of the end, the points, values an interval."""
        trace = self._held(place)
        stop_s = trace.start_s + trace.interval_s * trace.codes.size
        each = 2 if trace.peak else 1
        count = trace.codes.size // each
        return f"{self.show(trace.start_s)},{self.show(stop_s)},{count},{each}"

    def _data(self, place: int) -> Answer:
        if place:
            self.channel(place)
        record = self._acknowledged()
        trace = self.trace(record, place)
        if record is None:
            raise ScpiError(-230)
        if not self._binary:
            return ",".join(map(self.show, _volts(trace).tolist()))
        key = (place, self._low_first)
        kind = "<f4" if self._low_first else ">f4"
        return self.block(
            self.cached(record, key, lambda: memoryview(_volts(trace).astype(kind).tobytes()))
        )

    def _acknowledged(self) -> SweepRecord | None:
        if not self.acquisition.awaited:
            return self.acquisition.newest()
        self.fail(-230)
        return self.acquisition.held()


def _volts(trace: WireTrace) -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    volts = trace.codes * np.float32(trace.scale.volts_per_code)
    return volts + np.float32(trace.scale.centre_v)


def _level_source(place: int) -> int:
    if not 1 <= place <= 5:
        raise ScpiError(-114)
    return EXTERNAL if place == 5 else place
