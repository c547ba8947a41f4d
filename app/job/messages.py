"""Every sentence that a job can say. The texts are fixed, so that they can be translated."""

from __future__ import annotations

from app.analysis.results import Message

# Before power
MAINS = Message(
    "Open supplies carry mains voltage. Unplug before reaching in; work on live parts only as "
    "your local rules and your licence allow."
)
GROUND_CLIP = Message(
    "A scope's ground clip is earth: never on a live node, never two clips on two potentials."
)
LINE_INPUT = Message(
    "A line input takes about 2 V and no direct voltage: put series resistors and isolation "
    "before it."
)
MOVING_PARTS = Message("Keep fingers, sleeves and tools away from belts, hub and magnets.")
NEVER_WRITE = Message("Never write while the alignment disk is in the drive.")
PROVE_PROTECT = Message(
    "Insert a scratch disk that is write-protected, and let the controller try to write to it."
)
WAS_IT_REFUSED = Message("Did the drive refuse to write?")
CLEAN_HEADS = Message("Clean the heads, and let them dry.")
ROOM_TEMPERATURE = Message(
    "How warm is the room in which the alignment disk has lain? Left unsaid, warmth and humidity "
    "alone make the offset unsure by ±{0} µm, with ±{1} µm allowed: most verdicts stay undecided. "
    "Said, it is ±{2} µm."
)
CHASSIS_TEMPERATURE = Message(
    "How warm is the drive's chassis near the positioner? A thermometer held to the metal tells; "
    "it may be left unsaid, like the room."
)
HUMIDITY = Message(
    "How humid is the room, in per cent? A hygrometer of the household will do; it may be left "
    "unsaid, like the temperature."
)
MINUTES_ON = Message("Minutes since the drive was switched on.")
INSERT_ALIGNMENT = Message("Insert the alignment disk. Never write while it is in the drive.")

# Where the head is to be
AIM_ZERO = Message("the zero of the alignment disk")
AIM_FROM_ZERO = Message("{0}, {1} µm from the zero of the alignment disk")
AIM_OF_BOTH = Message("the middle of both heads at {0}: side 0 {1} µm and side 1 {2} µm from there")
AIM_BEYOND = Message("an aim of {0} µm cannot be read on this disk: state one from −{1} to +{1} µm")
NO_AIM = Message(
    "“{0}” is no aim: say “alignment disk”, “as found”, “archive's disk”, or an offset, as 12, "
    "12±1 or 0.5mil"
)
AIM_UNSURE = Message("an aim's u of {0} µm cannot be; state one from 0 to {1} µm")
NO_ARCHIVE = Message(
    "no place over an archive's disk is known: do a job with the plan “centre” on that disk first, "
    "and nudge nothing after it"
)
NOT_FOUND_YET = Message(
    "the way back is not known: measure the hysteresis as found, before a screw is loosened"
)
MIDDLE_OF_BOTH = Message(
    "The heads stand {0} µm apart, and ±{1} µm are allowed: the middle of both is aimed at, which "
    "leaves side 0 at {2} µm and side 1 at {3} µm from the aim."
)
HEADS_TOO_FAR = Message(
    "The heads stand {0} µm apart, and ±{1} µm are allowed: no place brings both within. Leave "
    "this check out and have the mount of one head seen to; to go on brings side 0 to the aim."
)

HEADS_APART = Message(
    "the heads stand {0} µm apart, and ±{1} µm are allowed: no place of the carriage brings both "
    "within"
)

# Hands at the drive
INSERT_SCRATCH = Message(
    "Take the alignment disk out, and insert a scratch disk that may be written to."
)
SEEK = Message("Step to track {0}, side {1}.")
RESEAT = Message(
    "Open the clamp, let the disk stop, and close it again with the spindle turning: "
    "seating {0} of {1}."
)
FROM_OUTSIDE = Message("Step outward off track {0} and back onto it: arrival {1} from outside.")
FROM_INSIDE = Message("Step inward off track {0} and back onto it: arrival {1} from inside.")
FROM_END = Message("Seek to track {0}, and from there straight to track {1}: long seek {2}.")
PUSH_OUTWARD = Message(
    "Push the arm lightly outward, with a finger's weight and no more, and let it go: push {0}."
)
PUSH_INWARD = Message(
    "Push the arm lightly inward, with a finger's weight and no more, and let it go: push {0}."
)
TRIM_SPEED = Message("Turn the speed trimmer: the spindle has to turn {0} % {1}.")
LOOSEN = Message("Loosen the stepper's screws until its body just turns.")
LEAVE_ALONE = Message(
    "As found, the head passes: to leave it alone is the better choice, so leave this check out. "
    "To adjust it all the same, loosen the stepper's screws until its body just turns."
)
TIGHTEN = Message("Tighten the screws, a little at each in turn, and watch the needle.")
BACK_OFF = Message(
    "Back off: locked, the middle is {0} µm from the aim. Loosen again; the screws move it by {1} "
    "µm, so it is set off by as much."
)
SEAL = Message("Seal the screws with lacquer, as a witness mark.")
NUDGE_TRIAL = Message(
    "Turn the stepper's body clockwise, seen from its flange, by about {0}°: {1} mm at the flange. "
    "This shows which way is outward."
)
NUDGE_TO_SEE = Message(
    "One lobe alone is seen. Turn the stepper's body by about {0}°, {1} mm at the flange, the way "
    "that brings the other lobe back."
)
NUDGE_CLOCKWISE = Message(
    "Turn the stepper's body clockwise by about {0}°: {1} mm at the flange, {2} µm at the head."
)
NUDGE_COUNTER = Message(
    "Turn the stepper's body counter-clockwise by about {0}°: {1} mm at the flange, {2} µm at the "
    "head."
)
NOT_READ = Message(
    "Where the head is could not be read: {0}. Put that right; then it is measured again."
)
WRITE = Message("Write track {0}, side {1} with {2} all round.")

