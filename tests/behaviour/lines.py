"""The command lines that are recorded one by one, as a shell would read them."""

from __future__ import annotations

COMMANDS = (
    *("measure", "sources", "record", "simulate", "job", "drives", "report", "export", "import"),
    *("backup", "profiles", "check-scope", "check-source", "virtual-scope", "steps", "probes"),
    *("replay", "help"),
)
PROFILES = (
    *("130mm-48tpi", "130mm-48tpi-one-side", "130mm-96tpi", "130mm-96tpi-13262"),
    *("200mm-48tpi", "90mm-135tpi"),
)
SCOPES = (
    *((family, "socket") for family in ("A1", "A2", "A2-older", "B", "C1", "C2", "C3", "D")),
    ("B", "hislip"),
    ("C1", "vxi11"),
)
"""Families of the virtual scope, and how each is reached."""

SIMULATED = {
    "phases.wav": "",
    "differential.wav": "--source 'sim:offset_um=-40&seed=2' --roles differential,index",
    "alone.wav": "--source 'sim:seed=3' --roles differential",
    "envelope.wav": "--source 'sim:rate=48000&low_corner_hz=7&seed=4' --roles envelope,index",
    "boundary.wav": "--source 'sim:recording=boundary&scale_um=140&bits=8&full_scale_v=1'",
    "clipped.wav": "--source 'sim:bits=12&full_scale_v=0.1'",
}
"""Files that ``simulate`` writes, and how."""

JOBS = {
    "heads": "'sim:seed=2&rate=600000&azimuth_arcmin=25' --json"
    " --checks seating,azimuth,index,output",
    "moved": "'sim:offset_um=-120&creep_um=12&screws=tight&seed=3&rate=400000' --json"
    " --checks radial,hysteresis,adjust,lock --arrivals 2 --profile 130mm-48tpi-one-side",
}
"""Jobs beside the one whose book is used further."""

STEADY = "offset_um=-30&seed=2&snr_db=inf&hum_v=0&wow_percent=0&drift_percent=0"
"""A drive that gives nearly the same at any time."""
_NEEDLE = f"'sim:{STEADY}&rate=100000&carrier_hz=20000'"
NEEDLES = {"needle": f"measure {_NEEDLE} --live --seconds 3", "no-window": _NEEDLE}
"""Needles in text, of what a busy machine can follow."""

MEASURED = """
sim: --seconds 1
sim: --roles differential,index --seconds 1
sim: --roles plus,minus --seconds 1
sim: --roles envelope,index --seconds 1
sim: --roles envelope --detector-threshold 0.1 --seconds 1
sim:low_corner_hz=7 --roles envelope,index --low-corner 7 --seconds 1
sim:detector_threshold_v=0.05 --roles envelope,index --detector-threshold 0.05 --seconds 1
sim:offset_um=-120&seed=2 --seconds 1
sim:offset_um=400&seed=3 --seconds 1
sim:recording=boundary&scale_um=140&offset_um=10 --seconds 1
sim:recording=alternating&offset_um=20&pairs=4 --seconds 1
sim:recording=beat&offset_um=-15 --seconds 1
sim:snr_db=10&seed=5 --seconds 1
sim:snr_db=-40 --seconds 1
sim:drop_outs=3 --seconds 1
sim:drop_outs=3&drop_out_place=random&drop_out_depth=1 --seconds 1
sim:wow_percent=8 --seconds 1
sim:speed_rpm=306&hum_v=0.3&mismatch_percent=20 --seconds 1
sim:index_polarity=high&rate=200000 --seconds 1
sim:carrier_hz=20000&rate=100000&snr_db=inf --seconds 1
sim:amplitude_v=0.002 --seconds 1
sim:bits=6&full_scale_v=0.5 --seconds 1
sim:scale_um=90&offset_um=25 --profile 90mm-135tpi --seconds 1
sim:speed_rpm=360 --profile 200mm-48tpi --seconds 1
sim: --profile 130mm-96tpi-13262 --seconds 0.3
phases.wav --roles plus,minus,index
phases.wav --roles plus,minus
phases.wav --roles -,-,index
phases.wav?full_scale_v=2
differential.wav
alone.wav
envelope.wav --low-corner 7
envelope.wav --low-corner 0
boundary.wav
clipped.wav
captures/integers.wav --roles plus,minus
captures/integers.wav?full_scale_v=5 --roles differential,index
captures/long-form.wav --roles plus,minus,index
captures/truncated.wav --roles plus,minus
captures/unfinished.wav --roles plus,minus
captures/semicolons.csv
captures/counted.csv --roles plus,minus
captures/header-beside.csv --roles differential
captures/wide-characters.txt --roles plus,minus
captures/words.csv --roles plus,minus
""".strip().splitlines()
"""What ``measure`` is given, each as text and as JSON."""

