"""The page on which a source is chosen: what is attached, and a field for an address.

Threads: *sources* lists what is attached, which may take seconds; it is started anew for each
listing and ends by itself. Its result is taken on the window's timer.
"""

from __future__ import annotations

import threading
from concurrent.futures import Future
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from app.dashboard.widgets import Field, NamedList, TouchButton
from app.live.view import Listed, Listing

if TYPE_CHECKING:
    from app.live.session import Session

_ROLES = (
    "",
    "plus,minus,index",
    "plus,minus",
    "differential,index",
    "differential",
    "envelope,index",
    "envelope",
)

_ADDRESS = Qt.ItemDataRole.UserRole


class SourcePage(QWidget):
    """A list of sources, an address and the roles of its channels."""

    chosen = Signal(str, object)
    """An address, and roles or None."""
    left = Signal()
    """Nothing was chosen."""

    def __init__(self, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("page")
        self._session = session
        self._pending: Future[Listing] | None = None
        self._title = QLabel(self.tr("Where does the signal come from?"), self)
        self._title.setProperty("title", True)
        self._status = QLabel(self)
        self._status.setProperty("quiet", True)
        self._status.setWordWrap(True)
        self._list = NamedList(
            self.tr("Sources found"), self.tr("Arrows choose, Enter opens"), self
        )
        self._list.currentItemChanged.connect(self._take_address)
        self._list.asked.connect(self._open)
        self._address = Field(self)
        self._address.setAccessibleName(self.tr("Address"))
        self._address.setAccessibleDescription(
            self.tr("Address of a source, or the path of a capture")
        )
        self._address.setPlaceholderText(
            "sim:   sound:   file:capture.wav   visa:TCPIP::192.0.2.7::5025::SOCKET"
        )
        self._address.returnPressed.connect(self._open)
        self._roles = QComboBox(self)
        own_roles = Field(self._roles)
        own_roles.setPlaceholderText(self.tr("by default"))
        own_roles.returnPressed.connect(self._open)
        self._roles.setLineEdit(own_roles)
        self._roles.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self._roles.setAccessibleName(self.tr("Roles of the channels"))
        self._roles.setAccessibleDescription(
            self.tr("Comma-separated, in the order of the channels; - skips one; empty: by default")
        )
        self._roles.addItems(_ROLES)
        self._build()

    def _build(self) -> None:
        form = QGridLayout()
        for row, (words, field) in enumerate(
            ((self.tr("Address"), self._address), (self.tr("Roles"), self._roles))
        ):
            label = QLabel(words, self)
            label.setBuddy(field)
            form.addWidget(label, row, 0)
            form.addWidget(field, row, 1)
        open_button = TouchButton(self.tr("Open"), "⏎", self.tr("Open the source"), self._open)
        open_button.set_next(True)
        buttons = QHBoxLayout()
        for button in (
            open_button,
            TouchButton(self.tr("Look again"), "F8", self.tr("List the sources anew"), self.look),
            TouchButton(self.tr("Back"), "Esc", self.tr("Go back to the needle"), self.left.emit),
        ):
            buttons.addWidget(button)
        buttons.addStretch(1)
        layout = QVBoxLayout(self)
        layout.addWidget(self._title)
        layout.addWidget(self._list, 1)
        layout.addWidget(self._status)
        layout.addLayout(form)
        layout.addLayout(buttons)

    @property
    def looking(self) -> bool:
        """Whether a listing is under way."""
        return self._pending is not None

    def look(self) -> None:
        """List the sources anew, beside the window."""
        if self._pending is not None:
            return
        future: Future[Listing] = Future()
        self._pending = future
        self._status.setText(self.tr("Looking for sources …"))

        def list_sources() -> None:
            try:
                future.set_result(self._session.listed())
            except Exception as fault:
                future.set_exception(fault)

        threading.Thread(target=list_sources, name="sources", daemon=True).start()

    def refresh(self) -> None:
        """Take over a listing that is done."""
        if self._pending is None or not self._pending.done():
            return
        done, self._pending = self._pending, None
        fault = done.exception()
        if fault is not None:
            self._status.setText(
                self.tr("The sources cannot be listed: {0}; type an address.").format(fault)
            )
            return
        listing = done.result()
        self._fill(listing.sources)
        found = self.tr("{0} found. Any other can be opened by its address.")
        self._status.setText("\n".join((found.format(len(listing.sources)), *listing.hints)))

    def activate(self, address: str) -> None:
        """Make ready for choosing: `address` is what is open now."""
        self._address.setText(address)
        self._list.setFocus()
        self.look()

    def _fill(self, sources: tuple[Listed, ...]) -> None:
        chosen = self._address.text()
        self._list.clear()
        for source in sources:
            item = QListWidgetItem(f"{source.title}    {source.address}", self._list)
            item.setData(_ADDRESS, source.address)
            if source.address == chosen:
                self._list.setCurrentItem(item)
        if self._list.currentRow() < 0 and sources and not chosen:
            self._list.setCurrentRow(0)

    def _take_address(self, item: QListWidgetItem | None) -> None:
        if item is not None:
            self._address.setText(item.data(_ADDRESS))

    def _open(self) -> None:
        address = self._address.text().strip()
        if not address:
            self._status.setText(self.tr("No address: choose a source above, or type one."))
            self._address.setFocus()
            return
        self.chosen.emit(address, self._roles.currentText().strip() or None)
