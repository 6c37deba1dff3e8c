"""The pollutions of a public benchmark of CSV reading, done to a table of our own, in that benchmark's layout.

The kinds are those its list names (Vitagliano et al., PVLDB 16(8), 2023, doi 10.14778/3594512.3594518); none of its
files is here.
"""

import csv
import io
import json
from collections.abc import Iterator
from pathlib import Path

ROWS, COLUMNS = 84, 9
HEADER = ["Date", "Time", "RPM", "HPFP duty", "MAP", "Label", "Remark", "Place", "Comments"]
Table = list[list[str]]


def table() -> Table:
    """84 rows of 9 columns: a date, a time, numbers, words, a sentence with commas and quotes, and an empty column."""
    rows = []
    for i in range(ROWS):
        said = f"Pull {i}, third gear, {'wet' if i % 3 else 'dry'} road, {i % 7} persons aboard"
        remark = said + (', 8" wheels' if i % 5 == 0 else "")
        rows.append(
            [f"{i % 28 + 1:02d}/07/2026", f"{i // 4 % 24:02d}:{i % 4 * 15:02d}", str(1000 + 61 * i % 5500),
             f"{20 + i * 7 % 75}.{i % 10}", str(40 + i * 11 % 200), f"AB-{1000 + 37 * i}", remark,
             f"road/{i % 9}/km_{i}.html", ""]
        )  # fmt: skip
    return rows


def pollutions(rows_touched: tuple[int, ...] = (0, 1, 40, 83)) -> Iterator[tuple[str, bytes, Table, Table]]:
    """(name, polluted content, clean header, clean rows); of pollutions of single rows only `rows_touched`."""
    rows = table()
    whole = [HEADER, *rows]
    yield "source", _text(whole), [HEADER], rows
    yield "file_no_trailing_newline", _text(whole).rstrip(b"\r\n"), [HEADER], rows
    yield "file_double_trailing_newline", _text(whole) + b"\r\n", [HEADER], rows
    yield "file_no_header", _text(rows), [], rows
    for lines in (2, 3):
        more = [[f"{name} {line}" for name in HEADER] for line in range(1, lines)]
        yield f"file_header_multirow_{lines}", _text([HEADER, *more, *rows]), [HEADER, *more], rows
    preamble = [["PREAMBLE", *[""] * 8], [""] * 9]
    yield "file_preamble", _text([*preamble, *whole]), [HEADER], rows
    for name, width in (("less", 6), ("same", 9), ("more", 12)):
        second = [
            [f"x{column}" for column in range(width)],
            *([str(7 * i + c) for c in range(width)] for i in range(8)),
        ]
        yield f"file_multitable_{name}", _text([*whole, [""], *second]), [HEADER], [*rows, *second]
    yield "file_header_only", _text([HEADER]), [HEADER], []
    yield "file_one_data_row", _text(whole[:2]), [HEADER], rows[:1]
    yield "file_no_payload", b"", [], []
    for delimiter in (" ", ", ", ";", "\t"):
        code = "_".join(f"0x{ord(sign):X}" for sign in delimiter)
        yield f"file_field_delimiter_{code}", _text(whole, delimiter=delimiter), [HEADER], rows
    yield "file_quotation_char_0x27", _text(whole, quote="'"), [HEADER], rows
    yield "file_escape_char_0x5C", _text(whole).replace(b'""', b'\\"'), [HEADER], rows
    yield "file_escape_char_0x00", _text(whole).replace(b'""', b'"'), [HEADER], rows
    for name, end in (("0xA", b"\n"), ("0xD", b"\r")):
        yield f"file_record_delimiter_{name}", _text(whole).replace(b"\r\n", end), [HEADER], rows
    for at in rows_touched:
        yield from _of_one_row(at, rows)


def _of_one_row(at: int, rows: Table) -> Iterator[tuple[str, bytes, Table, Table]]:
    whole = [HEADER, *rows]
    lines = [_text([row]) for row in whole]
    for column in range(COLUMNS):
        row = rows[at]
        if column:
            merged = [*row[: column - 1], row[column - 1] + row[column], *row[column + 1 :]]
            clean = [*rows[:at], merged, *rows[at + 1 :]]
            yield f"row_less_sep_row{at}_col{column}", _text([HEADER, *clean]), [HEADER], clean
        parted = [*row[:column], "", *row[column:]]
        clean = [*rows[:at], parted, *rows[at + 1 :]]
        yield f"row_more_sep_row{at}_col{column}", _text([HEADER, *clean]), [HEADER], clean
        cells = [_text([[cell]]).rstrip(b"\r\n") for cell in row]
        cells[column] = b'"' + cells[column]
        stray = b",".join(cells) + b"\r\n"
        yield f"row_extra_quote{at}_col{column}", b"".join([*lines[: at + 1], stray, *lines[at + 2 :]]), [HEADER], rows
    other = _text([rows[at]], delimiter=" ")
    yield f"row_field_delimiter_{at}_0x20", b"".join([*lines[: at + 1], other, *lines[at + 2 :]]), [HEADER], rows


def _text(rows: Table, *, delimiter: str = ",", quote: str = '"') -> bytes:
    whole = io.StringIO()
    csv.writer(whole, delimiter=delimiter[0], quotechar=quote).writerows(rows)
    text = whole.getvalue()
    if len(delimiter) > 1:  # a comma and a blank
        text = "\r\n".join(delimiter.join(_text([[cell]])[:-2].decode() for cell in row) for row in rows) + "\r\n"
    return text.encode()


def write(folder: Path) -> list[str]:
    """The benchmark's layout; gives the names."""
    for part in ("csv", "clean", "parameters"):
        (folder / part).mkdir(parents=True)
    names = []
    for stem, content, header, rows in pollutions():
        name = f"{stem}.csv"
        (folder / "csv" / name).write_bytes(content)
        with (folder / "clean" / name).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, quoting=csv.QUOTE_ALL, lineterminator="\n").writerows([*header, *rows])
        told = json.dumps({"header_lines": len(header)})
        (folder / "parameters" / f"{name}_parameters.json").write_text(told, encoding="utf-8")
        names.append(name)
    return names
