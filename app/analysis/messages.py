"""Every sentence that the analysis can say: the reasons for no reading, and the notes beside one.

The texts are fixed, so that they can be translated; values stand in braces.
"""

from __future__ import annotations

from app.analysis.results import Message

WAITING = Message("waiting for the first turns")
NO_SIGNAL = Message(
    "no signal: every sample is the same; the input is muted, or nothing is connected to it"
)
NO_SAMPLES = Message("no signal: the samples are not numbers; check the source, and open it again")
GAPS = Message("samples are missing: no lobe was whole for a while")
NOT_FOLLOWED = Message("no lobe could be followed for a while: the signal drops out")
NO_CARRIER = Message(
    "no carrier: no steady signal between 20 kHz and 0.45 of the sample rate; "
    "check that the head is on the alignment track and the probes on the test points"
)
CARRIER_BEYOND = Message(
    "the carrier is beyond the source's bandwidth: use a detector probe with the role envelope, "
    "or a faster source"
)
CLIPPED = Message("clipped: the tops are cut flat; lower the gain or use a ×10 probe")
ONE_LOBE = Message("one lobe only: the head is far off the line")
ONE_LOBE_OUTWARD = Message("one lobe only: the head is far off the line, outward")
ONE_LOBE_INWARD = Message("one lobe only: the head is far off the line, inward")
FAR_OFF = (ONE_LOBE, ONE_LOBE_OUTWARD, ONE_LOBE_INWARD)
NULLS_FILLED = Message(
    "the nulls are filled: by a rest of another recording, or it is not a pattern whose lobes tell "
    "the side; check the disk and the track"
)
EVEN_OR_BEAT = Message(
    "even lobes and filled nulls: an azimuth over a boundary with the head on the line, or a beat "
    "with the head off it; state the geometry in the profile, or take the signal before the "
    "detector: its phase tells which"
)
BEAT = Message(
    "a beat: the carrier runs on through filled nulls, and the lobes stay even wherever the head "
    "is; use a disk whose lobes tell the side"
)
TOPS_LEVEL = Message(
    "the lobes' tops are cut level between sharp nulls: the head is too narrow for them to show "
    "how far off the line it is"
)
TOPS_ALIKE = Message(
    "the tops of both lobes are level and alike, as an automatic level control makes them, or a "
    "head that is too narrow: switch the control off, and set the level by hand"
)
LOBE_DIPS = Message(
    "a lobe is lower in its middle than beside it: the head is so far off the line that it leaves "
    "the band; bring it nearer"
)
NO_PATTERN = Message(
    "no pattern of lobes that is known here; check the disk, the track and the profile"
)
GAPS_UNLIKE = Message(
    "every second gap between the lobes is filled: two may be one group with a dip in its middle, "
    "or groups may touch; state the pairs of the disk's profile"
)
LOBES_RAGGED = Message(
    "most lobes are too ragged to be measured: the signal drops out, or its gain swings within them"
)
GAIN_CONTROLLED = Message(
    "the gain steps within the lobes, as an automatic level control's does: switch it off, and set "
    "the level by hand"
)
WINDOWS_MISSING = Message(
    "the signal is not in the windows that the profile states; check the disk, the track, the "
    "index and the profile"
)
WINDOWS_TURNED = Message(
    "the windows stand {0}° later after the index than the profile states; check the index, or "
    "state their places anew"
)
WINDOWS_NARROW = Message(
    "a window of the profile is too narrow for this source's values; use a faster one"
)
NO_FLOOR = Message(
    "the noise cannot be told from the signal: no gap between the lobes shows in the scope's "
    "pairs of extremes; keep a capture of its deep memory with record and measure that"
)
NO_LOCK = Message("no lock: no turn can be told")
NOISE_WITHIN = Message(
    "noise comes or goes within the turn; check the probes, the cable and what the source gives"
)
NO_WHOLE_TURN = Message(
    "no whole turn is left without gaps, missing samples or a signal that was gone"
)
TOO_UNCERTAIN = Message(
    "too uncertain: the expanded uncertainty of the difference is above 0.10; "
    "more signal or more turns are needed"
)
LOW_CORNER_UNKNOWN = Message(
    "the envelope goes below zero: its input is AC-coupled; state its low corner"
)
NOT_DC_COUPLED = Message(
    "the envelope goes below zero, so its input is not DC-coupled; state its low corner"
)
UPSIDE_DOWN = Message(
    "the envelope stands on its head: what should be nulls are round, and the tops are sharp or "
    "flat; swap the detector's output leads, or invert the channel"
)
NULLS_NOT_LEVEL = Message(
    "the envelope comes back to no level between the lobes: its low corner is not what is stated, "
    "another capacitor is in the way, or the detector is too slow; check its input"
)
STALE = Message("stale: no new samples")

