"""A person who opens sources, and how many actions that takes."""

from PySide6.QtCore import QMimeData, QPoint, Qt
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QFileDialog

from tests.app.dashboard.keys import KEY, press


class Person:
    """A person at the first page or that of the sources, whose actions are counted.

    An action is one choice in a list or box, one text typed, one press of Enter, one thing dropped,
    one file chosen in the dialog.
    """

    def __init__(self, qtbot, window, *, at_sources=False):
        self.qtbot, self.window, self.page = qtbot, window, window.source_page
        self.actions = 0
        if at_sources:
            window.show_sources()
            qtbot.waitUntil(lambda: not self.page.looking)

    def touch(self, words):
        """Touch the row of the first page that has these words."""
        listed = self.window.help_page.list
        row = next(
            each for each in range(listed.count()) if listed.item(each).text().endswith(words)
        )
        listed.scrollToItem(listed.item(row))
        place = listed.visualItemRect(listed.item(row)).center()
        QTest.mouseClick(listed.viewport(), Qt.MouseButton.LeftButton, pos=place)
        self.actions += 1

    def choose_file(self, path):
        """Choose a file in the dialog that is open."""
        dialog = self.window.findChild(QFileDialog)
        dialog.selectFile(str(path))
        dialog.accept()
        self.actions += 1

    def choose(self, address):
        listed = self.page._list
        rows = [listed.item(row).text() for row in range(listed.count())]
        wanted = next(row for row, words in enumerate(rows) if address in words)
        listed.setFocus()
        while listed.currentRow() != wanted:  # one choice, however many arrows lead there
            press(KEY.Key_Down if listed.currentRow() < wanted else KEY.Key_Up)
        self.actions += 1

    def pick(self, box, words):
        """Choose in a box, however many arrows lead there."""
        box.setFocus()
        press(KEY.Key_Home)
        while box.currentText() != words:
            assert box.currentIndex() < box.count() - 1, words
            press(KEY.Key_Down)
        self.actions += 1

    def type(self, field, words):
        field.setFocus()
        self.qtbot.keyClicks(field, words)
        self.actions += 1

    def drop(self, *urls):
        drop(self.window, *urls)
        self.actions += 1

    def enter(self):
        press(KEY.Key_Return)
        self.actions += 1


def drop(window, *urls):
    data = QMimeData()
    data.setUrls(list(urls))
    copy, move, left = Qt.DropAction.CopyAction, Qt.DropAction.MoveAction, Qt.MouseButton.LeftButton
    for kind in (QDragEnterEvent, QDropEvent):
        event = kind(QPoint(50, 50), copy | move, data, left, Qt.KeyboardModifier.NoModifier)
        # As file managers do within a disk, and delete what has been moved.
        event.setDropAction(move)
        QApplication.sendEvent(window, event)
        assert event.isAccepted()
        assert event.dropAction() is copy
