"""Rows are counted apart from the parser, and no row is lost silently."""

import csv
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.read_log import read_log
from ingest.read_text import TextSource, open_text
from ingest.table import Table

HEADER = "Time [s],Engine speed [rpm],HPFP duty [%],MAP [kPa],Note"


def row(i: int) -> str:
    return f"{i / 10},{1000 + 50 * i},{20 + i / 2},{60 + 2 * i},"


def log(*lines: str) -> bytes:
    return ("\n".join((HEADER, *lines)) + "\n").encode()


def table(content: bytes) -> Table:
    source = open_text(content)
    assert isinstance(source, TextSource)
    return source.table(frozenset(range(4)))


ROWS = [row(i) for i in range(40)]
JUNK = {
    "row_ragged": [row(3) + ",7", "1.2,3000", "1.2,3000,45,100,x,y,z"],
    "": ["", "   ", "# a comment", HEADER, "Lap two begins here"],
}


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(1, 39), st.sampled_from([(code, line) for code, lines in JUNK.items() for line in lines])
        ),
        max_size=4,
    )
)
def test_rows_in_are_rows_kept_and_dropped(inserted: list[tuple[int, tuple[str, str]]]) -> None:
    lines = list(ROWS)
    for place, (_, line) in sorted(inserted, reverse=True):
        lines.insert(place, line)
    ragged = sum(code == "row_ragged" for _, (code, _) in inserted)
    found = table(log(*lines))
    assert found.rows_in == 40 + ragged
    assert len(found.row) == 40
    assert dict(found.dropped) == ({"row_ragged": ragged} if ragged else {})
    assert found.numbers[1].tolist() == [1000 + 50 * i for i in range(40)]


def test_one_too_many_and_one_too_few_do_not_cancel_out() -> None:
    lines = [*ROWS[:10], "1.0,1500,25,80", "1.1,1550,25,82,,", *ROWS[12:]]
    found = table(log(*lines))
    assert (found.rows_in, len(found.row), found.dropped) == (40, 38, {"row_ragged": 2})
    assert found.row.tolist() == [*range(1, 11), *range(13, 41)]
    assert found.findings[0].row == 11


def test_a_row_of_blanks_is_a_row_and_loses_its_clock() -> None:
    reading = read_log("2026-07-31.csv", log(*ROWS[:20], ",,,,", *ROWS[20:]))
    assert (reading.rows_in, reading.frame.height) == (41, 40)
    assert reading.dropped == {"row_without_clock": 1}


def test_a_row_without_duty_is_counted() -> None:
    reading = read_log("2026-07-31.csv", log(*ROWS[:20], "1.95,1999,,99,", *ROWS[20:]))
    assert reading.dropped == {"row_without_duty": 1}
    assert 21 not in reading.frame["row"]


def test_a_log_that_looks_like_an_earlier_one_is_still_looked_at() -> None:
    """A remembered dialect that does not hold gives way: here a header is met first with points, then with commas."""
    header = "Zeit [s];Motordrehzahl [1/min];HDP Tastverhältnis [%];Saugrohrdruck [kPa]\n"
    cells = [(i / 10, 1000.5 + 50 * i, 20 + i / 2, 60.5 + 2 * i) for i in range(40)]
    points = header + "\n".join(";".join(map(str, c)) for c in cells) + "\n"
    grouped = header + "\n".join(
        ";".join(f"{x:,.2f}".replace(",", "T").replace(".", ",").replace("T", ".") for x in c) for c in cells
    )
    first, second, third = (
        read_log("2026-07-31.csv", text.encode()) for text in (points, points.replace(".", ","), grouped + "\n")
    )
    assert first.refused == ""
    assert first.frame.equals(second.frame)
    assert first.frame.equals(third.frame)


def test_a_known_header_above_another_kind_of_clock() -> None:
    header = "Time,RPM,HPFP duty [%],MAP [kPa]\n"
    rest = [f"{1000 + 50 * i},{20 + i / 2},{60 + 2 * i}\n" for i in range(40)]
    of_day = header + "".join(f"12:00:{i / 10:06.3f},{r}" for i, r in enumerate(rest))
    numbers = header + "".join(f"{i * 100},{r}" for i, r in enumerate(rest))
    frames = [read_log("2026-07-31.csv", text.encode()).frame for text in (of_day, numbers, of_day, numbers)]
    assert all(frame.height == 40 for frame in frames)
    assert all((frame["time_s"] - frames[0]["time_s"]).abs().max() < 1e-9 for frame in frames)  # type: ignore[operator]


