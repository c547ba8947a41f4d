"""Tektronix TBS2000, DPO/MSO2000, MDO3000 and the 4, 5 and 6 series: ``TRIGger:A``.

The trigger's place in the record is a percentage, and is forced to the middle while delay mode is
on, as it is after a reset.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from instruments.virtual.scope.panel import EXTERNAL, FrontPanelError
from instruments.virtual.scope.record import WireTrace
from instruments.virtual.scope.scpi import ScpiError, number
from instruments.virtual.scope.speech.common import attribute, channel_states
from instruments.virtual.scope.speech.tektronix_common import TektronixCommon

_ALL_KINDS = {
    "SAMple": "normal",
    "PEAKdetect": "peak",
    "AVErage": "average",
    "HIRes": "hires",
}


class Tektronix(TektronixCommon):
    """The models with ``TRIGger:A`` and an offset of each channel."""

    point_order = True
    defaults: ClassVar[Mapping[str, object]] = {
        "external_words": ("AUX",),
        "peak_detect": True,
        "manual_length": False,
        "offset_in_zero": False,
        "origin": "start",
        "reduced_points": 0,
        "extra_attenuation": False,
        "global_display": False,
    }
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "delay": ("HORizontal:DELay:MODe ON", "HORizontal:DELay:TIMe 0.3"),
        "position": ("HORizontal:DELay:MODe OFF", "HORizontal:POSition 90"),
        "vertical-position": ("CH1:POSition 2", "CH2:POSition -2"),
        "offset": ("CH1:OFFSet 2", "CH2:OFFSet -2"),
        **channel_states("CH{n}:INVert ON", "CH{n}:PRObe:GAIN {g}", "CH{n}:BANdwidth TWEnty"),
        "window": ("DATa:STARt 100", "DATa:STOP 200"),
        "words": ("DATa:WIDth 2", "DATa:ENCdg SRPbinary"),
        "ascii": ("DATa:ENCdg ASCIi",),
        "short-headers": ("VERBose OFF",),
        "no-headers": ("HEADer OFF",),
        "zoom": ("ZOOm:MODe ON",),
        "ac": ("CH1:COUPling AC", "CH2:COUPling AC"),
        "maths": ("SELect:MATH ON",),
        "average": ("ACQuire:MODe AVErage",),
        "sequence": ("ACQuire:STOPAfter SEQuence",),
        "stopped": ("ACQuire:STATE STOP",),
        "armed": (
            "TRIGger:A:MODe NORMal",
            "TRIGger:A:EDGE:SOUrce LINE",
            "ACQuire:STOPAfter SEQuence",
            "ACQuire:STATE RUN",
        ),
    }

    def restart(self) -> None:
        """Set what is beside the panel; delay mode is on after a reset."""
        super().restart()
        self._delayed, self._delay_s = True, 0.0
        self._percent = 50.0
        self._manual = not self.options["manual_length"]
        self._zoom = False
        self._reduced = False
        self._composition = "COMPOSITE_YT"
        self._place()

    @property
    def acquisitions(self) -> Mapping[str, str]:
        """Words for the kinds of acquisition."""
        if self.options["peak_detect"]:
            return _ALL_KINDS
        return {word: kind for word, kind in _ALL_KINDS.items() if word in ("SAMple", "AVErage")}

    def commands(self) -> None:
        """Teach the headers."""
        super().commands()
        self._horizontal()
        self._vertical()
        self._trigger()
        for name in ("ZOOm:MODe", "ZOOm:STATE"):
            self.switch(name, *attribute(lambda: self, "_zoom"))
        if self.options["reduced_points"]:
            self._choose_resolution()

    def origin(self, trace: WireTrace, first: int) -> tuple[float, int]:
        """Return ``XZEro`` and ``PT_Off``: of the first point, or of the trigger's sample."""
        if self.options["origin"] == "start":
            return trace.start_s + first * trace.interval_s, 0
        after = round(-trace.start_s / trace.interval_s) if trace.interval_s else 0
        return trace.start_s + after * trace.interval_s, after - first

    def zeros(self, trace: WireTrace) -> tuple[float, float]:
        """Return the two zeros; the newer models have position and offset both in the second."""
        if self.options["offset_in_zero"]:
            return 0.0, trace.scale.centre_v
        return super().zeros(trace)

    def readable(self, trace: WireTrace) -> WireTrace:
        """Return the trace, or where it is to be reduced the few points of the screen."""
        points = int(self.options["reduced_points"])
        if not points or not self._reduced or points >= trace.points:
            return trace
        held = self.acquisition.held()
        return self.trace(held, self.source, points)

    def _choose_resolution(self) -> None:
        self.choose(
            "DATa:RESOlution",
            {"FULL": False, "REDUced": True},
            *attribute(lambda: self, "_reduced"),
        )
        words = ("COMPOSITE_YT", "COMPOSITE_ENV", "SINGULAR_YT")
        self.choose(
            "DATa:COMPosition",
            {word: word for word in words},
            *attribute(lambda: self, "_composition"),
        )
        self.ask("DATa:COMPosition:AVAILable", lambda: "COMPOSITE_YT")

    def _horizontal(self) -> None:
        self.numeric(
            "HORizontal[:MAIn]:SCAle",
            lambda: self.panel.seconds_per_div,
            self._set_scale,
        )
        self.ask("HORizontal[:MAIn]:RECOrdlength", lambda: str(self.memory_now))
        self.do("HORizontal[:MAIn]:RECOrdlength", self._length, 1)
        self.ask("HORizontal[:MAIn]:SAMPLERate", lambda: self.show(self.memory_now / self.span_s))
        if self.options["manual_length"]:
            self.choose(
                "HORizontal:MODe",
                {"AUTO": False, "MANual": True},
                *attribute(lambda: self, "_manual"),
            )
            self.ask("HORizontal:MODe:RECOrdlength", lambda: str(self.memory_now))
            self.do("HORizontal:MODe:RECOrdlength", self._length, 1)
        self.numeric("HORizontal[:MAIn]:POSition", lambda: self._percent, self._set_position)
        self.switch("HORizontal[:MAIn]:DELay:MODe", lambda: self._delayed, self._delay_mode)
        self.numeric("HORizontal[:MAIn]:DELay:TIMe", lambda: self._delay_s, self._delay)
        self.ask("HORizontal:ROLL", lambda: str(int(self.traits.rolls(self.panel))))

    def _set_scale(self, seconds: float) -> None:
        self.panel.set_timebase(seconds)

    def _length(self, text: str) -> None:
        if not self._manual:
            raise ScpiError(-221)
        self.memory(int(number(text)))

    def _set_position(self, percent: float) -> None:
        if not 0 <= percent <= 100:
            raise FrontPanelError
        if not self._delayed:
            self._percent = percent
        self._place()

    def _delay_mode(self, delayed: bool) -> None:
        self._delayed = delayed
        if delayed:
            self._percent = 50.0
        self._place()

    def _delay(self, seconds: float) -> None:
        self._delay_s = seconds
        self._place()

    def _place(self) -> None:
        """Without delay the position says where in the record the trigger lies."""
        self.panel.reference = self._percent / 100
        self.panel.delay_s = self._delay_s if self._delayed else 0.0

    def _vertical(self) -> None:
        per = self.channel
        self.switch("SELect:CH#", *attribute(per, "on"))
        if self.options["global_display"]:
            self.switch("DISplay:GLObal:CH#:STATE", *attribute(per, "on"))
        self.switch("SELect:MATH", *attribute(self.maths_channel, "on"))
        self.switch("SELect:MATH#", *attribute(self.maths_channel, "on"))
        self.numeric("CH#:SCAle", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v))
        self.numeric("CH#:OFFSet", *attribute(per, "offset_v"))
        self.numeric("CH#:POSition", *attribute(per, "position_div"))
        self.choose("CH#:COUPling", {"DC": "dc", "AC": "ac"}, *attribute(per, "coupling"))
        self.teach_limit("CH#:BANdwidth", "FULl", "TWEnty")
        self.switch("CH#:INVert", *attribute(per, "inverted"))
        self._probes()
        self.ask("MATH#:DEFine", lambda _: '"CH1-CH2"')
        self.do("MATH#:DEFine", self._define, 1)
        self.numeric(
            "MATH#:VERTical:SCAle", lambda _: self.maths_channel().volts_per_div, self.scale_maths
        )
        self.numeric("MATH#:VERTical:POSition", *attribute(self.maths_channel, "position_div"))

    def _probes(self) -> None:
        per = self.channel
        self.ask("CH#:PRObe:GAIN", lambda n: self.show(1 / per(n).probe))
        if self.options["extra_attenuation"]:
            # The probe tells its own factor of ten; what is set is a multiple of it.
            self.numeric(
                "CH#:PROBEFunc:EXTAtten",
                lambda n: per(n).probe / 10,
                lambda n, v: per(n).set_probe(10 * v),
            )
        else:
            self.do("CH#:PRObe:GAIN", self._set_gain, 1)
        self.ask(
            "CH#:PRObe",
            lambda n: f'{self.show(1 / per(n).probe)};10.0000E+6;"V";"10X";"N/A"',
        )

    def _set_gain(self, place: int, text: str) -> None:
        gain = number(text)
        if not gain:
            raise FrontPanelError
        self.channel(place).set_probe(1.0 / gain)

    def _define(self, _number: int, text: str) -> None:
        if text.strip("\"'").upper().replace(" ", "") != "CH1-CH2":
            raise ScpiError(-224)

    def _trigger(self) -> None:
        trigger = self.trigger
        external = dict.fromkeys(self.options["external_words"], EXTERNAL)
        sources = self.words_for("CH#", external, "LINE")
        self.choose("TRIGger:A:TYPe", {"EDGe": 0}, lambda: 0, lambda _: None)
        self.choose("TRIGger:A:EDGE:SOUrce", sources, *attribute(trigger, "source"))
        self.choose(
            "TRIGger:A:EDGE:SLOpe",
            {"RISe": "rise", "FALL": "fall", "EITher": "either"},
            *attribute(trigger, "slope"),
        )
        self.choose(
            "TRIGger:A:MODe", {"AUTO": True, "NORMal": False}, *attribute(trigger, "automatic")
        )
        self.numeric(
            "TRIGger:A:LEVel",
            lambda: trigger().edge.level_v,
            lambda volts: self._level(trigger().source, volts),
        )
        self.numeric(
            "TRIGger:A:LEVel:CH#",
            lambda place: trigger().levels_v.get(self.checked(place), 0.0),
            lambda place, volts: self._level(self.checked(place), volts),
        )
        for word, place in external.items():
            self.numeric(
                f"TRIGger:A:LEVel:{word}",
                lambda place=place: trigger().levels_v.get(place, 0.0),
                lambda volts, place=place: self._level(place, volts),
            )

    def checked(self, place: int) -> int:
        """Return the number of a channel that the model has."""
        self.channel(place)
        return place

    def _level(self, source: int, volts: float) -> None:
        self.panel.trigger.levels_v[source] = volts
