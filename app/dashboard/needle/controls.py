"""The bar under the needle: the trace's freeze and hold, and the hands at the virtual drive."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import QHBoxLayout, QWidget

from app.dashboard.buttons import TouchButton
from app.live.view import Controls

SMALL_UM = 5.0
LARGE_UM = 25.0


class Hands(QWidget):
    """The hands at the virtual drive; seen only while that is the source.

    Parameters
    ----------
    controls : callable
        Returns the virtual drive's controls, None when that is not the source.
    """

    def __init__(
        self, controls: Callable[[], Controls | None], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._controls = controls
        self.setAccessibleName(self.tr("Hands at the virtual drive"))
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        for words, key, description, done in self._movements():
            layout.addWidget(TouchButton(words, key, description, done, self), 1)

    def nudge(self, offset_um: float) -> None:
        """Turn the stepper's body so that the head moves outward by `offset_um`."""
        controls = self._controls()
        if controls is not None:
            controls.nudge(offset_um)

    def step(self, tracks: int) -> None:
        """Step the head inward (positive) or outward (negative)."""
        controls = self._controls()
        if controls is not None:
            controls.step(tracks)

    def reseat(self) -> None:
        """Open the clamp and close it again."""
        controls = self._controls()
        if controls is not None:
            controls.reseat()

    def follow(self) -> None:
        """Be seen only while there are controls."""
        self.setVisible(self._controls() is not None)

    def _movements(self) -> list[tuple[str, str, str, Callable[[], None]]]:
        large, small = f"{LARGE_UM:g} µm", f"{SMALL_UM:g} µm"
        inward = self.tr("Virtual drive: nudge the head inward by {0}")
        outward = self.tr("Virtual drive: nudge the head outward by {0}")
        return [
            (f"◀◀ {large}", "⇧←", inward.format(large), lambda: self.nudge(-LARGE_UM)),
            (f"◀ {small}", "←", inward.format(small), lambda: self.nudge(-SMALL_UM)),
            (f"{small} ▶", "→", outward.format(small), lambda: self.nudge(SMALL_UM)),
            (f"{large} ▶▶", "⇧→", outward.format(large), lambda: self.nudge(LARGE_UM)),
            (
                self.tr("Step in"),
                "PgDn",
                self.tr("Virtual drive: step the head one track inward"),
                lambda: self.step(1),
            ),
            (
                self.tr("Step out"),
                "PgUp",
                self.tr("Virtual drive: step the head one track outward"),
                lambda: self.step(-1),
            ),
            (
                self.tr("Reseat"),
                "F5",
                self.tr("Virtual drive: open the clamp and close it again"),
                self.reseat,
            ),
        ]