LAW_UNKNOWN = Message(
    "the detector's law is not known, and the lobes do not show that it is linear: a logarithm "
    "would hide most of their difference; state its threshold in volts, 0 if it is linear, or "
    "measure it with check-source"
)
DETECTOR_UNPROVED = Message(
    "detector unproved: taken as linear; state its threshold in volts, or 0 if it is linear"
)
DEAD_PHASE = Message(
    "one phase is dead: the other alone is read, at half the height; check the second probe"
)
PHASES_ALIKE = Message(
    "both probes carry the same signal, not opposite ones: put one on the other test point, and "
    "turn no channel round"
)
RESOLVES = Message("this input resolves ± {0} µm of head offset in ten turns; its {1} limits")
RESOLVES_UNPROVED = Message(
    "what this input resolves is not known before its detector is proved; check-source --play does "
    "that"
)
RESOLVES_UNCHECKED = Message(
    "what this input resolves is not known, for no check of it is kept; check-source tells"
)
DETECTOR_PROVED_TO = Message(
    "the detector was measured with carriers up to {0} kHz; at {1} kHz it is taken as the same"
)
UNCALIBRATED = Message("uncalibrated: the offset uses the profile's default scale")
PROVISOS = {UNCALIBRATED: "uncalibrated", DETECTOR_UNPROVED: "detector unproved"}
"""In a word or two what a number hangs on, to stand at the number itself."""
SIGN_UNKNOWN = Message(
    "sign unknown: without an index, balance and offset are magnitudes until the sign is taught"
)
WINDOWS_ALIKE = Message(
    "the disk's windows look the same with their sides swapped: without an index they do not show "
    "which side is which"
)
SIGN_LOST = Message(
    "sign no longer known: the count of lobes was broken; show once more which side is outward"
)
SPEED_BY_PROFILE = Message(
    "without an index and with the pairs a turn open, the speed is told by the profile's: "
    "name the pairs in the profile to measure it"
)
FILLED_BY_WHAT = Message(
    "the nulls are filled, by the head's azimuth or by a rest of another recording, and the "
    "uncertainty allows for both; if it is a boundary recording, state so in the profile"
)
LOBE_AT_INDEX = Message(
    "a lobe stands at the index, so which one is first cannot be told: "
    "balance and offset are magnitudes"
)
HEAD_MOVED = Message(
    "the balance went from {0} to {1} during the capture: the head moved; the reading is between"
)
UNSTEADY = Message(
    "the lobes differ by more than the noise, and so few turns do not tell a gain that jumped from "
    "a head that moved: the uncertainty allows for both"
)
SUM_JUMPED = Message("the sum of the heights jumped: reading pairs of lobes")
INDEX_DOUBLED = Message(
    "more than one index pulse a turn: which of them begins it cannot be told, so balance and "
    "offset are magnitudes; wire the index alone"
)
INDEX_LONG = Message(
    "the index pulse lasts for about half a turn: which of its edges begins the turn cannot be "
    "told, so balance and offset are magnitudes; wire an index with a short pulse"
)
INDEX_SILENT = Message("no index pulses on the index channel: turns are told from the pattern")
INDEX_CROWDED = Message(
    "the pulses on the index channel make no turns: turns are told from the pattern; wire the "
    "index alone"
)
INDEX_MISSED = Message(
    "{0} turns left out: no index pulse where they begin; look after the wire and level of the "
    "index"
)
TURNS_DROPPED = Message("{0} turns left out: gaps, missing samples or a signal that was gone")
OFF_SPEED = Message("the speed is {0} % off the profile's {1} rpm")
OFF_CARRIER = Message("the carrier is not the profile's {0} kHz")
PAIRS = Message("{0} pairs of lobes a turn")
OFF_MIXED = Message(
    "mixed down, the carrier is not seen where the profile's {0} kHz would be, so that it is not "
    "known: check mixed_hz and the disk"
)
IMAGE = Message(
    "the profile's carrier of {0} kHz is beyond this source; what is seen may be its image"
)

NEEDS_INDEX = Message(
    "bursts are timed from the index, and no edge of it is here: wire the index sensor to a "
    "channel with the role index, or trigger on it"
)
NO_BURST = Message(
    "no burst of carrier stands out of the turn: is the head on track {0} of the alignment disk?"
)
FEWER_BURSTS = Message(
    "the turn has {0} bursts where the disk has {1}: check the track, the disk, and the angles in "
    "the profile"
)
START_UNTIMED = Message(
    "the burst's start cannot be timed: the source's values are too far apart, or its record "
    "begins too near; keep a capture of the scope's deep memory with record and measure that"
)
NO_ANGLES = Message(
    "the disk's profile has no azimuth bursts: state their track and angles from the disk's own "
    "paper"
)
NO_AZIMUTH = Message(
    "the heights of the bursts fit no azimuth within one degree: check the track, the disk, and "
    "the angles in the profile"
)
NOTHING_WRITTEN = Message(
    "no signal of one frequency all round: nothing is written here, or the head is not on the "
    "track; write it and measure again"
)
ASYMMETRY_NEEDS_RATE = Message(
    "the asymmetry of the peaks needs twice the signal's frequency within the source's bandwidth: "
    "use a higher rate"
)
ASYMMETRY_NEEDS_SIGNAL = Message(
    "frequency and asymmetry need the signal itself: pairs of extremes and envelopes do not have "
    "it; use the test points and a source that keeps every sample"
)
ASYMMETRY_NEEDS_CARRIER = Message(
    "the asymmetry of the peaks is lost where a signal is mixed down: measure it at the test points"
)
ENVELOPE_NOT_DC = Message(
    "bursts and written tracks cannot be told from an AC-coupled envelope: use a DC-coupled input, "
    "or the test points"
)

TEACH_KNOWN = Message("the side is known already, by index or windows: there is nothing to teach")
TEACH_MEND_INDEX = Message(
    "teaching is for a signal without an index; mend this one, and it tells the side"
)
TEACH_NEEDS_READING = Message("teaching needs a valid reading before and after the nudge")
TEACH_NOT_SWEEPS = Message(
    "separate records share no count of lobes: trigger on the index to know the sign"
)
TEACH_TOO_SMALL = Message("the balance has not changed enough to tell; nudge further outward")


def fill(message: Message, *values: object) -> Message:
    """Return the message with its values."""
    return Message(message.text, tuple(str(value) for value in values))
