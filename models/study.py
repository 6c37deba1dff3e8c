"""The study of one quarter, step by step."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from models.baselines import baselines
from models.change import changes
from models.curves import setup_curves
from models.fleet import Material, gather, window
from models.judgement import evidence, shown
from models.learning import Learned, learn
from models.next_logs import next_logs
from models.observed import CELLS_AT_ONCE, Driven
from models.other_pump import OTHER_PUMPS, other_pumps
from models.patterns import check_first, patterns
from models.pump_limit import counted_events, pump_limit
from models.schemas import BASELINES, CAR_LOGS, CARS, CURVES, QUALITY, Study
from models.signals import signals
from models.summary import summarize
from models.told import tell
from models.trend import first_seen

SENSOR_CODES = ("sensor_at_end",)


@dataclass(frozen=True)
class StudySize:
    """teachers_max: at most so many cars of a setup teach what is expected of it; beyond that the expectation's own
    uncertainty is lost in how far healthy cars differ (their variance over so many). cells_at_once: held in memory.
    """

    teachers_max: int = 40
    cells_at_once: int = CELLS_AT_ONCE


def run_study(
    cells: pl.DataFrame | pl.LazyFrame,
    pulls: pl.DataFrame | pl.LazyFrame,
    ledger: pl.DataFrame,
    roster: pl.DataFrame,
    quarter: str | None = None,
    previous: Study | None = None,
    today: date | None = None,
    earlier: pl.DataFrame | None = None,
    pooled: pl.DataFrame | None = None,
    size: StudySize = StudySize(),
) -> Study:
    """CELLS, PULLS, LEDGER and ROSTER of a store -> the Study of a quarter.

    cells, pulls: where lazy, read some cars or columns at a time, so that they need not fit in memory.
    quarter: "2026Q3"; without it the quarter of the newest log. previous: the study of the quarter before, for
    what changed. earlier: SAID of `models.outcome`, of studies before, for what was found since. today: logs dated
    later count for nothing; default is this day.
    Raises ValueError in words for a quarter that is none, NothingToStudyError where nobody drove a full-load pull.
    """
    today = today or date.today()
    when = window(quarter, ledger, today)
    material = gather(cells, pulls, ledger, roster, when, today, pooled, size.cells_at_once, size.teachers_max)
    learned = learn(material.fleet) if material.fleet else None
    told = tell(material, learned)
    judged = judge_cars(material, told.driven, told.spells, _other_pumps(material, learned))
    logs = _car_logs(material, told.logs)
    cars = _cars(judged, told.curves, _since(judged, logs, learned))
    quality = _quality(ledger, when.in_quarter())
    return Study(
        quarter=when.quarter,
        cars=cars,
        changes=changes(previous.cars if previous else None, cars),
        baselines=_baselines(material, learned, told.driven.cars),
        curves=_with_roster(told.curves, material.spells, CURVES),
        car_logs=_with_roster(logs, material.spells, CAR_LOGS),
        quality=quality,
        summary=summarize(when.quarter, cars, material, learned, quality, told.driven.cells, earlier),
        next_logs=next_logs(judged, told.driven.bands, told.close, learned).drop("spell"),
    )


def judge_cars(
    material: Material, driven: Driven, spells: pl.DataFrame, other_pumps: pl.DataFrame | None = None
) -> pl.DataFrame:
    """One row a spell of the quarter: events, limits, evidence, signal, pattern, what to check first.

    driven, spells: every car's observations counted, and SHOWN. other_pumps: OTHER_PUMPS.
    """
    setups = material.spells.select(
        "spell", "label", "setup", "engine", "pump", "boost_hardware", "calibration",
        spell_since=pl.col("since"), spell_until=pl.col("until"),
    )  # fmt: skip
    when = material.window
    active = (pl.col("spell_since").is_null() | (pl.col("spell_since") < when.end)) & (
        pl.col("spell_until").is_null() | (pl.col("spell_until") >= when.quarter_start)
    )
    events = setups.join(_events(material, driven), on="spell", how="left", maintain_order="left")
    base = events.filter(active).join(_circumstances(material, driven), on="spell", how="left", maintain_order="left")
    base = base.with_columns(
        pl.col("logs", "pulls", "logs_window", "dropouts", "pulls_collapsing").fill_null(0),
        pl.col("pump_limit").fill_null("unknown"),
        peers=_peers(),
    )
    found = evidence(spells, events).drop("setup")
    fits = pl.DataFrame(schema=OTHER_PUMPS) if other_pumps is None else other_pumps
    told = found.join(fits, on="spell", how="left", maintain_order="left")
    return _signalled(base.join(told, on="spell", how="left", maintain_order="left"))


def judge_taught(material: Material, learned: Learned) -> pl.DataFrame:
    """As `judge_cars`, where every car has taught."""
    return judge_cars(material, material.driven, shown(learned), _other_pumps(material, learned))


def _signalled(table: pl.DataFrame) -> pl.DataFrame:
    filled = table.with_columns(
        pl.col("peers_mostly_high", "told_apart", "ethanol_logged", "lambda_logged", "intake_logged", "rail_logged",
               "barometer_assumed", "sensor_at_end").fill_null(False),
    )  # fmt: skip
    return check_first(patterns(signals(filled)))


def _peers() -> pl.Expr:
    """Other cars of the same setup with pulls in the quarter."""
    driven = pl.col("pulls") > 0
    others = pl.col("label").filter(driven).n_unique().over("setup") - driven.cast(pl.Int32)
    return others.clip(lower_bound=0).cast(pl.Int32)


def _other_pumps(material: Material, learned: Learned | None) -> pl.DataFrame | None:
    return other_pumps(material.fleet, learned) if learned and material.fleet else None


def _events(material: Material, driven: Driven) -> pl.DataFrame:
    """spell, logs, pulls, days, dropouts ..., pump_limit, saturated_share: the quarter's events."""
    events = counted_events(material.pulls)
    limited = pump_limit(events, driven.spells.select("spell", "saturated_pulls"))
    share = driven.spells.select("spell", "saturated_share")
    counted = material.ledger.group_by("spell").agg(
        logs=pl.col("in_quarter").sum().cast(pl.Int32), logs_window=pl.len().cast(pl.Int32)
    )
    return (
        counted.join(events.drop("logs"), on="spell", how="left")
        .join(limited, on="spell", how="left")
        .join(share, on="spell", how="left")
        .with_columns(
            # a rail that was never logged has no deficits to count, rather than none
            rail_deficits=pl.when(pl.col("pulls_with_rail") > 0).then("rail_deficits"),
        )
        .cast(dict.fromkeys(("pulls", "dropouts", "dropouts_collapsing", "rail_deficits"), pl.Int32))
        .sort("spell")
    )


