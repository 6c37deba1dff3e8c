"""A window's observations some cars at a time, so that the cells of a large store are never held whole."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TypeVar

import polars as pl

from models.baselines import car_medians
from models.ceilings import saturated, tops
from models.observations import CELLS_USED, USABLE, Usual, observe, spell_of_logs, usual, with_setups

T = TypeVar("T")
CELLS_AT_ONCE = 100_000
READS_MAX = 100  # of each file of the store: more parts than that are read several at a time


@dataclass(frozen=True)
class Part:
    """Some of a window's cars: labels from `first` to `last`, of those that teach what is expected or of the others."""

    first: str
    last: str
    teaching: bool

    def labels(self) -> pl.Expr:
        return pl.col("label").is_between(pl.lit(self.first), pl.lit(self.last))


@dataclass(frozen=True)
class Observed:
    """CELLS of a window, and what it takes to make observations of some of them.

    placed: log, spell. tops: of `ceilings`. parts: so many cars as are held at a time, in the order of labels, which is
    that of spells; those that teach first. teachers: their labels; None where every car teaches.
    """

    cells: pl.LazyFrame
    spells: pl.DataFrame
    in_quarter: pl.Expr
    placed: pl.DataFrame
    peers: Usual
    tops: pl.DataFrame
    parts: tuple[Part, ...]
    teachers: pl.Series | None = None

    def each(self, teaching: bool = True) -> Iterator[pl.DataFrame]:
        """OBSERVATIONS with ceiling_pct, saturated, in_quarter, part by part, in the order of the whole."""
        parts = [part for part in self.parts if part.teaching == teaching]
        some = -(-len(parts) // READS_MAX)
        for start in range(0, len(parts), some or 1):
            batch = parts[start : start + some]
            cells = self._cells_of(replace(batch[0], last=batch[-1].last)).select(CELLS_USED)
            if some > 1:
                cells = cells.collect().lazy()
            for part in batch:
                own = self.spells.filter(part.labels())["spell"]
                yield self._with_ceilings(cells.filter(part.labels()), pl.col("spell").is_between(own.min(), own.max()))

    def _cells_of(self, part: Part) -> pl.LazyFrame:
        some = self.cells.filter(part.labels())
        if self.teachers is None:
            return some
        one_of_them = pl.col("label").is_in(self.teachers.implode())
        return some.filter(one_of_them if part.teaching else ~one_of_them)

    def whole(self) -> pl.DataFrame:
        return self._with_ceilings(self.cells)

    def _with_ceilings(self, cells: pl.LazyFrame, of_spells: pl.Expr | None = None) -> pl.DataFrame:
        """of_spells: of a large fleet only these may be among the cells."""
        placed, spells = self.placed, self.spells
        if of_spells is not None:
            placed, spells = placed.filter(of_spells), spells.filter(of_spells)
        return (
            observe(cells, spells, placed=placed, peers=self.peers)
            .join(self.tops, on="calibration", how="left", maintain_order="left")
            .with_columns(saturated=saturated(), in_quarter=self.in_quarter)
            .drop("learned")
        )


def observed(
    cells: pl.LazyFrame,
    spell_table: pl.DataFrame,
    in_quarter: pl.Expr,
    cells_at_once: int = CELLS_AT_ONCE,
    teachers_max: int | None = None,
) -> Observed:
    """cells: CELLS of the window. spell_table: of `spells`. teachers_max: at most so many cars of a setup teach."""
    logs = cells.filter(USABLE).group_by("log", "label", "date").agg(pl.len().alias("cells")).collect()
    placed = spell_of_logs(logs, spell_table)
    joined = with_setups(cells, placed, spell_table)
    seen = logs.join(placed, on="log").join(spell_table.select("spell", "setup", "calibration"), on="spell")
    teachers = _teachers(seen, teachers_max)
    parts = _parts(seen, teachers, cells_at_once)
    told_by = joined if teachers is None else joined.filter(pl.col("label").is_in(teachers.implode()))
    highest = tops(joined, seen["calibration"].unique())
    return Observed(cells, spell_table, in_quarter, placed, usual(told_by), highest, parts, teachers)


def _teachers(seen: pl.DataFrame, most: int | None) -> pl.Series | None:
    """Labels of the cars that teach, ordered: so many of each setup, or all. None where that is everybody.

    Chosen by their labels, which are random: a car with many logs is often one that somebody worries about.
    seen: label, setup, a row or more each.
    """
    if most is None:
        return None
    cars = seen.select("setup", "label").unique().sort("setup", "label")
    first = cars.filter(pl.int_range(pl.len()).over("setup") < most)["label"].unique().sort()
    return None if len(first) == cars["label"].n_unique() else first


def _parts(seen: pl.DataFrame, teachers: pl.Series | None, cells_at_once: int) -> tuple[Part, ...]:
    """seen: label, cells, a row or more each."""
    by_label = seen.group_by("label").agg(pl.col("cells").sum()).sort("label")
    teaching = pl.lit(True) if teachers is None else pl.col("label").is_in(teachers.implode())
    before = pl.col("cells").cum_sum().over("teaching") - pl.col("cells")
    parts = (
        by_label.with_columns(teaching=teaching)
        .with_columns(part=before // cells_at_once)
        .group_by("teaching", "part")
        .agg(first=pl.col("label").min(), last=pl.col("label").max())
        .sort("teaching", "part", descending=[True, False])
    )
    return tuple(Part(*row) for row in parts.select("first", "last", "teaching").iter_rows()) or (Part("", "", True),)


def ahead(parts: Iterator[T]) -> Iterator[T]:
    """The same in the same order; the next one is made in a second thread while this one is worked on."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        coming = pool.submit(next, parts, None)
        while (part := coming.result()) is not None:
            coming = pool.submit(next, parts, None)
            yield part


@dataclass(frozen=True)
class Driven:
    """The quarter's observations counted. cells: how many.

    spells: spell, saturated_share, saturated_pulls (of the band that has most), what was logged in all cells, and
    whether the barometer was assumed in any. bands: spell, band_rpm, pulls. cars: of `car_medians`.
    """

    cells: int
    spells: pl.DataFrame
    bands: pl.DataFrame
    cars: pl.DataFrame


def driven(observations: pl.DataFrame) -> Driven:
    """Of OBSERVATIONS with saturated and in_quarter; a car's are all there."""
    now = observations.filter("in_quarter")
    # a pull has one cell a band
    bands = now.group_by("spell", "band_rpm").agg(pulls=pl.len(), saturated_pulls=pl.col("saturated").sum())
    by_spell = now.group_by("spell").agg(
        pl.col("saturated").mean().alias("saturated_share"),
        pl.col("ethanol_logged", "lambda_logged", "intake_logged", "rail_logged").all(),
        pl.col("barometer_assumed").any(),
    )
    most = bands.group_by("spell").agg(pl.col("saturated_pulls").max())
    every = by_spell.join(most, on="spell").sort("spell")
    return Driven(now.height, every, bands.sort("spell", "band_rpm").drop("saturated_pulls"), car_medians(now))


def together(parts: list[Driven]) -> Driven:
    """What some cars have driven, and others."""
    spells, bands, cars = (pl.concat(getattr(part, name) for part in parts) for name in ("spells", "bands", "cars"))
    return Driven(sum(part.cells for part in parts), spells, bands, cars)
