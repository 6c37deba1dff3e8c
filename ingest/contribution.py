"""Another club's contribution, read as if somebody meant harm: every problem is told, and then nothing is taken."""

import hashlib
import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from ingest.findings import InputError, printable
from ingest.labels import ALPHABET
from ingest.schemas import BAND_WIDTH_RPM, CONTRIBUTION, SETUP, SETUP_WORDS, empty

MARK = b"PAR1"  # a Parquet file begins so
LABEL = rf"^[{ALPHABET}]{{4}}-[{ALPHABET}]{{4}}$"
MAY_BE_EMPTY = ("intake_air_c", "lambda_ratio", "ethanol_pct", "rail_pressure_bar")
MAY_BE_UNTOLD = ("boost_hardware", "calibration")
# what a logged value may be: wider than any car, narrower than what would bend a sum
RANGES = {
    "log": (1, 50),
    "pull": (1, 50),
    "band_rpm": (500, 12_000),
    "duty_pct": (1.0, 100.0),
    "manifold_pressure_kpa": (30.0, 600.0),
    "pressure_log_sd": (0.0, 1.0),
    "intake_air_c": (-40.0, 150.0),
    "lambda_ratio": (0.5, 1.5),
    "ethanol_pct": (0.0, 100.0),
    "rail_pressure_bar": (0.0, 500.0),
}


@dataclass(frozen=True)
class ContributionRule:
    """What a contribution may be at most. cars_min: cars that share each setup it names, else it was not made here.

    bytes_max: of the file. rows_max, cars_max: in it. name_characters: of one word of a setup, too.
    """

    cars_min: int = 10
    bytes_max: int = 32 << 20
    rows_max: int = 400_000
    cars_max: int = 5_000
    name_characters: int = 60


def read_contribution(
    path: Path, rule: ContributionRule = ContributionRule(), today: date | None = None
) -> pl.DataFrame:
    """A contribution file, checked whole. CONTRIBUTION, ordered by setup, car, log, pull and band.

    Raises InputError with every problem of it, each in words that are safe to print.
    """
    where = shortened(path.name)
    try:
        table = _read(path, rule)
    except _NoContributionError as problem:
        raise InputError(
            [f"{where}: {problem} Ask the club for a file as `pumpcensus contribute` writes it."]
        ) from None
    problems = [f"{where}{problem}" for problem in _problems(table, rule, today or date.today())]
    if problems:
        raise InputError(problems)
    return table.sort(*SETUP, "car", "log", "pull", "band_rpm")


def digest(table: pl.DataFrame) -> str:
    """What tells a contribution's content, whoever sends it under whatever labels. [64 hexadecimal digits]"""
    content = table.drop("club", "car").sort(pl.all())
    return hashlib.sha256(content.write_csv().encode()).hexdigest()


def shortened(text: str, most: int = 40) -> str:
    """Somebody else's text, fit for a line of the terminal.

    >>> shortened("a\\x1b[2Jb"), shortened("abcdefgh", 6)
    ('a?[2Jb', 'abc...')
    """
    plain = printable(text)
    return plain if len(plain) <= most else plain[: most - 3] + "..."


class _NoContributionError(Exception):
    """The file is no table of ours; text: why."""


def _read(path: Path, rule: ContributionRule) -> pl.DataFrame:
    """The file's table, once its declared size and columns are ours."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    with path.open("rb") as file:
        content = file.read(rule.bytes_max + 1)
    if len(content) > rule.bytes_max:
        raise _NoContributionError(f"larger than {rule.bytes_max >> 20} MB.")
    if not content.startswith(MARK):
        raise _NoContributionError("no Parquet file.")
    texts = [name for name, dtype in CONTRIBUTION.items() if dtype == pl.String]
    try:
        # texts as dictionaries: a short text repeated takes no room, a long one is seen before it is repeated
        _check_schema(pq.ParquetFile(pa.BufferReader(content)).schema_arrow)
        file = pq.ParquetFile(pa.BufferReader(content), read_dictionary=texts)
        if file.metadata.num_rows > rule.rows_max:
            raise _NoContributionError(f"{file.metadata.num_rows} rows, more than {rule.rows_max}.")
        table = file.read(use_threads=False).replace_schema_metadata(None)
        if table.num_rows != file.metadata.num_rows or table.num_rows > rule.rows_max:
            raise _NoContributionError("another number of rows than it says.")
        table.validate(full=True)
        for name in texts:
            for chunk in table[name].chunks:
                longest = max((len(text.as_py() or "") for text in chunk.dictionary), default=0)
                if longest > rule.name_characters:
                    raise _NoContributionError(f"a text of {longest} characters in {name}.")
        return pl.DataFrame(table).select(pl.col(name).cast(dtype) for name, dtype in CONTRIBUTION.items())
    except (
        pa.ArrowException,
        pl.exceptions.PolarsError,
        OSError,
        EOFError,
        KeyError,
        ValueError,
        MemoryError,
        OverflowError,
    ) as error:
        raise _NoContributionError(f"damaged ({type(error).__name__}).") from None


def _check_schema(found: object) -> None:
    """Names, order and types, before a value is read. found: Arrow's schema."""
    import pyarrow as pa

    assert isinstance(found, pa.Schema)
    wanted = empty(CONTRIBUTION).to_arrow().schema
    if len(found.names) > len(wanted.names) + 50:
        raise _NoContributionError(f"{len(found.names)} columns; it should have {len(wanted.names)}.")
    if found.names != wanted.names:
        odd = [shortened(name) for name in found.names if name not in wanted.names]
        missing = [name for name in wanted.names if name not in found.names]
        told = "; ".join(
            filter(None, (f"missing {', '.join(missing)}" * bool(missing), f"not known {', '.join(odd)}" * bool(odd)))
        )
        raise _NoContributionError(f"its columns are not ours ({told or 'other order, or twice'}).")
    wrong = [field.name for field in wanted if not _alike(found.field(field.name).type, field.type)]
    if wrong:
        raise _NoContributionError(f"columns of another type: {', '.join(wrong)}.")


