"""What the window says of a view: sentences, figures and verdicts, without any widget."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from PySide6.QtCore import QCoreApplication

from app.analysis import messages
from app.analysis.results import Message, Quantity, Reading, Side, Sign, Verdict
from app.dashboard.plain import plain
from app.dashboard.source_words import source_words
from app.live.view import Phase, View, reading_age_s
from app.numbers import UM_PER_MIL, Unit, spread_of
from app.profiles import Profile
from app.text import is_unproved, rate_words

translate = QCoreApplication.translate

NO_FIGURE = "–"
_COVERAGE = 2.0


def said(message: Message) -> str:
    """Return a message in the user's language; its text is the key of the translation.

    So are values that are words; numbers and names of files are no keys, and stay.
    """
    text = translate("messages", message.text)
    values = (translate("messages", value) for value in message.values)
    try:
        return text.format(*values)
    except (IndexError, KeyError, ValueError):  # a translation with other braces than its key
        return str(message)


@dataclass(frozen=True, slots=True)
class FigureText:
    """One quantity as it is written: the figure, its expanded uncertainty, what it hangs on."""

    text: str = NO_FIGURE
    u_text: str = ""
    proviso: str = ""
    """That its scale is not calibrated, or the detector not proved."""


@dataclass(frozen=True, slots=True)
class Face:
    """What the needle and the figures beside it show at one moment."""

    balance: float | None = None
    """Where the needle stands, None while it is parked."""
    expanded_u: float = 0.0
    """2u, half the width of its uncertain sector."""
    mirrored: bool = False
    """The side is not known, so the needle is shown on both."""
    headline: str = ""
    """The direction, or that there is no reading."""
    detail: str = ""
    """The verdicts, or why there is no reading."""
    ratio: FigureText = FigureText()
    difference: FigureText = FigureText()
    offset: FigureText = FigureText()
    virtual: bool = False
    """The samples come from the virtual drive."""
    pace: str = ""
    """Of separate records: how often they come, and how old the reading is."""
    moving: bool = False
    """The needle is ahead of the figures: the head moves."""
    unread: bool = False
    """The headline says that there is no reading, and `detail` why."""
    zeroed: bool = False
    """The needle's zero is the middle of the hysteresis, not where the lobes are even."""

    @property
    def spoken(self) -> str:
        """The face in one sentence, for a screen reader."""
        if self.balance is None:
            return f"{self.headline}. {self.detail}"
        return f"{self.headline}. {self.difference.text}, {self.offset.text}. {self.detail}"


def without_numbers(words: str) -> str:
    """Return words without their figures, by which those that merely count on are alike."""
    return re.sub(r"[0-9]+", "", words)


def current_reading(view: View, now_s: float) -> Reading | None:
    """Return the reading, valid or not, unless it is too old for the state of the source."""
    stands = view.phase is Phase.ENDED
    fresh = view.phase is Phase.RUNNING and now_s - view.reading_at_s <= view.stale_after_s
    return view.reading if stands or fresh else None


def parked_because(view: View, now_s: float) -> str:
    """Return why no number may be shown, empty when one may."""
    of_phase = _phase_reason(view)
    if of_phase:
        return of_phase
    reading = view.reading
    waits = reading is None or messages.WAITING in reading.reasons
    if waits and view.phase is Phase.ENDED:
        return translate(
            "dashboard", "The capture ends before a reading was possible: record some turns more."
        )
    if reading is None:
        return translate("dashboard", "Waiting for the first whole turn.")
    age_s = now_s - view.reading_at_s
    unexplained = reading.valid or messages.STALE in reading.reasons
    if view.phase is Phase.RUNNING and age_s > view.stale_after_s and unexplained:
        text = translate("dashboard", "Stale: the last reading is {0:.0f} s old.")
        return text.format(age_s)
    if not reading.valid:
        reasons = " ".join(said(reason) for reason in reading.reasons)
        return reasons or translate("dashboard", "The signal gives no reading.")
    if reading.balance is None or not math.isfinite(reading.balance.value):
        return translate("dashboard", "The signal gives no balance.")
    return ""


