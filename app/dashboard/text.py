"""What the window says of a view: sentences, figures and verdicts. No widgets, no painting."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from PySide6.QtCore import QCoreApplication

from app.analysis.results import Message, Quantity, Reading, Side, Sign, Verdict
from app.live.view import Phase, View, reading_age_s
from app.profiles import Profile
from app.text import rate_words

translate = QCoreApplication.translate

UM_PER_MIL = 25.4
NO_FIGURE = "–"
_COVERAGE = 2.0


class Unit(StrEnum):
    """Unit of the radial offset on the screen."""

    UM = "µm"
    MIL = "mil"


def said(message: Message) -> str:
    """Return a message in the user's language; its text is the key of the translation."""
    text = translate("messages", message.text)
    try:
        return text.format(*message.values)
    except (IndexError, KeyError, ValueError):  # a translation with other braces than its key
        return str(message)


@dataclass(frozen=True, slots=True)
class FigureText:
    """One quantity as it is written: the figure, and its expanded uncertainty."""

    text: str = NO_FIGURE
    u_text: str = ""


@dataclass(frozen=True, slots=True)
class Face:
    """What the needle and the figures beside it show at one moment.

    Attributes
    ----------
    balance : float or None
        Where the needle stands, None when it is parked.
    expanded_u : float
        Half the width of its uncertain sector, 2u.
    mirrored : bool
        The side is not known: the needle is shown on both.
    headline, detail : str
        The direction, or that there is no reading; verdicts, or the reason.
    ratio, difference, offset : FigureText
        The figures; a dash each when the needle is parked.
    virtual : bool
        The samples come from the virtual drive.
    pace : str
        Of separate records: how often they come, and how old the reading is.
    zeroed : bool
        The needle's zero is the middle of the hysteresis, not where the lobes are even.
    """

    balance: float | None = None
    expanded_u: float = 0.0
    mirrored: bool = False
    headline: str = ""
    detail: str = ""
    ratio: FigureText = FigureText()
    difference: FigureText = FigureText()
    offset: FigureText = FigureText()
    virtual: bool = False
    pace: str = ""
    zeroed: bool = False

    @property
    def spoken(self) -> str:
        """The face in one sentence, for a screen reader."""
        if self.balance is None:
            return f"{self.headline}. {self.detail}"
        return f"{self.headline}. {self.difference.text}, {self.offset.text}. {self.detail}"


def current_reading(view: View, now_s: float) -> Reading | None:
    """Return the reading if it speaks of the source as it is now, valid or not."""
    stands = view.phase is Phase.ENDED
    fresh = view.phase is Phase.RUNNING and now_s - view.reading_at_s <= view.stale_after_s
    return view.reading if stands or fresh else None


def parked_because(view: View, now_s: float) -> str:
    """Return why no number may be shown, empty when one may."""
    of_phase = _phase_reason(view)
    if of_phase:
        return of_phase
    reading = view.reading
    if reading is None:
        return translate("dashboard", "Waiting for the first whole turn.")
    age_s = now_s - view.reading_at_s
    if view.phase is Phase.RUNNING and age_s > view.stale_after_s:
        text = translate("dashboard", "Stale: the last reading is {0:.0f} s old.")
        return text.format(age_s)
    if not reading.valid:
        reasons = " ".join(said(reason) for reason in reading.reasons)
        return reasons or translate("dashboard", "The signal gives no reading.")
    if reading.balance is None or not math.isfinite(reading.balance.value):
        return translate("dashboard", "The signal gives no balance.")
    return ""


