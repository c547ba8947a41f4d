"""The state of the source: its lines, each with a grade, and the panel that shows them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.analysis import messages
from app.analysis.results import Geometry, Reading
from app.dashboard.lettering import LEFT, height_of, lines_of, width_of, write
from app.dashboard.text import current_reading, translate
from app.dashboard.widgets import Instrument, named
from app.handbook import Term
from app.live.view import Level, Phase, View, reading_age_s
from app.profiles import Profile
from app.text import rate_words

_LOW = 0.03
_SNR_POOR_DB = 10.0
_MUTED = ("index",)
_LIVE = (Phase.RUNNING, Phase.ENDED)
_BETWEEN = "  ·  "


class Grade(StrEnum):
    """How good or bad a state is."""

    PLAIN = "plain"
    GOOD = "good"
    CAUTION = "caution"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class StatusLine:
    """One line of the state."""

    name: str
    words: str
    grade: Grade = Grade.PLAIN
    term: Term | None = None
    """What its name means."""


def status_lines(view: View, now_s: float, nominal_rpm: float) -> tuple[StatusLine, ...]:
    """Return the state of the source, most general first, without figures that are not current."""
    reading = current_reading(view, now_s)
    lines = (
        (Term.SOURCE, _phase_line(view)),
        *((Term.LEVEL, _level_line(level)) for level in view.levels if view.phase in _LIVE),
        *zip((Term.NOISE, Term.CARRIER), _carrier_lines(view, reading), strict=False),
        (Term.SPEED, _speed_line(reading, nominal_rpm)),
        (Term.TURN, _lock_line(view, reading)),
        *((Term.RECORDS, line) for line in _record_lines(view)),
        (Term.READING, _age_line(view, now_s)),
        (Term.LOST, _lost_line(view)),
    )
    return tuple(replace(line, term=term) for term, line in lines)


def phase_words(phase: Phase) -> str:
    """Return a source's phase in words."""
    return {
        Phase.CLOSED: translate("dashboard", "closed"),
        Phase.OPENING: translate("dashboard", "opening"),
        Phase.RUNNING: translate("dashboard", "running"),
        Phase.LOST: translate("dashboard", "gone, trying again"),
        Phase.ENDED: translate("dashboard", "at its end"),
        Phase.FAILED: translate("dashboard", "failed"),
    }[phase]


def source_parts(view: View) -> tuple[str, str, str]:
    """Return what is open in one line: what stands before its address, that, and its phase."""
    before = translate("dashboard", "VIRTUAL DRIVE") + _BETWEEN if view.virtual else ""
    address = view.source or translate("dashboard", "no source")
    return before, address, _BETWEEN + _state_words(view)


def _state_words(view: View) -> str:
    return translate("dashboard", "paused") if view.paused else phase_words(view.phase)


def class_words(profile: Profile) -> str:
    """Return by what a source is measured: drive class, alignment disk, and the disk's scale."""
    state = "" if profile.calibrated else translate("dashboard", ", uncalibrated")
    words = translate("dashboard", "class {0}  ·  disk {1}  ·  {2:g} µm at balance 1{3}")
    return words.format(profile.name, profile.disk, profile.scale_um, state)


def _phase_line(view: View) -> StatusLine:
    grades = {Phase.RUNNING: Grade.GOOD, Phase.LOST: Grade.FAULT, Phase.FAILED: Grade.FAULT}
    grade = grades.get(view.phase, Grade.PLAIN)
    return StatusLine(translate("dashboard", "source"), _state_words(view), grade)


def _level_line(level: Level) -> StatusLine:
    name = translate("dashboard", "level {0}").format(level.role)
    words = f"{level.peak_v:.3g} V"
    if level.of_full_scale is not None:
        words = translate("dashboard", "{0}, {1:.0f} % of full scale").format(
            words, 100 * level.of_full_scale
        )
    if level.role in _MUTED:  # an index may saturate: it is an edge, not a height
        return StatusLine(name, words)
    if level.clipped:
        return StatusLine(name, translate("dashboard", "{0}: CLIPPING").format(words), Grade.FAULT)
    if level.of_full_scale is not None and level.of_full_scale < _LOW:
        return StatusLine(name, translate("dashboard", "{0}: low").format(words), Grade.CAUTION)
    return StatusLine(name, words, Grade.GOOD)


