"""Faults planted in copies of a fleet's own healthy cars, and the same study run again: how many would be found?

A check of power, not a proof of the duty law: the faults are planted through the very law that reads them.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.duty_law import delivered_share, duty_for_share
from models.engine_speed import CENTRE_RPM, HALF_RANGE_RPM, car_basis
from models.excess import QUARTER_DAYS, SLOPE, FourNumbers
from models.fleet import Material, gather, window
from models.judgement import freedom
from models.learning import Learned, learn
from models.power import power
from models.signals import WARNING_P
from models.study import judge_taught

Array = NDArray[np.float64]

# one row a fault and size
DRILL: dict[str, Any] = {
    "fault": pl.String,  # all_speeds, top, bottom, drift, dropouts
    "size_pct": pl.Float64,  # of fuel volume where the fault is largest; null for dropouts
    "planted": pl.Int32,
    "action": pl.Int32,
    "noticed": pl.Int32,  # action or warning
    "expected_noticed": pl.Float64,  # by the analytic power; null for dropouts
}

SIZES_PCT = (5.0, 8.0, 12.0, 20.0)
# share of the fault's size at an engine speed [1/min] and share of the quarter that has passed
SHAPES: dict[str, Callable[[Array, Array], Array]] = {
    "all_speeds": lambda rpm, passed: np.ones_like(rpm),
    "top": lambda rpm, passed: np.clip((rpm - 4500.0) / 2000.0, 0.0, 1.0),
    "bottom": lambda rpm, passed: np.clip((5500.0 - rpm) / 3000.0, 0.0, 1.0),
    "drift": lambda rpm, passed: np.clip(passed, 0.0, 1.0) * np.ones_like(rpm),
}


@dataclass(frozen=True)
class DrillRule:
    """runs: times the study is run again. planted_share: of the quiet cars that carry a fault in one run."""

    runs: int = 17
    planted_share: float = 0.12


@dataclass(frozen=True)
class Drill:
    """found: DRILL. sound: cars without a planted fault, over all runs, that had no signal before; false_actions: of
    these given `action` in a run. quarter: as studied."""

    quarter: str
    found: pl.DataFrame
    sound: int
    false_actions: int


@dataclass(frozen=True)
class Fault:
    """A fault to plant in one spell. size_pct: extra volume where it is largest [%]; None for dropouts."""

    name: str
    size_pct: float | None


def faults() -> tuple[Fault, ...]:
    """Every fault of the drill: four shapes in four sizes, and dropouts.

    >>> len(faults())
    17
    """
    sized = [Fault(name, size) for size in SIZES_PCT for name in SHAPES]
    return (*sized, Fault("dropouts", None))


def drill(
    cells: pl.DataFrame,
    pulls: pl.DataFrame,
    ledger: pl.DataFrame,
    roster: pl.DataFrame,
    quarter: str | None = None,
    rule: DrillRule = DrillRule(),
    today: date | None = None,
    progress: Callable[[int, int], None] | None = None,
    pooled: pl.DataFrame | None = None,
) -> Drill:
    """CELLS, PULLS, LEDGER, ROSTER and CONTRIBUTION -> Drill. Deterministic. Raises ValueError in words as `run_study`.

    In each run some of the cars that gave no signal carry a planted fault, each car in its turn, and the whole
    fleet is studied anew: duty law, variances and weights included.
    """
    today = today or date.today()
    when = window(quarter, ledger, today)
    material = gather(cells, pulls, ledger, roster, when, today, pooled)
    if material.fleet is None:
        return Drill(when.quarter, _table([]), 0, 0)
    learned = learn(material.fleet)
    quiet = _quiet(judge_taught(material, learned))
    rows: list[dict[str, Any]] = []
    sound = false_actions = 0
    for run, chosen in enumerate(_turns(quiet, rule)):
        planted = _plant_all(cells, pulls, chosen, material, learned)
        again = gather(*planted, ledger, roster, when, today, pooled)
        assert again.fleet is not None  # there are as many cells as before
        relearned = learn(again.fleet)
        judged = judge_taught(again, relearned)
        rows += _outcomes(chosen, judged, relearned)
        others = judged.filter(pl.col("spell").is_in(quiet) & ~pl.col("spell").is_in(list(chosen)))
        sound += others.height
        false_actions += int((others["signal"] == "action").sum())
        if progress:
            progress(run + 1, rule.runs)
    return Drill(when.quarter, _table(rows), sound, false_actions)


def _quiet(judged: pl.DataFrame) -> list[int]:
    """Spells that gave no signal and show no limit: the cars a fault can be planted in."""
    calm = pl.col("signal").is_in(["clear", "undecided"]) & pl.col("judged").fill_null(False) & (pl.col("logs") >= 2)
    return judged.filter(calm).sort("label", "spell")["spell"].to_list()


def _turns(quiet: list[int], rule: DrillRule) -> list[dict[int, Fault]]:
    """For each run the spells that carry a fault, and which: cars and faults take turns, so that each has its share."""
    if not quiet:
        return []
    order = np.random.default_rng(0).permutation(quiet).tolist()
    a_run = max(1, round(rule.planted_share * len(order)))
    kinds = faults()
    turns = [(order[k % len(order)], kinds[k % len(kinds)]) for k in range(rule.runs * a_run)]
    return [dict(turns[run * a_run : (run + 1) * a_run]) for run in range(rule.runs)]


def _plant_all(
    cells: pl.DataFrame, pulls: pl.DataFrame, chosen: dict[int, Fault], material: Material, learned: Learned
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The store's cells and pulls with each chosen spell's fault in its logs of the quarter."""
    placed = material.ledger.filter("in_quarter").select("log", "spell")
    tagged = cells.join(placed, on="log", how="left", maintain_order="left")
    parts = [tagged.filter(~pl.col("spell").is_in(list(chosen)) | pl.col("spell").is_null())]
    dropping = []
    for spell, fault in chosen.items():
        own = tagged.filter(pl.col("spell") == spell)
        if fault.size_pct is None:
            dropping.append(spell)
            parts.append(own)
        else:
            parts.append(plant(own, fault, *_law_of(spell, material, learned), material.window.quarter_start))
    marked = pulls.join(placed, on="log", how="left", maintain_order="left")
    return pl.concat(parts).drop("spell"), plant_dropouts(marked, dropping).drop("spell")


