"""Topics to look things up in: what spoils a reading, and work that is not of every job."""

from __future__ import annotations

from app.handbook.topic import Topic, TopicTable

SPOILS = Topic(
    "spoils",
    "What spoils a reading",
    (
        (
            "What is valid is meant to be believed, so each of these is taken out, counted in "
            "the uncertainty u, or parks the needle with its reason."
        ),
        TopicTable(
            ("cause", "what the tool does"),
            (
                (
                    "noise, hum, offsets, one probe weaker than the other",
                    "averaged or filtered; what is left is in u",
                ),
                (
                    "a gain that drifts, fades or jumps",
                    (
                        "each lobe is held against the mean of its neighbours in time; a lobe "
                        "with a jump in it is left out"
                    ),
                ),
                (
                    "an automatic level control, as sound inputs have",
                    (
                        "parked where its steps, all of one size, show within the lobes, "
                        "groups begin too tall, or both lobes of one pair are level and alike"
                    ),
                ),
                (
                    "groups with a dip in their middles, where the profile states no pairs",
                    "parked: what is one group may be two of one side, even wherever the head is",
                ),
                (
                    "a signal that is muted, stuck, cut by gaps or not a number",
                    (
                        "parked within half a second, and back by itself; of a capture the turns "
                        "without it are left out"
                    ),
                ),
                (
                    "a source that gives noise in place of its signal for a while",
                    (
                        "parked with the lobe in which it begins; no pattern is learned of a turn "
                        "that is half of it"
                    ),
                ),
                (
                    (
                        "clipping, tops cut level, an amplifier that bends, or lets nothing "
                        "through about zero"
                    ),
                    (
                        "parked; where it bends by less than that, the tall lobe's shape "
                        "against the low one's is in u, and 2 % at the taller top where nothing "
                        "tells"
                    ),
                ),
                (
                    "few codes of a converter, no noise to blur them",
                    "its steps are in u",
                ),
                (
                    "a coating's grain, alike in each turn",
                    (
                        "lobes are read over as much of them as obeys their shape beside it; "
                        "what it leaves of a height is in u"
                    ),
                ),
                (
                    "spikes, drop-outs, a splice",
                    "left out of the mean turn; parked where they leave few lobes whole",
                ),
                (
                    "an index that bounces, glitches, stops, comes twice a turn or lasts half",
                    (
                        "what opens again within 0.7 ms is one pulse; with two a turn, none, or "
                        "one of a third of the turn or more the side is not known, and that is "
                        "said; of a capture turns whose pulse is missing are left out, and counted"
                    ),
                ),
                (
                    "a spindle whose speed drifts or swings",
                    (
                        "lobes are followed; without an index the mean speed of other turns, as "
                        "the carrier shows it, is in the speed's u"
                    ),
                ),
                (
                    "lobes that are narrow or not opposite, 2 to 18 pairs of groups",
                    "read as they are; a lobe with two humps parks",
                ),
                (
                    "filled nulls of a boundary recording (an azimuth error, a residual)",
                    (
                        "taken out of the heights; what a residual may do to the balance is "
                        "in u, unless the disk's profile says boundary: then it is azimuth"
                    ),
                ),
                (
                    "a beat of two bands, whose lobes stay even",
                    (
                        "told by the carrier's phase, which runs on through its nulls: "
                        "parked; of an envelope, which has no phase, parked where nulls are "
                        "filled and lobes even"
                    ),
                ),
                (
                    "other filled nulls, gaps that are not empty",
                    (
                        "in u, where the noise hides their power by what leans to a lobe's own "
                        "phase; parked where that is too much"
                    ),
                ),
                (
                    "a detector's threshold, knee or polarity, the corner of its coupling",
                    (
                        "as stated, with its tolerance in u (±20 % unless said), and with the "
                        "knee that the foot of lobes shows; upside down parks, and so does an "
                        "envelope that comes back to no level between the lobes"
                    ),
                ),
                (
                    "a detector of which nothing is stated",
                    (
                        "the lobes have to show that it is linear; flat groups show nothing "
                        "of a law and are read where they are even, else parked"
                    ),
                ),
                (
                    "a head that moved during the capture, a dead phase",
                    "said beside the reading",
                ),
                (
                    "both probes on one test point",
                    "parked: what is left between them is no signal",
                ),
                (
                    "samples lost without a word, by another program or a sound server",
                    (
                        "a live lobe that falls otherwise than before is left out; without an "
                        "index turns are found anew, and the side is asked for again"
                    ),
                ),
                (
                    "windows that are not where the profile states them",
                    (
                        "parked, and by how much they are turned is said; nothing is looked "
                        "for beside them"
                    ),
                ),
                (
                    "a computer that is too slow",
                    "goes on with the newest samples, and says how many were lost",
                ),
            ),
        ),
        "What it cannot see:",
        (
            "A gain control that levels the lobes from gap to gap or without steps, as the "
            "automatic level of a sound input may (turn it off); motion or a weak coating in "
            "step with the turn, which looks like an offset where a turn has one pair of lobes; "
            "a gain that changes by more than a tenth between two lobes, or to and fro at the "
            "turn's own pace, which looks like a move of the head: until the next lobe, or for as "
            "long as it does; "
            "a residual in phase with the carrier of a boundary recording, one that the noise "
            "of the nulls hides, or one between groups with hardly a gap; tops cut by a few per "
            "cent ahead of an amplifier's own noise, where the capture is a few turns long; the "
            "edge of a narrow head that takes less than a twentieth off a lobe; an amplifier "
            "that takes some 5 % and more off the taller groups in a scope's pairs of extremes; "
            "a detector's knee wider than a twentieth of the taller top behind groups, where its "
            "threshold is stated as 0; a logarithmic detector behind groups for which a "
            "threshold is stated; a capacitor ahead of the detector, which then cuts off what "
            "lies below the mean or turns it over; samples lost without a word, where they are "
            "half turns to within a hundredth of a turn or where groups are flat; an amplifier "
            "that lets nothing through about zero, where the carrier is near a quarter of the "
            "sample rate or a scope gives pairs of extremes; a scope that averages sweeps whose "
            "turns do not meet."
        ),
        (
            "The first two are found by nudging the head: the sum of both lobes should stay, "
            "and the offset move by what the nudge was."
        ),
    ),
)

