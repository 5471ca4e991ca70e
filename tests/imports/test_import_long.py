"""Long files are read by columns: what they tell, and what is refused, is the same as row by row."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import ImportRefused
from logger.imports import Profile, encoding, plain
from logger.imports.cells import ArrowCells, fixed_halves, text_bytes
from logger.imports.dates import _split
from logger.imports.encoding import decoded
from logger.imports.profile import Column
from logger.imports.reading import read_content
from logger.imports.table import TextTable
from logger.model import Setup

from .test_import_campaign import KINDS, TEMPERATURE, damaged, written

Told = tuple[object, ...]
COLUMNS = (Column("T", "P1.temperature", "degC"), Column("RH", "P1.relative_humidity", "%RH"))
TWO = Profile("long", ("day", "time"), COLUMNS, zone="+01:00")
HEAD = "Logger 7\nday;time;T;RH\n;;°C;%\n"


def rows(count: int = 60, end: str = "\n") -> str:
    """Rows ten minutes apart, day and time of day in cells of their own."""
    return "".join(
        f"{13 + n // 144}.10.2026;{n // 6 % 24:02d}:{n % 6 * 10:02d};{20 + n % 7 / 100:.2f};45.{n % 10}{end}"
        for n in range(count)
    )


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch, setup: Setup) -> Callable[[bytes, Profile], tuple[Told, bool]]:
    """What a file tells, the same both ways; and whether it was read by columns."""
    taken_ns: list[TextTable | None] = []
    by_columns = plain.plain_table

    def spied(name: str, text: str, delimiter: str, profile: Profile) -> TextTable | None:
        taken_ns.append(by_columns(name, text, delimiter, profile))
        return taken_ns[-1]

    monkeypatch.setattr("logger.imports.reading.plain_table", spied)

    def outcome_of(content: bytes, profile: Profile, longest: int) -> Told:
        monkeypatch.setattr(plain, "LONG", longest)
        try:
            reading = read_content("f.csv", content, profile, setup)
        except ImportRefused as refused:
            return (str(refused),)
        series = [
            (s.channel.key, s.taken_ns.tolist(), np.nan_to_num(s.value, nan=-999.0).tolist(), s.raw.tolist())
            for s in reading.series
        ]
        return reading.rows, reading.assumed, series, [s.line.tolist() for s in reading.series]

    def compared(content: bytes, profile: Profile) -> tuple[Told, bool]:
        slow, fast = outcome_of(content, profile, 1 << 40), outcome_of(content, profile, 0)
        assert fast == slow
        assert taken_ns[-2] is None
        return fast, taken_ns[-1] is not None

    return compared


@pytest.mark.parametrize(
    ("text", "by_columns"),
    [
        (HEAD + rows(), True),
        (HEAD.replace("\n", "\r\n") + rows(end="\r\n"), True),
        (HEAD + rows(end=";\n"), True),  # a delimiter behind the last column as well
        (HEAD + rows().replace(";20.03;", ";--- ;"), True),  # a fault word
        (HEAD + rows().replace(";20.03;", ";;"), True),  # no reading was taken
        (HEAD + rows().replace("45.7", "45.7 %"), True),
        (HEAD + rows(end=";x\n"), False),  # a cell without a heading
        (HEAD + rows(30) + "\n" + rows(), False),  # an empty line counts as a line
        (HEAD + rows() + "End of file\n", False),
        (HEAD + rows() + HEAD + rows(), False),
        (HEAD + rows() + "# calibrated\n" + rows(), False),
        (HEAD + rows(200).replace("14.", " # 14.", 1), False),
        (HEAD + rows() + rows(3).rstrip("\n"), False),  # the last line may be torn
        (HEAD + rows() + "14.10.2026;12:00;20.1\n", False),
        (HEAD + rows() + ";;20.1;45\n", False),
        (HEAD + rows().replace("45.3", '"45.3"'), False),
        (HEAD + rows().replace("\n", "\r", 3), False),
    ],
)
def test_same_as_row_by_row(both: Callable[..., tuple[Told, bool]], text: str, by_columns: bool) -> None:
    assert both(text.encode(), TWO)[1] is by_columns


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["ISO", "comma"])
def test_damaged_files_are_told_the_same(both: Callable[..., tuple[Told, bool]], kind: str) -> None:
    dice = random.Random(3)
    profile = Profile("made", ("time",), TEMPERATURE, **KINDS[kind].declared)
    whole = written(KINDS[kind])
    result = [both(damaged(whole, dice), profile)[1] for _ in range(400)]
    assert 50 < sum(result) < 350  # both ways were gone


def test_other_alphabets(both: Callable[..., tuple[Told, bool]]) -> None:
    text = HEAD.replace("Logger", "Регистратор") + rows().replace(";20.03;", ";−20.03;")
    output, by_columns = both(text.encode(), TWO)
    assert by_columns
    assert -20.03 in output[2][0][2]  # type: ignore[index]


@settings(max_examples=200)
@given(
    st.lists(
        st.one_of(
            st.builds(
                "{:02}{}{:02}{}{}{}{:02}:{:02}{}".format,
                st.integers(0, 99),
                st.sampled_from("./-"),
                st.integers(1, 12),
                st.sampled_from("./-"),
                st.sampled_from(["26", "2026"]),
                st.sampled_from(" T"),
                st.integers(0, 23),
                st.integers(0, 59),
                st.sampled_from(["", ":07", ":07.25", ":07,5", "Z", "+01:00", ":00-05:00"]),
            ),
            st.text("0123456789.:/- TZ+", max_size=24),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_stamps_are_taken_apart_alike_by_columns_and_one_by_one(texts: list[str]) -> None:
    """Days, times of day, and the line that an error would name: the same whichever way."""
    column = ArrowCells(pa.chunked_array([texts[:3], texts[3:]], pa.string()))
    lines = range(5, 5 + len(texts))
    fast = column.halves()
    if fast is None:
        return
    for ours, theirs in zip(fast, _split(texts), strict=True):
        assert list(ours) == list(theirs)
        assert list(ours.first_lines(lines).items()) == list(theirs.first_lines(lines).items())
        assert ours.first_lines(lines) == dict(zip(reversed(list(theirs)), reversed(lines), strict=True))


@settings(max_examples=200)
@given(
    st.sampled_from([" ", "T"]),
    st.lists(
        st.builds(
            "{:02}.{:02}.2026{}{:02}:{:02}:{:02}".format,
            st.integers(0, 99),
            st.integers(0, 13),
            st.sampled_from("  T./"),
            st.integers(0, 29),
            st.integers(0, 69),
            st.integers(0, 9),
        ),
        min_size=1,
        max_size=12,
    ),
    st.integers(0, 12),
)
def test_stamps_of_one_length_are_taken_apart_as_free_ones(sign: str, texts: list[str], cut: int) -> None:
    """Equal texts of day and of time, row by row; other lines are left to the way for free stamps."""
    texts = [*texts, f"31.12.2026{sign}23:59:59"]
    chunks = [part for part in (texts[:cut], texts[cut:]) if part]
    fast = fixed_halves([text_bytes(pa.array(part, pa.string())) for part in chunks])
    free = ArrowCells(pa.chunked_array(chunks, pa.string()))._free_halves()
    if fast is not None:
        assert free is not None
        assert [list(half) for half in fast] == [list(half) for half in free]
    else:
        assert len({text[10] for text in texts}) > 1 or free is None


def test_stamps_that_begin_late_in_a_shared_buffer_are_taken_apart() -> None:
    """A slice of a column shares the bytes of what lies before it."""
    texts = pa.array(["x", "1.1.2026 00:00", "02.01.2026 07:05", "02.01.2026 07:06"], pa.string())[2:]
    halves = fixed_halves([text_bytes(texts)])
    assert halves is not None
    assert [list(half) for half in halves] == [["02.01.2026"] * 2, ["07:05", "07:06"]]


def test_stamps_without_one_length_or_without_bytes_are_left_to_the_free_way() -> None:
    for texts in (["", ""], ["1.1.2026 10:00", "10.1.2026 9:00:0"], ["02.01.2026 07:05", "02.01.2026 7:05"]):
        assert fixed_halves([text_bytes(pa.array(texts, pa.string()))]) is None
    assert fixed_halves([]) is None


@settings(max_examples=200)
@given(st.text("a°\u2212\r\n", max_size=40), st.integers(4, 12))
def test_ends_of_lines_are_counted_across_blocks(text: str, size: int) -> None:
    """As in the text as a whole, wherever a block ends."""
    source = plain._Encoded(text + "\n", 0)
    blocks = []
    while block := source.read(size):
        blocks.append(block)
    assert b"".join(blocks).decode() == text + "\n"
    assert source.lines == text.count("\n") + 1
    assert source.lone_returns is ((text + "\n").count("\r") != (text + "\n").count("\r\n"))


def test_long_western_text_is_decoded_as_short_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every byte that the set of Windows knows, and the five it does not know, wherever they stand."""
    monkeypatch.setattr(encoding, "_BLOCK", 16)
    for byte in range(256):
        content = b"a" * 40 + bytes([byte]) + b"\xb0" * 40
        try:
            expected = content.decode("cp1252")
        except UnicodeDecodeError:
            with pytest.raises(ImportRefused, match="cannot be read as cp1252"):
                decoded(content, "cp1252")
        else:
            assert decoded(content, "cp1252").text == expected.replace("\0", " ")
