"""A store's tables to what the rounds work on: spells, observations with saturation, arrays."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
import polars as pl

from models.borrowing import OWN, borrowed
from models.design_matrix import Averaged, averaged, design, families, joined
from models.learning import Fleet, LearningRule, own_part
from models.observations import spell_of_logs, spells
from models.observed import CELLS_AT_ONCE, Driven, Observed, ahead, driven, observed, together
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
    """The tables of one window. observed: observations with saturated, ceiling_pct, in_quarter. pulls, ledger: the
    columns in use, kept logs only, with spell, in_quarter.

    fleet: of the cars that teach; None where none has a usable full-load cell. driven: their observations counted.
    borrowed: clubs whose cars teach beside the own, and cars.
    """

    window: Window
    spells: pl.DataFrame
    observed: Observed
    driven: Driven
    unread_pulls: pl.LazyFrame
    ledger: pl.DataFrame
    ceilings: pl.DataFrame
    fleet: Fleet | None
    borrowed: dict[str, int]

    @cached_property
    def pulls(self) -> pl.DataFrame:
        return self.unread_pulls.collect()

    @cached_property
    def observations(self) -> pl.DataFrame:
        """All of them at once, for questions about a few cars; made when asked for."""
        return self.observed.whole()

    def others(self) -> Iterator[tuple[Driven, list[Fleet]]]:
        """The cars that do not teach, some at a time: their observations counted, and their fleets, without calm cells.

        Cars with a saturated row are a fleet of their own: those alone take rounds to judge.
        """
        for part in self.observed.each(teaching=False):
            takes_rounds = pl.col("saturated").any().over("spell")
            tagged = part.with_columns(source=pl.lit(OWN))
            yield driven(part), [fleet for rows in (takes_rounds, ~takes_rounds) for fleet in self._like(tagged, rows)]

    def _like(self, observations: pl.DataFrame, which: pl.Expr) -> Iterator[Fleet]:
        some = observations.filter(which)
        if self.fleet and some.height:
            names = list(self.fleet.families)
            yield _fleet([averaged(some, names)], [], self.window, names, self.fleet.like)


PULLS_USED = ("log", "pull", "date", "duty_max_pct", "dropouts", "dropouts_collapsing", "rail_deficits", "lean_s")
LEDGER_USED = ("log", "label", "date", "findings")


def gather(
    cells: pl.DataFrame | pl.LazyFrame,
    pulls: pl.DataFrame | pl.LazyFrame,
    ledger: pl.DataFrame,
    roster: pl.DataFrame,
    when: Window,
    today: date,
    pooled: pl.DataFrame | None = None,
    cells_at_once: int = CELLS_AT_ONCE,
    teachers_max: int | None = None,
) -> Material:
    """CELLS, PULLS, LEDGER, ROSTER of a store -> Material of the window `when`.

    pooled: CONTRIBUTION of other clubs. Their cars are in what the fleet learns from and in no table.
    teachers_max: at most so many cars of a setup teach; the rest are `others`. None: every car teaches.
    """
    spell_table = spells(roster)
    counts = when.holds() & (pl.col("date") <= today)
    seen = observed(cells.lazy().filter(counts), spell_table, when.in_quarter(), cells_at_once, teachers_max)
    lent = None
    if pooled is not None and not pooled.is_empty():
        lent = borrowed(pooled, roster, when.quarter, seen.spells.join(seen.placed, on="spell", how="semi"))
    counted, fleet = _reduced(seen, lent, when)
    kept = ledger.filter(counts & (pl.col("verdict") == "kept")).select(LEDGER_USED)
    placed = spell_of_logs(kept, spell_table).lazy()
    tagged = [
        table.join(placed, on="log", how="inner", maintain_order="left").with_columns(in_quarter=when.in_quarter())
        for table in (pulls.lazy().filter(counts).select(PULLS_USED), kept.lazy())
    ]
    return Material(when, spell_table, seen, counted, tagged[0], tagged[1].collect(), seen.tops, fleet, _borrowed(lent))


def _borrowed(lent: pl.DataFrame | None) -> dict[str, int]:
    if lent is None:
        return {"clubs": 0, "cars": 0}
    return {"clubs": lent["source"].n_unique(), "cars": lent["label"].n_unique()}


def _reduced(
    seen: Observed, lent: pl.DataFrame | None, when: Window, rule: LearningRule = LearningRule()
) -> tuple[Driven, Fleet | None]:
    """Part by part: what was driven in the quarter, and the means that the rounds work on.

    lent: observations of other clubs' cars, after the club's own.
    """
    own = seen.placed.join(seen.spells, on="spell")
    names = families(own if lent is None else pl.concat([table.select("pump", "calibration") for table in (own, lent)]))
    counted, rows, calm = [], [], []
    is_calm = (pl.col("pressure_log_sd") < rule.calm_ln_sd) & ~pl.col("saturated")
    for part in ahead(seen.each()):
        counted.append(driven(part))
        tagged = part.with_columns(source=pl.lit(OWN))
        rows.append(averaged(tagged, names))
        calm.append(averaged(tagged.filter(is_calm), names))
    if all(part.frame["saturated"].all() for part in rows):
        return together(counted), None
    if lent is None or lent.is_empty():
        return together(counted), _fleet(rows, calm, when, names)
    others = [averaged(lent, names)], [averaged(lent.filter(is_calm), names)]
    return together(counted), own_part(_fleet(rows + others[0], calm + others[1], when, names))


def _fleet(
    rows: list[Averaged], calm: list[Averaged], when: Window, names: list[str], like: pl.DataFrame | None = None
) -> Fleet:
    """like: the frame whose setups and medians the columns refer to; without it, that of these rows."""
    arrays, cells, frame = joined(rows, when.quarter_start)
    like = frame if like is None else like
    quiet = None
    if any(len(part.duty_pct) for part in calm):
        calm_rows, calm_cells, calm_frame = joined(calm, when.quarter_start)
        quiet = (calm_rows, calm_cells, design(calm_frame, like=like))
    first = frame[arrays.starts[:-1].tolist()]
    return Fleet(
        rows=arrays,
        cells=cells,
        design=design(frame, like=like),
        frame=frame,
        cars=first["label"].rank("dense").to_numpy().astype(np.int64),
        unit_family=first["family"].to_numpy(),
        calm=quiet,
        families=tuple(names),
        sources=first["source"].rank("dense").to_numpy().astype(np.int64) - 1,
        elders=None if like is frame else like,
    )
