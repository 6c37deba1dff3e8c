"""Good logs, damaged at random: bytes, lines and cells. And what must hold of a reading whatever was damaged."""

import random
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from ingest.read_log import read_logs
from ingest.reading import Reading

HERE = Path(__file__).parent
JUNK = (
    "", " ", "-", "n/a", "ERR", "****", "0", "-1", "9999999", "1e999", "1,5", "1.5", "1.000,5", "3,500", "NaN", "inf",
    "=1+1", "@SUM(A1)", "'", '"', '""', '"a', "a;b", "a,b", "\t", "Lap 2", "12:00:00.5", "2026-07-31", "äöü",
    "\u22125", "\x07", "\x1b[31m", "%s%n", "../../x", "9" * 400, "x" * 5000, "[kPa]", "kPa", "psi", "\ufeff",
)  # fmt: skip
BYTES = (
    b"\x00",
    b"\xff",
    b"\xfe\xff",
    b"\xef\xbb\xbf",
    b"\r",
    b"\n",
    b"\r\n",
    b'"',
    b"'",
    b";",
    b",",
    b"\t",
    b"|",
    b"\\",
)
KINDS = (
    "byte changed", "bytes inserted", "bytes cut out", "end cut off", "stretch doubled", "line cut out", "line doubled",
    "lines swapped", "line put in", "line emptied", "cell changed", "cell cut out", "cell put in", "column of junk",
)  # fmt: skip
DELIMITERS = (";", "\t", "|", ",")


@dataclass(frozen=True)
class Damage:
    """One damage: of a kind, at a place (0..1 of the log), so large (0..1), with a piece of junk (an index)."""

    kind: str
    place: float
    size: float
    junk: int


def random_damage(rng: random.Random) -> list[Damage]:
    many = rng.choice((1, 1, 1, 2, 3, 8))
    return [Damage(rng.choice(KINDS), rng.random(), rng.random() ** 3, rng.randrange(10_000)) for _ in range(many)]


def good_logs() -> dict[str, bytes]:
    """The text logs among the dialects."""
    paths = sorted(path for path in (HERE / "dialects").iterdir() if path.suffix in (".csv", ".txt"))
    return {path.name: path.read_bytes() for path in paths if path.name != "truth.csv" and "packed" not in path.name}


def truth() -> pl.DataFrame:
    return pl.read_csv(HERE / "dialects" / "truth.csv", schema_overrides={"gear": pl.Float64})


def damaged(content: bytes, damages: list[Damage]) -> bytes:
    for damage in damages:
        is_text = damage.kind.split(" ", maxsplit=1)[0] in ("line", "lines", "cell", "column")
        content = _in_text(content, damage) if is_text else _in_bytes(content, damage)
    return content


def _in_bytes(content: bytes, damage: Damage) -> bytes:
    at = int(damage.place * len(content))
    end = at + 1 + int(damage.size * len(content) / 3)
    piece = BYTES[damage.junk % len(BYTES)]
    match damage.kind:
        case "byte changed":
            return content[:at] + bytes([damage.junk % 256]) + content[at + 1 :]
        case "bytes inserted":
            return content[:at] + piece * (1 + int(damage.size * 20)) + content[at:]
        case "bytes cut out":
            return content[:at] + content[end:]
        case "end cut off":
            return content[:at]
        case _:
            return content[:end] + content[at:end] + content[end:]


def _in_text(content: bytes, damage: Damage) -> bytes:
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
    text = content.decode(encoding, errors="surrogateescape" if encoding == "utf-8" else "replace")
    lines = text.splitlines(keepends=True) or [""]
    at = min(int(damage.place * len(lines)), len(lines) - 1)
    junk = JUNK[damage.junk % len(JUNK)]
    match damage.kind:
        case "line cut out":
            del lines[at : at + 1 + int(damage.size * 10)]
        case "line doubled":
            lines.insert(at, lines[at])
        case "lines swapped":
            other = damage.junk % len(lines)
            lines[at], lines[other] = lines[other], lines[at]
        case "line put in":
            lines.insert(at, junk + "\n")
        case "line emptied":
            lines[at] = "\n"
        case "column of junk":  # no number, which would be a value like any other
            junk = junk if not any(sign.isdigit() for sign in junk) else "x"
            lines = [_with_cell(line, damage.kind, damage.junk, junk) for line in lines]
        case _:
            lines[at] = _with_cell(lines[at], damage.kind, damage.junk // 7, junk)
    return "".join(lines).encode(encoding, errors="surrogateescape" if encoding == "utf-8" else "replace")


def _with_cell(line: str, kind: str, which: int, junk: str) -> str:
    delimiter = max(DELIMITERS, key=line.count)
    cells = line.rstrip("\r\n").split(delimiter)
    end = line[len(line.rstrip("\r\n")) :]
    column = which % len(cells)
    if kind == "cell cut out":
        del cells[column]
    elif kind == "cell put in":
        cells.insert(column, junk)
    else:
        cells[column] = junk
    return delimiter.join(cells) + end


def faults(name: str, content: bytes, undamaged: Reading) -> list[str]:
    """What is wrong with how a damaged log is read, in words. Empty is good."""
    found = []
    for _, reading in read_logs(name, content):
        if reading.refused == "reader_failed":
            found.append(f"failed: {reading.findings[0].detail}")
        if reading.rows_in != reading.frame.height + sum(reading.dropped.values()):
            found.append(f"rows: {reading.rows_in} in, {reading.frame.height} kept, {reading.dropped} dropped")
        codes = {finding.code for finding in reading.findings}
        if not reading.refused and codes <= {finding.code for finding in undamaged.findings}:
            found += _wrong_units(reading, undamaged)
    return found


def _wrong_units(reading: Reading, undamaged: Reading) -> list[str]:
    """Channels whose usual value is far from the truth though neither a finding nor the file's own unit says so."""
    true = truth()
    wrong = []
    for channel, said in reading.channels.items():
        before = undamaged.channels.get(channel)
        if channel not in true.columns or before is None or said.unit != before.unit:
            continue
        rows = reading.frame.height
        if rows < 0.8 * true.height:
            continue  # too much is gone for the usual value to be the same
        usual, expected = (float(np.nanmedian(frame[channel].to_numpy())) for frame in (reading.frame, true))
        spread = float(true[channel].max() - true[channel].min())  # type: ignore[operator]
        allowed = 0.15 * abs(expected) + 0.35 * spread + 1e-6
        if not abs(usual - expected) <= allowed and not _is_true_where_known(reading.frame, true, channel, allowed):
            wrong.append(f"{channel}: usually {usual:.4g}, truly {expected:.4g}, from '{said.column}' [{said.unit}]")
    return wrong


def _is_true_where_known(frame: pl.DataFrame, true: pl.DataFrame, channel: str, allowed: float) -> bool:
    """Whether most values that are left are what they were at that time: others may be missing under load alone."""
    at = np.clip(np.round(frame["time_s"].to_numpy() * 10).astype(int), 0, true.height - 1)
    off = np.abs(frame[channel].to_numpy() - true[channel].to_numpy()[at])
    return bool(np.nanmedian(off) <= allowed)