def _circumstances(material: Material, driven: Driven) -> pl.DataFrame:
    """spell, what was logged, whether a sensor stood at its end: for `check_first`."""
    logged = driven.spells.drop("saturated_share", "saturated_pulls")
    ended = material.ledger.filter("in_quarter").select(
        "spell",
        at_end=pl.col("findings").list.eval(pl.element().struct["code"].is_in(SENSOR_CODES)).list.any(),
    )
    return logged.join(ended.group_by("spell").agg(sensor_at_end=pl.col("at_end").any()), on="spell", how="left").sort(
        "spell"
    )


def _baselines(material: Material, learned: Learned | None, cars: pl.DataFrame) -> pl.DataFrame:
    if learned is None or material.fleet is None:
        return pl.DataFrame(schema=BASELINES)
    expected = setup_curves(material.fleet, learned, material.ceilings)
    return baselines(cars, expected)


def _car_logs(material: Material, excess: pl.DataFrame) -> pl.DataFrame:
    """spell and CAR_LOGS with `variance` [ln volume]: one row a kept log of the window. excess: LOG_EXCESS."""
    events = material.pulls.group_by("log").agg(
        pulls=pl.len().cast(pl.Int32), duty_max_pct=pl.col("duty_max_pct").max(),
        dropouts=pl.col("dropouts").sum().cast(pl.Int32), rail_deficits=pl.col("rail_deficits").sum().cast(pl.Int32),
    )  # fmt: skip
    kept = material.ledger.select("spell", "log", "label", "date", "in_quarter").join(
        material.spells.select("spell", "setup"), on="spell"
    )
    every = kept.join(events, on="log", how="left").with_columns(pl.col("pulls", "dropouts").fill_null(0))
    half = 1.95996 * pl.col("variance").sqrt()
    return (
        every.join(excess, on="log", how="left")
        .with_columns(
            excess_pct=100 * (pl.col("excess").exp() - 1),
            excess_low_pct=100 * ((pl.col("excess") - half).exp() - 1),
            excess_high_pct=100 * ((pl.col("excess") + half).exp() - 1),
        )
        .sort("spell", "date", "log")
    )


