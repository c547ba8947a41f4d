"""Definite blocks of IEEE 488.2-1992, clause 8.7.9, and the quirks that are let pass."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.scope.links import MOST_JUNK, BlockError, Header, find_header, parse_block


@pytest.mark.parametrize(
    ("message", "data"),
    [
        # IEEE 488.2, 8.7.9: #, digits, length, data.
        (b"#11a", b"a"),
        (b"#211X1234567890", b"X1234567890"),
        (b"#204ABCD", b"ABCD"),
        (b"#10", b""),
        (b"#9000000003abc", b"abc"),
        # Response message terminators, 8.5: newline; some send two, or none.
        (b"#13abc\n", b"abc"),
        (b"#13abc\n\n", b"abc"),
        (b"#13abc\r\n", b"abc"),
        # Data are any bytes: newlines and # at either end are samples.
        (b"#13\n#\n\n", b"\n#\n"),
        # Text before it: the header of an answer, or a newline left over.
        (b"C1:WF ALL,#12xy\n", b"xy"),
        (b"\n#12xy", b"xy"),
        (b"DAT2,#9000000001z\n\n", b"z"),
    ],
)
def test_blocks_that_are_read(message, data):
    assert parse_block(message) == data


@pytest.mark.parametrize(
    ("message", "words"),
    [
        (b"#210ABCD", "cut short: 4 of 10 bytes"),
        (b"#9000", "ends within its header"),
        (b"", "ends within its header"),
        (b"#", "ends within its header"),
        (b"abc", "ends within its header"),
        (b"x" * (MOST_JUNK + 1) + b"#11a", f"no # within {MOST_JUNK} bytes"),
        (b"#0abc\n", "indefinite"),
        (b"#xabc", "where # and a digit should stand"),
        (b"#2-1abc", "its length reads b'-1'"),
        (b"#2 1abc", "its length reads b' 1'"),
        (b"#13abcd", "1 bytes follow"),
        (b"#13abc\n0", "2 bytes follow"),
    ],
)
def test_blocks_that_are_refused(message, words):
    with pytest.raises(BlockError, match=words.replace("(", r"\(")):
        parse_block(message)


def test_a_length_that_counts_words_is_believed_only_where_the_data_are_there():
    assert parse_block(b"#14abcdefgh\n", expected=8) == b"abcdefgh"
    with pytest.raises(BlockError, match="cut short: 4 of 8"):
        parse_block(b"#14abcd", expected=8)
    with pytest.raises(BlockError, match="4 bytes of data and not 6"):
        parse_block(b"#14abcd\n", expected=6)
    with pytest.raises(BlockError, match="8 bytes of data and not 4"):
        parse_block(b"#18abcdefgh\n", expected=4)


def encode(data, digits):
    return b"#%d%0*d" % (digits, digits, len(data)) + data


@given(
    st.binary(max_size=300),
    st.integers(3, 9),
    st.text(st.characters(max_codepoint=127, exclude_characters="#"), max_size=MOST_JUNK),
    st.sampled_from([b"", b"\n", b"\n\n", b"\r\n"]),
)
def test_every_block_is_read_back_whatever_stands_around_it(data, digits, junk, end):
    message = junk.encode() + encode(data, digits) + end
    assert parse_block(message) == data
    assert parse_block(bytearray(message), expected=len(data)) == data


@given(st.binary(min_size=1, max_size=300), st.integers(3, 9), st.data())
def test_no_block_that_was_cut_is_read(data, digits, draw):
    message = encode(data, digits)
    cut = draw.draw(st.integers(0, len(message) - 1))
    with pytest.raises(BlockError):
        parse_block(message[:cut])


@given(st.binary(max_size=200))
def test_any_bytes_give_a_block_or_a_block_error(message):
    try:
        data = parse_block(message)
    except BlockError:
        return
    assert data in message


@given(st.binary(max_size=100))
def test_a_header_found_early_is_the_header_found_late(message):
    """A stream may be looked at after every byte."""
    found = None
    for end in range(len(message) + 1):
        try:
            found = find_header(message[:end])
        except BlockError:
            with pytest.raises(BlockError):
                find_header(message)
            return
        if found is not None:
            break
    assert find_header(message) == found


def test_header_tells_where_the_data_are():
    assert find_header(b"ab#3012") == Header(7, 12)
    assert find_header(b"ab#301") is None
