"""Contributions of people who mean harm, and of those who made a mistake: refused whole, in words safe to print."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ingest.contribution import ContributionRule, digest, odd_name, read_contribution
from ingest.findings import InputError
from ingest.schemas import CONTRIBUTION

TODAY = date(2026, 11, 25)
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"


def contribution(club: str = "CAB0-0000", cars: int = 11, seed: int = 0, quarter: str = "2026Q3") -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    bands = np.arange(2250, 6750, 250)
    rows = []
    for number in range(cars):
        car = f"C{ALPHABET[seed % 32]}{ALPHABET[number // 32]}{ALPHABET[number % 32]}-0000"
        for log in (1, 2):
            for band in bands:
                duty, pressure = round(float(rng.uniform(50, 80)), 1), round(float(rng.uniform(150, 220)))
                rows.append((club, quarter, "E1", "P1", "B1", "K1", False, car, log, 1, int(band), duty, False,
                             float(pressure), 0.01, False, 35.0, 0.85, 10.0, True, 180.0))  # fmt: skip
    return pl.DataFrame(rows, schema=dict(CONTRIBUTION), orient="row")


def written(table: pl.DataFrame, folder: Path) -> Path:
    path = folder / "theirs.parquet"
    table.write_parquet(path)
    return path


def refusal(path: Path, **rule: int) -> str:
    with pytest.raises(InputError) as told:
        read_contribution(path, ContributionRule(**rule), TODAY)
    assert str(told.value).isprintable() or "\n" in str(told.value)
    assert "\x1b" not in str(told.value)
    return str(told.value)


def test_a_good_one_is_taken(tmp_path: Path) -> None:
    table = contribution()
    found = read_contribution(written(table, tmp_path), today=TODAY)
    assert found.sort(pl.all()).equals(table.sort(pl.all()))


def test_what_a_roster_may_leave_empty_may_be_so(tmp_path: Path) -> None:
    table = contribution().with_columns(boost_hardware=pl.lit(""), calibration=pl.lit(""))
    assert read_contribution(written(table, tmp_path), today=TODAY).height == table.height
    assert "engine, '': empty" in refusal(written(table.with_columns(engine=pl.lit("")), tmp_path))


Change = Callable[[pl.DataFrame], pl.DataFrame]
FIRST = pl.int_range(pl.len()) == 0
HARM: dict[str, tuple[Change, str]] = {
    "column missing": (lambda t: t.drop("log"), "missing log"),
    "a column more": (lambda t: t.with_columns(vin=pl.lit("WVWZZZ1JZXW000001")), "not known vin"),
    "columns in another order": (lambda t: t.select(reversed(t.columns)), "other order"),
    "another type": (lambda t: t.with_columns(pl.col("duty_pct").cast(pl.String)), "another type: duty_pct"),
    "nested": (lambda t: t.with_columns(duty_pct=pl.concat_list("duty_pct")), "another type: duty_pct"),
    "no rows": (lambda t: t.clear(), "no rows"),
    "not a number": (lambda t: t.with_columns(duty_pct=pl.lit(float("nan"))), "duty_pct"),
    "infinite": (lambda t: t.with_columns(lambda_ratio=pl.lit(float("inf"))), "lambda_ratio"),
    "out of range": (lambda t: t.with_columns(duty_pct=pl.when(FIRST).then(1e9).otherwise("duty_pct")), "1 values out"),
    "negative pressure": (lambda t: t.with_columns(manifold_pressure_kpa=pl.lit(-5.0)), "manifold_pressure_kpa"),
    "empty where it may not be": (lambda t: t.with_columns(engine=pl.lit(None, pl.String)), "engine: 396 empty"),
    "band between": (lambda t: t.with_columns(band_rpm=pl.col("band_rpm") + 1), "multiples of 250"),
    "formula": (lambda t: t.with_columns(engine=pl.lit("=cmd|' /C calc'!A0")), "begins as a formula"),
    "path": (lambda t: t.with_columns(pump=pl.lit("../../etc/passwd")), "looks like a path"),
    "windows path": (lambda t: t.with_columns(pump=pl.lit("C:\\x")), "looks like a path"),
    "control characters": (lambda t: t.with_columns(pump=pl.lit("a\x1b[2J\x07")), "control characters"),
    "text turned round": (lambda t: t.with_columns(pump=pl.lit("a\u202eb")), "control characters"),
    "markup": (lambda t: t.with_columns(pump=pl.lit("<script>")), "parts or marks text"),
    "another setup's bar": (lambda t: t.with_columns(pump=pl.lit("P1 | B9")), "parts or marks text"),
    "long name": (lambda t: t.with_columns(pump=pl.lit("x" * 10_000)), "a text of 10000 characters in pump"),
    "path as club": (lambda t: t.with_columns(club=pl.lit("../x")), "club: not all are labels"),
    "car with a name": (lambda t: t.with_columns(car=pl.lit("Anna") + pl.col("car")), "car: not all are labels"),
    "two clubs": (lambda t: t.with_columns(club=pl.when(FIRST).then(pl.lit("CAB1-0000")).otherwise("club")), "2 of"),
    "a quarter to come": (lambda t: t.with_columns(quarter=pl.lit("2031Q1")), "no quarter so far"),
    "no quarter": (lambda t: t.with_columns(quarter=pl.lit("../Q1")), "no quarter so far"),
    "rows twice": (lambda t: pl.concat([t, t]), "396 rows with car, log, pull and band of another"),
    "few cars": (lambda t: t.filter(pl.col("car").rank("dense") <= 9), "9 cars; a published setup has at least 10"),
    "a car in two setups": (
        lambda t: t.with_columns(engine=pl.when(FIRST).then(pl.lit("E2")).otherwise("engine")), "1 cars with more",
    ),
    "one car multiplied": (
        lambda t: pl.concat([t, t.with_columns(car=pl.lit("D") + pl.col("car").str.slice(1))]), "11 cars with",
    ),
}  # fmt: skip


@pytest.mark.parametrize("harm", HARM)
def test_harm_is_refused_and_named(harm: str, tmp_path: Path) -> None:
    change, told = HARM[harm]
    assert told in refusal(written(change(contribution()), tmp_path))


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    bad = contribution().with_columns(pump=pl.lit("=1"), quarter=pl.lit("x"), duty_pct=pl.lit(500.0))
    assert len(refusal(written(bad, tmp_path)).splitlines()) == 3


def test_sizes_are_limited(tmp_path: Path) -> None:
    path = written(contribution(), tmp_path)
    assert "396 rows, more than 100" in refusal(path, rows_max=100)
    assert "larger than" in refusal(path, bytes_max=100)
    assert "11 cars, more than 10" in refusal(path, cars_max=10)


def test_a_table_that_claims_a_billion_rows_is_not_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "bomb.parquet"
    many = pl.DataFrame({"number": np.arange(2_000_000)})
    contribution().head(1).join(many, how="cross").drop("number").write_parquet(path, compression="zstd")
    assert path.stat().st_size < 1 << 20
    assert "2000000 rows, more than 400000" in refusal(path)


def test_a_long_text_is_seen_before_it_is_repeated(tmp_path: Path) -> None:
    table = pl.concat([contribution()] * 300).to_arrow()
    place = table.schema.names.index("pump")
    words = pa.DictionaryArray.from_arrays(pa.array(np.zeros(table.num_rows, np.int32)), ["x" * 1_000_000])
    path = tmp_path / "bomb.parquet"
    pq.write_table(table.set_column(place, "pump", words), path, write_statistics=False)
    assert path.stat().st_size < 4 << 20  # 119 GB if each row had its own
    assert "a text of 1000000 characters" in refusal(path)


@pytest.mark.parametrize(
    "content", [b"", b"PAR1", b"PAR1" + b"\0" * 1000 + b"PAR1", b"engine,pump\n=1,2\n", b"\xff" * 99]
)
def test_what_is_no_parquet_is_refused(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x\x1b[31m.parquet"
    path.write_bytes(content)
    assert "Ask the club for a file" in refusal(path)


def test_a_damaged_file_is_refused_or_read_as_it_was(tmp_path: Path) -> None:
    whole = written(contribution(), tmp_path).read_bytes()
    path, rng, refused = tmp_path / "damaged.parquet", np.random.default_rng(3), 0
    for _ in range(150):
        content = bytearray(whole)
        for place in rng.integers(0, len(content), 4):
            content[place] ^= int(rng.integers(1, 256))
        path.write_bytes(content)
        try:
            read_contribution(path, today=TODAY)
        except InputError:
            refused += 1
    assert refused > 100


def test_the_digest_sees_through_other_labels() -> None:
    table = contribution()
    other = table.with_columns(club=pl.lit("CAB9-0000"), car=pl.lit("D") + pl.col("car").str.slice(1)).reverse()
    assert digest(other) == digest(table)
    assert digest(contribution(seed=1)) != digest(table)


def test_usual_words_are_not_odd() -> None:
    for word in ("2.0 four", "K03/K04", "larger, +20 %", "club map 2 (E30)", "Größerer Lader", "A&B"):
        assert odd_name(word) == ""
