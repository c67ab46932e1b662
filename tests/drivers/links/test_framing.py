"""How a stream of bytes becomes messages."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.contract import Frame, Reply
from orchestrator.errors import ProtocolFault
from orchestrator.running.framing import FrameReader

FRAMES = (
    Frame(ends=(b"\n",)),
    Frame(ends=(b"\r\n",)),
    Frame(ends=(b"\n", b"\r\n")),
    Frame(ends=(b"\r", b"\r\n")),
    Frame(ends=(b"\n", b"\nK\n")),
    Frame(ends=(b"\n", b"\r\nK")),
    Frame(ends=(b"\r\n",), prompt=b"> "),
    Frame(ends=(b"\n",), prompt=b"\n>"),
    Frame(ends=(), prompt=b">"),
    Frame(ends=(), length=3),
    Frame(ends=(b"\r\n", b"\r"), length=2),
    Frame(ends=(b"\n",), length=0),
    Frame(ends=(b"\n",), length=4, prompt=b">"),
    Frame(ends=(b"\n",), limit=5),
)
STREAMS = st.lists(
    st.sampled_from([b"\r", b"\n", b"\r\n", b">", b" ", b"> ", b"K", b"a", b"7", b"\x00"])
).map(b"".join)


def all_messages(frame: Frame, chunks: list[bytes]) -> tuple[list[Reply], bytes, bool]:
    """Messages, what was left, and whether it ended in a fault; taken after every chunk."""
    reader, replies = FrameReader(), []
    for chunk in chunks:
        reader.feed(chunk)
        try:
            while (reply := reader.take(frame)) is not None:
                replies.append(reply)
        except ProtocolFault:
            return replies, b"", True
    return replies, reader.pending, False


@pytest.mark.parametrize("frame", FRAMES)
@given(data=st.data(), stream=STREAMS)
def test_messages_don_t_depend_on_how_the_stream_was_cut(
    data: st.DataObject, stream: bytes, frame: Frame
) -> None:
    """Any cut of any stream gives the same messages, the same rest and the same fault."""
    cuts = sorted(data.draw(st.sets(st.integers(0, len(stream)))) | {0, len(stream)})
    chunks = [stream[a:b] for a, b in itertools.pairwise(cuts)]
    whole = all_messages(frame, [stream])
    assert all_messages(frame, chunks) == whole
    assert all_messages(frame, [bytes([number]) for number in stream]) == whole


def test_a_terminator_that_a_longer_one_may_continue_waits_for_the_next_byte() -> None:
    """The price of messages that don't depend on slices; stated at FrameReader."""
    reader, frame = FrameReader(), Frame(ends=(b"\r", b"\r\n"))
    reader.feed(b"A\r")
    assert reader.take(frame) is None
    reader.feed(b"\nB\rC")
    assert reader.take(frame) == Reply(b"A", b"\r\n")
    assert reader.take(frame) == Reply(b"B", b"\r")
    assert reader.pending == b"C"


@given(stream=STREAMS, frame=st.sampled_from(FRAMES))
def test_no_byte_is_lost_or_invented(stream: bytes, frame: Frame) -> None:
    """Messages with their ends, and what is left, put together are the stream again."""
    reader = FrameReader()
    reader.feed(stream)
    taken, faulty = b"", None
    try:
        while (reply := reader.take(frame)) is not None:
            taken += reply.data + reply.end
    except ProtocolFault as fault:
        faulty = fault.raw
    assert faulty in {None, reader.pending}
    assert taken + reader.drain() == stream
    assert reader.pending == b""


@given(st.lists(st.text(alphabet="ab,.>", max_size=8), max_size=6))
def test_lines_are_what_splitting_the_whole_would_give(lines: list[str]) -> None:
    """Checked against Python's own splitting of text."""
    stream = "".join(line + "\r\n" for line in lines).encode()
    replies, rest, fault = all_messages(Frame(ends=(b"\r\n",)), [bytes([b]) for b in stream])
    assert [reply.data.decode() for reply in replies] == stream.decode().splitlines()
    assert (rest, fault) == (b"", False)


