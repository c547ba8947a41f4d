"""The recorder: what it writes reads back, here and with scipy; what goes wrong leaves no file."""

import collections
import io
import os
import resource
from dataclasses import replace

import numpy as np
import pytest
from scipy.io import wavfile

from instruments.file import writer as writer_module
from instruments.file.description import Description, describe, understand
from instruments.file.source import FileSource
from instruments.file.wav import make_plain
from instruments.file.writer import CaptureWriter
from instruments.source import Block, Role, SourceInfo, SourceUnavailable
from tests.instruments.file.captures import read_all
from tests.instruments.test_kept import PROOF

ROLES = (Role.PLUS, Role.MINUS, Role.INDEX)
RATE_HZ = 1e6 / 3
INFO = SourceInfo(
    name="sim:",
    roles=ROLES,
    roles_from="given",
    sample_rate_hz=RATE_HZ,
    bandwidth_hz=120e3,
    low_corner_hz=7.0,
    virtual=True,
    full_scale_v=2.5,
)


def block(first=0, frames=1000, **flags):
    values = np.random.default_rng(first).normal(size=(frames, len(ROLES))).astype(np.float32)
    return Block(values, RATE_HZ, first, 0.0, **flags)


def test_a_recording_reads_back_with_all_that_was_known(tmp_path):
    path = tmp_path / "recording.wav"
    with CaptureWriter(path, INFO) as writer:
        writer.write(block(0, uncalibrated=True))
        writer.write(block(1000))
        assert not path.exists()
        assert writer.frames == 2000
    info, blocks = read_all(path)
    assert (info.roles, info.roles_from) == (ROLES, "file")
    assert info.sample_rate_hz == pytest.approx(RATE_HZ, rel=1e-11)
    assert (info.virtual, info.low_corner_hz, info.bandwidth_hz) == (True, 7.0, 120e3)
    assert info.full_scale_v == 2.5
    assert blocks[0].uncalibrated
    expected = np.concatenate([block(0).samples_v, block(1000).samples_v])
    assert np.array_equal(blocks[0].samples_v, expected)
    assert [entry.name for entry in tmp_path.iterdir()] == ["recording.wav"]


def test_what_was_checked_of_the_input_goes_with_its_recording(tmp_path):
    path = tmp_path / "recording.wav"
    roles = (Role.ENVELOPE, Role.INDEX)
    info = replace(INFO, roles=roles, full_scale_v=None, proof=PROOF)
    with CaptureWriter(path, info) as writer:
        writer.write(Block(block().samples_v[:, :2], RATE_HZ, 0, 0.0, uncalibrated=True))
    assert read_all(path)[0].proof == PROOF
    assert read_all(path, "envelope")[0].proof == PROOF
    # Another column than was checked is not what was checked.
    assert read_all(path, "-,envelope")[0].proof is None
    source = FileSource(str(path), full_scale_v=2.0)
    source.open()
    # Relative volts that are stated at last: the levels of the check are parts of them.
    assert source.info.full_scale_v == 2.0
    source.close()


@pytest.mark.parametrize(
    ("part", "other"),
    [("corner_hz%20%3D%207", "corner_hz%20%3D%20-7"), ("%5Bdetector", "%5B%5Bdetector")],
)
def test_a_check_that_is_damaged_in_a_recording_counts_for_nothing(part, other):
    words = describe(Description((Role.ENVELOPE,), uncalibrated=True, proof=PROOF))
    assert part in words
    told, notes = understand(words.replace(part, other), 1)
    assert told == Description(uncalibrated=True)
    assert notes == (
        "The recording's description of itself is damaged; only what is sure is used.",
    )