# The mechanics, by eye and finger
POWER_OFF = Message(
    "Switch the drive off and unplug it before a finger goes in. Touch neither heads nor disk, and "
    "turn nothing by force: the next questions are answered by looking, and by a light finger."
)
LOOK_RAILS = Message(
    "Rails: slide the carriage gently from end to end. It is in order where it runs free and even, "
    "and the rails are bright, with neither deposit nor groove."
)
LOOK_LUBRICATION = Message(
    "Lubrication: in order where the rails, the band or the leadscrew have a clean thin film, as "
    "the drive's manual has it: neither dry, nor gummed, nor dripping. Put none on by guess."
)
LOOK_BELT = Message(
    "Belt: in order where it is whole, matt, and springs back when pressed with a finger, and "
    "pulleys are clean. A direct drive has none: not looked at."
)
LOOK_CONE = Message(
    "Cone and hub: in order where the cone is smooth, turns free and comes down centred, and no "
    "film or dirt is on the hub's face."
)
LOOK_PAD = Message(
    "Pad and load arm: in order where the pad is whole, soft and clean, and the arm comes down "
    "evenly. A drive with two heads has no pad: look at both gimbals, and touch neither."
)
WHAT_IS_SEEN = Message("What is seen at the {0}? Write it in your own words; they are kept.")

# Watching a head in time
WAIT_WARM = Message(
    "Leave the drive running with the heads loaded: look {0} of at most {1} follows in a minute. "
    "The watch ends by itself once the head no longer drifts."
)
WAIT_LEFT = Message(
    "Leave the drive as it is: look {0} of at most {1} follows in a minute. The watch ends by "
    "itself once the head is seen to stay."
)
COVER_ON = Message(
    "Close the drive as it will be used, cover and all, and step it from end to end a few times."
)
SETTLED = Message("after {0} min the drift is below its own uncertainty, which is below {1} µm/min")
NOT_SETTLED = Message(
    "after {0} min the drift is still above its own uncertainty, or that is not below {1} µm/min: "
    "let the drive run longer, and watch again"
)
NO_TIME_PASSED = Message("the source does not tell at what times the looks were taken")

# An ordinary track, without an alignment disk
INSERT_ORDINARY = Message(
    "Cover the notch of the disk with the ordinary track, and insert it. It is read, never written."
)
WHICH_TRACK = Message(
    "Which track stands alone, with nothing beside it? Left open, it is the class's alignment "
    "track."
)
MOVED_BY = Message(
    "How is the head moved by known distances: by nudging the loose body, a dial gauge at the "
    "carriage, or by half steps of the stepper?"
)
ZERO_GAUGE = Message(
    "Bring a dial gauge to the carriage, outward positive, and set it to zero before the screws "
    "are touched."
)
PLACE_U = Message(
    "Standard uncertainty of a single place: about a third of the gauge's smallest division, or of "
    "what a half step scatters. Left open, it is 3 µm."
)
MOVE_BY_GAUGE = Message("Nudge the body until the gauge says about {0} µm, outward positive.")
MOVE_BY_STEPS = Message("Step the head to about {0} µm from where it first stood, or the nearest.")
WHERE_BY_GAUGE = Message(
    "How far from its first place does the head stand now, outward positive? Left open on the way "
    "out, it goes no farther to this side."
)
LEAVE_WHERE = Message(
    "Where is the head to be left: over the middle of this track, or as it was found?"
)
BACK_OFF_BY_GAUGE = Message(
    "Tightened, the head is {0} µm from where it is to be left. Loosen again; the screws move it "
    "by {1} µm, so it is set off by as much."
)
TIGHTEN_BY_GAUGE = Message("Tighten the screws, a little at each in turn, and watch the gauge.")

