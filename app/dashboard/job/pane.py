"""The job beside the needle: the card with what is asked, and the list of checks below it."""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QGridLayout, QLabel, QLineEdit, QSizePolicy, QVBoxLayout, QWidget

from app.analysis.reading import Reading
from app.dashboard.buttons import TouchButton
from app.dashboard.job.card import Card, card_of
from app.dashboard.job.cardview import CardView
from app.dashboard.job.checklist import CheckList
from app.dashboard.job.desk import Desk
from app.dashboard.job.words import done_words, rows_of
from app.dashboard.panel import paint_panel
from app.dashboard.theme import LIGHT, Sizes, Theme
from app.dashboard.words import current_reading
from app.live.view import View
from app.records.wording import clean, within


class JobPane(QWidget):
    """The column of the job; seen only while there is one.

    Parameters
    ----------
    desk : Desk
        The job, and what can be done with it.
    """

    released = Signal()
    """Nothing is typed or chosen here any more: the keys go back to the needle."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self._reading: Reading | None = None
        self._theme: Theme = LIGHT
        self._sizes = Sizes(1.0)
        self._head = QLabel(self)
        self._head.setTextFormat(Qt.TextFormat.PlainText)
        self._head.setProperty("quiet", True)
        self._head.setAccessibleName(self.tr("Drive and job"))
        # Its words never widen the column.
        self._head.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._view = CardView(self)
        self._view.answered.connect(desk.go_on)
        self._view.released.connect(self.released)
        self.list = CheckList(self)
        self.list.looked_at.connect(desk.choose)
        self.list.taken_up.connect(self.go_on)
        self._lend = TouchButton(
            self.tr("Virtual hand"),
            "⇧⏎",
            self.tr("Virtual drive: let the virtual hand do what is asked"),
            desk.by_virtual_hand,
            self,
        )
        self._back = TouchButton(
            self.tr("Back"), "⌫", self.tr("Take back the last answer"), desk.back, self
        )
        self._skip = TouchButton(
            self.tr("Leave out"),
            "F8",
            self.tr("Leave out this check, for a reason"),
            desk.skip,
            self,
        )
        self._end = TouchButton(
            self.tr("Close job"), "⇧F8", self.tr("Close the job"), desk.close, self
        )
        self._ways = QGridLayout()
        for place, button in enumerate((self._lend, self._back, self._skip, self._end)):
            self._ways.addWidget(button, place // 2, place % 2)
        self._whole = QVBoxLayout(self)
        self._whole.addWidget(self._head)
        self._whole.addWidget(self._view, 50)
        self._whole.addLayout(self._ways)
        self._whole.addWidget(self.list, 50)
        desk.changed.connect(self.refresh)
        self.refresh()

    @property
    def card(self) -> Card:
        """What is shown."""
        return self._view.card

    @property
    def entry(self) -> QLineEdit:
        """Where the person types."""
        return self._view.entry

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        """Return the least room: the needle goes before the job."""
        return QSize(260, 300)

    def focus_order(self) -> list[QWidget]:
        """Return what the keyboard reaches, in the order of the eye."""
        ways = (self._lend, self._back, self._skip, self._end)
        return [self._view.entry, self._view.button, *ways, self.list]

    def take_focus(self) -> bool:
        """Take the keys where something is typed or chosen; returns whether it is."""
        return self.desk.job is not None and self._view.take_focus()

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        gap, pad = max(3, round(sizes.px(6))), max(6, round(sizes.px(12)))
        self._view.dress(theme, sizes, gap)
        self.list.dress(theme, sizes)
        for layout in (self._whole, self._ways):
            layout.setSpacing(gap)
        self._whole.setContentsMargins(pad, pad, pad, pad)
        self.update()

    def follow(self, view: View, now_s: float) -> None:
        """Show what goes with the newest view; at the pace of the eye."""
        if self.desk.job is not None:
            self.desk.follow(view, now_s)
            self._reading = current_reading(view, now_s)
            self._show_card()

    def refresh(self) -> None:
        """Show the job as it stands."""
        job = self.desk.job
        self.setVisible(job is not None)
        if job is None:
            return
        drive = "" if self.desk.drive is None else within(self.desk.drive.identity, 40)
        self._head.setText("  ·  ".join(filter(None, (drive, done_words(job)))))
        self.list.show_rows(rows_of(job), self.desk.chosen)
        remarks = (clean(self.desk.remark, 400), clean(self.desk.fault, 400))
        self._view.show_remark("\n".join(filter(None, remarks)))
        self._show_card()

    def go_on(self) -> None:
        """Do the next thing."""
        self._view.go_on()

    def _show_card(self) -> None:
        card = card_of(self.desk, self._reading)
        self._view.show_card(card)
        for button, may in (
            (self._lend, card.may_lend),
            (self._back, card.may_back),
            (self._skip, card.may_skip),
            (self._end, card.may_close),
        ):
            button.setEnabled(may)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the ground, as that of the other instruments."""
        painter = QPainter(self)
        paint_panel(painter, self, self._theme, self._sizes)
        painter.end()
