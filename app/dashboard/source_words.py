"""What a source says when it cannot be opened or is gone, in the window's language.

Sources speak English. The sentences that people at a window meet the oftenest are known here by
their texts; any other is shown as it was said.
"""

from __future__ import annotations

import re
from functools import cache

from PySide6.QtCore import QCoreApplication

from app.analysis import messages
from app.analysis.results import Message
from app.dashboard.plain import plain
from app.job.sentences import pattern_of
from app.live.opening import KINDS

SENTENCES = (
    Message("capture “{0}” is not there; check its name"),
    Message("capture “{0}” is a folder; name a file within it"),
    Message("capture “{0}” may not be read by you; change its permissions"),
    Message(
        "capture “{0}”: it holds no columns of numbers; export the samples as WAV or CSV",
    ),
    Message("capture “{0}”: the file is empty; copy or record it again"),
    Message("capture “{0}”: it is neither sound, text, ISF nor TRC; export it as CSV"),
    Message("capture “{0}”: it is named {1} but is no sound file; export it as WAV"),
    Message("capture “{0}”: it is {1}, which is not read; export it as WAV or CSV"),
    Message("address “{0}” names no file; write file:PATH"),
    Message("address “{0}” names no program; write run:PROGRAM ARGUMENTS"),
    Message("address “{0}”: {1} is “{2}”; it must be a number from {3} to {4}"),
    Message("address “{0}”: “{1}” is “{2}”; it must be a number above 0"),
    Message("address “{0}”: “{1}” is not an option; use {2}"),
    Message("address “{0}”: “{1}” is not a kind of source; use {2}"),
    Message(
        "sound input: there is none; plug one in, and check that the sound server runs (on Linux "
        "it also takes the ALSA plug-ins: “apt install libasound2-plugins”)"
    ),
    Message("sound input “{0}”: it is not there; plug it in, or choose one that is: {1}"),
    Message("sound input “{0}”: it is not there; plug it in again, or choose another input"),
    Message("sound input: no default; plug it in, or choose one that is: {0}"),
    Message("sound input: no sound server answers; start it, or plug in an input that needs none"),
    Message(
        "sound input “{0}”: no sound server answers; start it, or plug in an input that needs none"
    ),
    Message("sound input: the sound server “{0}” has no input to give; plug one in"),
    Message("sound input “{0}”: the sound server “{1}” has no input to give; plug one in"),
    Message("sound input “{0}”: the sound server “{1}” does not answer any more; start it again"),
    Message(
        "sound input “{0}”: “{1}” is gone from the sound server “{2}”; plug it in again, or choose "
        "another input"
    ),
    Message(
        "sound input “{0}”: it is not there and the sound server gives “{1}” in its place; plug it "
        "in again, or choose the source anew"
    ),
    Message(
        "sound input “{0}”: the sound server moved the capture to “{1}”; plug the input in again, "
        "or choose it anew in the sound settings"
    ),
    Message("sound input “{0}”: it refuses every usual rate; check that no other program holds it"),
    Message("sound input “{0}”: it refuses {1} frames a second; use rate={2}"),
    Message(
        "sound input “{0}”: it refuses {1} frames a second; check that no other program holds it"
    ),
    Message(
        "sound input “{0}”: it cannot be started ({1}); check that it is plugged in and that no "
        "other program holds it"
    ),
    Message(
        "sound input “{0}”: the roles {1} need {2} channels and it has {3}; name fewer roles, or "
        "choose another input"
    ),
    Message("sound input “{0}”: that device has no input; choose one that has: {1}"),
    Message(
        "sound input “{0}”: several have that in their name; type more of it, or a number: {1}"
    ),
    Message(
        "sound input: the Python package sounddevice is missing; install it with “pip install "
        "sounddevice”"
    ),
    Message(
        "sound input: the PortAudio library is missing; install it (Debian and Ubuntu: “apt "
        "install libportaudio2”)"
    ),
    Message("sound input: PortAudio does not start ({0}); check that the sound system runs"),
    Message("sound inputs: PortAudio cannot list them ({0}); check that the sound system runs"),
    Message(
        "sound input “{0}”: it stopped; check that it is plugged in and that the sound server runs"
    ),
    Message(
        "sound input “{0}”: no samples have come for {1} s; check that it is plugged in and "
        "switched on"
    ),
    Message(
        "scope “{0}”: nothing answers at {1} port {2} ({3}); check the address, the cable and that "
        "remote control is on in the scope's menu"
    ),
    Message(
        "scope “{0}”: it does not answer *IDN?; check the address; is it a scope, and is remote "
        "control on?"
    ),
    Message(
        "scope “{0}”: the name “{1}” is not known on this network; check its spelling, or give the "
        "address in numbers, which the scope's menu shows"
    ),
    Message(
        "scope “{0}”: it cannot be opened ({1}); check the address, the cable and that no other "
        "program holds it"
    ),
    Message(
        "scope “{0}”: “{1}” answers there in place of “{2}”; connect that one again, or choose the "
        "source anew"
    ),
    # What one says of itself while it is open.
    Message(
        "The volts are relative to the sound input's full scale; give full_scale_v, the volts at "
        "which it clips, for true heights."
    ),
    Message(
        "The sound server takes “{0}” at {1} frames a second and makes up the rest; nothing above "
        "{2} kHz arrives."
    ),
    Message("The sound server mutes “{0}”; unmute it in the sound settings."),
    Message("The sound server scales “{0}” to {1} % volume; set it to 100 % for true volts."),
    messages.RESOLVES,
    messages.RESOLVES_UNPROVED,
    messages.RESOLVES_UNCHECKED,
    messages.DETECTOR_PROVED_TO,
    Message("no instrument was found; give an address, for example visa:TCPIP::HOST::5025::SOCKET"),
    Message("run: “{0}” cannot be started ({1}); check its name, or write its whole path"),
    Message("{0}: first state “{1}”"),
    # What a probe's measurement by test tones says.
    Message("sound output: there is none; plug one in"),
    Message("sound output “{0}”: it is not there; type a name or a number: {1}"),
    Message("sound output “{0}”: several have that in their name; type a name or a number: {1}"),
    Message(
        "sound output “{0}”: it cannot be started ({1}); check that it is plugged in and that it "
        "takes sound"
    ),
    Message("plays {0} % of full scale, {1} kHz"),
    Message("plays tones of up to {0} % of full scale for {1} s"),
    Message(
        "a signal is there before anything is played; stop the drive's motor and every program "
        "that plays, and check again"
    ),
    Message(
        "what came back is not what was played; check that nothing else plays, and that the output "
        "is led to this input alone"
    ),
    Message(
        "what came back was not the same twice; let nothing else keep the computer busy, see to "
        "loose plugs, and check again"
    ),
    Message(
        "the tone itself comes back, and not its envelope: there is no detector in the path; name "
        "the column differential, or connect the probe"
    ),
    Message(
        "the envelope of the tone comes back, and not the tone: there is a detector in the path; "
        "name the column envelope"
    ),
    Message(
        "the input clips at {0} % of full scale before anything below it can be measured; turn its "
        "gain or the output's volume down"
    ),
    Message(
        "what was played came back on the column named {0} and not on the signal's; swap the "
        "plugs, or name the columns with --roles"
    ),
    Message(
        "nothing came back up to {0} % of full scale: check the cable, that “{1}” is the output "
        "that is wired and is neither muted nor turned down, and that this is the input"
    ),
    Message("the input clipped while it was measured; turn its gain down a little"),
    Message(
        "another sound was there while it was measured; stop every other program that plays, and "
        "check again"
    ),
    Message("frames were lost while it was measured; close other programs, and check again"),
    Message(
        "the detector stands on its head, more signal gives less; turn it round and check again: "
        "nothing is kept"
    ),
    Message("only sound inputs and scopes are known again: nothing would be kept"),
    # What a list of sources calls them.
    Message("Serial port {0}"),
    Message("Network instrument at {0}, {1}"),
    Message("GPIB instrument at {0}"),
    Message("USB instrument, serial {0}"),
    Message("{0} (1 channel)"),
    Message("{0} (1 channel, default)"),
    Message("{0} ({1} channels)"),
    Message("{0} ({1} channels, default)"),
)


def source_words(sentence: str) -> str:
    """Return what a source has said, in the window's language where its text is known."""
    for pattern, text in _patterns():
        if (found := pattern.fullmatch(sentence)) is not None:
            return plain(_translated(text).format(*map(_named, found.groups())))
    return plain(sentence)


def _translated(text: str) -> str:
    return QCoreApplication.translate("messages", text)


def _named(value: str) -> str:
    """Return a value: where it is a name of ours it is translated, and else a person's own."""
    names = {words for kind in KINDS.values() for words in (kind.title, kind.body) if words}
    return _translated(value) if value in names else value


@cache
def _patterns() -> tuple[tuple[re.Pattern[str], str], ...]:
    return tuple((pattern_of(each.text), each.text) for each in SENTENCES)
