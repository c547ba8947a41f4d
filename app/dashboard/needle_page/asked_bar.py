"""The bar below a needle's page that scrolls, while a job is on: its next thing, and what is asked.

Without it the first screen would tell what is asked and have nothing to press.
"""

from __future__ import annotations

from PySide6.QtWidgets import QHBoxLayout, QScrollArea, QWidget

from app.dashboard.job_panel.panel import JobPanel
from app.dashboard.widgets import TouchButton, laid


class AskedBar(QWidget):
    """Has the job's button of the next thing, and leads to what is asked and back to the needle.

    `area` is what the page scrolls in, `job` a part of that page.
    """

    def __init__(self, job: JobPanel, area: QScrollArea, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._job, self._area = job, area
        about = self.tr("Look at what the job asks, or at the needle again")
        self._look = TouchButton(self.tr("What is asked"), "", about, self.look_across, self)
        self.row = laid(QHBoxLayout(self), self._look, flush=True)
        """Where the buttons stand."""
        area.verticalScrollBar().valueChanged.connect(self._tell)

    def take_button(self) -> None:
        """Take the button of the next thing from the job's column."""
        self._job.lend_button(self.row)

    @property
    def sees_card(self) -> bool:
        """Whether what is asked stands where the eye is."""
        words = self._job.asked_between[0][-1]
        if not self._area.isAncestorOf(words):
            return False
        middle = words.mapTo(self._area.viewport(), words.rect().center()).y()
        return 0 <= middle < self._area.viewport().height()

    def look_across(self) -> None:
        """Scroll to what is asked, or back to the needle."""
        bar = self._area.verticalScrollBar()
        if self.sees_card:
            bar.setValue(0)
        elif not self._job.take_focus():
            self._job.asking.emit()

    def _tell(self) -> None:
        """Write on the button where it leads now."""
        self._look.say(self.tr("To the needle") if self.sees_card else self.tr("What is asked"))
