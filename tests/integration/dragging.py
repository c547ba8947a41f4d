"""A window of another program, from which files are dragged; a process of its own.

It lies over all others at a place of its own, proposes to move what is dragged, as file managers
do within a disk, and prints what came of it. Its arguments are the paths.
"""

import sys

from PySide6.QtCore import QMimeData, Qt, QUrl
from PySide6.QtGui import QDrag, QMouseEvent
from PySide6.QtWidgets import QApplication, QLabel

PLACE = 20, 900, 200, 60
"""Left, top, width and height in pixels."""
TITLE = "Files to drag"
READY, DROPPED = "ready", "dropped"


class Files(QLabel):
    """Paths that are dragged together."""

    def __init__(self, paths: list[str]) -> None:
        super().__init__("files")
        self._paths = paths
        self.setWindowTitle(TITLE)
        # No window manager is to move it.
        self.setWindowFlags(
            Qt.WindowType.X11BypassWindowManagerHint | Qt.WindowType.WindowStaysOnTopHint
        )
        self.setGeometry(*PLACE)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Drag the paths until they are dropped."""
        dragged = QMimeData()
        dragged.setUrls([QUrl.fromLocalFile(each) for each in self._paths])
        drag = QDrag(self)
        drag.setMimeData(dragged)
        may = Qt.DropAction.CopyAction | Qt.DropAction.MoveAction
        done = drag.exec(may, Qt.DropAction.MoveAction)
        print(DROPPED, done.name, flush=True)


def main() -> int:
    app = QApplication(sys.argv[:1])
    files = Files(sys.argv[1:])
    files.show()
    print(READY, flush=True)
    return app.exec()


if __name__ == "__main__":
    sys.exit(main())
