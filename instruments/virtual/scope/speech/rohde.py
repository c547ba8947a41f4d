"""Rohde & Schwarz RTB and RTM; HAMEG HMO and its successor RTC: volts, and a header of times.

Peak detect is not told: the header says one value an interval while minimum and maximum come by
turns. More than the screen is read only from a scope that is stopped.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import EXTERNAL, MATHS, FrontPanelError, Trigger
from instruments.virtual.scope.record import SweepRecord, WireTrace
from instruments.virtual.scope.scpi import Answer, ScpiError, choice
from instruments.virtual.scope.speech.common import Interpreter, attribute, channel_states

_COUPLINGS = {"DCLimit": "dc", "ACLimit": "ac", "GND": "gnd", "DC": "dc", "AC": "ac"}
_READOUTS = ("DEFault", "MAXimum", "DMAXimum")


class Rohde(Interpreter):
    """Answers with volts."""

    digits = 0
    kinds: ClassVar[Mapping[str, str]] = {
        "SAMPle": "normal",
        "PDETect": "peak",
        "HRESolution": "hires",
    }
    """Words for the kinds of acquisition."""
    defaults: ClassVar[Mapping[str, object]] = {
        "external_word": "EXTernanalog",
        "screen_points": 1200,
    }
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "points-maximum": ("STOP", "CHANnel1:DATA:POINts MAXimum", "RUN"),
        "text": ("FORMat ASCii",),
        "high-byte-first": ("FORMat REAL,32", "FORMat:BORDer MSBFirst"),
        "zoom": ("TIMebase:ZOOM:STATe ON",),
        "position": ("TIMebase:POSition 0.3",),
        "reference": ("TIMebase:REFerence 10",),
        "vertical-position": ("CHANnel1:POSition 2", "CHANnel2:POSition -2"),
        "offset": ("CHANnel1:OFFSet 2", "CHANnel2:OFFSet -2"),
        **channel_states(
            "CHANnel{n}:POLarity INVerted",
            "PROBe{n}:SETup:ATTenuation:MANual {x}",
            "CHANnel{n}:BANDwidth B20",
        ),
        "ac": ("CHANnel1:COUPling ACLimit", "CHANnel2:COUPling ACLimit"),
        "roll": ("TIMebase:ROLL:ENABle ON",),
        "maths": ("CALCulate:MATH1:STATe ON",),
        "stopped": ("STOP",),
        "armed": ("TRIGger:A:MODE NORMal", "TRIGger:A:SOURce LINE", "SINGle"),
    }

    def restart(self) -> None:
        """Set the format, and the readout to what is on the screen."""
        self._binary = False
        self._low_first = True
        self._points = "DEFault"
        self._zoom = False

    def show(self, value: float) -> str:
        """Return a number in NR3 form."""
        return f"{value:.6E}"

    def commands(self) -> None:
        """Teach the headers."""
        self.ask("SYSTem:ERRor[:NEXT]", self.next_error)
        self._running()
        self._acquire()
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
            lambda: self.memory_now,
            self.memory,
            show=lambda value: f"{value:.0f}",
        )
        self.ask("ACQuire:SRATe", lambda: self.show(self.memory_now / self.span_s))

    def _acquire(self) -> None:
        self.choose("CHANnel#:TYPE", self.kinds, self._type, self._set_type)

    def _state(self) -> str:
        state = self.acquisition.look()
        return "COMP" if state is SweepState.STOPPED else "RUN"

    def _set_state(self, text: str) -> None:
        if choice(text, ("RUN", "STOP")) == "RUN":
            self.acquisition.run()
        else:
            self.acquisition.stop()

    def _horizontal(self) -> None:
        panel = lambda: self.panel  # noqa: E731 - replaced by a reset
        width = self.traits.divisions
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
        self.switch("TIMebase:ZOOM:STATe", *attribute(lambda: self, "_zoom"))
        self.switch(
            "TIMebase:ROLL:ENABle",
            lambda: panel().mode == "roll",
            lambda on: setattr(panel(), "mode", "roll" if on else "main"),
        )

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
        self.teach_limit("CHANnel#:BANDwidth", "FULL", "B20")
        self.choose("CHANnel#:COUPling", _COUPLINGS, *attribute(per, "coupling"))
        self.choose(
            "CHANnel#:POLarity", {"NORMal": False, "INVerted": True}, *attribute(per, "inverted")
        )
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

        external = {str(self.options["external_word"]): EXTERNAL}
        sources = self.words_for("CH#", external, "LINE")
        self.choose("TRIGger:A:TYPE", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose("TRIGger:A:SOURce", sources, *attribute(trigger, "source"))
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
            lambda place: trigger().levels_v.get(self._level_source(place), 0.0),
            lambda place, volts: trigger().levels_v.update({self._level_source(place): volts}),
        )

    def _level_source(self, place: int) -> int:
        if place == 5 and self.model.external:
            return EXTERNAL
        self.channel(place)
        return place

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

        self.ask(head, lambda number: self._data(place_of(number)))
        self.ask(f"{head}:HEADer", lambda number: self._header(place_of(number)))
        self.ask(f"{head}:POINts", lambda number: str(self._held(place_of(number)).points))
        self.do(f"{head}:POINts", lambda _, text: self._set_points(text), 1)

    def _set_points(self, text: str) -> None:
        self.only(running=False)
        self._points = choice(text, _READOUTS)

    def _readable(self, record: SweepRecord | None, place: int) -> WireTrace:
        """Return the trace in as many points as are read of it."""
        whole = self._points != "DEFault" and not self.acquisition.running
        return self.trace(record, place, None if whole else int(self.options["screen_points"]))

    def _held(self, place: int) -> WireTrace:
        if place:
            self.channel(place)
        return self._readable(self.acquisition.held(), place)

    def _header(self, place: int) -> str:
        """Return the times of the first point and of the last, the points, values an interval."""
        trace = self._held(place)
        each = 2 if trace.told_peak else 1
        count = trace.points // each
        stop_s = trace.start_s + trace.interval_s * each * (count - 1)
        return f"{self.show(trace.start_s)},{self.show(stop_s)},{count},{each}"

    def _data(self, place: int) -> Answer:
        if place:
            self.channel(place)
        record = self._acknowledged()
        trace = self._readable(record, place)
        if not self._binary:
            return ",".join(map(self.show, _volts(trace).tolist()))
        kind = "<f4" if self._low_first else ">f4"
        return self.block(memoryview(_volts(trace).astype(kind).tobytes()))

    def _acknowledged(self) -> SweepRecord | None:
        if not self.acquisition.awaited:
            return self.acquisition.newest()
        self.fail(-230)
        return self.acquisition.held()


class Hameg(Rohde):
    """The HMO generation: peak detect by itself, ``ACQuire:PEAK``."""

    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        **Rohde.left,
        "peak": ("ACQuire:PEAK AUTO",),
    }

    def _acquire(self) -> None:
        self.choose(
            "ACQuire:PEAK",
            {"OFF": "normal", "AUTO": "peak"},
            *attribute(lambda: self.panel, "acquisition"),
        )


def _volts(trace: WireTrace) -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    volts = trace.codes * np.float32(trace.scale.volts_per_code)
    return volts + np.float32(trace.scale.centre_v)