def _law_of(spell: int, material: Material, learned: Learned) -> tuple[float, float]:
    """Round share and ceiling [%] of a spell's pump and calibration."""
    row = material.spells.row(by_predicate=pl.col("spell") == spell, named=True)
    round_share = dict(zip(learned.law.family, learned.law.values, strict=True))[
        f"{row['pump']} | {row['calibration']}"
    ]
    ceilings = dict(material.ceilings.select("calibration", "ceiling_pct").iter_rows())
    return float(round_share), float(ceilings[row["calibration"]])


def plant(cells: pl.DataFrame, fault: Fault, round_share: float, ceiling_pct: float, start: date) -> pl.DataFrame:
    """One spell's CELLS with the fault's extra volume asked for through the duty law, up to the ceiling.

    start: the quarter's first day, from which a drift grows.
    """
    rpm = cells["engine_speed_rpm"].to_numpy()
    passed = cells.select((pl.col("date") - start).dt.total_days())["date"].to_numpy() / QUARTER_DAYS
    extra = 1.0 + (fault.size_pct or 0.0) / 100.0 * SHAPES[fault.name](rpm, passed)
    most = float(delivered_share(ceiling_pct, round_share))
    wanted = delivered_share(cells["duty_pct"].to_numpy(), round_share) * extra
    highest = delivered_share(cells["duty_max_pct"].to_numpy(), round_share) * extra
    stopped = wanted >= most
    duty, top = (duty_for_share(np.minimum(share, most), round_share) for share in (wanted, highest))
    return cells.with_columns(
        duty_pct=pl.Series(duty),
        duty_max_pct=pl.Series(top),
        duty_top_share=pl.when(pl.Series(stopped)).then(1.0).otherwise("duty_top_share"),
    )


