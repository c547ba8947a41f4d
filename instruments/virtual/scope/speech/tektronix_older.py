"""Tektronix TDS1000 and TDS2000, TBS1000 and TPS2000: ``TRIGger:MAIn`` and 2500 points.

No offset of a channel, only its position; the horizontal position is in seconds, from the trigger
to the middle of the screen.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from instruments.virtual.scope.panel import EXTERNAL, FrontPanelError
from instruments.virtual.scope.record import WireTrace
from instruments.virtual.scope.scpi import ScpiError, number
from instruments.virtual.scope.speech.common import attribute, channel_states
from instruments.virtual.scope.speech.tektronix_common import TektronixCommon

_FACTORS = (1, 10, 20, 50, 100, 500, 1000)
"""Attenuations that can be chosen."""
_HIGHEST_DIV = 5.0


class TektronixOlder(TektronixCommon):
    """The 2500-point models."""

    point_order = False
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "position": ("HORizontal:MAIn:POSition 0.3",),
        "vertical-position": ("CH1:POSition 2", "CH2:POSition -2"),
        **channel_states("CH{n}:INVert ON", "CH{n}:PRObe {x}", "CH{n}:BANdwidth ON"),
        "window": ("DATa:STARt 100", "DATa:STOP 200"),
        "words": ("DATa:WIDth 2", "DATa:ENCdg SRPbinary"),
        "ascii": ("DATa:ENCdg ASCIi",),
        "short-headers": ("VERBose OFF",),
        "no-headers": ("HEADer OFF",),
        "zoom": ("HORizontal:VIEw WINDOW",),
        "ac": ("CH1:COUPling AC", "CH2:COUPling AC"),
        "maths": ("SELect:MATH ON",),
        "average": ("ACQuire:MODe AVErage",),
        "sequence": ("ACQuire:STOPAfter SEQuence",),
        "stopped": ("ACQuire:STATE STOP",),
        "armed": (
            "TRIGger:MAIn:MODe NORMal",
            "TRIGger:MAIn:EDGE:SOUrce LINE",
            "ACQuire:STOPAfter SEQuence",
            "ACQuire:STATE RUN",
        ),
    }

    @property
    def acquisitions(self) -> Mapping[str, str]:
        """Words for the kinds of acquisition."""
        return {"SAMple": "normal", "PEAKdetect": "peak", "AVErage": "average"}

    def heads(self) -> tuple[str, ...]:
        """Return the name of the preamble."""
        return ("WFMPre",)

    def origin(self, trace: WireTrace, first: int) -> tuple[float, int]:
        """Return ``XZEro``, the time of the first point, and ``PT_Off``, which is always 0."""
        return trace.start_s + first * trace.interval_s, 0

    def zeros(self, trace: WireTrace) -> tuple[float, float]:
        """Return the position in codes; there is no offset."""
        return trace.scale.position_div * self.traits.codes_per_div, 0.0

    def commands(self) -> None:
        """Teach the headers."""
        super().commands()
        self._horizontal()
        self._vertical()
        self._trigger()

    def _horizontal(self) -> None:
        self.numeric(
            "HORizontal[:MAIn]:SCAle",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value),
        )
        self.numeric("HORizontal[:MAIn]:POSition", *attribute(lambda: self.panel, "delay_s"))
        self.ask("HORizontal:RECOrdlength", lambda: str(self.memory_now))
        self.choose(
            "HORizontal:VIEw",
            {"MAIn": "main", "WINDOW": "zoom", "ZONE": "zone"},
            *attribute(lambda: self.panel, "mode"),
        )

    def _vertical(self) -> None:
        per = self.channel
        self.switch("SELect:CH#", *attribute(per, "on"))
        self.switch("SELect:MATH", *attribute(self.maths_channel, "on"))
        self.numeric("CH#:SCAle", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v))
        self.numeric("CH#:POSition", lambda n: per(n).position_div, self._set_position)
        self.choose(
            "CH#:COUPling", {"DC": "dc", "AC": "ac", "GND": "gnd"}, *attribute(per, "coupling")
        )
        self.teach_limit("CH#:BANdwidth", "OFF", "ON")
        self.switch("CH#:INVert", *attribute(per, "inverted"), words=("OFF", "ON"))
        self.ask("CH#:PRObe", lambda n: f"{per(n).probe:g}")
        self.do("CH#:PRObe", self._set_probe, 1)
        self.ask("MATH:DEFINE", lambda: '"CH1-CH2"')
        self.do("MATH:DEFINE", self._define, 1)

    def _set_position(self, place: int, divisions: float) -> None:
        channel = self.channel(place)
        if abs(divisions) > max(_HIGHEST_DIV, 2.0 * channel.probe / channel.volts_per_div):
            raise FrontPanelError
        channel.position_div = divisions

    def _set_probe(self, place: int, text: str) -> None:
        if number(text) not in _FACTORS:
            raise FrontPanelError
        self.channel(place).set_probe(number(text))

    def _define(self, text: str) -> None:
        if text.strip("\"'").upper().replace(" ", "") != "CH1-CH2":
            raise ScpiError(-224)

    def _trigger(self) -> None:
        trigger = self.trigger
        external = {"EXT": EXTERNAL, "EXT5": EXTERNAL, "EXT10": EXTERNAL}
        sources = self.words_for("CH#", external, "LINE")
        head = "TRIGger:MAIn:"
        self.choose(head + "TYPe", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose(head + "EDGE:SOUrce", sources, *attribute(trigger, "source"))
        self.choose(
            head + "EDGE:SLOpe", {"RISe": "rise", "FALL": "fall"}, *attribute(trigger, "slope")
        )
        self.choose(
            head + "MODe", {"AUTO": True, "NORMal": False}, *attribute(trigger, "automatic")
        )
        self.numeric(
            head + "LEVel",
            lambda: trigger().edge.level_v,
            lambda volts: trigger().levels_v.update({trigger().source: volts}),
        )
