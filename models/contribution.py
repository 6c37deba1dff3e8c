"""What a club gives to others: its cells of one quarter under fresh labels, rounded, no setup with few cars."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from ingest.labels import Key
from ingest.schemas import CONTRIBUTION, SETUP, VARIOUS
from models.ceilings import ceilings, saturated
from models.fleet import Window
from models.observations import observe, spell_of_logs, spells

# how setups are merged upward: the columns that become VARIOUS, step by step
MERGED = ((), ("calibration",), ("boost_hardware", "calibration"))


@dataclass(frozen=True)
class SharingRule:
    """cars_min: cars behind every setup that leaves. logs_max, pulls_max: of a car, and of a log.

    The others are what values are rounded to, coarse enough that a car is not told by them, fine enough for its demand.
    """

    cars_min: int = 10
    logs_max: int = 4
    pulls_max: int = 4
    duty_pct: float = 0.5
    manifold_pressure_kpa: float = 5.0
    pressure_log_sd: float = 0.01
    intake_air_c: float = 5.0
    lambda_ratio: float = 0.01
    ethanol_pct: float = 5.0
    rail_pressure_bar: float = 10.0


ROUNDED = tuple(name for name, dtype in CONTRIBUTION.items() if dtype == pl.Float64)


@dataclass(frozen=True)
class Contribution:
    """cells: CONTRIBUTION, all that leaves. setups: a row a setup of the club with cars, published_as (text, empty
    where it is left out) and why. ethanol_alone: cars that no other car of their published setup shares an ethanol
    band with. ends: the day after the quarter's last.
    """

    quarter: str
    cells: pl.DataFrame
    setups: pl.DataFrame
    ethanol_alone: int
    ends: date

    @property
    def cars(self) -> int:
        return self.cells["car"].n_unique()


def contribution(
    cells: pl.DataFrame, roster: pl.DataFrame, when: Window, club: str, once: Key, rule: SharingRule = SharingRule()
) -> Contribution:
    """CELLS and ROSTER of a store -> what leaves of the quarter of `when`.

    club: what the club is called in it. once: a key for this file alone, to be thrown away: labels and picks come
    from it.
    """
    table = spells(roster)
    now = cells.filter(when.in_quarter())
    own = _cells(now, table)
    placed, setups = published(own.select("label", *SETUP).unique(), rule.cars_min)
    sent = own.join(placed, on=["label", *SETUP], how="inner").drop(SETUP)
    sent = sent.rename({f"as_{name}": name for name in SETUP})
    sent = _renamed(sent, once, rule).with_columns(club=pl.lit(club), quarter=pl.lit(when.quarter))
    rounded = sent.with_columns(
        ((pl.col(name) / (step := getattr(rule, name))).round() * step).round(6) for name in ROUNDED
    )
    final = rounded.select(pl.col(name).cast(dtype) for name, dtype in CONTRIBUTION.items())
    final = final.sort(*SETUP, "car", "log", "pull", "band_rpm")
    return Contribution(when.quarter, final, setups, _alone(final), when.end)


def _cells(cells: pl.DataFrame, table: pl.DataFrame) -> pl.DataFrame:
    """Usable cells with their setup as the study sees it, the roster's ethanol where none was logged."""
    observed = observe(cells, table)
    tops = ceilings(observed)
    marked = observed.join(tops, on="calibration", how="left").with_columns(saturated=saturated())
    flags = marked.select("log", "pull", "band_rpm", "saturated", *SETUP)
    stated = table.select("spell", stated=pl.col("ethanol_pct"))
    return (
        cells.join(flags, on=["log", "pull", "band_rpm"], how="inner")
        .join(spell_of_logs(cells, table).join(stated, on="spell"), on="log")
        .with_columns(
            ethanol_measured=pl.col("ethanol_pct").is_not_null(),
            ethanol_pct=pl.coalesce(pl.col("ethanol_pct").mean().over("log"), "stated"),
            pressure_log_sd=pl.col("pressure_log_sd").fill_null(0.0),
            barometer_assumed=pl.col("barometer_assumed").fill_null(False),
        )
    )


