"""A store's tables to what the rounds work on: spells, observations with saturation, arrays."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from models.ceilings import ceilings, saturated
from models.design_matrix import design, families, to_rows
from models.learning import Fleet, LearningRule
from models.observations import observe, spell_of_logs, spells
from models.quarters import first_day, quarter_of, shifted


@dataclass(frozen=True)
class Window:
    """The quarter and the four quarters that end with it. start, quarter_start, end: days, end not included."""

    quarter: str
    start: date
    quarter_start: date
    end: date

    def holds(self, column: str = "date") -> pl.Expr:
        return pl.col(column).is_between(self.start, self.end, closed="left")

    def in_quarter(self, column: str = "date") -> pl.Expr:
        return pl.col(column).is_between(self.quarter_start, self.end, closed="left")


class NothingToStudyError(ValueError):
    """A store, or a quarter of it, without a full-load pull. problems: in words, with what to do."""

    def __init__(self, problem: str) -> None:
        super().__init__(problem)
        self.problems = [problem]


def window(quarter: str | None, ledger: pl.DataFrame, today: date) -> Window:
    """The window of `quarter`, else of the newest kept log.

    today: a log dated later is a mistake of its clock and counts for nothing.
    Raises NothingToStudyError where the store, or the quarter, has no kept log with a full-load pull.
    """
    driven = ledger.filter((pl.col("verdict") == "kept") & (pl.col("date") <= today) & (pl.col("pulls") > 0))
    newest = driven["date"].max()
    if not isinstance(newest, date):
        raise NothingToStudyError(
            "this store has no log with a full-load pull yet. Ingest logs of pulls: warm engine, one gear, pedal "
            "held down over at least 1,500 rpm, on a closed course or a dynamometer."
        )
    quarter = quarter or quarter_of(newest)
    when = Window(quarter, first_day(shifted(quarter, -3)), first_day(quarter), first_day(shifted(quarter, 1)))
    if driven.filter(when.in_quarter()).is_empty():
        held = ", ".join(sorted({quarter_of(day) for day in driven["date"]}))
        raise NothingToStudyError(f"{quarter}: no log with a full-load pull in this quarter. The store has: {held}.")
    return when


@dataclass(frozen=True)
class Material:
    """The tables of one window. observations: with saturated, ceiling_pct, in_quarter. pulls: with spell, in_quarter.

    fleet: None where no car has a usable full-load cell.
    """

    window: Window
    spells: pl.DataFrame
    observations: pl.DataFrame
    pulls: pl.DataFrame
    ledger: pl.DataFrame
    ceilings: pl.DataFrame
    fleet: Fleet | None


def gather(
    cells: pl.DataFrame,
    pulls: pl.DataFrame,
    ledger: pl.DataFrame,
    roster: pl.DataFrame,
    when: Window,
    today: date,
) -> Material:
    """CELLS, PULLS, LEDGER, ROSTER of a store -> Material of the window `when`."""
    spell_table = spells(roster)
    counts = when.holds() & (pl.col("date") <= today)
    observed = observe(cells.filter(counts), spell_table)
    tops = ceilings(observed)
    observed = (
        observed.join(tops, on="calibration", how="left", maintain_order="left")
        .with_columns(saturated=saturated(), in_quarter=when.in_quarter())
        .drop("learned")
    )
    kept = ledger.filter(counts & (pl.col("verdict") == "kept"))
    placed = spell_of_logs(kept, spell_table)
    tagged = [
        table.join(placed, on="log", how="inner", maintain_order="left").with_columns(in_quarter=when.in_quarter())
        for table in (pulls.filter(counts), kept)
    ]
    return Material(when, spell_table, observed, tagged[0], tagged[1], tops, _fleet(observed, when))


def _fleet(observed: pl.DataFrame, when: Window, rule: LearningRule = LearningRule()) -> Fleet | None:
    if observed.filter(~pl.col("saturated")).is_empty():
        return None
    names = families(observed)
    rows, cells, frame = to_rows(observed, when.quarter_start, names)
    calm = observed.filter((pl.col("pressure_log_sd") < rule.calm_ln_sd) & ~pl.col("saturated"))
    quiet = None
    if not calm.is_empty():
        calm_rows, calm_cells, calm_frame = to_rows(calm, when.quarter_start, names)
        quiet = (calm_rows, calm_cells, design(calm_frame, like=frame))
    first = frame[rows.starts[:-1].tolist()]
    return Fleet(
        rows=rows,
        cells=cells,
        design=design(frame, like=frame),
        frame=frame,
        cars=first["label"].rank("dense").to_numpy().astype(np.int64),
        unit_family=first["family"].to_numpy(),
        calm=quiet,
        families=tuple(names),
    )