WRONG = """
--no-such-option
--roles plus,minus
--version extra
measure nowhere.wav
measure ''
measure file:
measure captures
measure captures/PROVENANCE.md
measure fax:1
measure sim:nonsense=1
measure sim:offset_um=far
measure sim:offset_um=99999
measure sim:offset_um
measure sim:seed=1&seed=2
measure sim:seed=1.5
measure sim:recording=spiral
measure sim:bits=8
measure sim:low?seed=1
measure sim: --roles plus,plus
measure sim: --roles left,right
measure sim: --roles index
measure sim: --roles plus,minus,index,plus
measure sim: --seconds none
measure sim: --seconds 0
measure sim: --seconds -1
measure sim: --seconds inf
measure sim: --profile nowhere
measure sim: --low-corner 7
measure sim: --low-corner x --roles envelope
measure sim: --json --live
measure captures/integers.wav?rate=0
measure captures/integers.wav?rate=1000&speed=2
measure captures/semicolons.csv?rate=1000
measure captures/integers.wav --roles plus,minus,index
measure phases.wav --roles envelope,index
measure pipe:
measure pipe:?rate=1000000&dtype=int16
measure pipe:?rate=1000000&dtype=int8&channels=2
measure pipe:?rate=0&dtype=int16&channels=2
measure pipe:?rate=1000000&dtype=int16&channels=99
measure pipe:name?rate=1000000&dtype=int16&channels=2
measure pipe:?rate=1000000&dtype=int16&channels=2
measure sound:nobody
measure sound:?rate=1.5e9
measure sound:?rate=48000.5
measure sound:?gain=2
measure visa:nonsense
measure TCPIP::127.0.0.1::5025::SOCKET
measure visa:TCPIP::127.0.0.1::70000::SOCKET
measure visa:TCPIP::127.0.0.1::9::SOCKET
measure visa:TCPIP::::1::5025::INSTR
measure visa:TCPIP::127.0.0.1::9::SOCKET?family=Z9
measure visa:TCPIP::127.0.0.1::9::SOCKET?trigger=never
measure visa:TCPIP::127.0.0.1::9::SOCKET?level=1000
measure visa:TCPIP::127.0.0.1::9::SOCKET?roles=plus
measure visa:TCPIP::127.0.0.1::9::SOCKET?colour=red
check-scope
check-scope sim:
check-scope visa:TCPIP::127.0.0.1::9::SOCKET
check-source
check-source nowhere.wav
check-source sim: --roles left
virtual-scope --family Z9
virtual-scope --transport pigeon
virtual-scope --port 99999
virtual-scope --options nonsense=1
record sim:
record nowhere.wav out.wav
record phases.wav phases.wav
record phases.wav no/such/folder/out.wav
record phases.wav out.mp3
simulate phases.wav
simulate out.wav --source phases.wav
simulate out.wav --source sim:offset_um=far
simulate out.txt
profiles nowhere
profiles ../130mm-48tpi
job sim:
job sim: --drive ' '
job sim: --drive x --checks radial,nonsense
job sim: --drive x --seatings 1
job sim: --drive x --seatings many
job sim: --drive x --arrivals 101
job sim: --drive x --no-book --resume
job sim: --drive x --resume --seatings 3
job sim: --drive x --resume --book none.sqlite3
job sim: --drive x --report out.doc
job sim: --drive x --report no/such/folder/out.html
job sim: --drive x --profile nowhere --no-book
job sim: --drive x --book text.sqlite3
job sim: --drive x --book newer.sqlite3
job phases.wav --drive x --no-book
job pipe:?rate=1000000&dtype=int16&channels=2 --drive x --no-book
drives --book text.sqlite3
drives --book other.sqlite3
drives --book newer.sqlite3
drives --book captures
drives --book no/such/folder/book.sqlite3
drives nobody --book version-3.sqlite3
report --book version-3.sqlite3 --drive nobody --out out.html
report --book version-3.sqlite3 --drive 'TM-0031 Nordtor' --job 99 --out out.html
report --book version-3.sqlite3 --drive 'TM-0031 Nordtor' --job x --out out.html
report --book version-3.sqlite3 --drive 'TM-0031 Nordtor' --out out.doc
report --book version-3.sqlite3 --drive 'TM-0031 Nordtor' --out text.html
report --book version-3.sqlite3 --drive 'TM-0031 Nordtor' --out out.pdf --paper a3
export --book version-3.sqlite3
export --book version-3.sqlite3 --out text.html
export --book version-3.sqlite3 --out out --format xml
import nowhere.json
import text.html
import empty.json
import captures
backup --book version-3.sqlite3 text.html
backup --book version-3.sqlite3 no/such/folder/copy.sqlite3
""".strip().splitlines()
"""What is refused, or comes to nothing; `recording.py` makes the files."""

_BASED = 'title = "x"\nbase = "130mm-48tpi"\n'
WRONG_PROFILES = {
    "torn": "title = ",
    "untitled": "[track]\n",
    "unknown-key": f'{_BASED}colour = "red"\n',
    "unsourced": f"{_BASED}[track]\ncount = {{ value = 40 }}\n",
    "negative": f'{_BASED}[track]\ncount = {{ value = -1, source = "x" }}\n',
    "wordy": f'{_BASED}[track]\ncount = {{ value = "n", source = "x" }}\n',
    "circle": 'title = "x"\nbase = "circle"\n',
    "baseless": 'title = "x"\nbase = "nowhere"\n',
    "bare": 'title = "x"\n',
    "own": _BASED,
}
"""A user's own profiles; the last is right."""

WRONG_FAMILIES = {
    "torn": "title = ",
    "bare": 'title = "x"\n',
    "unmatched": 'title = "x"\nmatch = "RIGOL*"\n',
    "screenless": 'title = "x"\nmatch = ["x"]\nscreen = 3\n',
    "filled": 'title = "x"\nmatch = ["x"]\nprobe = ":CHAN{n.real}:PROB?"\n',
}
"""Scope families, each of another user."""