def _alike(found: object, wanted: object) -> bool:
    import pyarrow.types as kinds

    if kinds.is_dictionary(found):
        found = found.value_type  # type: ignore[attr-defined]
    is_text = kinds.is_string(found) or kinds.is_large_string(found) or kinds.is_string_view(found)
    wanted_text = kinds.is_string(wanted) or kinds.is_large_string(wanted) or kinds.is_string_view(wanted)
    return found == wanted or (is_text and wanted_text)


def _problems(table: pl.DataFrame, rule: ContributionRule, today: date) -> Iterator[str]:
    """What is wrong with a table of our columns, each `, place: what. What to do.`"""
    if table.is_empty():
        yield ": no rows. Nothing is to be had from it."
        return
    yield from _wrong_values(table)
    yield from _wrong_names(table, rule)
    yield from _wrong_whole(table, rule, today)


def _wrong_values(table: pl.DataFrame) -> Iterator[str]:
    for name, dtype in CONTRIBUTION.items():
        column = table[name]
        if name not in MAY_BE_EMPTY and column.null_count():
            yield f", {name}: {column.null_count()} empty. It may not be empty."
        if name in RANGES:
            low, high = RANGES[name]
            outside = ~column.is_between(low, high)
            if dtype == pl.Float64:
                outside |= ~column.is_finite()
            if count := int(outside.fill_null(False).sum()):
                yield f", {name}: {count} values outside {low:g} to {high:g}. No car has them."
    if (table["band_rpm"] % BAND_WIDTH_RPM != 0).any():
        yield f", band_rpm: not all are multiples of {BAND_WIDTH_RPM}."


def _wrong_names(table: pl.DataFrame, rule: ContributionRule) -> Iterator[str]:
    for name in SETUP_WORDS:
        for text, why in odd_words(table[name]).items():
            yield f", {name}, {shortened(text)!r}: {why}. A setup is named in plain words."
    for name in ("club", "car"):
        if not table[name].str.contains(LABEL).all():
            yield f", {name}: not all are labels, as in 7K3M-Q2XW."


def odd_words(words: pl.Series) -> dict[str, str]:
    """Word of a setup -> why it is not taken. words: a column of SETUP; what a roster may leave empty may be so."""
    found = {text: odd_name(text) for text in words.drop_nulls().unique().sort()}
    return {text: why for text, why in found.items() if why and (text or words.name not in MAY_BE_UNTOLD)}


def odd_name(text: str) -> str:
    """Why a word of a setup is not taken, or "".

    >>> odd_name("2.0 four"), odd_name("=1+1"), odd_name("../x"), odd_name("a | b")
    ('', 'begins as a formula', 'looks like a path', 'holds a sign that parts or marks text')
    """
    if any(unicodedata.category(sign)[0] == "C" or sign in "\u2028\u2029" for sign in text):
        return "holds control characters"
    if not text.strip() or text != text.strip():
        return "empty, or with blanks around it"
    if text[0] in "=+-@'":
        return "begins as a formula"
    if text[0] in "/~\\" or "\\" in text or re.search(r"(^|/)\.\.?(/|$)", text) or re.match(r"[A-Za-z]:", text):
        return "looks like a path"
    if any(sign in text for sign in '|<>"`;'):
        return "holds a sign that parts or marks text"
    return ""


def _wrong_whole(table: pl.DataFrame, rule: ContributionRule, today: date) -> Iterator[str]:
    for name in ("club", "quarter"):
        if table[name].n_unique() > 1:
            yield f", {name}: {table[name].n_unique()} of them. A file is of one club and one quarter."
    quarter = str(table["quarter"][0])
    if not re.fullmatch(r"20\d\d[Q][1-4]", quarter) or quarter > f"{today.year}Q{(today.month + 2) // 3}":
        yield f", quarter, {shortened(quarter)!r}: no quarter so far. Write it as 2026Q3."
    keys = ("car", "log", "pull", "band_rpm")
    if twice := table.height - table.select(keys).unique().height:
        yield f": {twice} rows with car, log, pull and band of another row."
    cars = table.group_by("car").agg(pl.struct(*SETUP).n_unique().alias("setups"))
    if cars.height > rule.cars_max:
        yield f": {cars.height} cars, more than {rule.cars_max}."
    if several := cars.filter(pl.col("setups") > 1).height:
        yield f": {several} cars with more than one setup."
    few = table.group_by(SETUP).agg(pl.col("car").n_unique()).filter(pl.col("car") < rule.cars_min).sort(SETUP)
    for row in few.iter_rows():
        setup = " | ".join(shortened(str(word)) for word in row[:4])
        yield f", {setup}: {row[-1]} cars; a published setup has at least {rule.cars_min}."
    if alike := _alike_cars(table):
        yield f": {alike} cars with the very values of another car."


def _alike_cars(table: pl.DataFrame) -> int:
    """Cars whose duty and pressure, pull by pull, are another's: one car that was multiplied."""
    values = pl.struct("band_rpm", "duty_pct", "manifold_pressure_kpa")
    own = table.sort("car", "band_rpm", "duty_pct", "manifold_pressure_kpa").group_by("car").agg(values.hash(seed=7))
    return own.height - own.drop("car").unique().height
