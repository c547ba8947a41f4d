"""A key that is learned for going on: that of a pedal, which is a keyboard with one key.

It does what Enter does at the needle, and gives no answer of several: those have keys of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Container

from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QKeyEvent, QKeySequence
from PySide6.QtWidgets import QApplication

from app.dashboard.help_page import KEYS, keys
from app.dashboard.number_pad import Pressed
from app.dashboard.settings import Settings
from app.dashboard.text import translate
from app.dashboard.widgets import key_words

_PLAIN = Qt.KeyboardModifier.NoModifier
_NOTHING = 0
_LONGEST_NAME = 14
_PAGES = (Qt.Key.Key_PageUp, Qt.Key.Key_PageDown)
"""What pedals for turning pages send: learned, though they step the virtual drive else."""
_SHIFTING = {
    Qt.Key[f"Key_{name}"]
    for name in ("Shift", "Control", "Alt", "Meta", "Super_L", "Super_R", "CapsLock", "NumLock")
}
_COMPOSING = range(0x01001100, 0x01001300)
"""Qt's keys of input methods, AltGr and the accents that wait for their letter."""
_EDITING = tuple(
    QKeySequence.StandardKey[name] for name in ("Cut", "Copy", "Paste", "Undo", "Redo", "Delete")
)
_TOLD_AS = {
    Qt.Key.Key_Return: "⏎",
    Qt.Key.Key_Enter: "⏎",
    Qt.Key.Key_Backspace: "⌫",
    Qt.Key.Key_Left: "←",
    Qt.Key.Key_Right: "→",
    Qt.Key.Key_Up: "↑",
    Qt.Key.Key_Down: "↓",
    Qt.Key.Key_Backtab: "Tab",
    Qt.Key.Key_Minus: "−",
}
"""Keys that the table of keys writes otherwise than Qt does."""


def key_name(key: Qt.Key) -> str:
    """Return what a key is called, in the window's language."""
    native = QKeySequence.SequenceFormat.NativeText
    name = key_words(QKeySequence(key).toString(native).replace("PgDown", "PgDn"))
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def refusal(key: Qt.Key, taken: Container[Pressed]) -> str:
    """Return why a key, pressed alone, cannot be learned; empty where it can.

    `taken` are the keys that do something in the window.
    """
    if key == Qt.Key.Key_unknown:
        return translate("keys", "This computer does not tell that key from others.")
    if key in _SHIFTING:
        return translate("keys", "That key only changes what others do.")
    if key in (Qt.Key.Key_Tab, Qt.Key.Key_Backtab, Qt.Key.Key_Escape) or (
        (key, _PLAIN) in taken and key not in _PAGES
    ):
        return translate("keys", "{0} does something else here: {1}.").format(
            key_words(_told_as(key)), _what_does(_told_as(key))
        )
    pressed = QKeyEvent(QEvent.Type.KeyPress, key, _PLAIN)
    if (
        key < Qt.Key.Key_Escape  # all below are characters
        or key in _COMPOSING
        or any(pressed.matches(each) for each in _EDITING)
    ):
        return translate("keys", "That key is needed where something is typed.")
    return ""


def _told_as(key: Qt.Key) -> str:
    return _TOLD_AS.get(key) or QKeySequence(key).toString()


def _what_does(name: str) -> str:
    """Return what the table of keys says of a key that stands in it by its name alone."""
    named = {"Esc": "Tab"}.get(name, name)
    rows = zip(KEYS, keys(), strict=True)
    return next((words for (told, _), (_, words) in rows if named in told.split()), "")


class LearnedKey(QObject):
    """The learned key, and how it is learned and forgotten.

    Parameters
    ----------
    settings : Settings
        Keep it from one run to the next.
    taken : container
        The keys that do something in the window.
    go_on : callable
        Does what the key is learned for, where that may be done now.
    parent : QObject
        Who owns it.
    """

    told = Signal(str)
    """What is to be said of it."""
    changed = Signal(str)
    """What the learned key is called; empty where none is."""

    def __init__(
        self,
        settings: Settings,
        taken: Container[Pressed],
        go_on: Callable[[], object],
        parent: QObject,
    ) -> None:
        super().__init__(parent)
        self._settings, self._taken, self._go_on = settings, taken, go_on
        self._learns = False

    @property
    def key(self) -> Qt.Key | None:
        """The learned key; None where there is none, or what is kept is none that can be."""
        kept = self._settings.going_on_key
        if not Qt.Key.Key_Escape.value < kept < Qt.Key.Key_unknown.value:
            return None
        key = Qt.Key(kept)
        return None if refusal(key, self._taken) else key

    @property
    def name(self) -> str:
        """What the learned key is called; empty where none is."""
        key = self.key
        return "" if key is None else key_name(key)

    def learn(self) -> None:
        """Take the next key that is pressed and can be learned; Esc or a touch gives that up."""
        self._learns = True
        application = QApplication.instance()
        if application is not None:
            application.installEventFilter(self)
        self.told.emit(self.tr("Press the pedal or the key that is to go on; Esc gives up."))

    def forget(self) -> None:
        """Let the learned key do nothing more."""
        if self.key is None:
            self.told.emit(self.tr("No key is learned."))
        else:
            words = self.tr("{0} goes on no more.").format(self.name)
            self._keep(_NOTHING)
            self.told.emit(words)

    def take(self, event: QKeyEvent) -> bool:
        """Go on where it is the learned key, once while it is held; return whether it is."""
        key = self.key
        if key is None or event.key() != key or event.modifiers() != _PLAIN:
            return False
        if not event.isAutoRepeat():
            self._go_on()
        return True

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Learn from what is pressed, or go on before an area scrolls by the key."""
        kind = event.type()
        if not self._learns:
            return (
                isinstance(event, QKeyEvent) and kind is QEvent.Type.KeyPress and self.take(event)
            )
        if kind is QEvent.Type.MouseButtonPress:
            self._end("")
        elif isinstance(event, QKeyEvent) and kind is QEvent.Type.KeyPress:
            if not event.isAutoRepeat():
                self._try(event)
            return True
        return False

    def _try(self, event: QKeyEvent) -> None:
        key = Qt.Key(event.key())
        if key == Qt.Key.Key_Escape:
            self._end(self.tr("No other key is learned."))
            return
        why = refusal(key, self._taken)
        if not why and event.modifiers() != _PLAIN:
            why = self.tr("A key of the number pad, or one pressed with another, is not learned.")
        if why:
            self.told.emit(f"{why} {self.tr('Press another one; Esc gives up.')}")
            return
        self._keep(key.value)
        words = self.tr("{0} goes on from now on, as Enter does at the needle.")
        if key in _PAGES:
            words = self.tr("{0} goes on from now on; the virtual drive is stepped by its buttons.")
        self._end(words.format(self.name))

    def _end(self, words: str) -> None:
        self._learns = False
        application = QApplication.instance()
        if application is not None:
            application.removeEventFilter(self)
        self.told.emit(words)

    def _keep(self, key: int) -> None:
        self._settings.going_on_key = key
        self._settings.save()
        self.changed.emit(self.name)