CENTRE = Topic(
    "centre",
    "Without an alignment disk",
    (
        (
            "Any track that stands alone, with nothing written beside it, shows whether a head "
            "is over its middle: “evenlobe job SOURCE --drive ID --plan centre”, or “Ordinary "
            "track” as the plan in the window. What is written on it does not matter: its "
            "strength is measured, not its pattern."
        ),
        (
            "The largest amplitude is no guide. A head of 330 µm over a track of 155 µm covers "
            "all of it within ±87 µm of the middle, and reads the same everywhere there: a peak "
            "is blind. On both flanks the amplitude falls in proportion to what the head still "
            "covers; at half of it the head is half of the wider of head and track from the "
            "middle. So the middle is half way between the two places of half amplitude, "
            "whatever the widths are."
        ),
        TopicTable(
            ("step", "what is done"),
            (
                (
                    "disk and track",
                    "its notch is covered first; the track is the one that you name",
                ),
                (
                    "gauge",
                    (
                        "a dial gauge at the carriage is set to zero before the screws are "
                        "loosened, so that the place as found is known"
                    ),
                ),
                (
                    "places",
                    (
                        "the head is nudged outward, then inward, by what the tool says; you "
                        "enter what the gauge shows, and the strength is measured there, down to "
                        "three tenths of the largest"
                    ),
                ),
                (
                    "half steps",
                    (
                        "take the place of nudges where the stepper makes them finely enough "
                        "for three places on each flank; no screw is touched then"
                    ),
                ),
                (
                    "end",
                    (
                        "the head is left over the middle or as found, and tightened by the "
                        "gauge; what tightening moves is backed off"
                    ),
                ),
            ),
        ),
        (
            "No middle is told where there are too few places on a flank, where the amplitude "
            "falls on one side alone or on neither, or where it rises again beside the track, as "
            "it does when a neighbouring track is read."
        ),
        (
            "Proved is how the head stands to the drive that wrote the track. On a disk of an "
            "archive that is what is wanted: where its writer stood. Not proved is where the "
            "standard's line is, for that writer may have stood off it by any amount; so the "
            "number is noted, and never judged. It holds for the side from which the head "
            "arrived: half of the hysteresis lies between that and the middle of its rests."
        ),
    ),
)

CALIBRATION = Topic(
    "calibration",
    "Calibration on the bench",
    (
        (
            "An offset is as good as the scale and the zero of its alignment disk. Three checks "
            "measure them; each is done in a job of its own, which names the disk: “evenlobe job "
            "SOURCE --drive ID --plan scale --describe 'alignment disk=AD 7'”; in the window it "
            "is a plan too, and the disk is named beside it."
        ),
        TopicTable(
            ("check", "what is done"),
            (
                (
                    "scale",
                    (
                        "the head is moved to seven known places by a dial gauge, or by half "
                        "steps, and the disk seated anew at each; the slope of the balance over "
                        "the place, by least squares, is one over the scale. The head goes back "
                        "to where it was"
                    ),
                ),
                (
                    "zero",
                    (
                        "in a check standard, a drive whose head's offset is known and which is "
                        "kept for this: the disk is seated several times, and its zero is what "
                        "it reads beside what the head is off. The climate is asked for first; "
                        "a session may begin with this"
                    ),
                ),
                (
                    "working-disk",
                    (
                        "original and working disk are measured in turn, three times each, with "
                        "nothing moved between; the job names the working disk"
                    ),
                ),
            ),
        ),
        (
            "A calibration is kept in the book as what it is, an outcome with its budget, source, "
            "instrument, climate and time, and counts once its job is closed. Later jobs of the "
            "same class that name the same disk use it and say so; the report names it as the "
            "source of the value. The newest counts. In the window the disk is chosen beside "
            "the plan of a new job."
        ),
        (
            "It is due after 365 days (common practice). One that is overdue, or was made with "
            "another instrument, is told with the remedy and not used; one of another disk, or "
            "of the virtual drive beside a real one, says nothing. “evenlobe calibrations” lists "
            "all, and when each is due."
        ),
    ),
)

