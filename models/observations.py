"""Cells joined to the roster: what was asked of the pump, what is missing, and how unsure that leaves it."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from ingest.schemas import SETUP_WORDS
from models.demand import REFERENCE_INTAKE_K, demand, fuel_factor, fuel_factor_slope

# one row a full-load cell of a car whose setup is known on that day
OBSERVATIONS = {
    "spell": pl.Int32,  # row of `spells`
    "label": pl.String,
    "setup": pl.String,
    "engine": pl.String,
    "pump": pl.String,
    "boost_hardware": pl.String,
    "calibration": pl.String,
    "port_injection": pl.Boolean,
    "log": pl.String,
    "date": pl.Date,
    "pull": pl.Int32,
    "band_rpm": pl.Int32,
    "duty_pct": pl.Float64,
    "duty_max_pct": pl.Float64,
    "duty_top_share": pl.Float64,
    "samples": pl.Int32,
    "demand": pl.Float64,
    "ln_fuel_factor": pl.Float64,
    "ln_intake": pl.Float64,  # ln of absolute intake temperature over 298.15 K
    "rail_100bar": pl.Float64,  # rail pressure in 100 bar, the fleet's median where not logged
    "ethanol_pct": pl.Float64,
    "boost_kpa": pl.Float64,
    "pressure_log_sd": pl.Float64,
    "barometer_assumed": pl.Boolean,
    "ethanol_sd": pl.Float64,  # of ln(volume), from an ethanol content that was not measured
    "unlogged_sd": pl.Float64,  # of ln(volume), from lambda and intake temperature that were not logged
    "ethanol_logged": pl.Boolean,
    "lambda_logged": pl.Boolean,
    "intake_logged": pl.Boolean,
    "rail_logged": pl.Boolean,
}


@dataclass(frozen=True)
class NotMeasured:
    """Standard deviations that stand in for what a log does not hold.

    ethanol points by stated content: a label is a range (a station's "E85" holds 51 to 83 %).
    lambda_ln: between cars at full load, in ln. intake_ln: 10 K of 300 at half the ideal gas's weight.
    """

    ethanol_to_e10: float = 3.0
    ethanol_to_e30: float = 5.0
    ethanol_above: float = 10.0
    ethanol_unknown: float = 15.0
    lambda_ln: float = 0.03
    intake_ln: float = 0.017
    lambda_ratio: float = 0.85
    intake_air_c: float = 35.0
    ethanol_pct: float = 10.0
    rail_pressure_bar: float = 150.0


def spells(roster: pl.DataFrame) -> pl.DataFrame:
    """ROSTER with `spell` (a number a row) and `setup`, ordered by label and date.

    setup: engine | pump | boost hardware | calibration, and "port injection" where the car has it.
    """
    words = [pl.col(name).fill_null("?") for name in SETUP_WORDS]
    port = pl.when(pl.col("port_injection").fill_null(False)).then(pl.lit(" | port injection")).otherwise(pl.lit(""))
    return (
        roster.with_columns(pl.col("port_injection").fill_null(False))
        .with_columns(pl.col("boost_hardware", "calibration").fill_null("?"))
        .sort("label", "since", "until", nulls_last=False)
        .with_columns(setup=pl.concat_str(words, separator=" | ") + port)
        .with_row_index("spell")
        .with_columns(pl.col("spell").cast(pl.Int32))
    )


def spell_of_logs(logs: pl.DataFrame, spell_table: pl.DataFrame) -> pl.DataFrame:
    """log, spell: the roster row whose dates hold each log; logs without one are left out.

    logs: log, label, date. A log on the day of a change belongs to the later row.
    """
    first, last = pl.lit(date.min), pl.lit(date.max)
    return (
        logs.select("log", "label", "date")
        .unique()
        .join(spell_table.select("label", "spell", "since", "until"), on="label")
        .filter(pl.col("date") >= pl.coalesce("since", first), pl.col("date") <= pl.coalesce("until", last))
        .group_by("log")
        .agg(pl.col("spell").max())
        .sort("log")
    )


CHANNELS = ("lambda_ratio", "intake_air_c", "rail_pressure_bar")
# columns of CELLS that observations are made of
CELLS_USED = (
    "label", "log", "date", "pull", "band_rpm", "duty_pct", "duty_max_pct", "duty_top_share", "samples",
    "manifold_pressure_kpa", "boost_kpa", "pressure_log_sd", "barometer_assumed", "ethanol_pct", *CHANNELS,
)  # fmt: skip
USABLE = (pl.col("duty_pct") > 1.0) & (pl.col("manifold_pressure_kpa") > 20.0)


@dataclass(frozen=True)
class Usual:
    """What stands in for a channel that a log does not hold: the peers' medians over all cells of cars that teach.

    by_setup: setup, usual of ethanol, and ethanol_pct the fleet's; channels: of lambda, intake and rail, by engine and
    band and by band. Nothing of a channel that every cell has.
    """

    by_setup: pl.DataFrame
    ethanol_pct: float | None
    channels: dict[str, tuple[pl.DataFrame, pl.DataFrame]]


def with_setups(cells: pl.LazyFrame, placed: pl.DataFrame, spell_table: pl.DataFrame) -> pl.LazyFrame:
    """Usable CELLS with their spell, its setup and its stated ethanol. placed: of `spell_of_logs`."""
    setups = spell_table.select(
        "spell", "setup", "engine", "pump", "boost_hardware", "calibration", "port_injection",
        roster_ethanol=pl.col("ethanol_pct"),
    )  # fmt: skip
    return cells.filter(USABLE).join(placed.join(setups, on="spell").lazy(), on="log")


def usual(joined: pl.LazyFrame) -> Usual:
    """The medians of `with_setups`, channel by channel, so that few columns are held at a time."""
    stated = pl.coalesce("ethanol_pct", "roster_ethanol").alias("usual")
    lacking = joined.select(stated.null_count(), pl.col(CHANNELS).null_count()).collect().row(0, named=True)
    by_setup, ethanol_pct = pl.DataFrame(schema={"setup": pl.String, "usual": pl.Float64}), None
    if lacking["usual"]:
        known = joined.select("setup", stated).drop_nulls().collect()
        by_setup, ethanol_pct = known.group_by("setup").agg(pl.col("usual").median()), known["usual"].median()
    channels = {}
    for name in CHANNELS:
        if lacking[name]:
            known = joined.select("engine", "band_rpm", usual=pl.col(name)).drop_nulls("usual").collect()
            grouped = [known.group_by(keys).agg(pl.col("usual").median()) for keys in (KEYS[:2], KEYS[1:2])]
            channels[name] = (grouped[0], grouped[1])
    return Usual(by_setup, ethanol_pct if isinstance(ethanol_pct, float) else None, channels)


KEYS = ("engine", "band_rpm")


def observe(
    cells: pl.DataFrame | pl.LazyFrame,
    spell_table: pl.DataFrame,
    missing: NotMeasured = NotMeasured(),
    placed: pl.DataFrame | None = None,
    peers: Usual | None = None,
) -> pl.DataFrame:
    """CELLS and the table of `spells` -> OBSERVATIONS, ordered by spell, log, band and pull.

    placed, peers: of `spell_of_logs` and `usual` over all cells, where these are only some of them.
    """
    if placed is None:
        placed = spell_of_logs(cells.lazy().filter(USABLE).select("log", "label", "date").collect(), spell_table)
    joined = with_setups(cells.lazy(), placed, spell_table)
    peers = peers or usual(joined)
    marked = joined.with_columns(
        ethanol_logged=pl.col("ethanol_pct").is_not_null(),
        lambda_logged=pl.col("lambda_ratio").is_not_null(),
        intake_logged=pl.col("intake_air_c").is_not_null(),
        rail_logged=pl.col("rail_pressure_bar").is_not_null(),
        barometer_assumed=pl.col("barometer_assumed").fill_null(False),
        pressure_log_sd=pl.col("pressure_log_sd").fill_null(0.0),
    )
    filled = _fill(marked, peers, missing).collect()
    asked = demand(
        filled["manifold_pressure_kpa"].to_numpy(),
        filled["intake_air_c"].to_numpy(),
        filled["lambda_ratio"].to_numpy(),
        filled["ethanol_pct"].to_numpy(),
    )
    slope = fuel_factor_slope(filled["ethanol_pct"].to_numpy())
    return (
        filled.with_columns(
            demand=pl.Series(asked),
            ln_fuel_factor=pl.Series(fuel_factor(filled["ethanol_pct"].to_numpy())).log(),
            ln_intake=((pl.col("intake_air_c") + 273.15) / REFERENCE_INTAKE_K).log(),
            rail_100bar=pl.col("rail_pressure_bar") / 100.0,
            ethanol_sd=pl.col("ethanol_points_sd") * pl.Series(slope),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in OBSERVATIONS.items())
        .sort("spell", "log", "band_rpm", "pull")
    )


def _fill(cells: pl.LazyFrame, peers: Usual, missing: NotMeasured) -> pl.LazyFrame:
    """What a log does not hold: the peers' median by band, else the fleet's, else a usual value."""
    points = (
        pl.when(pl.col("ethanol_logged"))
        .then(0.0)
        .when(pl.col("roster_ethanol").is_null())
        .then(missing.ethanol_unknown)
        .when(pl.col("roster_ethanol") <= 10.0)
        .then(missing.ethanol_to_e10)
        .when(pl.col("roster_ethanol") <= 30.0)
        .then(missing.ethanol_to_e30)
        .otherwise(missing.ethanol_above)
    )
    lambda_sd = pl.when(pl.col("lambda_logged")).then(0.0).otherwise(missing.lambda_ln)
    intake_sd = pl.when(pl.col("intake_logged")).then(0.0).otherwise(missing.intake_ln)
    stated = pl.coalesce("ethanol_pct", "roster_ethanol", "usual", pl.lit(peers.ethanol_pct), missing.ethanol_pct)
    filled = cells.join(peers.by_setup.lazy(), on="setup", how="left").with_columns(
        ethanol_points_sd=points, unlogged_sd=(lambda_sd**2 + intake_sd**2).sqrt(), ethanol_pct=stated
    )
    rest = (missing.lambda_ratio, missing.intake_air_c, missing.rail_pressure_bar)
    for name, otherwise in zip(CHANNELS, rest, strict=True):
        if name in peers.channels:
            by_engine, by_band = (table.lazy() for table in peers.channels[name])
            filled = (
                filled.drop("usual")
                .join(by_engine, on=KEYS, how="left")
                .join(by_band, on="band_rpm", how="left", suffix="_of_band")
                .with_columns(pl.coalesce(name, "usual", "usual_of_band", otherwise).alias(name))
                .drop("usual_of_band")
            )
    return filled
