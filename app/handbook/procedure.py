"""The way of a job from start to end, and what each figure in it means and rests on."""

from __future__ import annotations

from app.handbook.topic import Topic, TopicTable

PROCEDURE = Topic(
    "procedure",
    "From start to end",
    (
        (
            "A drive is aligned when its head stands over the line that all other drives write "
            "on. An alignment disk shows that: its pattern has two lobes a turn, which are even "
            "when the head is on the line, and one grows as the other shrinks when it is not. "
            "This is the way from a drive on the bench to a signed record; each step is a check "
            "of a job, and has a topic of its own."
        ),
        TopicTable(
            ("step", "what is done, and why in this order"),
            (
                (
                    "1  care: before power",
                    (
                        "cautions are read; the write-protect sensor is proved with a scratch "
                        "disk, since a drive that writes to a protected disk would spoil the "
                        "alignment disk; heads are cleaned; room and chassis temperature and "
                        "humidity are entered"
                    ),
                ),
                (
                    "2  mechanics",
                    (
                        "rails, lubrication, belt, cone and pad are looked at with the power "
                        "off: a head cannot be set on worn mechanics"
                    ),
                ),
                (
                    "3  speed, output, drift",
                    (
                        "the speed is measured; the head's output on a scratch disk, before the "
                        "alignment disk is seated for all that follows; then the head is watched "
                        "until it no longer drifts: what is set in a cold drive is off in a warm "
                        "one"
                    ),
                ),
                (
                    "4  as found",
                    (
                        "seating, radial, tracks (all that the disk has), hysteresis, seeks, "
                        "push (play of the arm), azimuth, index, track-zero: all before "
                        "a screw is loosened, for no one can find it again afterwards"
                    ),
                ),
                (
                    "5  adjust, lock",
                    (
                        "only where it does not pass: the body is nudged until the middle of "
                        "both arrivals is at the aim; then it is tightened, and what tightening "
                        "moved is backed off"
                    ),
                ),
                (
                    "6  as left",
                    (
                        "what the screws may have moved is measured again, with the cover on at "
                        "the end; the job is closed, described and signed"
                    ),
                ),
            ),
        ),
        (
            "Begin with the virtual drive: “evenlobe job sim: --drive demo”, or F12 in the "
            "window. At a drive of your own something else has to select it, turn its motor and "
            "step it. A check that cannot be done is left out with its reason, which the record "
            "keeps; as found a drive that passes is better left alone, and the tool says so."
        ),
    ),
)

MECHANICS = Topic(
    "mechanics",
    "Mechanics, warmth, stroke and play",
    (
        (
            "What eye and finger find is entered as you see it, in order or not, and in your own"
            " words where it is not. Nothing is measured here, so nothing has an uncertainty; "
            "what is not in order fails the check, and is to be mended before a head is set."
        ),
        TopicTable(
            ("check", "what it tells"),
            (
                (
                    "drift",
                    (
                        "the lobes once a minute; the rate of the newest four looks, by a "
                        "straight line. It ends by itself once the rate is below its own u and "
                        "that is at most 0.5 µm a minute (our choice), or after 16 looks"
                    ),
                ),
                (
                    "tracks",
                    (
                        "every radial track that the disk states, each come to from outside. A "
                        "slope over the stroke is of rails or leadscrew; one phase of the "
                        "stepper that stands apart is of the motor or its driver"
                    ),
                ),
                (
                    "seeks",
                    (
                        "straight from both ends at the drive's own step rate, against short "
                        "steps: what differs is of a carriage that binds, or of a rate that is "
                        "too high"
                    ),
                ),
                (
                    "push",
                    (
                        "a light push to either side and let go: what remains is the play of the"
                        " arm, which no adjusting takes away"
                    ),
                ),
            ),
        ),
    ),
)