# Calibration on the bench
GAUGE_SCALE_U = Message(
    "Standard uncertainty of the gauge's own scale, by its certificate. Left open, it is 1 %."
)
DISK_STOPPED = Message("the disk stopped, unasked: it counts as one that was seated anew")
RESEAT_HERE = Message(
    "Open the clamp, let the disk stop, and close it again with the spindle turning."
)
STANDARD_UM = Message(
    "Offset of the check standard's head from the line on this side, as its own record says, "
    "outward positive."
)
STANDARD_U = Message("Standard uncertainty of that. Left open, it is 2 µm.")
ORIGINAL_UM = Message(
    "Zero of the original disk on this side, by its certificate or its calibration. Left open, it "
    "is what the class states."
)
ORIGINAL_U = Message("Standard uncertainty of that. Left open, it is what the class states.")
INSERT_ORIGINAL = Message("Insert the original alignment disk. Never write while it is in.")
INSERT_WORKING = Message("Insert the working disk, its notch covered. Never write while it is in.")

# What was not seen
NOTHING_MOVED = Message(
    "Nothing was seen to move. Do it now; or say that it was done all the same, which the record "
    "will tell."
)
OUT_OF_SIGHT = Message(
    "The signal was not valid throughout, so it was not seen what tightening did. See to the "
    "signal; or say that it was done all the same, which the record will tell."
)
UNSEEN = Message("by the word of the hand alone: nothing was seen to move before it")
FARTHEST = Message("the farthest off is track {0}")
TRACK_WITHOUT = Message("track {0}: {1}")
UNSEEN_ARRIVALS = Message("nothing was seen to move at {0} of {1} arrivals")
UNSEEN_SEATINGS = Message("nothing was seen to move at {0} of {1} seatings")

# Where numbers come from
VIRTUAL_JOB = Message(
    "This job is of the virtual drive, and the source is a real one; open a source that fits, or "
    "begin a new job."
)
REAL_JOB = Message(
    "This job is of a real drive, and the source is the virtual drive; open a source that fits, or "
    "begin a new job."
)
OTHER_CLASS = Message(
    "This job goes by the class “{0}”, and the source is measured by “{1}”; begin a new job."
)
OTHER_SOURCE = Message("the source was “{0}”, and is “{1}” now")
MEND_SOURCE = Message("{0}. The job waits: mend that, then go on.")
GO_ON_ELSEWHERE = Message(
    "Not the same source as before: {0}. Is it still the same drive? If so, the job goes on, and "
    "its report tells of the change."
)

# Measuring
TAKING_RADIAL = Message("Measuring the lobes.")
TAKING_SPEED = Message("Measuring the speed.")
TAKING_AZIMUTH = Message("Measuring the azimuth bursts.")
TAKING_INDEX = Message("Measuring from the index to the burst.")
TAKING_LEVEL = Message("Measuring how strong the track is.")
TAKING_OUTPUT = Message("Measuring the head's output.")

# Track zero
STOP_CLEARANCE = Message("Clearance between carriage and outer stop with the head on track 0.")
SENSOR_ON = Message("Does the track-zero sensor say track 0 with the head on track 0?")
SENSOR_OFF = Message("Does the track-zero sensor say track 0 with the head on track {0}?")

