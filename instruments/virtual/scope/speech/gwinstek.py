"""GW Instek GDS-1000B, 2000E and 3000: text and codes in one answer to ``:ACQuire<n>:MEMory?``.

The text says each setting under which the record was taken; then comes a block of 16-bit
numbers, high byte first, 25 of them a division from zero volts on.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import EXTERNAL, MATHS, Trigger
from instruments.virtual.scope.record import WireTrace
from instruments.virtual.scope.scpi import Answer, ScpiError, number
from instruments.virtual.scope.speech.common import Interpreter, attribute, channel_states

_KINDS = {"SAMPle": "normal", "PDETect": "peak", "AVERage": "average"}


class GwInstek(Interpreter):
    """Answers with ``raw/25·scale``."""

    digits = 0
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "no-header": (":HEADer OFF",),
        "zoom": (":TIMebase:MODe WINDow",),
        "position": (":TIMebase:POSition 0.3",),
        "vertical-position": (":CHANnel1:POSition 2", ":CHANnel2:POSition -2"),
        **channel_states(
            ":CHANnel{n}:INVert ON", ":CHANnel{n}:PROBe:RATio {x}", ":CHANnel{n}:BWLimit 20E6"
        ),
        "ac": (":CHANnel1:COUPling AC", ":CHANnel2:COUPling AC"),
        "maths": (":MATH:DISP ON",),
        "average": (":ACQuire:MODe AVERage",),
        "stopped": (":STOP",),
        "armed": (":TRIGger:MODe NORMal", ":TRIGger:SOURce LINE", ":SINGle"),
    }

    def restart(self) -> None:
        """Set whether a record has its text."""
        self._header = True

    def show(self, value: float) -> str:
        """Return a number in NR3 form of four digits."""
        return f"{value:.3E}"

    def spell(self, word: str) -> str:
        """Return a word in capitals, in its long form."""
        return word.upper()

    def commands(self) -> None:
        """Teach the headers."""
        self.ask(":SYSTem:ERRor[:NEXT]", self.next_error)
        self.do(":RUN", self.acquisition.run)
        self.do(":STOP", self.acquisition.stop)
        self.do(":SINGle", self.acquisition.single)
        self.do(":FORCe", self.acquisition.force)
        self.switch(":HEADer", *attribute(lambda: self, "_header"), words=("OFF", "ON"))
        self.choose(":ACQuire:MODe", _KINDS, *attribute(lambda: self.panel, "acquisition"))
        self.numeric(":ACQuire:RECOrdlength", lambda: self.memory_now, self.memory)
        self.ask(":ACQuire#:STATe", lambda place: str(int(self._done(place))))
        self.ask(":ACQuire#:MEMory", self._memory)
        self._timebase()
        self._vertical()
        self._trigger()

    def _done(self, place: int) -> bool:
        self.channel(place)
        return self.acquisition.held() is not None and not self.acquisition.awaited

    def _timebase(self) -> None:
        self.numeric(
            ":TIMebase:SCALe",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value),
        )
        self.numeric(":TIMebase:POSition", *attribute(lambda: self.panel, "delay_s"))
        self.choose(
            ":TIMebase:MODe",
            {"MAIN": "main", "WINDow": "zoom", "XY": "xy"},
            *attribute(lambda: self.panel, "mode"),
        )

    def _vertical(self) -> None:
        per, head = self.channel, ":CHANnel#:"
        self.switch(head + "DISPlay", *attribute(per, "on"), words=("OFF", "ON"))
        self.switch(head + "INVert", *attribute(per, "inverted"), words=("OFF", "ON"))
        self.numeric(
            head + "SCALe", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v)
        )
        # In volts by which the trace is moved up, not in divisions.
        self.numeric(
            head + "POSition",
            lambda n: 0.0 - per(n).offset_v,
            lambda n, v: setattr(per(n), "offset_v", 0.0 - v),
        )
        self.choose(
            head + "COUPling", {"DC": "dc", "AC": "ac", "GND": "gnd"}, *attribute(per, "coupling")
        )
        self.teach_limit(head + "BWLimit", "FULL", "20E6")
        self.numeric(head + "PROBe:RATio", lambda n: per(n).probe, lambda n, v: per(n).set_probe(v))
        self.switch(":MATH:DISP", *attribute(self.maths_channel, "on"), words=("OFF", "ON"))

    def _trigger(self) -> None:
        def trigger() -> Trigger:
            return self.panel.trigger

        sources = self.words_for("CH#", {"EXT": EXTERNAL}, "LINE")
        self.choose(":TRIGger:TYPe", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose(":TRIGger:SOURce", sources, *attribute(trigger, "source"))
        self.choose(
            ":TRIGger:EDGe:SLOP",
            {"RISe": "rise", "FALL": "fall", "EITher": "either"},
            *attribute(trigger, "slope"),
        )
        self.choose(
            ":TRIGger:MODe", {"AUTo": True, "NORMal": False}, *attribute(trigger, "automatic")
        )
        self.ask(":TRIGger:LEVel", lambda: self.show(trigger().edge.level_v))
        self.do(
            ":TRIGger:LEVel",
            lambda text: trigger().levels_v.update({trigger().source: number(text)}),
            1,
        )
        self.ask(":TRIGger:STATe", self._state)

    def _state(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "STOP",
            SweepState.WAITING: "READY",
            SweepState.SWEEPING: "TRIGGER",
            SweepState.RUNNING: "AUTO" if automatic else "TRIGGER",
        }[self.acquisition.look()]

    def _memory(self, place: int) -> Answer:
        self.channel(place)
        record = self.acquisition.newest()
        trace = self.trace(record, place)
        scale = trace.scale
        from_zero = round(scale.centre_v / scale.volts_per_code)
        raw = (trace.codes.astype(np.int32) + from_zero).clip(-32768, 32767).astype(">i2")
        text = f"{self._text(trace, place)};Waveform Data;\n" if self._header else ""
        return self.block(raw.tobytes(), text.encode())

    def _text(self, trace: WireTrace, place: int) -> str:
        if place == MATHS:
            raise ScpiError(-114)
        scale, trigger = trace.scale, self.panel.trigger
        after = round(-trace.start_s / trace.interval_s)
        coefficients = {
            "Format": "1.0B",
            "Memory Length": trace.points,
            "IntpDistance": 0,
            "Trigger Address": after,
            "Trigger Level": self.show(trigger.edge.level_v),
            "Source": f"CH{place}",
            "Vertical Units": "V",
            "Vertical Units Div": 0,
            "Vertical Units Extend Div": 15,
            "Label": "",
            "Probe Type": 0,
            "Probe Ratio": f"{scale.probe:.3e}",
            "Vertical Scale": f"{scale.volts_per_div:.3e}",
            "Vertical Position": f"{0.0 - scale.offset_v:.3e}",
            "Horizontal Units": "S",
            "Horizontal Scale": self.show(self.panel.seconds_per_div),
            "Horizontal Position": self.show(self.panel.delay_s),
            "Horizontal Mode": "Main",
            "SincET Mode": "Real Time",
            "Sampling Period": f"{trace.increment_s:.3e}",
            "Horizontal Old Scale": self.show(self.panel.seconds_per_div),
            "Horizontal Old Position": self.show(self.panel.delay_s),
            "Firmware": self.model.firmware,
        }
        return ";".join(f"{name},{value}" for name, value in coefficients.items())
