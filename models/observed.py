"""A window's observations some cars at a time, so that the cells of a large store are never held whole."""

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from models.baselines import car_medians
from models.ceilings import ceilings, saturated
from models.observations import USABLE, Usual, observe, spell_of_logs, usual, with_setups

CELLS_AT_ONCE = 250_000


@dataclass(frozen=True)
class Observed:
    """CELLS of a window, and what it takes to make observations of some of them.

    quarter_start, quarter_end: of `in_quarter`. placed: log, spell. tops: of `ceilings`. parts: first and last label of
    so many cells as are held at a time, in the order of labels, which is that of spells.
    """

    cells: pl.LazyFrame
    spells: pl.DataFrame
    in_quarter: pl.Expr
    placed: pl.DataFrame
    peers: Usual
    tops: pl.DataFrame
    parts: tuple[tuple[str, str], ...]

    def each(self) -> Iterator[pl.DataFrame]:
        """OBSERVATIONS with ceiling_pct, saturated, in_quarter, part by part, in the order of the whole."""
        for first, last in self.parts:
            yield self._with_ceilings(self.cells.filter(pl.col("label").is_between(pl.lit(first), pl.lit(last))))

    def whole(self) -> pl.DataFrame:
        return self._with_ceilings(self.cells)

    def _with_ceilings(self, cells: pl.LazyFrame) -> pl.DataFrame:
        return (
            observe(cells, self.spells, placed=self.placed, peers=self.peers)
            .join(self.tops, on="calibration", how="left", maintain_order="left")
            .with_columns(saturated=saturated(), in_quarter=self.in_quarter)
            .drop("learned")
        )


def observed(
    cells: pl.LazyFrame, spell_table: pl.DataFrame, in_quarter: pl.Expr, cells_at_once: int = CELLS_AT_ONCE
) -> Observed:
    """cells: CELLS of the window. spell_table: of `spells`."""
    logs = cells.filter(USABLE).group_by("log", "label", "date").agg(pl.len().alias("cells")).collect()
    placed = spell_of_logs(logs, spell_table)
    joined = with_setups(cells, placed, spell_table)
    flat = joined.select("calibration", "duty_max_pct", "duty_top_share", "samples").collect()
    by_label = logs.join(placed, on="log", how="semi").group_by("label").agg(pl.col("cells").sum()).sort("label")
    part = (pl.col("cells").cum_sum() - pl.col("cells")) // cells_at_once
    parts = by_label.group_by(part.alias("part")).agg(first=pl.col("label").min(), last=pl.col("label").max())
    bounds = tuple(parts.sort("part").select("first", "last").iter_rows()) or (("", ""),)
    return Observed(cells, spell_table, in_quarter, placed, usual(joined), ceilings(flat), bounds)


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
    pulls = pl.struct("log", "pull")
    bands = now.group_by("spell", "band_rpm").agg(
        pulls=pulls.n_unique(), saturated_pulls=pulls.filter("saturated").n_unique()
    )
    by_spell = now.group_by("spell").agg(
        pl.col("saturated").mean().alias("saturated_share"),
        pl.col("ethanol_logged", "lambda_logged", "intake_logged", "rail_logged").all(),
        pl.col("barometer_assumed").any(),
    )
    most = bands.group_by("spell").agg(pl.col("saturated_pulls").max())
    every = by_spell.join(most, on="spell").sort("spell")
    return Driven(now.height, every, bands.sort("spell", "band_rpm").drop("saturated_pulls"), car_medians(now))


def together(parts: list[Driven]) -> Driven:
    spells, bands, cars = (pl.concat(getattr(part, name) for part in parts) for name in ("spells", "bands", "cars"))
    return Driven(sum(part.cells for part in parts), spells, bands, cars)
