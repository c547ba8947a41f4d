"""What makes an offset unsure: the parts of its budget, what dominates it, and what would help."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from app.analysis.adjust.climate import (
    CERTIFIED,
    HUMIDITY,
    NORMAL_C,
    NORMAL_PERCENT,
    NORMAL_U_K,
    NORMAL_U_PERCENT,
    OVAL,
    TEMPERATURE,
    THERMOMETER_U_K,
    Climate,
    Film,
    climate_of,
)
from app.analysis.budget import Budget, Part, Shape, combined_u
from app.analysis.messages import fill
from app.analysis.results import Message, Quantity
from app.job import messages
from app.job.model import Known
from app.numbers import two_digits
from app.profiles import Profile

READING = "reading"
SCALE = "scale of the disk"
SEATING = "seating"
CLAMP = "scale by the clamp"
ZERO = "zero of the disk"
ONCE_A_TURN = "once-a-turn modulation"
ONCE_ASSUMED = "once-a-turn modulation, assumed"

_UNSTATED_ZERO_U_UM = 3.5 / 3.0**0.5
"""Of a disk whose paper states no zero: ±3.5 µm, rectangular (our choice, from no source)."""
_ONCE_PART = 0.04
"""Of an output that was not measured: up to so much once a turn (our choice, from no source)."""
_SPREAD_DOF = 2.0
"""From three seatings on their spread tells what the drive does to single ones."""
_CERTIFIED_U_PERCENT = 2.0
"""Of a humidity that a certificate states."""


def film_of(profile: Profile) -> Film:
    """Return the film of a profile's alignment disk, in the climate of its certificate."""
    stated_c, stated_percent = profile.certificate_temperature_c, profile.certificate_percent
    certified_c = Quantity(NORMAL_C, NORMAL_U_K)
    if stated_c is not None:
        certified_c = Quantity(stated_c, THERMOMETER_U_K)
    certified_percent = Quantity(NORMAL_PERCENT, NORMAL_U_PERCENT)
    if stated_percent is not None:
        certified_percent = Quantity(stated_percent, _CERTIFIED_U_PERCENT)
    ppm = (profile.thermal_ppm_per_k, profile.humidity_ppm_per_percent)
    return Film(*ppm, certified_c, certified_percent)


def corrections(
    profile: Profile, known: Known, head: int, track: int | None = None
) -> tuple[Part, ...]:
    """Return what is added to each reading of a head's offset, and what that leaves unsure.

    On the alignment track where no other is named. Where nothing is known of the climate it is
    that of any workshop.
    """
    track = profile.alignment_track if track is None else track
    # A millionth of a millimetre is a thousandth of a micrometre.
    factor = 1e-3 * profile.radius_mm(track, head)
    climate = known.climate or climate_of(Climate(), film_of(profile))
    zero_um, zero_u_um = profile.zero_of(track, head) or (0.0, _UNSTATED_ZERO_U_UM)
    return (
        Part(ZERO, zero_u_um, 0.0 - zero_um, unit="µm"),
        *(
            Part(SEATING, each.u, each.value, each.dof, unit="µm")
            for each in (known.seated_um,)
            if each is not None
        ),
        *(part.scaled(factor, "µm") for part in climate),
    )


def climate_u_um(profile: Profile, said: Climate) -> float:
    """Return the expanded uncertainty that the climate alone leaves an offset, by what is said."""
    factor = 1e-3 * profile.alignment_radius_mm
    parts = (part.scaled(factor, "µm") for part in climate_of(said, film_of(profile)))
    return Budget(0.0, tuple(parts)).expanded_u


def correction_um(profile: Profile, known: Known, head: int) -> float:
    """Return what is added to each reading of a head's offset."""
    return sum(part.value for part in corrections(profile, known, head))


def corrected(
    profile: Profile, known: Known, head: int, reading_um: Quantity, track: int | None = None
) -> Quantity:
    """Return a reading of the offset, corrected; u is the reading's own."""
    fixed = corrections(profile, known, head, track)
    return replace(reading_um, value=reading_um.value + sum(part.value for part in fixed))