def _phase_reason(view: View) -> str:
    said_by_source = source_words(view.message)
    match view.phase:
        case Phase.CLOSED:
            return translate("dashboard", "No source is open. Choose one with F2.")
        case Phase.OPENING:
            return translate("dashboard", "Opening {0} …").format(plain(view.source))
        case Phase.LOST:
            lost = translate("dashboard", "The source is gone; trying to open it again.")
            return f"{lost} {said_by_source}".strip()
        case Phase.FAILED:
            return said_by_source or translate("dashboard", "The source cannot be read.")
    return ""


def face_of(
    view: View,
    now_s: float,
    profile: Profile,
    unit: Unit,
    zero_um: float | None = None,
    away: str = "",
) -> Face:
    """Return what the needle and the figures show.

    Parameters
    ----------
    view : View
        The newest snapshot.
    now_s : float
        Monotonic time, on the clock of ``view.reading_at_s``.
    profile : Profile
        Limits and scale.
    unit : Unit
        Unit of the offset.
    zero_um : float or None
        Offset that is to be the needle's zero: where the middle of the hysteresis is at the aim.
        It counts only where the side is known.
    away : str
        Why the head is not where the lobes are, so that nothing it reads is a reading of them.
    """
    parked = Face(virtual=view.virtual, pace=pace_of(view, now_s))
    if away and not _phase_reason(view):
        return replace(parked, headline=translate("dashboard", "The needle rests"), detail=away)
    reason, reading = parked_because(view, now_s), view.reading
    if reason or reading is None or reading.balance is None:
        current = current_reading(view, now_s)
        side = None if current is None else current.side
        headline = _far_words(side) if side else translate("dashboard", "No reading")
        return replace(parked, headline=headline, detail=reason, unread=not side)
    face = replace(
        parked,
        expanded_u=_COVERAGE * reading.balance.u,
        ratio=replace(_figure(reading.ratio, 1.0, 3), proviso=_unproved(reading)),
        difference=replace(_figure(reading.difference, 100.0, 1, " %"), proviso=_unproved(reading)),
    )
    if zero_um is None or reading.offset_um is None or reading.sign is Sign.UNKNOWN:
        face, zero_um = _from_even(face, reading, profile, unit), 0.0
    else:
        offset_um = replace(reading.offset_um, value=reading.offset_um.value - zero_um)
        balance = reading.balance.value - zero_um / profile.scale_um
        offset = _offset(replace(reading, offset_um=offset_um), unit, mirrored=False)
        face = _from_middle(face, balance, offset, zero_um, unit)
    if view.moving is None:
        return face
    return _moving(face, view.moving, zero_um / profile.scale_um)


def _from_even(face: Face, reading: Reading, profile: Profile, unit: Unit) -> Face:
    """Return the face whose zero is where the lobes are even."""
    assert reading.balance is not None
    mirrored = reading.sign is Sign.UNKNOWN
    balance = abs(reading.balance.value) if mirrored else reading.balance.value
    return replace(
        face,
        balance=balance,
        mirrored=mirrored,
        headline=_direction(reading, balance),
        detail=_verdicts(reading, profile),
        offset=_offset(reading, unit, mirrored),
    )


def _moving(face: Face, balance: Quantity, zero: float) -> Face:
    """Return the face while the head moves: the needle is ahead of figures and verdicts."""
    return replace(
        face,
        balance=balance.value - zero,
        expanded_u=_COVERAGE * balance.u,
        detail=translate("dashboard", "Moving: figures and verdicts follow with the next lobe."),
        moving=True,
    )


def _from_middle(
    face: Face, balance: float, offset: FigureText, zero_um: float, unit: Unit
) -> Face:
    """Return the face whose zero is the middle of the hysteresis."""
    if abs(balance) <= face.expanded_u:
        headline = translate("dashboard", "On the aim, as far as can be told")
    elif balance > 0:
        headline = translate("dashboard", "Head is outward of the aim: move it inward")
    else:
        headline = translate("dashboard", "Head is inward of the aim: move it outward")
    even = f"{-zero_um:+z.1f}" if unit is Unit.UM else f"{-zero_um / UM_PER_MIL:+z.2f}"
    detail = translate(
        "dashboard", "Zero is the aim, for the middle of the hysteresis: even lobes at {0} {1}."
    ).format(even.replace("-", "−"), unit)
    return replace(
        face,
        balance=balance,
        headline=headline,
        detail=detail,
        offset=replace(offset, u_text=f"{offset.u_text}, {translate('dashboard', 'of middle')}"),
        zeroed=True,
    )