def _none(name: str) -> StatusLine:
    return StatusLine(name, translate("dashboard", "none"))


def _carrier_lines(view: View, reading: Reading | None) -> tuple[StatusLine, ...]:
    """Return what is known of the carrier: nothing where records hold min/max pairs."""
    known = reading is not None and reading.carrier_hz is not None
    if view.records_a_second is not None and not known:
        return ()
    return (_snr_line(reading), _carrier_line(view, reading))


def _snr_line(reading: Reading | None) -> StatusLine:
    name = translate("dashboard", "signal to noise")
    if reading is None or reading.snr_db is None:
        return _none(name)
    snr_db = reading.snr_db
    if snr_db < _SNR_POOR_DB:
        words = translate("dashboard", "{0:.0f} dB: noisy").format(snr_db)
        return StatusLine(name, words, Grade.CAUTION)
    return StatusLine(name, f"{snr_db:.0f} dB", Grade.GOOD)


def _carrier_line(view: View, reading: Reading | None) -> StatusLine:
    name = translate("dashboard", "carrier")
    if "envelope" in view.roles:
        return StatusLine(name, translate("dashboard", "removed by the detector"))
    if reading is None or reading.carrier_hz is None or messages.NO_CARRIER in reading.reasons:
        # Noise has a strongest frequency too.
        return _none(name)
    return StatusLine(name, f"{reading.carrier_hz.value / 1e3:.2f} kHz", Grade.GOOD)


def _speed_line(reading: Reading | None, nominal_rpm: float) -> StatusLine:
    name = translate("dashboard", "speed")
    if reading is None or reading.speed_rpm is None:
        return _none(name)
    speed = reading.speed_rpm.value
    away = 100 * (speed / nominal_rpm - 1)
    return StatusLine(name, f"{speed:.2f} rpm ({away:+z.2f} %)".replace("-", "−"))


def _lock_line(view: View, reading: Reading | None) -> StatusLine:
    name = translate("dashboard", "turn")
    if view.locked:
        words = translate("dashboard", "locked")
        if reading is not None and reading.geometry is not None:
            words = translate("dashboard", "locked, {0}").format(_pattern(reading.geometry))
        return StatusLine(name, words, Grade.GOOD)
    if view.phase is not Phase.RUNNING:
        return _none(name)
    return StatusLine(name, translate("dashboard", "no lock"), Grade.FAULT)


def _pattern(geometry: Geometry) -> str:
    return {
        Geometry.TWO_BAND: translate("dashboard", "two-band pattern"),
        Geometry.BOUNDARY: translate("dashboard", "boundary pattern"),
        Geometry.ALTERNATING: translate("dashboard", "alternating pattern"),
        Geometry.WINDOWS: translate("dashboard", "pattern of windows"),
    }[geometry]


def _record_lines(view: View) -> tuple[StatusLine, ...]:
    if view.records_a_second is None:
        return ()
    words = translate("dashboard", "{0} a second").format(rate_words(view.records_a_second))
    return (StatusLine(translate("dashboard", "records"), words),)


def _age_line(view: View, now_s: float) -> StatusLine:
    name = translate("dashboard", "reading")
    age_s = reading_age_s(view, now_s)
    if age_s is None or view.reading is None:
        return _none(name)
    turns = view.reading.revolutions
    if view.phase is Phase.ENDED:
        words = translate("dashboard", "the last; turns used: {0}").format(turns)
        return StatusLine(name, words)
    words = translate("dashboard", "{0:.1f} s old; turns used: {1}").format(age_s, turns)
    if age_s > view.stale_after_s:
        return StatusLine(name, translate("dashboard", "{0}: STALE").format(words), Grade.FAULT)
    if not view.reading.valid:
        return StatusLine(name, translate("dashboard", "{0}: not valid").format(words), Grade.FAULT)
    return StatusLine(name, words, Grade.GOOD)


