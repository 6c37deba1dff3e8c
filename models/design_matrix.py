"""Observations to arrays: rows of log and band, the columns of the expectation and their priors."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.schemas import BAND_WIDTH_RPM
from models.columns import Columns
from models.duty_law import delivered_share, delivered_slope
from models.engine_speed import middle_rpm, scaled_speed, speed_curve

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEFT_OUT = 100.0  # a variance of ln(volume) that leaves a row without a say


# partially pooled effects and the columns that make them
POOLED = {
    "engine x pump": ("engine", "pump"),
    "boost hardware": ("boost_hardware",),
    "calibration": ("calibration",),
    "setup": ("setup",),
}


# slopes of what differs from row to row: name, and its column of OBSERVATIONS; its prior has the same name in `Priors`
SLOPES = {"demand": "ln_demand", "fuel": "ln_fuel_factor", "intake": "ln_intake", "rail": "rail_100bar"}


# effects of who gave the cars, where clubs pool theirs, and the columns that make them
SOURCED = {"source": ("source",), "source x setup": ("source", "setup")}
SOURCED_NAMES = (*SOURCED, "source tilt", "source bow")


@dataclass(frozen=True)
class Priors:
    """Prior standard deviations of the expectation's coefficients, in ln(volume). [1]

    free: shared curve of engine speed. engine, pump: an engine's displacement and a pump's size are anybody's
    guess. engine_curve: how far an engine's curve leaves the shared one. demand, fuel: how far their slopes leave 1.
    Demand is measured with noise, which flattens any slope that is fitted within a car (regression dilution, Fuller
    1987, Measurement Error Models), and so would bend the duty law; hence the physics is held tightly for what
    differs between cars and bands, and what differs from log to log within a car and band has a slope of its own,
    `dilution`. intake: exponent of intake temperature around its start. rail: per 100 bar.
    setup_shape: tilt and bow of a setup's curve, which the duty law and its charger bend a little.
    source: one club's cars against another's, by fuel, sensors and height. source_setup: the same of one setup, wide
    enough that no club's word on a setup outweighs a car or two. source_shape: tilt and bow.
    setup_start: engine x pump, boost hardware, calibration, setup; learned from the fleet from here.
    """

    free: float = 3.0
    engine: float = 0.5
    pump: float = 0.5
    engine_curve: float = 0.05
    demand: float = 0.005
    dilution: float = 0.5
    fuel: float = 0.03
    intake: float = 0.25
    rail: float = 0.1
    port_injection: float = 0.5
    setup_start: float = 0.02
    setup_shape: float = 0.012
    source: float = 0.015
    source_setup: float = 0.025
    source_shape: float = 0.01
    knots: int = 10


@dataclass(frozen=True)
class Rows:
    """One row a log and band: a log's pulls averaged, since they share the log's error; saturated pulls apart.

    spell, log, car: numbers, rows sorted by spell and log. z: engine speed, -1 at 2,200 and 1 at 6,600 rpm.
    band: number of the band of engine speed. pulls: how many stand behind the row. day: days from the quarter's start.
    pulls_of_log: the log's pulls. ethanol_sd, unlogged_sd, barometer_sd: of ln(volume).
    saturated: the duty stood at its ceiling: the demand was at least this. extra_variance: beyond the noise, large
    where a row says little because it is saturated.
    """

    spell: Ints
    log: Ints
    z: Array
    band: Ints
    pulls: Array
    pulls_of_log: Array
    day: Array
    in_quarter: NDArray[np.bool_]
    ethanol_sd: Array
    unlogged_sd: Array
    barometer_sd: Array
    ln_demand: Array
    family: Ints
    saturated: NDArray[np.bool_]
    extra_variance: Array
    starts: Ints  # first row of each spell, and one past the last: spell numbers count from 0 here
    spells: Ints  # the roster's spell number behind each

    def of(self, unit: int) -> slice:
        """Rows of the unit-th spell."""
        return slice(int(self.starts[unit]), int(self.starts[unit + 1]))

    @property
    def units(self) -> int:
        return len(self.starts) - 1


@dataclass(frozen=True)
class CellArrays:
    """One row a cell. row: the `Rows` row it belongs to. duty_pct: [%]  family: number of the duty law's family."""

    row: Ints
    duty_pct: Array
    ln_demand: Array
    family: Ints

    def volume(self, round_share: Array, rows: int) -> Array:
        """ln(delivered share / demand), averaged over the pulls of each row. (rows,)"""
        y = np.log(delivered_share(self.duty_pct, round_share[self.family])) - self.ln_demand
        return np.bincount(self.row, y, rows) / np.bincount(self.row, minlength=rows)

    def profiles(self, grid: Array, rows: int) -> tuple[Array, Array]:
        """`volume` where all families have each round share of the grid, and its ln-Jacobian: the mean over a row's
        pulls of ln(dy/dd), for the likelihood of the duty law. (rows, grid) each
        """
        # both laws are mixtures of their two ends
        shares = [delivered_share(self.duty_pct, w) for w in (0.0, 1.0)]
        slopes = [delivered_slope(self.duty_pct, w) for w in (0.0, 1.0)]
        volumes, jacobians = np.empty((rows, len(grid))), np.empty((rows, len(grid)))
        count, demand = np.bincount(self.row, minlength=rows), np.bincount(self.row, self.ln_demand, rows)
        for at, w in enumerate(grid):
            ln_share = np.bincount(self.row, np.log((1.0 - w) * shares[0] + w * shares[1]), rows)
            ln_slope = np.bincount(self.row, np.log((1.0 - w) * slopes[0] + w * slopes[1]), rows)
            volumes[:, at], jacobians[:, at] = (ln_share - demand) / count, (ln_slope - ln_share) / count
        return volumes, jacobians


