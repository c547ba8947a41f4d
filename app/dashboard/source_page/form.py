"""The form of a kind of source: what stands behind the colon, its options, the channels' roles."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from app.dashboard.forms import FieldGrid, Hint
from app.dashboard.text import translate
from app.dashboard.widgets import FILLS, Field, FlowRow, Picker, TouchButton, laid
from app.live.opening import ROLES, Opening, Option, SourceKind, Stated, address_of

_CHANNELS = 4
_SKIPPED = "-"
_ENVELOPE = "envelope"
_PROBED = ("sound", "visa")
"""Kinds of source that are known again, so that what is measured of them can be kept."""
_WORKED_ON = ("sim", "sound", "visa", "run")
"""Kinds of source of which a job may be made: not a capture, nor what another program copies."""

WIRINGS = (
    ("by default", ""),
    ("both phases", "plus,minus"),
    ("both phases and the index", "plus,minus,index"),
    ("the differential", "differential"),
    ("the differential and the index", "differential,index"),
    ("a detector's envelope", "envelope"),
    ("a detector's envelope and the index", "envelope,index"),
)


LABELS = {
    "offset_um": "offset (µm)",
    "seed": "seed",
    "recording": "recording",
    "screws": "clamp screws",
    "snr_db": "SNR (dB)",
    "rate": "frames a second",
    "full_scale_v": "full scale (V)",
    "low_corner_hz": "input's corner (Hz)",
    "mixed_hz": "oscillator (Hz)",
    "family": "family",
    "trigger": "trigger",
    "edge": "trigger edge",
    "coupling": "coupling",
    "speed": "nominal speed (rpm)",
    "level": "trigger level (V)",
    "scale": "volts a division",
    "probe": "probe factor",
    "baud": "bits a second",
    "dtype": "sample",
    "channels": "samples a frame",
}
"""What the field of an option is called; the address has its name."""


class ChannelPicker(Picker):
    """What a channel carries; a role is chosen by its first letter, before which is a number."""

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Choose the next role that begins with the letter that is typed."""
        typed, count = event.text().lower(), self.count()
        if typed.isalpha():
            for step in range(1, count + 1):
                place = (self.currentIndex() + step) % count
                if self.itemText(place).partition(": ")[2].lower().startswith(typed):
                    self.setCurrentIndex(place)
                    self.activated.emit(place)
                    return
        super().keyPressEvent(event)


class RolesField(QWidget):
    """What the channels carry: one of the usual wirings, or each channel for itself."""

    changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._roles = ""
        self.wiring = Picker(
            self.tr("Wiring"), self.tr("What the channels carry, all of them at once"), self
        )
        for words, roles in WIRINGS:
            self.wiring.addItem(translate("sources", words), roles)
        self.wiring.addItem(self.tr("each channel as below"), None)
        self.wiring.activated.connect(self._take_wiring)
        self._row = FlowRow(parent=self, filled=True)
        self.channels: list[Picker] = []
        for _ in range(_CHANNELS):
            self._add_channel()
        laid(QVBoxLayout(self), self.wiring, self._row, flush=True)

    @property
    def roles(self) -> str:
        """The roles, comma-separated; empty where the source is to tell them."""
        return self._roles

    def show_roles(self, roles: str) -> None:
        """Show roles, also such as no channel can have: opening them says why."""
        self._roles = roles
        named = roles.split(",") if roles else []
        while len(self.channels) < len(named):
            self._add_channel()
        for place, channel in enumerate(self.channels):
            role = named[place].strip() if place < len(named) else _SKIPPED
            channel.setCurrentIndex(max(0, channel.findData(role)))
        at = self.wiring.findData(roles)
        self.wiring.setCurrentIndex(at if at >= 0 else self.wiring.count() - 1)

    def _add_channel(self) -> None:
        number = len(self.channels) + 1
        channel = ChannelPicker(
            self.tr("Channel {0}").format(number),
            self.tr("What channel {0} carries").format(number),
            self,
        )
        channel.addItem(f"{number}: –", _SKIPPED)
        for role in ROLES:
            channel.addItem(f"{number}: {translate('sources', role)}", role.value)
        channel.activated.connect(self._take_channels)
        self.channels.append(channel)
        self._row.add(channel)

    def _take_wiring(self) -> None:
        roles = self.wiring.currentData()
        if roles is not None:
            self.show_roles(roles)
            self.changed.emit()

    def _take_channels(self) -> None:
        named = [channel.currentData() for channel in self.channels]
        while named and named[-1] == _SKIPPED:
            named.pop()
        self.show_roles(",".join(named))
        self.changed.emit()


