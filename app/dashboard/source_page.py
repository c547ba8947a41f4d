"""The page on which a source is chosen: what is attached, and a field for an address.

Threads: a thread *sources* lists what is attached, which may take seconds. It is started for each
listing and ends by itself; the window's timer takes its result.
"""

from __future__ import annotations

from concurrent.futures import Future
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QComboBox, QListWidgetItem, QVBoxLayout, QWidget

from app.dashboard.background import in_background
from app.dashboard.widgets import (
    Field,
    NamedList,
    Page,
    TouchButton,
    button_row,
    form_of,
    laid,
    named,
)
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


class SourcePage(Page):
    """A list of sources, an address and the roles of its channels."""

    chosen = Signal(str, object)
    """An address, and roles or None."""

    def __init__(self, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._session = session
        self._title.setText(self.tr("Where does the signal come from?"))
        self._pending: Future[Listing] | None = None
        self._status.setProperty("quiet", True)
        self._list = NamedList(
            self.tr("Sources found"), self.tr("Arrows choose, Enter opens"), self
        )
        self._list.currentItemChanged.connect(self._take_address)
        self._list.asked.connect(self._open)
        self._address = Field(
            self.tr("Address"), self.tr("Address of a source, or the path of a capture"), self
        )
        self._address.setPlaceholderText(
            "sim:   sound:   file:capture.wav   visa:TCPIP::192.0.2.7::5025::SOCKET"
        )
        self._address.returnPressed.connect(self._open)
        self._roles = named(
            QComboBox(self),
            self.tr("Roles of the channels"),
            self.tr(
                "Comma-separated, in the order of the channels; - skips one; empty: by default"
            ),
        )
        own_roles = Field("", "", self._roles)
        own_roles.setPlaceholderText(self.tr("by default"))
        own_roles.returnPressed.connect(self._open)
        self._roles.setLineEdit(own_roles)
        self._roles.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self._roles.addItems(_ROLES)
        opens, lists = self.tr("Open the source"), self.tr("List the sources anew")
        back = self.tr("Go back to the needle")
        fields = ((self.tr("Address"), self._address), (self.tr("Roles"), self._roles))
        buttons = button_row(
            TouchButton(self.tr("Open"), "⏎", opens, self._open, is_next=True),
            TouchButton(self.tr("Look again"), "F8", lists, self.look),
            TouchButton(self.tr("Back"), "Esc", back, self.back.emit),
        )
        laid(
            QVBoxLayout(self),
            self._title,
            (self._list, 1),
            self._status,
            form_of(fields, self),
            buttons,
        )

    @property
    def looking(self) -> bool:
        """Whether the sources are being listed."""
        return self._pending is not None

    def look(self) -> None:
        """List the sources, in a thread of its own."""
        if self._pending is not None:
            return
        self.say(self.tr("Looking for sources …"))
        self._pending = in_background("sources", self._session.listed)

    def refresh(self) -> None:
        """Show a listing that is done."""
        if self._pending is None or not self._pending.done():
            return
        done, self._pending = self._pending, None
        fault = done.exception()
        if fault is not None:
            self.say(self.tr("The sources cannot be listed: {0}; type an address.").format(fault))
            return
        listing = done.result()
        self._fill(listing.sources)
        found = self.tr("{0} found. Any other can be opened by its address.")
        self.say("\n".join((found.format(len(listing.sources)), *listing.hints)))

    def activate(self, address: str) -> None:
        """Get ready for the keyboard; `address` is what is open now."""
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
            self.say(self.tr("No address: choose a source above, or type one."))
            self._address.setFocus()
            return
        self.chosen.emit(address, self._roles.currentText().strip() or None)
