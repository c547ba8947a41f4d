"""The words that stand on the needle's page: what each means, and what it rests on."""

from __future__ import annotations

from enum import StrEnum

from app.handbook.topic import Topic, TopicTable


class Term(StrEnum):
    """A word on dial, figures or state; its value heads its row in the topic."""

    NEEDLE = "needle"
    SIDE = "head inward, head outward"
    LIMITS = "set, check"
    REST = "rest"
    VERDICT = "limit kept, exceeded, undecided"
    RATIO = "ratio"
    DIFFERENCE = "difference"
    OFFSET = "offset"
    UNCERTAINTY = "±"
    PROVISO = "uncalibrated, unproved"
    SOURCE = "source"
    LEVEL = "level"
    NOISE = "signal to noise"
    CARRIER = "carrier"
    SPEED = "speed"
    TURN = "turn"
    RECORDS = "records"
    READING = "reading"
    LOST = "lost frames"


MEANINGS = {
    Term.NEEDLE: (
        "the balance of the lobes, (A − B)/(A + B), on a scale that is wide about the middle and "
        "drawn together towards the ends; its numerals are the difference in per cent. The faint "
        "sector is where it may stand as well (±2u). Two hollow needles mean that the side is not "
        "known. At 0 the lobes are even, or, while a head is being set, it stands on the aim"
    ),
    Term.SIDE: (
        "on which side of the track line the head stands; it is to be moved to the other. The "
        "side comes from the index, from a disk whose two sides differ, or from a nudge that "
        "you have shown (F3)"
    ),
    Term.LIMITS: (
        "how uneven the lobes may be after setting, and when a drive is checked as found: "
        "differences of 15 and 30 % unless the class states others (common practice; no standard "
        "that was opened states them)"
    ),
    Term.REST: (
        "where the needle lies while there is no reading that may be believed; the reason stands "
        "below the dial, and it comes back by itself"
    ),
    Term.VERDICT: (
        "kept or exceeded where the difference is clear of the limit by its U, a guard band as "
        "JCGM 106 has it; undecided where the limit lies within it"
    ),
    Term.RATIO: (
        "the smaller lobe over the larger, 1 where both are even: how alignment was told with "
        "an oscilloscope (common practice)"
    ),
    Term.DIFFERENCE: "1 − ratio, in per cent; the limits are stated as this",
    Term.OFFSET: (
        "how far the head is from the track line, in µm or mil (F4): the balance times the scale "
        "of the alignment disk, which is in its uncertainty"
    ),
    Term.UNCERTAINTY: (
        "behind ± stands U: the truth lies within it in about 95 of 100 cases (JCGM 100, "
        "coverage factor 2)"
    ),
    Term.PROVISO: (
        "what the figure hangs on: a scale that is not stated on the disk's paper or calibrated, "
        "or a detector of which it is taken for granted that it is linear; “evenlobe help "
        "calibration” and “evenlobe help probe” tell what to do"
    ),
    Term.SOURCE: (
        "whether samples come: running, gone and tried again, at its end, or failed. What it is "
        "stands at the top of the window"
    ),
    Term.LEVEL: (
        "the highest peak of each input, and how much of its full scale that is. Low is below "
        "3 % (our choice); clipping parks the needle, for lobes that are cut look even"
    ),
    Term.NOISE: (
        "the power of the carrier at the top of the taller lobe over that of the noise in all "
        "that is sampled; below 10 dB it is called noisy (our choice), and what noise does is in u"
    ),
    Term.CARRIER: "the frequency of what is written on the disk, as it is read at this speed",
    Term.SPEED: (
        "turns a minute by the index, or by the lobes where there is none, and how far that is "
        "from the class's; a wrong speed moves the carrier and not the balance"
    ),
    Term.TURN: (
        "locked once the pattern of a turn is found and comes again in the next; without a lock "
        "there is no reading. Behind it stands which kind of pattern it is"
    ),
    Term.RECORDS: (
        "how many sweeps a scope gives in a second; each is read by itself, so a slow scope "
        "makes a slow needle and no worse one"
    ),
    Term.READING: (
        "how old the figures are and how many turns they use. Stale means that no new one came "
        "when it was due, and the needle parks"
    ),
    Term.LOST: (
        "samples that the source gave and the computer or the line did not take; a turn with a "
        "gap in it is left out"
    ),
}

TERMS = Topic(
    "terms",
    "Needle, figures and state, word by word",
    (
        (
            "In the window each of these is told where it stands: touch the word, or press Shift "
            "F1 and go on with Enter; F1 then leads here."
        ),
        TopicTable(
            ("on the screen", "what it means, and what it rests on"), tuple(MEANINGS.items())
        ),
    ),
)