PROBE = Topic(
    "probe",
    "How a probe is proved",
    (
        (
            "A detector probe keeps some volts for itself, bends near its knee, and the input "
            "behind it lets no steady level through. A corner that is stated 10 % off is an error "
            "of 0.016 in the ratio that no reading shows. So have the instrument measure its own "
            "front end, with its own output, before a drive is judged by it."
        ),
        TopicTable(
            ("do", "because"),
            (
                (
                    "Unplug headphones and loudspeakers; set every volume of output and input",
                    (
                        "tones are played, from nearly nothing up; what is kept holds for these "
                        "volumes alone"
                    ),
                ),
                (
                    (
                        "Lead the output to the probe's tips, where the drive's test points would "
                        "be, and the probe to the input; the drive's motor is off"
                    ),
                    "what comes back has then gone through all that a reading goes through",
                ),
                (
                    "evenlobe check-source sound: --roles envelope,index --play DEVICE",
                    (
                        "it asks, tells each level before it is played, and says what it found: "
                        "threshold, knee, polarity, rise, gain, and the low corner behind"
                    ),
                ),
                (
                    "In the window: Measure the probe, in the form of a sound input or scope (F2)",
                    "it plays and keeps the same, and asks for the output and the highest level",
                ),
                (
                    "--seconds 180 beside it",
                    (
                        "the sample clock is then known against the computer's within some parts "
                        "in a million"
                    ),
                ),
                (
                    "--meter beside it",
                    (
                        "a steady tone plays at the end: what a meter reads at the tips gives the "
                        "volts. Most hand meters read right up to 1 kHz only; look into its data "
                        "sheet, and state its tolerance there, as 0.35+-3%"
                    ),
                ),
                (
                    "--generator 2 in the place of --play",
                    (
                        "a card plays no 125 kHz. A signal generator does: the levels are told, up "
                        "to 2 V peak to peak, you set each and switch it on and off, and the law is"
                        " proved at the drive's own carrier. State what a meter or scope shows at "
                        "the tips: a generator set for 50 ohms shows half of what is there"
                    ),
                ),
                (
                    "--at-most 20 beside it",
                    "no more than 20 % of the output's full scale is played",
                ),
            ),
        ),
        (
            "What was found is kept for that input, used by every reading of it, and written into "
            "its recordings; “detector unproved” goes. It is void where rate, columns or the "
            "sound server's volume are others. A job asks before it begins whether to look for "
            "ten seconds if it still holds; nothing is played before you say so."
        ),
        (
            "What it cannot do: a card plays up to about 0.4 of its rate. A drive's carrier lies "
            "above that, and there the law is taken as the same within 1.5 % of the top, which is "
            "in u. Without a detector only the product of the output's coupling and the input's "
            "is known. A volume that no sound server tells, a knob on the card, shows in the gain "
            "when it is looked at again, and not before."
        ),
        "evenlobe probes shows three probes to build, with their values and drawings.",
    ),
)

WIRE = Topic(
    "wire",
    "How a drive is stepped by wire",
    (
        (
            "Two hands hold screwdriver and probe, and the third steps the drive. Where something "
            "can step it by command, a microcontroller on its lines STEP and DIRECTION or the "
            "computer that drives the disk, a job need not ask for that hand: long seeks and the "
            "arrivals of the hysteresis, on both heads, then go by themselves."
        ),
        TopicTable(
            ("do", "because"),
            (
                (
                    (
                        "Leave the write gate's conductor to the drive unconnected, with 1 kΩ "
                        "from it to the logic's 5 V; measure more than 2.4 V on it with "
                        "everything on"
                    ),
                    (
                        "no word of the line writes, but what steps may be wired or programmed "
                        "wrong: the alignment disk goes in after that, and no sooner"
                    ),
                ),
                (
                    "evenlobe steps serial:/dev/ttyACM0, and type seek 16, step out 2 100, where",
                    "each answer is shown; hands off carriage and belt, it moves as you say",
                ),
                (
                    (
                        "--steps serial:/dev/ttyACM0 or --steps run:COMMAND for job and window, "
                        "or “steps by wire” in the form of the source; --steps sim: on the "
                        "virtual drive"
                    ),
                    "the job's seeks and arrivals are then the line's",
                ),
                (
                    "Enter takes over; Shift Enter, in the terminal the word wire, gives back",
                    "a hand may do it at any time",
                ),
            ),
        ),
        (
            "The line's word is not enough. Each answer tells how all stands and is held against "
            "what was asked, and that the head left and came back is seen by the lobes. A line "
            "that lies, is late, answers half a line or moves where it was not asked is given up "
            "with the reason, the needle rests where the head may be astray, and the hands go on."
        ),
        "evenlobe steps --help tells what the line has to answer, and within how many seconds.",
    ),
)