@dataclass(frozen=True)
class Design:
    """X: (rows, columns). prior_sd: (columns,). learned: columns whose common sd the fleet
    teaches. names: (columns,).
    """

    X: Columns
    prior_sd: Array
    learned: NDArray[np.bool_]
    names: tuple[str, ...]


def families(observations: pl.DataFrame) -> list[str]:
    """Names of the duty law's families, pump and calibration, ordered."""
    return observations.select(_family().alias("family"))["family"].unique().sort().to_list()


@dataclass(frozen=True)
class Averaged:
    """Some cars' observations as means by log and band: frame, a row each. Of their cells: row in the frame, duty,
    ln(demand) and family.
    """

    frame: pl.DataFrame
    row: Ints
    duty_pct: Array
    ln_demand: Array
    family: Ints


def averaged(observations: pl.DataFrame, names: list[str]) -> Averaged:
    """OBSERVATIONS with `saturated` -> means by log and band. names: of `families`."""
    family_number = {name: number for number, name in enumerate(names)}
    marked = observations.with_columns(
        family=_family().replace_strict(family_number, return_dtype=pl.Int64), ln_demand=pl.col("demand").log()
    ).sort(*ROW_KEYS, "pull")
    frame = _averaged(marked)
    return Averaged(
        frame,
        np.repeat(np.arange(frame.height), frame["cells"].to_numpy()),  # both are in the order of the keys
        marked["duty_pct"].to_numpy(),
        marked["ln_demand"].to_numpy(),
        marked["family"].to_numpy(),
    )


def joined(parts: list[Averaged], quarter_start: object) -> tuple[Rows, CellArrays, pl.DataFrame]:
    """Rows, cells, and the frame of rows with its setup columns. parts: in the order of spells.

    quarter_start: first day of the quarter.
    """
    frame = pl.concat(part.frame for part in parts).with_row_index("row")
    before = np.cumsum([0, *(part.frame.height for part in parts)])
    cells = CellArrays(
        row=np.concatenate([part.row + start for part, start in zip(parts, before[:-1], strict=True)]),
        duty_pct=np.concatenate([part.duty_pct for part in parts]),
        ln_demand=np.concatenate([part.ln_demand for part in parts]),
        family=np.concatenate([part.family for part in parts]),
    )
    return _row_arrays(frame, quarter_start), cells, frame