SEATING = Topic(
    "seating",
    "Seating and speed",
    (
        (
            "Each time that a disk is clamped it lies a little differently. Off centre it "
            "changes the scale of the pattern and not its zero; out of shape it changes the "
            "zero. The check seats it five times and tells which of the two it is by the lobes' "
            "sum and place, how far a single seating goes (standard deviation), and how many "
            "seatings would tell the mean to within what is wanted. A seating that stands out is"
            " named; look at cone and hub then."
        ),
        (
            "What the spindle does to the output once a turn lies at another angle to the disk "
            "with each seating, and goes out of their mean, if the disk stands still before the "
            "clamp is closed. How far the last seating is off that mean is taken out of every "
            "reading until the disk is seated anew: leave it clamped."
        ),
        (
            "The speed is that of 25 whole turns by the index. Its tolerance is the class's (±1 "
            "to 2 %, from memory of drive manuals); short-term variation and drift are told "
            "beside it. Where the class has a trimmer it is turned until the speed is right, "
            "live; a drive on an AC motor or a crystal has none, and a wrong speed is then of "
            "belt, pulley or motor."
        ),
    ),
)

HYSTERESIS = Topic(
    "hysteresis",
    "Hysteresis, adjusting and locking",
    (
        (
            "A head that comes from outside rests elsewhere than one that comes from inside. "
            "Three arrivals from each side tell both places; their difference is the hysteresis,"
            " a straight drift taken out, and half way between is the middle, which is what is "
            "adjusted. Even lobes after one arrival would put half of the hysteresis into the "
            "setting. The limit is a choice of ours, the offset of a ratio of 75 %, since no "
            "standard that was opened states one."
        ),
        (
            "The first nudge shows which way round is outward; each next one is told in "
            "micrometres at the head, degrees of the body and millimetres at its flange. Screws "
            "move what they lock: tighten a little at each in turn and watch. Where tightening "
            "has moved it too far, loosen again and set off by as much the other way. After "
            "eight nudges, each tightening beyond the first among them, the check stops and says"
            " where the best middle was. Seal the screws with lacquer, as a witness."
        ),
    ),
)

HEADS = Topic(
    "heads",
    "Azimuth, index timing, output, track zero",
    (
        TopicTable(
            ("check", "what it tells, and from where its limit comes"),
            (
                (
                    "azimuth",
                    (
                        "bursts at known angles are weakened by sin y / y, y = π·W·tan θ/λ (the "
                        "standard expression of tape loss); the fit tells the angle. W is the "
                        "head's core, which is wider than the track it records. ±18 arcmin is "
                        "from memory. Angles and their order stand on the disk's paper: without "
                        "it the sign may be the other, and the check is noted, not judged"
                    ),
                ),
                (
                    "index",
                    (
                        "from the index's leading edge to where the burst has half its height, "
                        "over 40 turns; about 200 µs is lore. Outer less inner track is the skew"
                        " of the carriage"
                    ),
                ),
                (
                    "output",
                    (
                        "a scratch disk is written with 1F and 2F; resolution is 2F over 1F, "
                        "modulation (max − min)/(max + min) of the envelope (ISO 7487 family, "
                        "from memory). It is noted, and a pad or a dirty head shows in it"
                    ),
                ),
                (
                    "track-zero",
                    (
                        "where the sensor says track 0 and lets go, and the clearance of the "
                        "stop, as you see them (common practice)"
                    ),
                ),
            ),
        ),
    ),
)

LIMITS = Topic(
    "limits",
    "Limits and verdicts",
    (
        (
            "The class states limits as a difference of the lobes, 1 − smaller over larger: as "
            "found 30 % is allowed, to set to 15 % (common practice; no standard that was opened"
            " states them). With the disk's scale S that is an offset of S·d/(2 − d). “evenlobe "
            "profiles NAME” shows each limit with the source that it has; limits of your own go "
            "into a class of your own."
        ),
        TopicTable(
            ("verdict", "when"),
            (
                (
                    "pass, fail",
                    (
                        "the value keeps clear of its limit by its expanded uncertainty U (JCGM "
                        "106, a guard band of U)"
                    ),
                ),
                (
                    "undecided",
                    (
                        "the limit lies within U: neither good nor bad; the probability that it "
                        "is within stands beside it"
                    ),
                ),
                (
                    "noted",
                    "there is no limit, or it rests on a guess",
                ),
                (
                    "skipped",
                    "left out, for the reason that stands there",
                ),
            ),
        ),
    ),
)

