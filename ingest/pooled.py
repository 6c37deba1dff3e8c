"""What other clubs gave: kept beside the club's own logs, a file a club and quarter, never among them."""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import polars as pl

from ingest.checksums import damaged, note, noted, write_checked
from ingest.contribution import LABEL, ContributionRule, digest, read_contribution, shortened
from ingest.far_files import place_of
from ingest.findings import InputError
from ingest.labels import open_key, private_folder, typed_label, write_private
from ingest.parquet_files import parquet, read_parquet
from ingest.schemas import CONTRIBUTION, SETUP, check_columns, empty
from ingest.store import Store, one_writer
from ingest.whole_files import make_folder, remove_file, write_whole

GIVEN = "given.json"  # in the private folder
# one row a club and quarter that was pooled
SOURCES = {"club": pl.String, "quarter": pl.String, "cars": pl.Int64, "pulls": pl.Int64, "setups": pl.Int64}


@dataclass(frozen=True)
class Pooled:
    """added: SOURCES rows of this run. known: files whose content was there already. sources: all there are now."""

    added: pl.DataFrame
    sources: pl.DataFrame
    known: tuple[str, ...] = field(default=())


def pool_files(
    files: Sequence[Path], store: Path | str, rule: ContributionRule = ContributionRule(), today: date | None = None
) -> Pooled:
    """Take other clubs' contributions into a store, all of them or none. Without files: what was pooled so far.

    A file whose content is there already is passed over. Raises InputError with every problem of every file, where a
    club gave this quarter before, and where a contribution is this club's own.
    """
    store = place_of(store)
    home = Store(store)
    with one_writer(store):
        here = {digest(table): table for table in _tables(home)}
        held = {(table["club"][0], table["quarter"][0]) for table in here.values()}
        own = open_key(store, in_use=True).club() if files else ""
        problems: list[str] = []
        known: list[str] = []
        news: dict[str, pl.DataFrame] = {}
        for path in files:
            try:
                table = read_contribution(path, rule, today)
            except InputError as error:
                problems += error.problems
                continue
            club, quarter, content = table["club"][0], table["quarter"][0], digest(table)
            if club == own:
                problems.append(
                    f"{shortened(path.name)}: this club's own contribution. Its cars are in the store already."
                )
            elif content in here:
                known.append(shortened(path.name))
            elif (club, quarter) in held:
                problems.append(
                    f"{shortened(path.name)}: another contribution of {club} for {quarter} is here already. If this "
                    f"one shall count, run `pumpcensus pool --withdraw {club} --store {store}` first."
                )
            else:
                here[content] = news[_file_name(club, quarter)] = table
                held.add((club, quarter))
        if problems:
            raise InputError(problems)
        if news:
            make_folder(_folder(home))
            write_checked(_folder(home), {name: parquet(table) for name, table in news.items()})
        return Pooled(_sources(list(news.values())), _sources(_tables(home)), tuple(known))


def withdraw_club(club: str, store: Path | str) -> Pooled:
    """Remove all that a club gave. Raises InputError where it gave nothing. Studies made before still lean on it."""
    store = place_of(store)
    home = Store(store)
    club = typed_label(club)
    with one_writer(store):
        files = [path for path in _files(home) if path.name.startswith(f"{club}-")] if re.match(LABEL, club) else []
        if not files:
            there = ", ".join(sorted({path.name[:9] for path in _files(home)})) or "none"
            raise InputError([f"{shortened(club)}: nothing of this club was pooled here. Clubs there: {there}."])
        for path in files:
            remove_file(path)
        names = {path.name for path in files}
        note(_folder(home), {name: sums for name, sums in (noted(_folder(home)) or {}).items() if name not in names})
        return Pooled(_sources([]), _sources(_tables(home)))


def pooled_cells(store: Store) -> pl.DataFrame:
    """CONTRIBUTION: what all clubs gave, ordered by club and quarter. Raises InputError where a file is damaged."""
    return pl.concat([empty(CONTRIBUTION), *_tables(store)])


def given_before(store: Path | str) -> dict[str, str]:
    """Quarter -> the day on which this club last wrote its contribution."""
    path = private_folder(place_of(store)) / GIVEN
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def write_contribution(table: pl.DataFrame, path: Path, store: Path | str, today: date | None = None) -> None:
    """Write a contribution, whole or not at all, and remember that it was given. CONTRIBUTION.

    Raises InputError where something is there already.
    """
    check_columns(table, CONTRIBUTION, "contribution")
    if path.exists():
        raise InputError([f"{path}: is there already. Name a new file."])
    given = given_before(store) | {table["quarter"][0]: (today or date.today()).isoformat()}
    write_private(private_folder(place_of(store)) / GIVEN, json.dumps(given, sort_keys=True) + "\n")
    write_whole(path, parquet(table))


def _folder(store: Store) -> Path:
    return store.path / "pooled"


def _file_name(club: str, quarter: str) -> str:
    return f"{club}-{quarter}.parquet"


def _files(store: Store) -> list[Path]:
    return sorted(_folder(store).glob("????-????-????Q?.parquet"))


def _tables(store: Store) -> list[pl.DataFrame]:
    files = _files(store)
    wrong = damaged(_folder(store), [path.name for path in files]) if files else []
    if not wrong:
        try:
            return [read_parquet(path) for path in files]
        except FileNotFoundError:
            if _files(store) == files:
                raise
    if _files(store) != files:  # a club was withdrawn meanwhile
        return _tables(store)
    raise InputError(
        [f"{_folder(store) / name}: damaged. Delete it, and pool the club's file again." for name in wrong]
    )


def _sources(tables: list[pl.DataFrame]) -> pl.DataFrame:
    rows = [
        table.group_by("club", "quarter").agg(
            pl.col("car").n_unique().alias("cars"),
            pl.struct("car", "log", "pull").n_unique().alias("pulls"),
            pl.struct(SETUP).n_unique().alias("setups"),
        )
        for table in tables
    ]
    return pl.concat(
        [empty(SOURCES), *(row.select(pl.col(name).cast(dtype) for name, dtype in SOURCES.items()) for row in rows)]
    ).sort("club", "quarter")