def _lost_line(view: View) -> StatusLine:
    name = translate("dashboard", "lost frames")
    if not view.frames and not view.lost_frames:
        return _none(name)
    if not view.lost_frames:
        return StatusLine(name, translate("dashboard", "none"), Grade.GOOD)
    words = translate("dashboard", "{0} of {1}").format(
        view.lost_frames, view.lost_frames + view.frames
    )
    return StatusLine(name, words, Grade.CAUTION)


_BELOW_PART = 0.4
"""Of the height, what settings and notes have at the least where they need it."""
_LEAST_PX = 12
"""Letters of the state are no smaller: those of the smallest running text."""
_LINE = 1.2
"""Height of a line of letters."""
_MARK = 0.8
"""Of a line's height, what its mark takes in width."""
_ANY_PX = 1e6


class StatusView(Instrument):
    """The lines one below the other, then the instrument's settings, then notes."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__((200, 120), parent)
        self._lines: tuple[StatusLine, ...] = ()
        self._notes: tuple[str, ...] = ()
        self._settings = ""
        self._rows: tuple[QRectF, ...] = ()
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
        named(self, self.tr("State of the source"))

    @property
    def lines(self) -> tuple[StatusLine, ...]:
        """What is shown."""
        return self._lines

    def terms(self) -> list[tuple[Term, QRectF]]:
        """Return what each of its lines is of, and where that stands."""
        rows = zip(self._lines, self._rows, strict=False)
        return [(line.term, box) for line, box in rows if line.term is not None]

    def show_lines(
        self, lines: tuple[StatusLine, ...], notes: tuple[str, ...], settings: str = ""
    ) -> None:
        """Show the state, and settings and notes below it; paint only what is new."""
        before = self._lines
        others = (notes, settings) != (self._notes, self._settings)
        if lines == before and not others:
            return
        self._lines, self._notes, self._settings = lines, notes, settings
        words = [*(f"{each.name}: {each.words}" for each in lines), settings, *notes]
        self.setAccessibleDescription("; ".join(filter(None, words)))
        if others or [each.name for each in lines] != [each.name for each in before]:
            self.update()
            return
        for rank, (old, new) in enumerate(zip(before, lines, strict=True)):
            if old != new:
                row = self._rows[rank] if rank < len(self._rows) else QRectF(self.rect())
                # A mark reaches a little beyond it.
                self._renew(QRectF(0, row.top(), self.width(), row.height()))

    @property
    def needed_px(self) -> int:
        """The height at which all of it can be read, in letters of the least size."""
        wide = self.width() - 2 * self._pad
        high = _LINE * _LEAST_PX * sum(self._lines_taken(_LEAST_PX, wide))
        for words in filter(None, (self._settings, self._noted)):
            high += height_of(words, wide, _ANY_PX, self._sizes.text_px)
        return math.ceil(high + 2 * self._pad)

    @property
    def _pad(self) -> float:
        return max(6.0, self._sizes.px(12))

    @property
    def _noted(self) -> str:
        return "\n".join(f"▲ {note}" for note in self._notes)

    def _paint(self, painter: QPainter) -> None:
        """Paint each line: shape, name, words; below them settings, and notes at the bottom."""
        pad = self._pad
        room = QRectF(self.rect()).adjusted(pad, pad, -pad, -pad)
        for words, colour, high in reversed(self._below(room)):
            box = QRectF(room)
            box.setTop(room.bottom() - high)
            room.setBottom(box.top())
            painter.setPen(QColor(colour))
            write(painter, box, words, self._sizes.text_px, LEFT)
        if self._lines:
            self._paint_lines(painter, pad, room.height())

    def _below(self, room: QRectF) -> list[tuple[str, str, float]]:
        """Return what stands below the lines, in which ink and how high, from the top down."""
        most = _BELOW_PART * room.height()
        if self._lines:
            taken = _LINE * _LEAST_PX * sum(self._lines_taken(_LEAST_PX, room.width()))
            most = max(most, room.height() - taken)
        notes, placed = self._noted, list[tuple[str, str, float]]()
        for words, colour, share in (
            (self._settings, self._theme.ink, 0.5 if notes else 1.0),
            (notes, self._theme.caution, 1.0),
        ):
            if words:
                high = height_of(words, room.width(), share * most, self._sizes.text_px)
                placed.append((words, colour, high))
                most -= high
        return placed

    def _lines_taken(self, size_px: int, wide: float, step: float | None = None) -> list[int]:
        """Return how many lines of letters each line of the state takes at a size.

        `step` is the height of a row, by which its mark goes; the least that there can be if None.
        """
        mark = _MARK * (_LINE * size_px if step is None else step)
        room = max(1.0, float(math.floor(wide - mark - self._names_wide(size_px) - self._pad)))
        return [lines_of(line.words, room, size_px) for line in self._lines]

    def _rows_at(self, size_px: int, wide: float, high: float) -> tuple[list[int], float]:
        """Return how many lines each row takes at a size, and how high a line may be."""
        highest = self._sizes.text_px * 2.0
        taken = self._lines_taken(size_px, wide)
        step = min(high / sum(taken), highest)
        # Larger marks may leave words less room.
        taken = self._lines_taken(size_px, wide, step)
        return taken, min(high / sum(taken), highest)

    def _names_wide(self, size_px: int) -> float:
        return max((width_of(line.name, size_px) for line in self._lines), default=0.0)

    def _paint_lines(self, painter: QPainter, pad: float, high: float) -> None:
        wide = self.width() - 2 * pad
        size_px = self._sizes.text_px
        taken, step = self._rows_at(size_px, wide, high)
        while step < _LINE * size_px and size_px > _LEAST_PX:
            size_px -= 1
            taken, step = self._rows_at(size_px, wide, high)
        font = QFont(self.font())
        font.setPixelSize(size_px)
        painter.setFont(font)
        names, top = self._names_wide(size_px), pad
        rows: list[QRectF] = []
        for count in taken:
            rows.append(QRectF(pad, top, wide, count * step))
            top = rows[-1].bottom()
        self._rows = tuple(rows)
        for box, line in zip(self._rows, self._lines, strict=True):
            if not self._is_wanted(box):
                continue
            mark, first = step * 0.5, QRectF(box)
            first.setHeight(step)
            self._paint_mark(painter, QPointF(pad + mark / 2, first.center().y()), mark, line.grade)
            painter.setPen(QColor(self._theme.faint))
            left = pad + _MARK * step
            painter.drawText(first.adjusted(left - pad, 0, 0, 0), LEFT, line.name)
            of_grade = {Grade.CAUTION: self._theme.caution, Grade.FAULT: self._theme.fault}
            painter.setPen(QColor(of_grade.get(line.grade, self._theme.ink)))
            # Its first line stands beside the name.
            above = (step - painter.fontMetrics().height()) / 2
            flags = int(Qt.AlignmentFlag.AlignLeft) | int(Qt.TextFlag.TextWordWrap)
            painter.drawText(box.adjusted(left + names, above, 0, 0), flags, line.words)

    def _paint_mark(self, painter: QPainter, at: QPointF, size: float, grade: Grade) -> None:
        half = size / 2
        painter.setPen(Qt.PenStyle.NoPen)
        if grade is Grade.GOOD:
            painter.setBrush(QColor(self._theme.good))
            painter.drawEllipse(at, half * 0.8, half * 0.8)
        elif grade is Grade.CAUTION:
            painter.setBrush(QColor(self._theme.caution))
            corners = (QPointF(0, -half), QPointF(half, half), QPointF(-half, half))
            painter.drawPolygon(QPolygonF([at + corner for corner in corners]))
        elif grade is Grade.FAULT:
            painter.setPen(QPen(QColor(self._theme.fault), max(2.0, size * 0.28)))
            for slope in (1, -1):
                reach = QPointF(half * 0.8, slope * half * 0.8)
                painter.drawLine(at - reach, at + reach)
        else:
            painter.setBrush(QColor(self._theme.line))
            painter.drawRect(QRectF(at.x() - half * 0.6, at.y() - 1, half * 1.2, 2))