UNCERTAINTY = Topic(
    "uncertainty",
    "How sure a number is",
    (
        (
            "Each number stands with ±U: the truth lies within it in about 95 of 100 cases. u is"
            " the standard uncertainty; parts are combined by the root of the sum of their "
            "squares, their degrees of freedom by Welch and Satterthwaite, and expanded once "
            "(JCGM 100, 5.1.2 and G.4; the largest rectangular part as JCGM 101 would draw it)."
        ),
        TopicTable(
            ("part", "what it is, and what makes it smaller"),
            (
                (
                    "reading",
                    "scatter of turns and arrivals: take more of them",
                ),
                (
                    "scale of the disk",
                    (
                        "the offset for unit balance; 190 µm, anywhere within ±30, until it is "
                        "stated or calibrated. It counts for a large offset, and hardly near the"
                        " line"
                    ),
                ),
                (
                    "seating, clamp",
                    (
                        "what seating does to zero and scale: seat it more often. While the last "
                        "of several seatings lasts, what it is off their mean is corrected"
                    ),
                ),
                (
                    "zero of the disk",
                    (
                        "what the disk reads where a head is truly on the line, by its "
                        "certificate or a check standard; ±3.5 µm where nothing is stated (our "
                        "choice)"
                    ),
                ),
                (
                    "temperature, humidity",
                    (
                        "film grows 17·10⁻⁶ per kelvin (PET film bulletin, ASTM D696) and about "
                        "8·10⁻⁶ per per cent of humidity (from memory), the chassis otherwise. "
                        "The shift is corrected, and what remains is in u: say the climate, it "
                        "never makes U larger"
                    ),
                ),
                (
                    "once-a-turn modulation",
                    (
                        "a head output that goes up and down once a turn looks like an offset "
                        "where there is one pair of lobes: seat the disk at several angles of "
                        "hub to spindle. Until the output is measured, as of a drive as found, "
                        "up to 4 % are assumed (our choice). It counts for nothing where three "
                        "seatings or more, of a hub that no pin drives, show what the drive does "
                        "and the disk's paper states a zero, which has the disk's own part in it"
                    ),
                ),
            ),
        ),
    ),
)

RECORD = Topic(
    "record",
    "The record, and drift from job to job",
    (
        (
            "All that is measured is kept the moment it is known, with time, source, settings, "
            "instrument and class; it can be added to and never changed. Who did the job, for "
            "whom and with what is described before it is closed. A job that is left open is "
            "gone on with on another day (--resume, or F12); a job with an open failure closes "
            "for a reason only."
        ),
        (
            "The report begins with a page in plain words for whoever owns the drive; the record"
            " for an auditor stands behind it. Its file holds what it was printed from, and "
            "“evenlobe verify FILE” tells whether anything printed was changed since: it proves "
            "change, not who wrote it. µm and °C or mil and °F are one choice, --units or F4."
        ),
        (
            "Drift is what a drive does by itself from as left to the next as found, adjustments"
            " taken out, by a straight line over its jobs; from jobs that are too close in time "
            "nothing is told. A rate counts as drift where it is larger than its U."
        ),
    ),
)

PROCEDURE_TOPICS = (
    PROCEDURE,
    MECHANICS,
    SEATING,
    HYSTERESIS,
    HEADS,
    LIMITS,
    UNCERTAINTY,
    RECORD,
)
"""In the order in which a job comes to them."""