# Outcomes
DISK_BARRED = Message(
    "the alignment disk stays out until the drive is seen to refuse to write to a protected disk"
)
NOT_REFUSED = Message(
    "the drive wrote to a protected disk: mend the write-protect sensor before the alignment disk "
    "goes in"
)
SPEED_LEFT_ALONE = Message("within tolerance as found, and left as it is")
OUTWARD_IS_CLOCKWISE = Message("on this drive clockwise is outward")
OUTWARD_IS_COUNTER_CLOCKWISE = Message("on this drive counter-clockwise is outward")
HEAD_LEFT_ALONE = Message("close enough as it is, and left as it is")
NO_SIGN = Message("the side is not known: connect the index, or teach the sign")
FEW_ARRIVALS = Message("{0} of {1} arrivals could be measured")
NUDGES_USED_UP = Message("all {0} nudges were used; the best middle was {1} µm from the aim")
WITHIN_ITS_U = Message(
    "the {0} µm that are left are within their uncertainty: no nudge is called for"
)
LEFT_FOR_THE_LOCK = Message(
    "the {0} µm that are left are taken out with what tightening moves, once that has been seen"
)
LOCKED_AWAY = Message(
    "after {0} nudges, relocks counted, the middle is locked {1} µm from the aim; done again, this "
    "check may bring it nearer; where tightening moves it differently each time, look to washers "
    "and faces of the clamp"
)
LOCKED_UNSURE = Message(
    "judged by where the middle is locked: {0} ± {1} µm from the disk's zero, with {2} to {3} µm "
    "allowed"
)
PROTECT_UNKNOWN = Message("whether the drive refuses to write to a protected disk was not told")
FEW_SEATINGS = Message("{0} seatings have no spread; seat the disk more often")
SEATED_IN_SIGHT = Message(
    "as found no seating could be read: with the head near the line {0} were, and tell the mean "
    "to ±{1} µm"
)
SPREAD_NOISE = Message("the seatings agree within what the measuring itself scatters")
SPREAD_SCALE = Message("the spread is one of scale: the clamp centres differently each time")
SPREAD_ZERO = Message("the spread is one of zero: the disk's shape differs each time")
SPREAD_BOTH = Message("the spread is of scale and of zero: centring and the disk's shape differ")
SPREAD_UNDETERMINED = Message("two seatings do not tell where the spread comes from")
MORE_SEATINGS = Message("{0} seatings would tell the mean to ±{1} µm")
STANDS_OUT = Message("seating {0} stands out from the others")
SENSOR_RULE = Message(
    "common practice: the sensor says track 0 there, and no more from track {0} on"
)
ANGLES_GUESSED = Message(
    "the angles of the bursts and their order are the profile's guess, so the sign may be the "
    "other: state those of the disk's paper to have it judged"
)
NO_LIMIT = Message("the class states no limit")
NO_TRIMMER = Message("this class has no speed trimmer: look to belt, pulley and motor")
NO_BURSTS = Message("the alignment disk of this profile has no such bursts")
STANDARD_UNTOLD = Message(
    "what the check standard's head is off the line was not told, so no zero follows from it"
)
CALIBRATED = Message(
    "a calibration: later jobs use it where they name the same alignment disk, until it is due"
)
PLACE_UNTOLD = Message(
    "where the head stands by the gauge was not told, so nothing follows from it"
)
RELATIVE = Message(
    "proved: how the head stands, as it rests now, to the drive that wrote track {0} of this disk; "
    "not proved: where the standard's line is, for that drive may stand off it by any amount"
)

CERTIFICATE_OF_OTHER = Message(
    "certificate.disk is “{0}”, and the disk in the drive is named “{1}”: what the certificate "
    "states is not of this disk; choose a class with its own, or name the disk as the certificate "
    "does"
)
CERTIFICATE_DUE = Message(
    "certificate.due is {0}: the disk's certificate is out of date, and what it states counts as "
    "it stands; have the disk measured anew, or calibrate it on the bench"
)
CERTIFICATE_OLD = Message(
    "certificate.date is {0}: the disk's certificate is older than {1} days, and what it states "
    "counts as it stands; state certificate.due where its paper names a later day, or calibrate "
    "the disk on the bench"
)
CERTIFICATE_TO_COME = Message(
    "certificate.date is {0}, which is after the job, {1}: look to the date, or to the computer's "
    "clock"
)

# Calibrations of the book
CALIBRATION_USED = Message("used: {0} of disk “{1}”, job {2} of {3}, {4}")
CALIBRATION_DUE = Message(
    "not used: {0} of disk “{1}”, job {2} of {3}, {4}; calibrate anew, by the plan “{5}”"
)
CALIBRATION_TO_COME = Message(
    "not used: {0} of disk “{1}”, job {2} of {3}, which is after today, {4}: look to the "
    "computer's clock"
)
CALIBRATION_BY_OTHER = Message(
    "not used: {0} of disk “{1}”, job {2} of {3}, made with {4}, and this is {5}; calibrate anew, "
    "by the plan “{6}”"
)
CALIBRATION_UNNAMED = Message(
    "the book has calibrations of {0}, and none is used: no disk is named; name the one that is in "
    "the drive"
)

# The budget of uncertainty
DOMINATES = Message(
    "Most of it is the {0}, {1} % of the variance: without it U would be {3} {4} instead of {2}. "
    "{5}"
)
HELP_READING = Message("Measure over more turns, or arrive more often.")
HELP_SCALE = Message("Have the disk's scale calibrated, on the bench or by its maker.")
HELP_SEATING = Message("Seat the disk more often, and clean the clamp.")
HELP_ZERO = Message("State the disk's zero from its certificate, or measure it on the bench.")
HELP_ONCE = Message("Seat the disk at several angles of hub to spindle.")
HELP_ONCE_ASSUMED = Message(
    "Measure the head's output on a scratch disk first: until then up to 4 % are assumed."
)
HELP_TEMPERATURE = Message(
    "State the temperatures of room and chassis, and let disk and drive come to 23 °C."
)
HELP_HUMIDITY = Message("State the humidity, and work near the one of the disk's certificate.")
HELP_CERTIFIED = Message("State the temperature and humidity of the disk's certificate.")
HELP_OVAL = Message("Work near the temperature and humidity of the disk's certificate.")

# The end
CLOSE_ANYWAY = Message("A check has failed. To close the job all the same, give the reason.")
