"""What a job asks in at most 60 characters, to be read from across the room."""

from __future__ import annotations

from app.analysis.messages import (
    TEACH_KNOWN,
    TEACH_MEND_INDEX,
    TEACH_NOT_SWEEPS,
    TEACH_TOO_SMALL,
)
from app.analysis.results import Message
from app.dashboard.text import said, translate
from app.job import messages
from app.job.job import Job
from app.job.model import Measure
from app.live.view import (
    LOW_LEVEL,
    LOW_LEVEL_KEPT,
    LOW_LEVEL_VIRTUAL,
    NO_LEVEL,
    NO_LEVEL_KEPT,
    PHASES_UNLIKE,
)

MOST_CHARACTERS = 60

BRIEF = {
    messages.MAINS.text: "Mains inside: unplug before you reach in.",
    messages.GROUND_CLIP.text: "A ground clip is earth: never on a live node.",
    messages.LINE_INPUT.text: "Line input: 2 V at most, no DC; resistors before it.",
    messages.MOVING_PARTS.text: "Fingers and sleeves away from belts, hub, magnets.",
    messages.NEVER_WRITE.text: "Never write while the alignment disk is in.",
    messages.PROVE_PROTECT.text: "Protected scratch disk in; let it try to write.",
    messages.WAS_IT_REFUSED.text: "Did the drive refuse to write?",
    messages.CLEAN_HEADS.text: "Clean the heads, and let them dry.",
    messages.ROOM_TEMPERATURE.text: "Temperature of the room?",
    messages.CHASSIS_TEMPERATURE.text: "Temperature of the chassis?",
    messages.HUMIDITY.text: "Humidity of the room?",
    messages.MINUTES_ON.text: "Minutes since it was switched on?",
    messages.INSERT_ALIGNMENT.text: "Alignment disk in. Never write to it.",
    messages.INSERT_SCRATCH.text: "Alignment disk out; a scratch disk to write to in.",
    messages.SEEK.text: "Step to track {0}, side {1}.",
    messages.RESEAT.text: "Open the clamp, let the disk stop, close it: {0} of {1}.",
    messages.FROM_OUTSIDE.text: "Step outward off track {0} and back: {1}.",
    messages.FROM_INSIDE.text: "Step inward off track {0} and back: {1}.",
    messages.FROM_END.text: "Track {0}, then straight to track {1}: {2}.",
    messages.PUSH_OUTWARD.text: "Push the arm lightly outward, let go: {0}.",
    messages.PUSH_INWARD.text: "Push the arm lightly inward, let go: {0}.",
    messages.POWER_OFF.text: "Switch off and unplug before a finger goes in.",
    messages.LOOK_RAILS.text: "Rails bright, carriage free from end to end?",
    messages.LOOK_LUBRICATION.text: "A clean thin film, neither dry nor gummed?",
    messages.LOOK_BELT.text: "Belt whole, matt and springy, pulleys clean?",
    messages.LOOK_CONE.text: "Cone smooth, free and centred, hub clean?",
    messages.LOOK_PAD.text: "Pad whole and clean, arm comes down evenly?",
    messages.WHAT_IS_SEEN.text: "What is seen at the {0}?",
    messages.WAIT_WARM.text: "Leave it running: look {0} of {1} in a minute.",
    messages.WAIT_LEFT.text: "Leave it as it is: look {0} of {1} in a minute.",
    messages.COVER_ON.text: "Cover on; step it from end to end a few times.",
    messages.TRIM_SPEED.text: "Turn the speed trimmer: {0} % {1}.",
    messages.LOOSEN.text: "Loosen the screws until the body just turns.",
    messages.LEAVE_ALONE.text: "It passes: leave this out; or loosen the screws.",
    messages.TIGHTEN.text: "Tighten the screws, a little at each in turn.",
    messages.BACK_OFF.text: "Back off: loosen the screws again.",
    messages.SEAL.text: "Seal the screws with lacquer.",
    # How far is left stands above it, and counts down.
    messages.NUDGE_TRIAL.text: "Turn the body clockwise: it shows which way is out.",
    messages.NUDGE_TO_SEE.text: "Turn the body: bring the other lobe back.",
    messages.NUDGE_CLOCKWISE.text: "Turn the body clockwise.",
    messages.NUDGE_COUNTER.text: "Turn the body counter-clockwise.",
    messages.NOT_READ.text: "Not read: put it right, and it is measured again.",
    messages.WRITE.text: "Write track {0}, side {1} with {2} all round.",
    messages.INSERT_ORDINARY.text: "Disk with the ordinary track in, its notch covered.",
    messages.WHICH_TRACK.text: "Which track stands alone?",
    messages.MOVED_BY.text: "Moved by nudges with a gauge, or by half steps?",
    messages.ZERO_GAUGE.text: "Gauge to the carriage, outward positive; zero it.",
    messages.PLACE_U.text: "Standard uncertainty of a single place?",
    messages.MOVE_BY_GAUGE.text: "Nudge until the gauge says about {0} µm.",
    messages.MOVE_BY_STEPS.text: "Step to about {0} µm from the first place.",
    messages.WHERE_BY_GAUGE.text: "How far from its first place does it stand?",
    messages.LEAVE_WHERE.text: "Leave it over the middle, or as found?",
    messages.BACK_OFF_BY_GAUGE.text: "Back off: loosen the screws again.",
    messages.TIGHTEN_BY_GAUGE.text: "Tighten, a little at each; watch the gauge.",
    messages.GAUGE_SCALE_U.text: "Standard uncertainty of the gauge's own scale?",
    messages.RESEAT_HERE.text: "Open the clamp, let the disk stop, close it again.",
    messages.STANDARD_UM.text: "Offset of the check standard's head?",
    messages.STANDARD_U.text: "Standard uncertainty of that offset?",
    messages.ORIGINAL_UM.text: "Zero of the original disk on this side?",
    messages.ORIGINAL_U.text: "Standard uncertainty of that zero?",
    messages.INSERT_ORIGINAL.text: "Original alignment disk in. Never write to it.",
    messages.INSERT_WORKING.text: "Working disk in, its notch covered.",
    messages.STOP_CLEARANCE.text: "Clearance of the outer stop on track 0?",
    messages.SENSOR_ON.text: "On track 0: does the sensor say track 0?",
    messages.SENSOR_OFF.text: "On track {0}: does the sensor say track 0?",
    # Where a hand's "done" is doubted.
    messages.NOTHING_MOVED.text: "Nothing was seen to move. Do it now, or say it was done.",
    messages.OUT_OF_SIGHT.text: "Tightening went unseen. See to it, or say it was done.",
    # Beside a job: what is wrong with the level, and why a side could not be taught.
    LOW_LEVEL.text: "Low level: another probe or input, or it is muted.",
    NO_LEVEL.text: "No level: muted, or nothing is connected.",
    LOW_LEVEL_KEPT.text: "Low level: record again with more gain.",
    NO_LEVEL_KEPT.text: "The capture is silent: record it again.",
    LOW_LEVEL_VIRTUAL.text: "Low level: amplitude_v is set so.",
    PHASES_UNLIKE.text: "Phases unlike: see at F2 what each channel carries.",
    TEACH_KNOWN.text: "The side is known already.",
    TEACH_MEND_INDEX.text: "Mend the index; it tells the side.",
    TEACH_NOT_SWEEPS.text: "Separate records: trigger on the index.",
    TEACH_TOO_SMALL.text: "Too small a change to tell: nudge further outward.",
}
"""The brief form of each ask, by the text of the long one."""


def brief_ask(job: Job | None, *, measuring: bool) -> str:
    """Return what a job asks now, empty where there is no job."""
    if job is None:
        return ""
    if job.closed:
        return translate("job", "The job is closed.")
    ask = job.ask
    if ask is None:
        return translate("job", "Every check has ended: Enter closes the job.")
    if isinstance(ask, Measure):
        return said(ask.message) if measuring else translate("job", "Enter measures.")
    return brief_of(ask.message)


def brief_of(message: Message) -> str:
    """Return what is said in at most 60 characters."""
    text = BRIEF.get(message.text)
    if text is None:
        return shortened(said(message))
    return translate("job", text).format(*message.values)


def shortened(words: str) -> str:
    """Return words that are no longer than can be read from afar; the rest stands on the card."""
    if len(words) <= MOST_CHARACTERS:
        return words
    return words[: MOST_CHARACTERS - 1].rsplit(" ", 1)[0] + "…"
