"""What is kept among the user's own files: pictures, the trace, the last minute."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from itertools import chain, count
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QStandardPaths

from app.blackbox.recorder import BlackBox, Why
from app.dashboard.needle_page.large_trace import LargeTrace

if TYPE_CHECKING:
    from app.live.session import Session


class Keeper(QObject):
    """Keeps what the user wants to keep, and says where it is, or why not.

    Parameters
    ----------
    save_picture : callable
        Writes a picture of the window to a path; raises `OSError`.
    session : Session
        Writes the samples that the trace shows.
    large : LargeTrace
        The trace.
    remark : callable
        Says something, with the folder of what it names.
    box : BlackBox or None
        Has the last minute.
    """

    def __init__(
        self,
        save_picture: Callable[[Path], None],
        session: Session,
        large: LargeTrace,
        remark: Callable[[str, Path | None], None],
        box: BlackBox | None,
    ) -> None:
        super().__init__()
        self._save_picture, self._session, self._large = save_picture, session, large
        self._remark, self._box = remark, box

    def keep_last_minute(self) -> None:
        """Set aside what came and what was shown in the last minute."""
        if self._box is not None:
            self._box.keep(Why.KEY)

    def tell_last_minute(self) -> None:
        """Say where a last minute was kept that has been set aside, or why it is not."""
        said = None if self._box is None else self._box.said()
        if said is None or said.why is Why.FAULT:
            return  # a fault itself is told, and goes before
        if said.path is None:
            words = self.tr("The last minute is not kept: {0}")
            self._remark(words.format(said.fault), None)
            return
        words = {
            Why.LOST: self.tr("The source was lost; the minute before that is kept: {0}"),
            Why.CRASH: self.tr(
                "The window was not closed the last time. Its last minute is kept; read it with "
                "“evenlobe replay”: {0}"
            ),
            Why.KEY: self.tr("The last minute is kept: {0}"),
        }
        self._remark(words[said.why].format(said.path.name), said.path.parent)

    def keep_picture(self) -> None:
        """Save a picture of the window, and say where."""
        self._keep(_picture_path("evenlobe", ".png"), self._save_picture)

    def keep_trace(self) -> None:
        """Save the large trace as pictures and as a table, and say where.

        Samples that it shows are saved as a capture too.
        """
        samples = self._large.samples
        ways: list[tuple[str, Callable[[Path], None]]] = [
            (".png", self._large.write_picture),
            (".svg", self._large.write_picture),
            (".csv", self._large.write_csv),
        ]
        if samples:
            ways.append((".wav", lambda path: self._session.write_samples(path, samples)))
        stem = _picture_path("evenlobe-trace", "")
        if all(self._keep(stem.with_name(f"{stem.name}{ending}"), write) for ending, write in ways):
            endings = ", ".join(ending for ending, _ in ways)
            words = self.tr("The trace is saved as {0}: {1}")
            self._remark(words.format(endings, stem), stem.parent)

    def _keep(self, path: Path, write: Callable[[Path], None]) -> bool:
        """Write a file, and say where it is or why not; return whether it is there."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            write(path)
        except OSError as fault:
            words = self.tr("“{0}” cannot be written: {1}; choose another place.")
            # One of ours is a sentence; one of the system's names what the user never saw.
            told = words.format(path, fault.strerror) if fault.strerror else str(fault)
            self._remark(told, None)
            return False
        self._remark(self.tr("Picture saved: {0}").format(path), path.parent)
        return True


def _picture_path(beginning: str, ending: str) -> Path:
    where = QStandardPaths.StandardLocation.PicturesLocation
    folder = Path(QStandardPaths.writableLocation(where))
    stem = f"{beginning}-{datetime.now().astimezone():%Y%m%d-%H%M%S}"
    # Two in one second, or by a clock that was put back, are two.
    taken = {each.name.partition(".")[0] for each in folder.glob(f"{beginning}-*")}
    numbers = chain([""], (f"-{number}" for number in count(2)))
    free = next(number for number in numbers if f"{stem}{number}" not in taken)
    return folder / f"{stem}{free}{ending}"