class SourceForm(QWidget):
    """The fields of one kind of source; what they hold is an :class:`Opening`."""

    changed = Signal()
    """A field holds something else now, by the person's own hand."""
    finished = Signal()
    """Enter in one of the fields."""
    browse = Signal()
    """A file is to be chosen in a dialog."""
    probe = Signal()
    """The probe is to be measured, in place of what would be stated of it."""

    def __init__(self, kind: SourceKind, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.kind = kind
        self._rows = FieldGrid(self)
        self.body: Field | None = None
        if kind.body:
            words, hint = translate("sources", kind.body), translate("sources", kind.hint)
            self.body = self._field(words, hint)
            beside = self._with_dialog(self.body) if kind.scheme == "file" else self.body
            self._rows.add_field(words, beside, Hint(self.body, hint), self.body)
        self.roles = RolesField(self)
        self.roles.changed.connect(self._changed)
        self._rows.add_field(self.tr("Channels"), self.roles, buddy=self.roles.wiring)
        self.options: dict[str, Field | Picker] = {}
        for option in kind.options:
            self._add_option(option)
        more = self.tr("Any other option, as name=value&name=value")
        self.others = self._add(self.tr("more"), more)[1]
        tolerance = self.tr("of an envelope; with its tolerance, as 7+-10%; ±20 % unless stated")
        corner = self._add(self.tr("low corner (Hz)"), tolerance)
        threshold = self._add(self.tr("detector threshold (V)"), tolerance)
        self.low_corner, self.threshold = corner[1], threshold[1]
        self._of_envelope = (*corner, *threshold)
        if kind.scheme in _PROBED:
            measures = self.tr("Open this input, and measure it and the probe by test tones")
            words = self.tr("Measure the probe")
            probe = TouchButton(words, "", measures, self.probe.emit, self)
            self._rows.add_field(self.tr("or"), probe)
        self.steps: Field | None = None
        if kind.scheme in _WORKED_ON:
            of_virtual = "sim:  " if kind.scheme == "sim" else ""
            written = f"{of_virtual}serial:PORT  run:COMMAND"
            by_wire = self.tr("A line that steps the drive in a job; empty: by hand")
            self.steps = self._add(self.tr("steps by wire"), by_wire, written)[1]
        laid(QVBoxLayout(self), self._rows, FILLS, flush=True)

    def opening(self) -> Opening:
        """Return what the fields hold."""
        options = {key: _held(field) for key, field in self.options.items()}
        for part in filter(None, self.others.text().strip().split("&")):
            key, _, value = part.partition("=")
            options[key] = value
        body = "" if self.body is None else self.body.text()
        stated = (self.low_corner, self.threshold) if self._has_envelope else ()
        return Opening(
            address_of(self.kind, body, options),
            self.roles.roles,
            *(field.text().strip() for field in stated),
            steps="" if self.steps is None else self.steps.text().strip(),
        )

    def show_stated(self, stated: Stated, opening: Opening) -> None:
        """Fill the fields with what they hold for an opening."""
        if self.body is not None:
            self.body.setText(stated.body)
        for key, field in self.options.items():
            _hold(field, stated.options.get(key, ""))
        others = {key: text for key, text in stated.options.items() if key not in self.options}
        self.others.setText("&".join(f"{key}={text}" for key, text in others.items()))
        self.roles.show_roles(stated.roles)
        self.low_corner.setText(opening.low_corner)
        self.threshold.setText(opening.detector_threshold)
        if self.steps is not None:
            self.steps.setText(opening.steps)
        self._show_envelope()

    def focus_order(self) -> list[QWidget]:
        """Return its controls in the order in which they were made, which is that of Tab."""
        found: list[QWidget] = []
        each = self.nextInFocusChain()
        while each is not None and self.isAncestorOf(each):
            if each.focusPolicy() is not Qt.FocusPolicy.NoFocus:
                found.append(each)
            each = each.nextInFocusChain()
        return found

    @property
    def _has_envelope(self) -> bool:
        """Whether a channel carries an envelope, or the source is to tell what they carry."""
        roles = self.roles.roles
        return not roles or _ENVELOPE in roles

    def _show_envelope(self) -> None:
        for each in self._of_envelope:
            each.setVisible(self._has_envelope)

    def _changed(self) -> None:
        self._show_envelope()
        self.changed.emit()

    def _add_option(self, option: Option) -> None:
        label, words = (
            translate("sources", LABELS[option.key]),
            translate("sources", option.meaning),
        )
        if not option.words:
            self.options[option.key] = self._add(label, words, option.default)[1]
            return
        picker = Picker(label, words, self)
        # What is not stated is left to the reader, as on the command line.
        picker.addItem(translate("sources", option.default) if option.default else "–", "")
        for word in option.words:
            if word != option.default:
                picker.addItem(translate("sources", word), word)
        picker.activated.connect(self._changed)
        self.options[option.key] = picker
        self._rows.add_field(label, picker)

    def _add(self, label: str, words: str, default: str = "") -> tuple[QLabel, Field]:
        """Add a field with its hint, and return its label and the field."""
        field = self._field(label, words)
        return self._rows.add_field(label, field, Hint(field, words, default)), field

    def _field(self, name: str, description: str) -> Field:
        field = Field(name, description, self)
        field.textEdited.connect(self._changed)
        field.returnPressed.connect(self.finished)
        return field

    def _with_dialog(self, field: Field) -> QWidget:
        both = QWidget(self)
        choose = self.tr("Choose the file in a dialog, and look at the form again before opening")
        button = TouchButton(self.tr("Browse"), "", choose, self.browse.emit, both)
        laid(QHBoxLayout(both), (field, FILLS), button, flush=True)
        return both


def _held(field: Field | Picker) -> str:
    return field.text() if isinstance(field, Field) else (field.currentData() or "")


def _hold(field: Field | Picker, text: str) -> None:
    if isinstance(field, Field):
        field.setText(text)
        return
    at = field.findData(text)
    if at < 0:
        # No word of ours: it is kept, and its reader says what is wrong with it.
        field.addItem(text, text)
        at = field.count() - 1
    field.setCurrentIndex(at)
