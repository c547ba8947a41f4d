"""The page on which a source is described: what was used and what is attached, and a form.

Threads: a thread *sources* lists what is attached, which may take seconds. It is started for each
listing, while the page is seen some seconds after the last one ended, and ends by itself; the
window's timer takes its result.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QTimer, QUrl, Signal, SignalInstance
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from app.dashboard.background import in_background
from app.dashboard.forms import FieldGrid, Hint
from app.dashboard.plain import plain
from app.dashboard.settings import Choice, Settings
from app.dashboard.source_page.form import SourceForm
from app.dashboard.source_words import source_words
from app.dashboard.text import translate
from app.dashboard.widgets import (
    FILLS,
    Field,
    FlowRow,
    NamedList,
    Page,
    Picker,
    TouchButton,
    announce,
    button_row,
    chosen_of,
    laid,
    on_enter,
)
from app.live.opening import KINDS, Opening, Stated, stated_by
from app.live.view import Listed, Listing
from app.profiles import Profile, ProfileError, disk_names, load_profile, profile_names

if TYPE_CHECKING:
    from app.live.session import Session

_BY_ITSELF = (
    ("sim", "sim:"),
    ("file", "file:"),
    ("sound", "sound:"),
    ("visa", "visa:"),
    ("run", "run:"),
)
"""What can always be described, whatever is attached."""
_LIST_PX = 150
_WATCH_MS = 5000
"""From the end of one listing to the next; each is some words on bus and network."""


class SourcePage(Page):
    """What can be opened, and below or beside it the form of what is chosen there."""

    chosen = Signal(Choice)
    """A source is to be opened, with its drive class and disk."""
    probe = Signal(Choice)
    """Likewise, to be measured by test tones, and the probe with it."""

    def __init__(
        self, session: Session, settings: Settings | None = None, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._session = session
        self._settings = settings or Settings()
        self._title.setText(self.tr("Where does the signal come from?"))
        self._pending: Future[Listing] | None = None
        self._found: tuple[Listed, ...] = ()
        # What was there since the page was opened, and is there no more.
        self._gone: set[str] = set()
        self._told_gone = False
        self._watch = QTimer(self, interval=_WATCH_MS, singleShot=True)
        self._watch.timeout.connect(lambda: self.look_quietly())
        self._open_now = Opening()
        self._dialog: QFileDialog | None = None
        self._remark = self._listed = self._typed = ""
        # What is open in another window, and what shows that one.
        self._elsewhere: tuple[Choice, Callable[[], bool]] | None = None
        self._choices: list[Choice] = []
        self._list = NamedList(
            self.tr("Sources"), self.tr("Arrows choose, Enter opens what the form says"), self
        )
        self._list.currentRowChanged.connect(self._take_row)
        self._list.asked.connect(self._go_on)
        self._by_scheme: dict[str, SourceForm] = {}
        self._forms = QVBoxLayout()
        self._form = self._form_of("sim")
        self._address = Field(
            self.tr("Address"),
            self.tr("What the form stands for; any other may be typed or pasted here"),
            self,
        )
        self._address.textEdited.connect(self._take_typed)
        self._address.returnPressed.connect(self._open)
        self._class = Picker(self.tr("Drive class"), self.tr("Its limits and its speed"), self)
        self._disk = Picker(self.tr("Alignment disk"), self.tr("Its scale and its recording"), self)
        self._lay_out()
        self._show(Opening("sim:"))

    def _lay_out(self) -> None:
        opens, lists = self.tr("Open the source"), self.tr("List the sources anew")
        anew = self.tr("Close what is open, and open it from its beginning")
        back = self.tr("Go back to the needle")
        file = self.tr("Choose a capture in a dialog, and open it")
        self._on = TouchButton(self.tr("Open"), "⏎", opens, self._open, is_next=True)
        self._anew = TouchButton(self.tr("Open anew"), "", anew, self._open_anew)
        front = self.tr("Show the window in which it is open")
        self._show_there = TouchButton(self.tr("Show that window"), "", front, self._show_other)
        buttons = button_row(
            self._on,
            self._anew,
            self._show_there,
            TouchButton(self.tr("Open a file"), "Ctrl+O", file, self.open_file),
            TouchButton(self.tr("Look again"), "F8", lists, self.look),
            TouchButton(self.tr("Back"), "Esc", back, self.back.emit),
        )
        ours = FlowRow(
            self._labelled(self.tr("Drive class"), self._class),
            self._labelled(self.tr("Alignment disk"), self._disk),
            parent=self,
            filled=True,
        )
        line = FieldGrid(self)
        hint = Hint(
            self._address, "sim:   sound:   file:capture.wav   visa:TCPIP::192.0.2.7::5025::SOCKET"
        )
        line.add_field(self.tr("Address"), self._address, hint)
        right = laid(QVBoxLayout(), line, self._forms, FILLS)
        self._status.setProperty("quiet", True)
        self._list.setMinimumHeight(_LIST_PX)
        halves = laid(self._halves, (self._list, 2), (right, 3))
        self._lay_scrolling((self._title, ours, self._status, (halves, FILLS)), buttons)

    def _form_of(self, scheme: str) -> SourceForm:
        """Return the form of a kind, made when first asked for; Tab goes to it from the list."""
        form = self._by_scheme.get(scheme)
        if form is None:
            form = self._by_scheme[scheme] = SourceForm(KINDS[scheme], self)
            form.changed.connect(self._write)
            form.finished.connect(self._open)
            form.probe.connect(lambda: self._emit_for(self.probe))
            form.browse.connect(lambda: self.browse(self.show_path))
            self._forms.addWidget(form)
            for before, after in pairwise((self._list, *form.focus_order())):
                self.setTabOrder(before, after)
        return form

    def _labelled(self, words: str, picker: Picker) -> QWidget:
        both = QWidget(self)
        label = QLabel(words, both)
        label.setBuddy(picker)
        laid(QHBoxLayout(both), label, (picker, FILLS), flush=True)
        return both

    @property
    def looking(self) -> bool:
        """Whether the sources are being listed."""
        return self._pending is not None

    @property
    def choice(self) -> Choice:
        """What the form says."""
        form = self._form
        opening = form.opening()
        # What was typed there counts as it was typed.
        opening = replace(opening, address=self._address.text().strip())
        return Choice(opening, self._class.currentText(), self._disk.currentData() or "")

    def look(self, *, anew: bool = True) -> None:
        """List the sources, in a thread of its own, and say so."""
        self._listed = self.tr("Looking for sources …")
        self._tell()
        self.look_quietly(anew=anew)

    def look_quietly(self, *, anew: bool = False) -> None:
        """List the sources again while the page is seen: what has come or gone is then said.

        Unless `anew`, a look of the last minute will do for what is dear to look for.
        """
        if self._pending is None and self.isVisible():
            listed = partial(self._session.listed, anew=anew)
            self._pending = in_background("sources", listed)

    def refresh(self) -> None:
        """Show a listing that is done."""
        if self._pending is None or not self._pending.done():
            return
        done, self._pending = self._pending, None
        self._watch.start()
        fault = done.exception()
        if fault is not None:
            words = self.tr("The sources cannot be listed: {0}; type an address.")
            self._listed = words.format(fault)
            self._tell()
            return
        listing = done.result()
        there = {each.address for each in listing.sources}
        self._gone = (self._gone | {each.address for each in self._found}) - there
        if listing.sources != self._found:
            self._found = listing.sources
            self._fill()
        words = [self.tr("{0} found.").format(len(listing.sources))]
        # Whatever has been stated of it beside.
        described = self._address.text().partition("?")[0]
        if described in self._gone:
            left = self.tr("“{0}” is no longer there: plug it in; it is looked for.")
            words.append(left.format(described))
            if not self._told_gone:
                announce(self, words[-1], urgent=True)
        self._told_gone = described in self._gone
        self._listed = "\n".join((" ".join(words), *map(source_words, listing.hints)))
        self._tell()

    def say(self, words: str) -> None:
        """Say how something went, before what was found."""
        if words and words != self._remark and self.isVisible():
            announce(self, words)
        self._remark = words
        self._tell()

    def _tell(self) -> None:
        self._status.setText(plain("\n".join(filter(None, (self._remark, self._listed)))))

    def activate(self, open_now: Opening, *, running: bool, may_change_class: bool = True) -> None:
        """Get ready for the keyboard.

        Parameters
        ----------
        open_now : Opening
            What is open, or was opened last.
        running : bool
            Whether it is open still, so that Enter keeps it.
        may_change_class : bool
            Whether no job holds on to its drive class.
        """
        self._open_now = open_now if running else Opening()
        self._show_class(self._session.profile)
        for picker in (self._class, self._disk):
            picker.setEnabled(may_change_class)
        if open_now.address:
            self._show(open_now)
        else:
            first = (*self._settings.recent, Choice(Opening("sim:")))[0]
            self._show_choice(first)
        self._elsewhere = None
        self.say("")
        self._gone.clear()
        self._fill()
        self._list.setFocus()
        self.look(anew=False)

    def show_path(self, path: str) -> None:
        """Fill the form for a capture; Enter opens it."""
        self.show_address(f"file:{path}")

    def show_address(self, address: str) -> None:
        """Fill the form for an address; Enter opens it."""
        self._show(Opening(address))
        self._list.setCurrentRow(-1)
        self._on.setFocus()

    def show_dropped(self, urls: list[QUrl]) -> None:
        """Fill the form for what was dropped on the window, or say why that is no capture."""
        if not urls:
            self.say(self.tr("What was dropped did not arrive: Ctrl+O chooses a file."))
            return
        if len(urls) > 1:
            words = self.tr("{0} things were dropped; one capture at a time can be opened.")
            self.say(words.format(len(urls)))
            return
        (url,) = urls
        path = Path(url.toLocalFile())
        if not url.isLocalFile():
            words = self.tr("“{0}” is not on this computer: save it here first.")
            self.say(words.format(url.toDisplayString()))
        elif path.is_dir():
            words = self.tr("“{0}” is a folder; drop one of the captures in it.")
            self.say(words.format(path.name))
        else:
            self.show_path(str(path))

    def tell_open_elsewhere(self, choice: Choice, show: Callable[[], bool]) -> None:
        """Say that a device is open in another window; Enter opens it here all the same.

        `show` brings that window to the front, and returns whether there is one still.
        """
        self._elsewhere = (choice, show)
        self._show_choice(choice)
        self._fill()
        words = self.tr(
            "“{0}” is open in another window, which can be shown. Enter opens it here too: both "
            "then set the same device."
        )
        self.say(words.format(choice.opening.address))
        self._on.setFocus()

    def has_told(self, choice: Choice) -> bool:
        """Whether it has been said that this is open in another window, last of all."""
        return self._elsewhere is not None and self._elsewhere[0].opening == choice.opening

    def _show_other(self) -> None:
        if self._elsewhere is not None and not self._elsewhere[1]():
            choice, _ = self._elsewhere
            self._elsewhere = None
            self._offer()
            words = self.tr("“{0}” is open in no other window any more: Enter opens it here.")
            self.say(words.format(choice.opening.address))
            self._on.setFocus()

    def open_file(self) -> None:
        """Choose a capture in a dialog, and open it."""
        self.browse(self._open_path)

    def browse(self, use: Callable[[str], None]) -> None:
        """Ask for a file; the window goes on behind the dialog."""
        dialog = QFileDialog(self, self.tr("Open a capture"))
        dialog.setFileMode(QFileDialog.FileMode.ExistingFile)
        dialog.fileSelected.connect(use)
        dialog.finished.connect(dialog.deleteLater)
        self._dialog = dialog
        dialog.open()

    def event(self, event: QEvent) -> bool:
        """Look anew when the person comes back to the window: something may have been plugged."""
        if event.type() is QEvent.Type.WindowActivate:
            self.look_quietly()
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Open on Enter, wherever in the form it is pressed."""
        if not on_enter(event, self._open):
            super().keyPressEvent(event)

    # -- inside --------------------------------------------------------------------------------

    def _show_form(self, stated: Stated, opening: Opening) -> None:
        """Fill the form of a kind, and let it alone be seen."""
        self._form = self._form_of(stated.kind.scheme)
        self._form.show_stated(stated, opening)
        for form in self._by_scheme.values():
            form.setVisible(form is self._form)

    def _show(self, opening: Opening) -> None:
        """Show an opening in the form of its kind."""
        stated = stated_by(opening)
        if stated is not None:
            self._show_form(stated, opening)
        self._address.setText(opening.address)
        self._offer()

    def _write(self) -> None:
        """Write the address that the form stands for."""
        self._address.setText(self._form.opening().address)
        self._offer()

    def _take_typed(self) -> None:
        """Fill the form by what is being typed as an address, where that can be split."""
        address, before = self._address.text(), self._form.opening()
        # Roles that stood in the address go with it; those chosen in the form stay.
        typed = stated_by(Opening(self._typed))
        roles = "" if typed is not None and typed.roles else before.roles
        stated = stated_by(Opening(address, roles))
        if stated is not None:
            self._show_form(stated, before)
            self._typed = address
        self._offer()

    def _offer(self) -> None:
        """Say on the buttons what Enter does."""
        same = self._keeps
        self._on.say(self.tr("Keep it open") if same else self.tr("Open"))
        self._anew.setVisible(same)
        self._show_there.setVisible(self.has_told(self.choice))

    @property
    def _keeps(self) -> bool:
        """Whether the form says what is open already."""
        return bool(self._open_now.address) and self.choice.opening == self._open_now

    def _show_class(self, profile: Profile) -> None:
        try:
            names, disks = profile_names(), disk_names()
        except ProfileError as fault:
            self.say(str(fault))
            names, disks = (profile.name,), (profile.disk,)
        self._class.clear()
        self._class.addItems(names)
        self._class.setCurrentText(profile.name)
        self._disk.clear()
        self._disk.addItem(self.tr("the class's own"), "")
        for name in disks:
            self._disk.addItem(name, name)
        own = profile.disk == _own_disk(profile.name)
        self._disk.setCurrentIndex(0 if own else self._disk.findData(profile.disk))

    def _fill(self) -> None:
        """List what was used, what is attached, and what can always be described."""
        shown = self.choice.opening
        recent = self._settings.recent
        used = [each.opening.address for each in recent]
        rows = [self.tr("again: {0}").format(each.opening.command) for each in recent]
        self._choices = list(recent)
        found = [each for each in self._found if each.address not in used]
        titles = {
            each.address: f"{source_words(translate('sources', each.title))}    {each.address}"
            for each in found
        }
        hears = any(address.startswith("sound:") for address in titles)
        for scheme, address in _BY_ITSELF:
            if scheme == "sound" and hears:
                continue  # each of the inputs is there by its name
            titles.setdefault(address, f"{translate('sources', KINDS[scheme].title)} …")
        # The virtual drive is first, as it is where nothing has been listed yet.
        for address in sorted(titles, key=lambda each: each != "sim:"):
            if address not in used:
                rows.append(titles[address])
                self._choices.append(Choice(Opening(address)))
        openings = [each.opening for each in self._choices]
        self._list.show_rows(rows, openings.index(shown) if shown in openings else -1)

    def _take_row(self) -> None:
        chosen = chosen_of(self._choices, self._list)
        if chosen is not None:
            self._show_choice(chosen)

    def _show_choice(self, choice: Choice) -> None:
        """Show a source, with the class and the disk that it was opened with."""
        self._show(choice.opening)
        if choice.profile and self._class.isEnabled():
            self._class.setCurrentText(choice.profile)
            self._disk.setCurrentIndex(max(0, self._disk.findData(choice.disk)))

    def _go_on(self) -> None:
        """Open what the list and the form say, or lead to what is missing."""
        form = self._form
        if form.kind.needs_body and form.body is not None and not form.body.text().strip():
            if form.kind.scheme == "file":
                self.open_file()
            else:
                self.say(source_words(self.choice.opening.fault()))
                form.body.setFocus()
        else:
            self._open()

    def _open(self) -> None:
        if self._keeps and not self._class_changed:
            self.back.emit()
        else:
            self._open_anew()

    def _open_path(self, path: str) -> None:
        self.show_path(path)
        self._open()

    @property
    def _class_changed(self) -> bool:
        choice, profile = self.choice, self._session.profile
        disk = choice.disk or _own_disk(choice.profile)
        return (choice.profile, disk) != (profile.name, profile.disk)

    def _open_anew(self) -> None:
        self._emit_for(self.chosen)

    def _emit_for(self, asked: SignalInstance) -> None:
        """Hand on what the form says, or say what is wrong with it."""
        choice = self.choice
        if not choice.opening.address:
            self.say(self.tr("No address: choose a source above, or type one."))
            self._address.setFocus()
            return
        fault = choice.opening.fault()
        if fault:
            self.say(source_words(fault))
            return
        asked.emit(choice)


def _own_disk(name: str) -> str:
    """Return the alignment disk that a class names; empty where it cannot be read."""
    try:
        return load_profile(name).disk
    except ProfileError:
        return ""