def test_a_known_header_further_down_is_found_again() -> None:
    first = read_log("2026-07-31.csv", log(*ROWS))
    second = read_log("2026-07-31.csv", b"Track day\nThird gear\n\n" + log(*ROWS))
    assert first.frame.equals(second.frame)


@pytest.mark.parametrize("size", [900, 5000])
def test_what_comes_after_the_first_64_kib_counts_too(size: int) -> None:
    lines = [f"{i / 10},{1000 + i % 5000},{20 + i % 60},{60 + i % 150}," for i in range(size)]
    lines.insert(size - 10, "1,2")
    found = table(log(*lines))
    assert (found.rows_in, len(found.row)) == (size + 1, size)


QUOTED = [
    ("aaa", "b\r\nbb", "ccc"),  # RFC 4180, 2.6: line breaks within quotes
    ("aaa", "b,bb", "ccc"),  # 2.6: delimiters within quotes
    ("aaa", 'b"bb', "ccc"),  # 2.7: a quote is written twice
    ("aaa", " b bb ", "ccc"),  # 2.4: spaces are part of a field
]


@pytest.mark.parametrize("notes", QUOTED)
@pytest.mark.parametrize("line_end", ["\r\n", "\n"])
def test_quotes_of_rfc_4180(notes: tuple[str, str, str], line_end: str) -> None:
    whole = io.StringIO()
    writer = csv.writer(whole, lineterminator=line_end)
    writer.writerow(HEADER.split(","))
    writer.writerows([*r.split(",")[:4], notes[i % 3]] for i, r in enumerate(ROWS))
    found = table(whole.getvalue().encode())
    assert (found.rows_in, len(found.row), found.dropped) == (40, 40, {})
    assert np.array_equal(found.numbers[3], [60 + 2 * i for i in range(40)])


def test_the_last_line_break_is_optional() -> None:
    """RFC 4180, 2.2."""
    assert table(log(*ROWS)).rows_in == table(log(*ROWS)[:-1]).rows_in == 40


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
def test_no_content_raises(content: bytes) -> None:
    reading = read_log("x.csv", content)
    assert reading.refused
    assert reading.refused != "reader_failed", reading.findings


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet='0123456789.,;:-"\n\t |aTime[s]°%#', max_size=300), st.booleans())
def test_no_text_raises(text: str, headed: bool) -> None:
    content = (HEADER + "\n" + "\n".join(ROWS[:6]) + "\n" if headed else "") + text
    reading = read_log("x.csv", content.encode())
    assert reading.refused != "reader_failed", reading.findings
    assert reading.rows_in == reading.frame.height + sum(reading.dropped.values())


def test_units_that_stand_elsewhere_than_in_a_known_header_are_each_logs_own() -> None:
    names = "Time,RPM,HPFP duty,MAP\n"
    kpa = [(i / 10, 1000 + 50 * i, 20 + i / 2, 60 + 2 * i) for i in range(40)]
    psi = [(t, rpm, duty, p / 6.894757) for t, rpm, duty, p in kpa]
    above = [f"s,rpm,%,{unit}\n{names}" for unit in ("kPa", "psi")]
    below = [f"{names}s,rpm,%,{unit}\n" for unit in ("kPa", "psi")]
    for headers in (above, below, [above[0], below[1]], [below[1], above[0]]):
        frames = []
        for header, rows in zip(headers, (psi, kpa) if "psi" in headers[0] else (kpa, psi), strict=True):
            text = header + "".join(",".join(f"{x:.4f}" for x in row) + "\n" for row in rows)
            frames.append(read_log("2026-07-31.csv", text.encode()).frame)
        assert frames[0].height == frames[1].height == 40
        assert (frames[0]["manifold_pressure_kpa"] - frames[1]["manifold_pressure_kpa"]).abs().max() < 0.01  # type: ignore[operator]
    cells = [
        names + "".join(f"{t} s,{rpm} rpm,{duty} %,{p:.4f} {unit}\n" for t, rpm, duty, p in rows)
        for unit, rows in (("kPa", kpa), ("psi", psi))
    ]
    one, other = (read_log("2026-07-31.csv", text.encode()).frame["manifold_pressure_kpa"] for text in cells)
    assert (one - other).abs().max() < 0.01  # type: ignore[operator]