def test_a_recording_is_not_written_through_a_link_that_somebody_planted(tmp_path, monkeypatch):
    mine = tmp_path / "mine.txt"
    mine.write_text("mine")
    path = tmp_path / "recording.wav"
    for guess in (f"-{os.getpid()}", "", "-0123abcd"):
        path.with_name(f"recording{guess}.part").symlink_to(mine)
    with CaptureWriter(path, INFO) as writer:
        writer.write(block())
    assert read_all(path)[0].roles == ROLES
    monkeypatch.setattr("instruments.file.writer.secrets.token_hex", lambda _: "0123abcd")
    with pytest.raises(SourceUnavailable, match=r"File exists.*choose another place"):
        CaptureWriter(path, INFO, overwrite=True)
    assert mine.read_text() == "mine"
    assert len(list(tmp_path.glob("*.part"))) == 3


def test_scipy_reads_a_recording(tmp_path):
    path = tmp_path / "recording.wav"
    with CaptureWriter(path, INFO) as writer:
        writer.write(block())
    rate_hz, samples = wavfile.read(path)
    assert rate_hz == 333_333
    assert np.array_equal(samples, block().samples_v)


def test_a_recording_is_virtual_whatever_roles_are_asked_for(tmp_path):
    path = tmp_path / "recording.wav"
    with CaptureWriter(path, INFO) as writer:
        writer.write(block())
    info, _ = read_all(path, "differential")
    assert (info.roles, info.roles_from, info.virtual) == ((Role.DIFFERENTIAL,), "given", True)


def test_lost_frames_are_written_as_no_numbers(tmp_path):
    path = tmp_path / "recording.wav"
    with CaptureWriter(path, INFO) as writer:
        writer.write(block(0))
        writer.write(block(1500, gap_before=True))
        writer.write(block(2500, gap_before=True))  # a break in time, its length not known
        writer.write(block(100_000_000, gap_before=True))  # minutes: one second stands for them
    samples = read_all(path)[1]
    samples = np.concatenate([part.samples_v for part in samples])
    assert np.isnan(samples[1000:1500]).all()
    assert np.array_equal(samples[1500:2500], block(1500).samples_v)
    assert np.isnan(samples[2500]).all()
    assert np.array_equal(samples[2501:3501], block(2500).samples_v)
    hole = round(RATE_HZ)
    assert np.isnan(samples[3501 : 3501 + hole]).all()
    assert np.array_equal(samples[3501 + hole :], block(100_000_000).samples_v)


def test_a_plain_header_only_where_it_holds_the_size():
    # EBU Tech 3306: a file beyond 4 GiB stays RF64.
    stream = io.BytesIO(b"RF64" + bytes(100))
    assert not make_plain(stream, 80, 2**32)
    assert stream.getvalue() == b"RF64" + bytes(100)
    assert make_plain(stream, 80, 104)
    assert stream.getvalue()[:16] == b"RIFF\x60\0\0\0\0\0\0\0JUNK"
    assert stream.getvalue()[76:80] == (24).to_bytes(4, "little")