def published(cars: pl.DataFrame, cars_min: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Under which setup each car leaves, merged upward until enough cars share one; who stays is not in it.

    cars: label and SETUP, a row a car and setup. Gives label, SETUP and as_SETUP; and a row a setup: SETUP, cars,
    published_as, why.
    A setup that stays must not follow from a total: where it alone of its engine and pump stays, the smallest of these
    that leaves is merged with it; where it alone of the club stays, the smallest engine and pump that leaves stays too
    (secondary suppression).
    """
    setups = cars.group_by(SETUP).agg(pl.col("label").n_unique().alias("cars")).sort("cars", *SETUP)
    left, done = cars, []
    for columns in MERGED:
        merged = left.with_columns(_as(columns))
        enough = merged.group_by(AS).agg(pl.col("label").n_unique().alias("n")).filter(pl.col("n") >= cars_min)
        done.append(merged.join(enough.drop("n"), on=AS, how="semi", nulls_equal=True))
        left = left.join(done[-1], on=["label", *SETUP], how="anti", nulls_equal=True)
    sent, left = _with_kin(pl.concat(done), left)
    if left.select(SETUP).n_unique() == 1:
        families = sent.group_by(KIN).agg(pl.col("label").n_unique().alias("n")).sort("n", *KIN)
        sent = sent.join(families.head(1), on=KIN, how="anti")
    why = (
        pl.when(pl.col("cars") >= cars_min)
        .then(pl.lit("a setup left out would follow from the total"))
        .otherwise(pl.lit(f"fewer than the {cars_min} cars that a published setup needs"))
    )
    out = setups.join(sent.select(*SETUP, *AS).unique(), on=SETUP, how="left", nulls_equal=True)
    words = pl.concat_str([pl.col(name) for name in AS[:4]], separator=" | ")
    port = pl.when("as_port_injection").then(pl.lit(" | port injection")).otherwise(pl.lit(""))
    told = out.with_columns(published_as=(words + port).fill_null(""))
    told = told.with_columns(why=pl.when(pl.col("published_as") == "").then(why).otherwise(pl.lit("")))
    return sent, told.drop(AS).sort(SETUP)


AS = tuple(f"as_{name}" for name in SETUP)
KIN = ("engine", "pump", "port_injection")


def _as(columns: tuple[str, ...]) -> list[pl.Expr]:
    return [(pl.lit(VARIOUS) if name in columns else pl.col(name)).alias(f"as_{name}") for name in SETUP]


def _with_kin(sent: pl.DataFrame, left: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A setup that alone of its engine and pump stays leaves merged with the smallest of these that leaves."""
    alone = left.filter(pl.struct(SETUP).n_unique().over(*KIN) == 1)
    groups = sent.group_by(AS).agg(pl.col("label").n_unique().alias("n")).sort("n", *AS)
    smallest = groups.group_by([f"as_{name}" for name in KIN], maintain_order=True).first()
    kin = alone.select(**{f"as_{name}": pl.col(name) for name in KIN}).unique()
    chosen = smallest.join(kin, on=[f"as_{name}" for name in KIN], how="semi").select(AS)
    joined = sent.join(chosen, on=AS, how="semi")
    taken = alone.join(chosen.select(**{name: pl.col(f"as_{name}") for name in KIN}), on=KIN, how="semi")
    together = pl.concat([joined.drop(AS), taken.select("label", *SETUP)]).with_columns(_as(MERGED[-1]))
    rest = left.join(taken, on=["label", *SETUP], how="anti")
    return pl.concat([sent.join(chosen, on=AS, how="anti"), together]), rest


def _renamed(sent: pl.DataFrame, once: Key, rule: SharingRule) -> pl.DataFrame:
    """Cars under labels of this file alone; at most so many of their logs, picked and numbered by chance, and pulls."""
    words = pl.concat_str(["label", *(pl.col(name).cast(pl.String) for name in SETUP)], separator="\0")
    car = {text: once.label(text) for text in sent.select(words.alias("w"))["w"].unique()}
    chance = {log: once.source(log) for log in sent["log"].unique()}
    logs = (
        sent.select(car=words.replace_strict(car, return_dtype=pl.String), log="log", pull="pull")
        .unique()
        .with_columns(order=pl.col("log").replace_strict(chance, return_dtype=pl.String))
        .with_columns(
            new_log=pl.col("order").rank("dense").over("car").cast(pl.Int32),
            new_pull=pl.col("pull").rank("dense").over("car", "log").cast(pl.Int32),
        )
        .filter(pl.col("new_log") <= rule.logs_max, pl.col("new_pull") <= rule.pulls_max)
    )
    tagged = sent.with_columns(car=words.replace_strict(car, return_dtype=pl.String))
    joined = tagged.join(logs, on=["car", "log", "pull"], how="inner")
    return joined.drop("label", "log", "pull").rename({"new_log": "log", "new_pull": "pull"})


def _alone(cells: pl.DataFrame) -> int:
    """Cars that no other car of their setup shares an ethanol band with."""
    bands = cells.group_by(*SETUP, "car").agg(pl.col("ethanol_pct").median())
    return int((bands.group_by(*SETUP, "ethanol_pct").len()["len"] == 1).sum())
