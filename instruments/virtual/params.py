"""Options of the virtual drive, in one table from which help and errors are made.

Each field of :class:`VirtualParams` is an option of the same name in a ``sim:`` address.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from math import inf, isfinite
from typing import Any

from instruments.source import AddressError


@dataclass(frozen=True, slots=True)
class DriveOption:
    """One option of the virtual drive.

    Attributes
    ----------
    name : str
        As it is written in an address.
    kind : type
        ``float``, ``int`` or ``str``.
    default : float, int or str
        Its value when not given.
    help : str
        One sentence, with the unit.
    low, high : float
        Limits of a number, inclusive.
    choices : tuple of str
        The words that are allowed.
    form : str
        What a text without choices looks like, in words.
    """

    name: str
    kind: type
    default: Any
    help: str
    low: float = -inf
    high: float = inf
    choices: tuple[str, ...] = ()
    form: str = ""

    @property
    def allowed(self) -> str:
        """Words for what the option may be."""
        if self.form:
            return self.form
        if self.choices:
            return " or ".join(self.choices)
        kind = "a whole number" if self.kind is int else "a number"
        if not isfinite(self.high):
            return f"{kind} from {self.low:.12g} up, or inf"
        return f"{kind} from {self.low:.12g} to {self.high:.12g}"

    def accepts(self, value: object) -> bool:
        """Return whether `value` may stand."""
        if self.choices:
            return value in self.choices
        if self.form:
            return isinstance(value, str) and windows_of(value) is not None
        if isinstance(value, bool) or not isinstance(value, float | int):
            return False
        whole = self.kind is float or isinstance(value, int)
        return whole and self.low <= value <= self.high

    def read(self, text: str) -> object:
        """Turn the text of an address into a value, or leave it as it is where that fails."""
        try:
            return self.kind(text)
        except ValueError:
            return text


@dataclass(frozen=True, slots=True)
class BurstWindow:
    """A burst of an alignment track, in turns from the index; to one side of the track line."""

    start_turns: float
    length_turns: float
    outward: bool


_WINDOWS = (
    "windows as START:LENGTH:SIDE in degrees after the index, parted by commas, in order and "
    "apart, some outward and some inward"
)
_DEGREES = 360.0


def windows_of(text: str) -> tuple[BurstWindow, ...] | None:
    """Read windows such as ``15:100:outward,190:45:inward``; None where they are none."""
    found: list[BurstWindow] = []
    end = 0.0
    for part in text.split(","):
        try:
            start, length, side = part.split(":")
            start_deg, length_deg = float(start), float(length)
        except ValueError:
            return None
        # Written so that what is not a number is refused too.
        fits = end <= start_deg and length_deg >= 1.0 and start_deg + length_deg <= _DEGREES
        if not fits or side not in ("outward", "inward"):
            return None
        end = start_deg + length_deg
        found.append(BurstWindow(start_deg / _DEGREES, length_deg / _DEGREES, side == "outward"))
    return tuple(found) if len({each.outward for each in found}) == 2 else None


def _number(default: float, low: float, high: float, sentence: str) -> Any:
    return field(default=default, metadata={"help": sentence, "low": low, "high": high})


def _choice(default: str, choices: tuple[str, ...], sentence: str) -> Any:
    return field(default=default, metadata={"help": sentence, "choices": choices})


NO_PRACTICE = "none"
DRAWN = "drawn"
PRACTICES = (
    "misaligned",
    "loose-clamp",
    "sticky-positioner",
    "wrong-wiring",
    "worn-disk",
    "wrong-disk",
    "two-heads",
)
"""The kinds of fault of the practice bench."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualParams:
    """Every setting of the virtual drive; ``OPTIONS`` tells unit and range of each.

    Raises
    ------
    AddressError
        When a value is not allowed; the message names the option and what is.
    """

    offset_um: float = _number(
        25.0, -2000, 2000, "Radial offset of the head from the track line in µm, outward positive."
    )
    seed: int = _number(1, 0, 2**63 - 1, "Seed of everything that is drawn by chance.")
    rate: float = _number(1e6, 1e3, 1e8, "Sample rate in Hz.")
    practice: str = _choice(
        NO_PRACTICE,
        (NO_PRACTICE, DRAWN, *PRACTICES),
        "A hidden fault of this kind, its size drawn from the seed; drawn: the kind as well. It "
        "takes the place of the options that it concerns.",
    )
    pace: str = _choice(
        "live", ("live", "fast"), "Deliver at the pace of real time, or as fast as can be."
    )
    recording: str = _choice(
        "two-band",
        ("two-band", "boundary", "alternating", "beat", "windows", "track"),
        "How the alignment track is recorded; a track is an ordinary one that stands alone.",
    )
    track_um: float = _number(300.0, 20, 2000, "Width of an ordinary track in µm.")
    scale_um: float = _number(
        178.0,
        10,
        2000,
        "Offset for unit balance of the recording in µm; beyond half of head_um the tops of a "
        "boundary recording are flat.",
    )
    band_eccentricity: float = _number(
        1.4, 1.05, 5, "Eccentricity of each band of a two-band recording, in units of scale_um."
    )
    pairs: int = _number(6, 2, 18, "Pairs of groups a turn of an alternating recording.")
    windows: str = field(
        default="15:100:outward,190:45:inward",
        metadata={"help": "Bursts of a recording in windows.", "form": _WINDOWS},
    )
    first_lobe: float = _number(
        0.5, 0.05, 0.95, "Place of the first lobe's top after the index, in spacings of the lobes."
    )
    head_um: float = _number(330.0, 20, 2000, "Width of the head in µm.")
    carrier_hz: float = _number(
        125e3, 1e3, 2e6, "Carrier of the recording in Hz when the disk turns at 300 rpm."
    )
    speed_rpm: float = _number(300.0, 30, 3000, "Mean speed of the spindle in rpm.")
    wow_percent: float = _number(0.15, 0, 20, "Peak deviation of the speed by wow in per cent.")
    wow_hz: float = _number(1.3, 0.01, 100, "Frequency of the wow in Hz.")
    drift_percent: float = _number(
        0.05, 0, 20, "Peak deviation of the speed by slow drift in per cent."
    )
    drift_period_s: float = _number(90.0, 10, 1e5, "Period of the slow drift in s.")
    clamp_um: float = _number(
        8.0, 0, 200, "Shift of the disk by a seating in µm, root mean square over seatings."
    )
    oval_um: float = _number(
        0.5, 0, 100, "Ovality by a seating in µm, root mean square over seatings."
    )
    backlash_um: float = _number(6.0, 0, 200, "Backlash of the positioner in µm.")
    slope_um: float = _number(
        0.0,
        -200,
        200,
        "How much farther outward the head stands on track 0 than on the last track in µm.",
    )
    phase_um: float = _number(
        0.0, -200, 200, "How far outward one of the stepper's four phases holds the head in µm."
    )
    long_seek_um: float = _number(
        0.0, -100, 100, "How far a seek over the whole stroke falls short in µm."
    )
    play_um: float = _number(0.0, 0, 200, "Play of the arm in µm: what remains of a light push.")
    warm_um: float = _number(
        0.0, -200, 200, "Shift of the head in µm, outward, until the drive is warm."
    )
    warm_minutes: float = _number(
        10.0, 0.1, 1000, "Time constant of that shift in minutes, from when the drive is opened."
    )
    worn: str = _choice(
        "nothing",
        ("nothing", "rails", "lubrication", "belt", "cone", "pad"),
        "What of the mechanics is worn, as an eye sees it and as the signal shows it.",
    )
    screws: str = _choice(
        "loose", ("loose", "tight"), "The stepper's clamp screws at the start; tight ones hold it."
    )
    creep_um: float = _number(
        6.0, -50, 50, "Shift of the head by tightening the screws in µm, the drive's own part."
    )
    creep_scatter_um: float = _number(
        3.0, 0, 50, "The most by which one tightening differs from another in µm."
    )
    hand_percent: float = _number(
        10.0, 0, 50, "The hand's own error in per cent of each nudge, root mean square."
    )
    hand_um: float = _number(
        2.0, 0, 50, "The hand's own error of each nudge in µm, root mean square."
    )
    side_um: float = _number(0.0, -500, 500, "Offset of head 1 in µm outward of head 0's.")
    age_months: float = _number(0.0, 0, 1200, "Months since the drive was as the options say.")
    ageing_um: float = _number(0.5, -50, 50, "Shift of the head in a month in µm, outward.")
    ageing_rpm: float = _number(-0.01, -5, 5, "Change of the speed in a month in rpm.")
    azimuth_arcmin: float = _number(4.0, -60, 60, "Azimuth error of head 0 in minutes of arc.")
    azimuth_side_arcmin: float = _number(
        -7.0, -60, 60, "Azimuth error of head 1 in minutes of arc."
    )
    index_burst_us: float = _number(
        210.0, 0, 5000, "From the index to the burst of side 0 in µs at 300 rpm."
    )
    index_side_us: float = _number(
        15.0, -1000, 1000, "How much later the burst of side 1 comes, in µs at 300 rpm."
    )
    protect: str = _choice(
        "works", ("works", "fails"), "Whether the write-protect sensor sees a covered notch."
    )
    spacing_um: float = _number(
        0.5, 0, 5, "Distance of the head from the film in µm: it weakens short wavelengths."
    )
    modulation_percent: float = _number(
        3.0, 0, 90, "Modulation of a written track over the turn in per cent."
    )
    asymmetry_ns: float = _number(
        60.0, -2000, 2000, "Asymmetry of the peaks of a written track in ns at 300 rpm."
    )
    amplitude_v: float = _number(
        0.4, 1e-6, 100, "Peak of the differential at the top of even lobes in V."
    )
    snr_db: float = _number(
        35.0, -40, inf, "Sine power at the top of even lobes over noise power in the band in dB."
    )
    hum_v: float = _number(0.02, 0, 100, "Peak of the mains hum common to both phases in V.")
    hum_hz: float = _number(50.0, 40, 70, "Frequency of the mains in Hz.")
    mismatch_percent: float = _number(
        1.0, -50, 50, "Difference of the gains of plus and minus in per cent of their mean."
    )
    dc_v: float = _number(0.0, -100, 100, "DC offset of the plus phase in V.")
    third_harmonic: float = _number(
        0.02, 0, 0.5, "Third harmonic of the carrier as a fraction of the fundamental."
    )
    radial_modulation_percent: float = _number(
        0.0, 0, 50, "Modulation of the radial alignment track over the turn in per cent."
    )
    spindle_modulation_percent: float = _number(
        0.0,
        0,
        50,
        "Modulation over the turn by the spindle, in per cent: each seating turns it on the disk.",
    )
    blank_deg: float = _number(
        0.0, 0, 90, "Length of the blank splice after the index of the alignment track in degrees."
    )
    drop_outs: int = _number(0, 0, 100, "Drop-outs a turn.")
    drop_out_place: str = _choice(
        "fixed", ("fixed", "random"), "Drop-outs fixed on the disk, or anew each turn."
    )
    drop_out_deg: float = _number(1.0, 0.01, 30, "Length of a drop-out in degrees of the turn.")
    drop_out_depth: float = _number(0.8, 0, 1, "Fraction of the amplitude lost in a drop-out.")
    index_v: float = _number(
        5.0, 0.0, 100, "Volts of the index's high level; low is 0 V. 0: its lead is off."
    )
    index_polarity: str = _choice(
        "low", ("low", "high"), "Level of the index signal during the pulse."
    )
    index_width_ms: float = _number(4.0, 0.01, 60, "Length of the index pulse in ms at 300 rpm.")
    index_edge_us: float = _number(1.0, 0, 1000, "Time of the index pulse's edges in µs.")
    low_corner_hz: float = _number(
        0.0, 0, 1000, "Low corner of the envelope's input in Hz; 0 for a DC-coupled one."
    )
    detector_threshold_v: float = _number(
        0.0, 0, 10, "Amplitude in V below which the envelope's detector gives nothing."
    )
    bits: int = _number(0, 0, 24, "Resolution of the input in bits; 0 for no quantisation.")
    full_scale_v: float = _number(inf, 1e-3, inf, "Peak in V at which the input clips.")

    def __post_init__(self) -> None:
        for option in OPTIONS.values():
            value = getattr(self, option.name)
            if not option.accepts(value):
                raise _refused("the virtual drive", option, value)
        if self.bits and not isfinite(self.full_scale_v):
            raise AddressError(
                "the virtual drive: bits needs a full scale; add for example full_scale_v=1"
            )


