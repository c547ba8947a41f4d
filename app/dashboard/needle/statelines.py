"""The source's state in words: a line for each thing, and how it is to be taken."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from app.analysis.reading import Geometry, Reading
from app.dashboard.words import current_reading, translate
from app.live.view import Level, Phase, View, reading_age_s
from app.words import rate_words

_LOW = 0.03
_SNR_POOR_DB = 10.0
_MUTED = ("index",)
_LIVE = (Phase.RUNNING, Phase.ENDED)


class Grade(StrEnum):
    """How a state is to be taken."""

    PLAIN = "plain"
    GOOD = "good"
    CAUTION = "caution"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the state."""

    name: str
    words: str
    grade: Grade = Grade.PLAIN


def lines_of(view: View, now_s: float, nominal_rpm: float) -> tuple[Line, ...]:
    """Return the state of the source, most general first; no figure that is not current."""
    reading = current_reading(view, now_s)
    return (
        _phase_line(view),
        *(_level_line(level) for level in view.levels if view.phase in _LIVE),
        *_carrier_lines(view, reading),
        _speed_line(reading, nominal_rpm),
        _lock_line(view, reading),
        *_record_lines(view),
        _age_line(view, now_s),
        _lost_line(view),
    )


def phase_words(phase: Phase) -> str:
    """Return a source's phase in words."""
    return {
        Phase.CLOSED: translate("dashboard", "closed"),
        Phase.OPENING: translate("dashboard", "opening"),
        Phase.RUNNING: translate("dashboard", "running"),
        Phase.LOST: translate("dashboard", "gone, trying again"),
        Phase.ENDED: translate("dashboard", "at its end; the last reading stands"),
        Phase.FAILED: translate("dashboard", "failed"),
    }[phase]


def source_words(view: View) -> str:
    """Return what is open, and how it does, in one line."""
    parts = [view.source or translate("dashboard", "no source"), phase_words(view.phase)]
    if view.virtual:
        parts.insert(0, translate("dashboard", "VIRTUAL DRIVE"))
    return "  ·  ".join(parts)


def phase_grade(phase: Phase) -> Grade:
    """Return how a phase is to be taken."""
    if phase is Phase.RUNNING:
        return Grade.GOOD
    return Grade.FAULT if phase in (Phase.LOST, Phase.FAILED) else Grade.PLAIN


def _phase_line(view: View) -> Line:
    return Line(translate("dashboard", "source"), phase_words(view.phase), phase_grade(view.phase))


def _level_line(level: Level) -> Line:
    name = translate("dashboard", "level {0}").format(level.role)
    words = f"{level.peak_v:.3g} V"
    if level.of_full_scale is not None:
        words = translate("dashboard", "{0}, {1:.0f} % of full scale").format(
            words, 100 * level.of_full_scale
        )
    if level.role in _MUTED:  # an index may saturate: it is an edge, not a height
        return Line(name, words)
    if level.clipped:
        return Line(name, translate("dashboard", "{0}: CLIPPING").format(words), Grade.FAULT)
    if level.of_full_scale is not None and level.of_full_scale < _LOW:
        return Line(name, translate("dashboard", "{0}: low").format(words), Grade.CAUTION)
    return Line(name, words, Grade.GOOD)


def _none(name: str) -> Line:
    return Line(name, translate("dashboard", "none"))


def _carrier_lines(view: View, reading: Reading | None) -> tuple[Line, ...]:
    """Return what is said of the carrier; records of extremes tell nothing of it."""
    is_told = reading is not None and reading.carrier_hz is not None
    if view.records_a_second is not None and not is_told:
        return ()
    return (_snr_line(reading), _carrier_line(view, reading))


def _snr_line(reading: Reading | None) -> Line:
    name = translate("dashboard", "signal to noise")
    if reading is None or reading.snr_db is None:
        return _none(name)
    snr_db = reading.snr_db
    if snr_db < _SNR_POOR_DB:
        words = translate("dashboard", "{0:.0f} dB: noisy").format(snr_db)
        return Line(name, words, Grade.CAUTION)
    return Line(name, f"{snr_db:.0f} dB", Grade.GOOD)


def _carrier_line(view: View, reading: Reading | None) -> Line:
    name = translate("dashboard", "carrier")
    if "envelope" in view.roles:
        return Line(name, translate("dashboard", "removed by the detector"))
    if reading is None or reading.carrier_hz is None:
        return _none(name)
    return Line(name, f"{reading.carrier_hz.value / 1e3:.2f} kHz", Grade.GOOD)


def _speed_line(reading: Reading | None, nominal_rpm: float) -> Line:
    name = translate("dashboard", "speed")
    if reading is None or reading.speed_rpm is None:
        return _none(name)
    speed = reading.speed_rpm.value
    away = 100 * (speed / nominal_rpm - 1)
    return Line(name, f"{speed:.2f} rpm ({away:+z.2f} %)".replace("-", "−"))


def _lock_line(view: View, reading: Reading | None) -> Line:
    name = translate("dashboard", "turn")
    if view.locked:
        words = translate("dashboard", "locked")
        if reading is not None and reading.geometry is not None:
            words = translate("dashboard", "locked, {0}").format(_pattern(reading.geometry))
        return Line(name, words, Grade.GOOD)
    if view.phase is not Phase.RUNNING:
        return _none(name)
    return Line(name, translate("dashboard", "no lock"), Grade.FAULT)


def _pattern(geometry: Geometry) -> str:
    return {
        Geometry.TWO_BAND: translate("dashboard", "two-band pattern"),
        Geometry.BOUNDARY: translate("dashboard", "boundary pattern"),
        Geometry.ALTERNATING: translate("dashboard", "alternating pattern"),
    }[geometry]


def _record_lines(view: View) -> tuple[Line, ...]:
    if view.records_a_second is None:
        return ()
    words = translate("dashboard", "{0} a second").format(rate_words(view.records_a_second))
    return (Line(translate("dashboard", "records"), words),)


def _age_line(view: View, now_s: float) -> Line:
    name = translate("dashboard", "reading")
    age_s = reading_age_s(view, now_s)
    if age_s is None or view.reading is None:
        return _none(name)
    if view.phase is Phase.ENDED:
        return Line(name, translate("dashboard", "the last; turns used: {0}").format(_turns(view)))
    words = translate("dashboard", "{0:.1f} s old; turns used: {1}").format(age_s, _turns(view))
    if age_s > view.stale_after_s:
        return Line(name, translate("dashboard", "{0}: STALE").format(words), Grade.FAULT)
    if not view.reading.valid:
        return Line(name, translate("dashboard", "{0}: not valid").format(words), Grade.FAULT)
    return Line(name, words, Grade.GOOD)


def _turns(view: View) -> int:
    return 0 if view.reading is None else view.reading.revolutions


def _lost_line(view: View) -> Line:
    name = translate("dashboard", "lost frames")
    if not view.frames and not view.lost_frames:
        return _none(name)
    if not view.lost_frames:
        return Line(name, translate("dashboard", "none"), Grade.GOOD)
    words = translate("dashboard", "{0} of {1}").format(
        view.lost_frames, view.lost_frames + view.frames
    )
    return Line(name, words, Grade.CAUTION)