def plant_dropouts(pulls: pl.DataFrame, spells: list[int]) -> pl.DataFrame:
    """PULLS with `spell`: every second pull of these spells gets a dropout in which the rail, or mixture, goes."""
    turn = (pl.int_range(pl.len()).over("spell") % 2 == 0) & pl.col("spell").is_in(spells).fill_null(False)
    logged = pl.col("rail_deficits").is_not_null()
    return pulls.with_columns(
        dropouts=pl.when(turn).then(1).otherwise("dropouts").cast(pl.Int32),
        dropouts_collapsing=pl.when(turn & logged).then(1).otherwise("dropouts_collapsing").cast(pl.Int32),
        lean_s=pl.when(turn & pl.col("lean_s").is_not_null()).then(0.3).otherwise("lean_s"),
    )


def _outcomes(chosen: dict[int, Fault], judged: pl.DataFrame, learned: Learned) -> list[dict[str, Any]]:
    """One row a planted fault: what the study said, and what the analytic power foretold."""
    signal = dict(judged.select("spell", "signal").iter_rows())
    numbers = learned.judged.numbers
    unit_of = {spell: unit for unit, spell in enumerate(learned.rows.spells.tolist())}
    degrees = freedom(learned.healthy_cars)
    rows = []
    for spell, fault in chosen.items():
        row: dict[str, Any] = {"fault": fault.name, "size_pct": fault.size_pct, "signal": signal[spell]}
        if fault.size_pct is not None:
            unit = np.array([unit_of[spell]])
            one = FourNumbers(*(getattr(numbers, field.name)[unit] for field in fields(numbers)))
            shift = four_numbers_of(fault, float(one.passed[0]), bool(one.dated[0]))[None, :]
            row["expected_noticed"] = float(power(one, learned.spread, shift, WARNING_P, degrees)[0])
        rows.append(row)
    return rows


def four_numbers_of(fault: Fault, passed: float, dated: bool) -> Array:
    """What a fault adds to level, tilt, bow and slope, (4,): its curve at the logs' mean date, and its growth."""
    z = np.linspace(-1.0, 1.0, 81)
    rpm = CENTRE_RPM + HALF_RANGE_RPM * z
    curve = np.log1p((fault.size_pct or 0.0) / 100.0 * SHAPES[fault.name](rpm, np.full_like(rpm, passed)))
    shift = np.r_[np.linalg.lstsq(car_basis(z), curve, rcond=None)[0], 0.0]
    if fault.name == "drift" and dated:
        shift[SLOPE] = np.log1p((fault.size_pct or 0.0) / 100.0)
    return np.asarray(shift)


def _table(rows: list[dict[str, Any]]) -> pl.DataFrame:
    """The outcomes counted by fault and size -> DRILL."""
    schema = {"fault": pl.String, "size_pct": pl.Float64, "signal": pl.String, "expected_noticed": pl.Float64}
    table = pl.DataFrame(rows, schema=schema)
    return (
        table.group_by("fault", "size_pct")
        .agg(
            pl.len().alias("planted"),
            (pl.col("signal") == "action").sum().alias("action"),
            pl.col("signal").is_in(["action", "warning"]).sum().alias("noticed"),
            pl.when(pl.col("expected_noticed").count() > 0).then(pl.col("expected_noticed").sum()),
        )
        .sort("fault", "size_pct")
        .with_columns(pl.selectors.float().round(2))
        .select(pl.col(name).cast(dtype) for name, dtype in DRILL.items())
    )