def _refused(where: str, option: DriveOption, value: object) -> AddressError:
    return AddressError(f"{where}: {option.name} is “{value}”; it must be {option.allowed}")


OPTIONS: Mapping[str, DriveOption] = {
    entry.name: DriveOption(entry.name, type(entry.default), entry.default, **entry.metadata)
    for entry in fields(VirtualParams)
}
"""The table of all options, by name, in the order in which help shows them."""


def help_text() -> str:
    """Return the options as lines of text: name, default, sentence and range."""
    return "\n".join(
        f"{option.name}={option.default}\n    {option.help} ({option.allowed})"
        for option in OPTIONS.values()
    )


def format_address(params: VirtualParams) -> str:
    """Return the address of a drive: ``sim:`` and the options that are not at their default."""
    told = {name: getattr(params, name) for name in OPTIONS}
    return "sim:" + "&".join(
        f"{name}={told[name]}" for name in OPTIONS if told[name] != OPTIONS[name].default
    )


def read_options(address: str, texts: Mapping[str, str]) -> VirtualParams:
    """Read the options of an address such as ``sim:offset_um=25&seed=1``.

    Parameters
    ----------
    address : str
        The whole address, for messages.
    texts : mapping of str to str
        Its options as they are written there, by name.

    Raises
    ------
    AddressError
        When an option is not known or out of its range; the message says what is allowed.
    """
    values: dict[str, Any] = {}
    for name, text in texts.items():
        option = OPTIONS.get(name)
        if option is None:
            known = ", ".join(OPTIONS)
            raise AddressError(f"address “{address}”: “{name}” is not an option; use {known}")
        value = option.read(text)
        if not option.accepts(value):
            raise _refused(f"address “{address}”", option, text)
        values[name] = value
    return VirtualParams(**values)