def _cars(judged: pl.DataFrame, curves: pl.DataFrame, seen: pl.DataFrame) -> pl.DataFrame:
    """Everything known of a spell -> CARS, those that need attention first."""
    duties = curves.group_by("spell").agg(
        observed_duty_pct=pl.col("duty_pct").mean(), expected_duty_pct=pl.col("expected_duty_pct").mean()
    )
    attention = pl.when(pl.col("pump_limit") == "rail_short").then(0).when(pl.col("pump_limit") == "reached").then(1)
    rank = pl.col("signal").replace_strict(
        {"action": 2, "warning": 3, "clear": 4, "undecided": 4}, return_dtype=pl.Int32
    )
    return (
        judged.join(duties, on="spell", how="left")
        .join(seen, on="spell", how="left")
        .with_columns(
            logs_needed=pl.when(pl.col("signal") == "undecided").then("logs_needed"),
            order=attention.otherwise(rank),
        )
        .sort("order", "signal", pl.col("excess_pct").fill_null(-1e9) * -1, "label", "spell")
        .with_columns(
            pl.selectors.float().exclude("p_value", "q_value").round(3), pl.col("p_value", "q_value").round(6)
        )
        .select(pl.col(name).cast(dtype) for name, dtype in CARS.items())
    )


def _since(judged: pl.DataFrame, logs: pl.DataFrame, learned: Learned | None) -> pl.DataFrame:
    """spell, since: the day the excess of a car that stands out is first seen."""
    rows = []
    car_sd = float(learned.spread[0, 0]) ** 0.5 if learned else 0.0
    standing = judged.filter(pl.col("signal").is_in(["action", "warning"]) & pl.col("high"))["spell"].to_list()
    known = logs.filter(pl.col("excess").is_not_null() & pl.col("spell").is_in(standing))
    for (spell,), group in known.group_by("spell", maintain_order=True):
        sd = float(group["variance"].mean() or 0.0) ** 0.5  # type: ignore[arg-type]
        rows.append((spell, first_seen(group["date"].to_list(), group["excess"].to_numpy(), sd, car_sd)))
    return pl.DataFrame(rows, schema={"spell": pl.Int32, "since": pl.Date}, orient="row")


def _with_roster(table: pl.DataFrame, spells: pl.DataFrame, schema: dict[str, Any]) -> pl.DataFrame:
    return (
        table.drop("label", "setup", strict=False)
        .join(
            spells.select("spell", "label", "setup", spell_since="since"), on="spell", how="left", maintain_order="left"
        )
        .with_columns(pl.selectors.float().round(3))
        .select(pl.col(name).cast(dtype) for name, dtype in schema.items())
    )


def _quality(ledger: pl.DataFrame, in_quarter: pl.Expr) -> pl.DataFrame:
    """LEDGER -> QUALITY: the quarter's files and those without a date, findings as codes."""
    finding = pl.element().struct["code"] + pl.when(pl.element().struct["channel"] != "").then(
        pl.lit(" ") + pl.element().struct["channel"]
    ).otherwise(pl.lit(""))
    return (
        ledger.filter(in_quarter | pl.col("date").is_null())
        .with_columns(findings=pl.col("findings").list.eval(finding).list.unique(maintain_order=True).list.join(";"))
        .sort("verdict", "label", "date", "log", nulls_last=True)
        .select(pl.col(name).cast(dtype) for name, dtype in QUALITY.items())
    )