def pace_of(view: View, now_s: float) -> str:
    """Return how often separate records come and how old the reading is; else nothing."""
    if view.records_a_second is None:
        return ""
    words = translate("dashboard", "{0} records a second").format(rate_words(view.records_a_second))
    age_s = reading_age_s(view, now_s)
    if age_s is None:
        return words
    return f"{words}, {translate('dashboard', 'reading {0:.1f} s old').format(age_s)}"


def settings_of(view: View) -> str:
    """Return the instrument's settings in one line; nothing where it has none."""
    return "   ·   ".join(f"{name} {value}" for name, value in view.settings)


def _far_words(side: Side) -> str:
    if side is Side.OUTWARD:
        return translate("dashboard", "Head is far outward: move it inward")
    return translate("dashboard", "Head is far inward: move it outward")


def _direction(reading: Reading, balance: float) -> str:
    uncertain = reading.balance is not None and abs(balance) <= _COVERAGE * reading.balance.u
    if uncertain:
        return translate("dashboard", "Lobes are even, as far as can be told")
    side = None if reading.sign is Sign.UNKNOWN else balance > 0
    return {
        (None, True): translate("dashboard", "Nearly even, side not known"),
        (None, False): translate("dashboard", "Off the line, side not known"),
        (True, True): translate("dashboard", "Nearly even, head a little outward"),
        (True, False): translate("dashboard", "Head is outward: move it inward"),
        (False, True): translate("dashboard", "Nearly even, head a little inward"),
        (False, False): translate("dashboard", "Head is inward: move it outward"),
    }[side, reading.set_limit is Verdict.PASS]


def _verdicts(reading: Reading, profile: Profile) -> str:
    set_name = translate("dashboard", "Set limit {0:g} %: {1}")
    check_name = translate("dashboard", "Check limit {0:g} %: {1}")
    parts = (
        (set_name, profile.set_limit, reading.set_limit),
        (check_name, profile.check_limit, reading.check_limit),
    )
    return "   ·   ".join(
        name.format(100 * limit, verdict_word(verdict)) for name, limit, verdict in parts
    )


def verdict_word(verdict: Verdict | None) -> str:
    """Return a limit's verdict in words."""
    match verdict:
        case Verdict.PASS:
            return translate("dashboard", "kept")
        case Verdict.FAIL:
            return translate("dashboard", "exceeded")
        case Verdict.UNDECIDED:
            return translate("dashboard", "undecided, uncertainty straddles it")
    return translate("dashboard", "not judged")


def _figure(quantity: Quantity | None, factor: float, decimals: int, unit: str = "") -> FigureText:
    if quantity is None:
        return FigureText()
    value = factor * abs(quantity.value)
    spread = spread_of(factor * quantity.u, unit, places=decimals)
    return FigureText(f"{value:.{decimals}f}{unit}", spread)


def _offset(reading: Reading, unit: Unit, mirrored: bool) -> FigureText:
    factor, decimals = (1.0, 1) if unit is Unit.UM else (1 / UM_PER_MIL, 2)
    figure = _figure(reading.offset_um, factor, decimals, f" {unit}")
    if reading.offset_um is None:
        return figure
    words = [figure.u_text]
    if mirrored:
        words.append(translate("dashboard", "side not known"))
    elif reading.offset_um.value > 0:
        words.append(translate("dashboard", "outward"))
    elif reading.offset_um.value < 0:
        words.append(translate("dashboard", "inward"))
    proviso = _unproved(reading)
    if not reading.calibrated:
        both = translate("dashboard", "uncalibrated, unproved")
        proviso = both if proviso else translate("dashboard", "uncalibrated")
    return FigureText(figure.text, ", ".join(words), proviso)


def _unproved(reading: Reading) -> str:
    """Return that what a detector's output means is taken for granted, empty where it is not."""
    return translate("dashboard", "detector unproved") if is_unproved(reading) else ""


def notes_of(view: View, now_s: float) -> tuple[str, ...]:
    """Return what should be known beside the numbers: of the source, and of the reading."""
    reading = current_reading(view, now_s)
    of_reading = () if reading is None else reading.notes
    of_source = map(source_words, view.notes)
    return tuple(dict.fromkeys((*of_source, *(said(note) for note in of_reading))))