def _phase_reason(view: View) -> str:
    said_by_source = view.message
    match view.phase:
        case Phase.CLOSED:
            return translate("dashboard", "No source is open. Choose one with F2.")
        case Phase.OPENING:
            return translate("dashboard", "Opening {0} …").format(view.source)
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
        Limits.
    unit : Unit
        Unit of the offset.
    zero_um : float or None
        Offset at which the middle of the hysteresis is on the line, when that is to be the
        needle's zero; it is not where the side is not known.
    away : str
        Why the head is not where the lobes are, so that nothing it reads is a reading of them.
    """
    if away and not _phase_reason(view):
        headline, pace = translate("dashboard", "The needle rests"), pace_of(view, now_s)
        return Face(headline=headline, detail=away, virtual=view.virtual, pace=pace)
    reason = parked_because(view, now_s)
    reading = view.reading
    if reason or reading is None or reading.balance is None:
        current = current_reading(view, now_s)
        side = None if current is None else current.side
        headline = _far_words(side) if side else translate("dashboard", "No reading")
        pace = pace_of(view, now_s)
        return Face(headline=headline, detail=reason, virtual=view.virtual, pace=pace)
    mirrored = reading.sign is Sign.UNKNOWN
    balance = abs(reading.balance.value) if mirrored else reading.balance.value
    if zero_um is not None and reading.offset_um is not None and not mirrored:
        return _face_from_middle(view, now_s, reading, zero_um, profile, unit)
    return Face(
        balance=balance,
        expanded_u=_COVERAGE * reading.balance.u,
        mirrored=mirrored,
        headline=_direction(reading, balance),
        detail=_verdicts(reading, profile),
        ratio=_figure(reading.ratio, 1.0, 3),
        difference=_figure(reading.difference, 100.0, 1, " %"),
        offset=_offset(reading, unit, mirrored),
        virtual=view.virtual,
        pace=pace_of(view, now_s),
    )


def _face_from_middle(
    view: View, now_s: float, reading: Reading, zero_um: float, profile: Profile, unit: Unit
) -> Face:
    """Return the face whose zero is the middle of the hysteresis."""
    assert reading.balance is not None
    assert reading.offset_um is not None
    u = reading.balance.u
    balance = reading.balance.value - zero_um / profile.scale_um
    away = Quantity(reading.offset_um.value - zero_um, reading.offset_um.u)
    offset = _offset(replace(reading, offset_um=away), unit, mirrored=False)
    if abs(balance) <= _COVERAGE * u:
        headline = translate("dashboard", "On the middle, as far as can be told")
    elif balance > 0:
        headline = translate("dashboard", "Head is outward of the middle: move it inward")
    else:
        headline = translate("dashboard", "Head is inward of the middle: move it outward")
    even = f"{-zero_um:+z.1f}" if unit is Unit.UM else f"{-zero_um / UM_PER_MIL:+z.2f}"
    detail = translate(
        "dashboard", "Zero is the middle of the hysteresis: even lobes would stand at {0} {1}."
    ).format(even.replace("-", "−"), unit)
    return Face(
        balance=balance,
        expanded_u=_COVERAGE * u,
        headline=headline,
        detail=detail,
        ratio=_figure(reading.ratio, 1.0, 3),
        difference=_figure(reading.difference, 100.0, 1, " %"),
        offset=replace(offset, u_text=f"{offset.u_text}, {translate('dashboard', 'of middle')}"),
        virtual=view.virtual,
        pace=pace_of(view, now_s),
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
    kept = reading.set_limit is Verdict.PASS
    if reading.sign is Sign.UNKNOWN:
        if kept:
            return translate("dashboard", "Nearly even, side not known")
        return translate("dashboard", "Off the line, side not known")
    if balance > 0:
        if kept:
            return translate("dashboard", "Nearly even, head a little outward")
        return translate("dashboard", "Head is outward: move it inward")
    if kept:
        return translate("dashboard", "Nearly even, head a little inward")
    return translate("dashboard", "Head is inward: move it outward")


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


def _figure(
    quantity: Quantity | None, factor: float, decimals: int, unit: str = "", *, sign: bool = False
) -> FigureText:
    if quantity is None:
        return FigureText()
    value = factor * (quantity.value if sign else abs(quantity.value))
    expanded = factor * _COVERAGE * quantity.u
    return FigureText(f"{value:.{decimals}f}{unit}", f"± {expanded:.{decimals}f}{unit}")


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
    if not reading.calibrated:
        words.append(translate("dashboard", "uncalibrated"))
    return FigureText(figure.text, ", ".join(words))


def notes_of(view: View, now_s: float) -> tuple[str, ...]:
    """Return what should be known beside the numbers: of the source, and of the reading."""
    reading = current_reading(view, now_s)
    of_reading = () if reading is None else reading.notes
    return tuple(dict.fromkeys((*view.notes, *(said(note) for note in of_reading))))