def refused(call, *arguments, **options):
    with pytest.raises(SourceUnavailable) as caught:
        call(*arguments, **options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_names_that_cannot_be_written(tmp_path):
    path = tmp_path / "there.wav"
    path.write_bytes(b"precious")
    assert "is there already; name another file" in refused(CaptureWriter, path, INFO)
    assert "must end in .wav" in refused(CaptureWriter, tmp_path / "x.csv", INFO)
    assert "its folder is not there" in refused(CaptureWriter, tmp_path / "no" / "x.wav", INFO)
    folder = tmp_path / "folder.wav"
    folder.mkdir()
    assert "is there already" in refused(CaptureWriter, folder, INFO, overwrite=True)
    assert path.read_bytes() == b"precious"


@pytest.mark.parametrize("sign", ["x", "µ", "縦"])
def test_a_name_is_as_long_as_the_file_system_takes_it(tmp_path, sign):
    """Bytes of a name: {NAME_MAX} of POSIX.1-2024, limits.h."""
    most = os.pathconf(tmp_path, "PC_NAME_MAX") - len(".wav")
    path = tmp_path / (sign * (most // len(sign.encode())) + ".wav")
    with CaptureWriter(path, INFO) as writer:
        writer.write(block())
    assert wavfile.read(path)[1].shape == (1000, 3)
    assert list(tmp_path.iterdir()) == [path]
    told = refused(CaptureWriter, path.with_name(sign + path.name), INFO)
    assert told.endswith("cannot be written (File name too long); choose another place")


def test_replacing_a_file_when_told(tmp_path):
    path = tmp_path / "there.wav"
    path.write_bytes(b"old")
    with CaptureWriter(path, INFO, overwrite=True) as writer:
        writer.write(block())
        assert path.read_bytes() == b"old"
    assert wavfile.read(path)[1].shape == (1000, 3)


def test_a_file_that_appears_meanwhile_is_not_replaced(tmp_path):
    path = tmp_path / "there.wav"
    writer = CaptureWriter(path, INFO)
    writer.write(block())
    path.write_bytes(b"precious")
    assert "is there already" in refused(writer.close)
    assert path.read_bytes() == b"precious"
    assert list(tmp_path.iterdir()) == [path]


def test_nothing_is_left_when_an_exception_passes_through(tmp_path):
    with pytest.raises(KeyError), CaptureWriter(tmp_path / "x.wav", INFO) as writer:  # noqa: PT012
        writer.write(block())
        raise KeyError
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_when_nothing_came(tmp_path):
    writer = CaptureWriter(tmp_path / "x.wav", INFO)
    assert "no samples came" in refused(writer.close)
    writer.close()
    writer.abandon()
    assert "is closed; begin another" in refused(writer.write, block())
    assert list(tmp_path.iterdir()) == []


def _limit_file_size(limit):
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))


@pytest.mark.parametrize(
    ("free", "words"), [(0, "the disk is full; make room"), (1 << 40, "cannot be written (System")]
)
def test_a_file_that_may_not_grow(tmp_path, monkeypatch, free, words):
    usage = collections.namedtuple("usage", "total used free")(1, 1, free)
    monkeypatch.setattr(writer_module.shutil, "disk_usage", lambda _path: usage)
    writer = CaptureWriter(tmp_path / "x.wav", INFO)
    soft, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
    _limit_file_size(20_000)
    try:
        message = refused(lambda: [writer.write(block(1000 * n)) for n in range(5)])
    finally:
        _limit_file_size(soft)
    assert words in message
    assert list(tmp_path.iterdir()) == []


def test_pairs_of_extremes_are_not_recorded_as_samples(tmp_path):
    writer = CaptureWriter(tmp_path / "x.wav", INFO)
    assert "pairs of extremes are no samples" in refused(writer.write, block(min_max=True))
    assert list(tmp_path.iterdir()) == []


# What a recording says of itself


def test_the_description_in_words():
    told = Description(roles=(Role.ENVELOPE,), virtual=True, low_corner_hz=7.0)
    assert describe(told) == "evenlobe roles=envelope virtual=1 low_corner_hz=7"
    assert understand(describe(told), 1) == (told, ())


@pytest.mark.parametrize("comment", ["", "recorded in the workshop", "an evenlobe roles=plus"])
def test_comments_of_others_say_nothing(comment):
    assert understand(comment, 2) == (Description(), ())


def test_words_of_a_later_version_are_passed_over():
    told, notes = understand("evenlobe roles=envelope colour=3 odd", 1)
    assert told == Description(roles=(Role.ENVELOPE,))
    assert notes == ()


@pytest.mark.parametrize(
    "comment",
    [
        "evenlobe virtual=1",
        "evenlobe virtual=1 roles=plus,minus,index",
        "evenlobe virtual=1 roles=plus",
        "evenlobe virtual=1 roles=wheel",
        "evenlobe virtual=1 roles=envelope rate_hz=fast",
        "evenlobe virtual=1 roles=envelope low_corner_hz=-7",
        "evenlobe virtual=1 roles=envelope full_scale_v=0",
        "evenlobe virtual=1 roles=envelope bandwidth_hz=nan",
    ],
)
def test_a_damaged_description_still_tells_a_virtual_drive(comment):
    told, notes = understand(comment, 2)
    assert told == Description(virtual=True)
    assert "damaged" in notes[0]