ROW_KEYS = ["spell", "log", "band_rpm", "saturated"]
BAROMETER_SD = 0.015  # 3 kPa of weather and height in 200 kPa


def _family() -> pl.Expr:
    return pl.col("pump") + " | " + pl.col("calibration")


def _averaged(marked: pl.DataFrame) -> pl.DataFrame:
    """Cells -> one row a key, numbered: its setup, means over its pulls, how many there are."""
    first = "label setup engine pump boost_hardware calibration port_injection date family source"
    mean = "ethanol_sd unlogged_sd ethanol_pct boost_kpa demand"
    pulls = marked.group_by("log").agg(pl.col("pull").n_unique().alias("pulls_of_log"))
    return (
        marked.group_by(ROW_KEYS, maintain_order=True)
        .agg(
            *(pl.col(name).first() for name in first.split()),
            *(pl.col(name).mean() for name in (*SLOPES.values(), *mean.split())),
            pl.len().alias("cells"),
            pl.col("barometer_assumed").any(),
        )
        .join(pulls, on="log", maintain_order="left")
    )


def _row_arrays(frame: pl.DataFrame, quarter_start: object) -> Rows:
    spell = frame["spell"].to_numpy().astype(np.int64)
    starts = np.flatnonzero(np.r_[True, spell[1:] != spell[:-1], True]) if len(spell) else np.array([0])
    day = frame.select((pl.col("date") - pl.lit(quarter_start)).dt.total_days())["date"].to_numpy().astype(float)
    saturated = frame["saturated"].to_numpy()
    return Rows(
        spell=spell,
        log=frame["log"].rank("dense").to_numpy().astype(np.int64),
        z=scaled_speed(middle_rpm(frame["band_rpm"].to_numpy())),
        band=(frame["band_rpm"].to_numpy() // BAND_WIDTH_RPM).astype(np.int64),
        pulls=frame["cells"].to_numpy().astype(float),
        pulls_of_log=frame["pulls_of_log"].to_numpy().astype(float),
        day=day,
        in_quarter=day >= 0,
        ethanol_sd=frame["ethanol_sd"].to_numpy(),
        unlogged_sd=frame["unlogged_sd"].to_numpy(),
        barometer_sd=np.where(frame["barometer_assumed"].to_numpy(), BAROMETER_SD, 0.0),
        ln_demand=frame["ln_demand"].to_numpy(),
        family=frame["family"].to_numpy(),
        saturated=saturated,
        extra_variance=np.where(saturated, LEFT_OUT, 0.0),
        starts=starts,
        spells=spell[starts[:-1]] if len(spell) else spell,
    )


def design(frame: pl.DataFrame, like: pl.DataFrame, priors: Priors = Priors()) -> Design:
    """The frame of `joined` -> the expectation's columns. like: the frame whose setups and medians they refer to.

    Shared curve of engine speed, engines and their own curves, slopes of demand, fuel, intake temperature and
    rail pressure around the physics, pumps, and partially pooled engine x pump, boost hardware, calibration, setup.
    """
    setups, kind = _kinds(frame)
    numbers = _numbers(frame, like)
    curve, level = np.arange(priors.knots), priors.knots + len(numbers)
    engine = _one_of("engine", priors.engine, setups, like, ("engine",), level)
    own_curve = engine.has * priors.knots + curve
    engines = [f"curve of {name}" for name in like["engine"].unique().sort() for _ in curve]
    blocks = [
        _Block(["curve"] * priors.knots, priors.free, curve, curve),
        engine,
        _Block(engines, priors.engine_curve, own_curve, curve),
    ]
    sds = (priors.dilution, *(getattr(priors, name) for name in SLOPES), priors.port_injection)
    for place, (name, sd) in enumerate(zip(numbers, sds, strict=True), priors.knots):
        blocks.append(_Block([name], sd, np.zeros(1, np.int64), np.array([place])))
    blocks.append(_one_of("pump", priors.pump, setups, like, ("pump",), level))
    blocks += [_one_of(name, priors.setup_start, setups, like, columns, level) for name, columns in POOLED.items()]
    for shape, place in (("tilt", level + 1), ("bow", level + 2)):
        blocks.append(_one_of(f"{shape} of setup", priors.setup_shape, setups, like, ("setup",), place))
    if like["source"].n_unique() > 1:
        for name, sd, at in zip(SOURCED, (priors.source, priors.source_setup), (level, level), strict=True):
            blocks.append(_one_of(name, sd, setups, like, SOURCED[name], at))
        for shape, place in (("tilt", level + 1), ("bow", level + 2)):
            blocks.append(_one_of(f"source {shape}", priors.source_shape, setups, like, ("source",), place))
    names = [name for block in blocks for name in block.names]
    band = (frame["band_rpm"].to_numpy() // BAND_WIDTH_RPM).astype(np.int32)
    where, which = _placed(blocks, setups.height)
    X = Columns(
        by_band=speed_curve(middle_rpm(BAND_WIDTH_RPM * np.arange(band.max(initial=0) + 1)), priors.knots),
        band=band,
        numbers=np.column_stack(list(numbers.values())),
        z=scaled_speed(middle_rpm(frame["band_rpm"].to_numpy())),
        kind=kind,
        where=where,
        which=which,
        shape=(frame.height, len(names)),
    )
    prior_sd = np.repeat([block.sd for block in blocks], [len(block.names) for block in blocks])
    return Design(X, prior_sd, np.array([name in POOLED for name in names]), tuple(names))


@dataclass(frozen=True)
class _Block:
    """Columns of one name and prior. has: (kinds, c) or (c,) those a kind of setup has; local: (c,) what they are."""

    names: list[str]
    sd: float
    has: Ints
    local: Ints


def _one_of(
    name: str, sd: float, setups: pl.DataFrame, like: pl.DataFrame, columns: tuple[str, ...], at: int
) -> _Block:
    """A column for each of like's combinations of `columns`; a setup has its own, as local column `at`."""
    names = _joined(like, columns).unique().sort().to_list()
    code = _joined(setups, columns).cast(pl.Enum(names)).to_physical().to_numpy().astype(np.int64)
    return _Block([name] * len(names), sd, code[:, None], np.array([at]))


def _placed(blocks: list[_Block], kinds: int) -> tuple[Ints, Ints]:
    """`where` and `which` of `Columns`: the blocks side by side."""
    first = np.cumsum([0, *(len(block.names) for block in blocks)])
    each = [
        np.broadcast_to(block.has + start, (kinds, len(block.local)))
        for block, start in zip(blocks, first[:-1], strict=True)
    ]
    return np.hstack(each), np.concatenate([block.local for block in blocks])


def _kinds(frame: pl.DataFrame) -> tuple[pl.DataFrame, NDArray[np.int32]]:
    """The different setups, a row each, and the number of each row's."""
    keys = list(dict.fromkeys(column for columns in (POOLED | SOURCED).values() for column in columns))
    setups = frame.select(keys).unique().sort(keys)
    numbered = frame.select(keys).join(setups.with_row_index("kind"), on=keys, maintain_order="left")
    return setups, numbered["kind"].to_numpy().astype(np.int32)


def _numbers(frame: pl.DataFrame, like: pl.DataFrame) -> dict[str, Array]:
    own = frame.select(pl.col("ln_demand") - pl.col("ln_demand").mean().over("spell", "band_rpm"))["ln_demand"]
    return {
        "demand within car": own.to_numpy(),
        **{name: _centred(frame[column], like[column]) for name, column in SLOPES.items()},
        "port injection": frame["port_injection"].to_numpy().astype(float),
    }


def _joined(frame: pl.DataFrame, columns: tuple[str, ...]) -> pl.Series:
    return frame.select(pl.concat_str(columns, separator=" | ").alias("joined"))["joined"]


def _centred(values: pl.Series, like: pl.Series) -> Array:
    """Zero where the value is null: nothing is known there that would tell it from the fleet's."""
    centre = like.median()
    middle = centre if isinstance(centre, float) else 0.0
    return values.fill_null(middle).to_numpy() - middle