def offset_budget(
    profile: Profile, known: Known, head: int, offset_um: Quantity, track: int | None = None
) -> Budget:
    """Return the budget of a corrected offset whose u is the reading's own."""
    fixed = corrections(profile, known, head, track)
    read_um = abs(offset_um.value - sum(part.value for part in fixed))
    dof = known.seating_dof
    single_u_um = 0.0 if known.seated_um is not None else known.seating_u_um or 0.0
    parts = (
        Part(READING, offset_um.u, dof=offset_um.dof, unit="µm"),
        scale_part(profile, read_um),
        Part(SEATING, single_u_um, dof=dof, unit="µm"),
        Part(CLAMP, known.clamp_part * read_um, dof=dof, unit="µm"),
        _once_part(profile, known, head, track),
        *fixed,
    )
    return Budget(offset_um.value, tuple(part for part in parts if part.u > 0.0 or part.value))


def scale_part(profile: Profile, size_um: float) -> Part:
    """Return what the disk's scale leaves unsure of an offset, or of any difference of readings."""
    # What is known of a scale by hearsay is its ends.
    shape = Shape.NORMAL if profile.calibrated else Shape.RECTANGULAR
    part = profile.scale_u_um / profile.scale_um
    return Part(SCALE, part * abs(size_um), shape=shape, unit="µm")


def guarding(profile: Profile, budget: Budget) -> Budget:
    """Return what of a budget counts against the class's limit of an offset.

    The limit is stated as a difference of the lobes: the disk's scale is in the reading and in its
    limit alike, and counts only for what corrections in micrometres shift the one by against the
    other. What the clamp does to the scale makes the difference itself wrong, and counts.
    """
    shift_um = sum(part.value for part in budget.parts)
    others = [part for part in budget.parts if part.name != SCALE]
    return replace(budget, parts=(*others, scale_part(profile, shift_um)))


def _once_part(profile: Profile, known: Known, head: int, track: int | None) -> Part:
    """Return what a modulation once a turn makes of the zero, at an angle that is not known.

    Where the output was not measured yet it may be anything up to what is assumed. What the drive
    makes of it lies at another angle to the disk with each seating, where the hub is free, and is
    in their spread; what the disk has of its own is in its zero, where its paper states one.
    """
    track = profile.alignment_track if track is None else track
    # A spread that noise hides would hide the swing too.
    is_seen = bool(known.seating_u_um) and (known.seating_dof or 0.0) >= _SPREAD_DOF
    stated = profile.zero_of(track, head) is not None
    is_in_both = profile.hub_is_free and is_seen and stated
    scale_um = 0.0 if known.alternating or is_in_both else profile.scale_um
    if known.once_part is None:
        return Part(ONCE_ASSUMED, scale_um * _ONCE_PART / 6.0**0.5, unit="µm")
    u_um = scale_um * known.once_part / 2.0**0.5
    return Part(ONCE_A_TURN, u_um, shape=Shape.ARCSINE, unit="µm")


_HELP = {
    READING: messages.HELP_READING,
    SCALE: messages.HELP_SCALE,
    SEATING: messages.HELP_SEATING,
    CLAMP: messages.HELP_SEATING,
    ZERO: messages.HELP_ZERO,
    ONCE_A_TURN: messages.HELP_ONCE,
    ONCE_ASSUMED: messages.HELP_ONCE_ASSUMED,
    TEMPERATURE: messages.HELP_TEMPERATURE,
    HUMIDITY: messages.HELP_HUMIDITY,
    CERTIFIED: messages.HELP_CERTIFIED,
    OVAL: messages.HELP_OVAL,
}


_NEXT_TO_NOTHING = 1e-6


def what_dominates(parts: Sequence[Part]) -> Message | None:
    """Return which part is the largest, how U would be without it, and what makes it smaller."""
    largest = max(parts, key=lambda part: part.u, default=None)
    if largest is None or largest.name not in _HELP or len(parts) < 2:
        return None
    share = 100.0 * (largest.u / combined_u(parts)) ** 2
    rest = tuple(part for part in parts if part is not largest)
    from_u, to_u = Budget(0.0, tuple(parts)).expanded_u, Budget(0.0, rest).expanded_u
    # Of parts in proportion to a value that is 0 rounding leaves something.
    without = two_digits(to_u) if to_u > _NEXT_TO_NOTHING * from_u else "0"
    words = (largest.name, f"{share:.0f}", two_digits(from_u), without, largest.unit)
    return fill(messages.DOMINATES, *words, str(_HELP[largest.name]))