def taken(frame: Frame, *chunks: bytes) -> list[Reply]:
    return all_messages(frame, list(chunks))[0]


def test_a_terminator_split_over_two_slices_ends_the_message() -> None:
    """Its first half isn't taken for a part of the message."""
    reader, frame = FrameReader(), Frame(ends=(b"\r\n",))
    reader.feed(b"OK\r")
    assert reader.take(frame) is None
    assert reader.pending == b"OK\r"
    reader.feed(b"\n")
    assert reader.take(frame) == Reply(b"OK", b"\r\n")


def test_the_earliest_terminator_ends_the_message_and_the_longest_at_one_place() -> None:
    """The order in which the frame lists them doesn't matter."""
    for ends in ((b"\n", b"\r\n", b"\r"), (b"\r", b"\r\n", b"\n")):
        replies = taken(Frame(ends=ends), b"a\r\nb\nc\rd\n")
        assert replies == [
            Reply(b"a", b"\r\n"),
            Reply(b"b", b"\n"),
            Reply(b"c", b"\r"),
            Reply(b"d", b"\n"),
        ]


def test_a_prompt_counts_only_where_a_message_would_begin() -> None:
    """Inside a line the same character is a part of the line."""
    replies = taken(Frame(ends=(b"\n",), prompt=b">"), b">a>b\n>>c\n")
    assert replies == [
        Reply(b"", b">"),
        Reply(b"a>b", b"\n"),
        Reply(b"", b">"),
        Reply(b"", b">"),
        Reply(b"c", b"\n"),
    ]


@given(st.binary(min_size=6, max_size=6), st.binary(min_size=6, max_size=6))
def test_a_raw_checksum_may_hold_the_terminator(one: bytes, two: bytes) -> None:
    """With a length no byte of the message is taken for its end, whatever its value."""
    frame = Frame(ends=(b"\n",), length=6)
    stream = one + b"\n" + two + b"\n"
    expected = [Reply(one, b"\n"), Reply(two, b"\n")]
    assert taken(frame, stream) == expected
    assert taken(frame, *(bytes([b]) for b in stream)) == expected
    assert taken(Frame(ends=(), length=6), one + two) == [Reply(one, b""), Reply(two, b"")]


def test_a_length_without_its_terminator_is_a_fault_that_shows_the_bytes() -> None:
    """A telegram longer than the profile says isn't cut to fit."""
    reader = FrameReader()
    reader.feed(b"ABCDX\n")
    with pytest.raises(ProtocolFault, match="after 4 bytes") as caught:
        reader.take(Frame(ends=(b"\n",), length=4))
    assert caught.value.raw == b"ABCDX\n"
    assert reader.drain() == b"ABCDX\n"


@pytest.mark.parametrize("stream", [b"abcdef", b"abcdef\n"])
def test_a_message_over_the_limit_is_a_fault(stream: bytes) -> None:
    """With and without its end; the bytes can still be drained."""
    reader = FrameReader()
    reader.feed(stream)
    with pytest.raises(ProtocolFault, match="at most 5") as caught:
        reader.take(Frame(ends=(b"\n",), limit=5))
    assert caught.value.raw == reader.drain() == stream


def test_a_message_as_long_as_the_limit_is_taken() -> None:
    """The terminator doesn't count."""
    assert taken(Frame(ends=(b"\r\n",), limit=5), b"abcde\r", b"\n") == [Reply(b"abcde", b"\r\n")]


@pytest.mark.parametrize(
    "frame",
    [
        Frame(ends=()),
        Frame(ends=(b"\n", b"")),
        Frame(prompt=b""),
        Frame(length=-1),
    ],
)
def test_a_frame_that_can_t_end_a_message_is_refused(frame: Frame) -> None:
    """A mistake in a profile shows at the first use, not as a time-out."""
    with pytest.raises(ValueError, match="frame"):
        FrameReader().take(frame)
