"""Observations to arrays: rows of log and band, the columns of the expectation and their priors."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from models.duty_law import delivered_share, delivered_slope

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CENTRE_RPM = 4400.0
HALF_RANGE_RPM = 2200.0
LEFT_OUT = 100.0  # a variance of ln(volume) that leaves a row without a say


# partially pooled effects and the columns that make them
POOLED = {
    "engine x pump": ("engine", "pump"),
    "boost hardware": ("boost_hardware",),
    "calibration": ("calibration",),
    "setup": ("setup",),
}


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
    knots: int = 10


@dataclass(frozen=True)
class Rows:
    """One row a log and band: a log's pulls averaged, since they share the log's error; saturated pulls apart.

    spell, log, car: numbers, rows sorted by spell and log. z: engine speed, -1 at 2,200 and 1 at 6,600 rpm.
    band: number of the 250-rpm band. pulls: how many stand behind the row. day: days from the quarter's start.
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
class Columns:
    """The expectation's columns X, (rows, k), kept as what differs from row to row: the *local* columns.

    A row's setup decides which of the k columns it has at all; each of those is a local column there: the engine's
    own curve is the shared curve again, an engine is the level. Local columns are by_band, numbers, and level, tilt
    and bow of engine speed, in this order.

    by_band: (bands, s) what follows from the band alone; band: (rows,) row of it. numbers: (rows, q).  z: (rows,)
    kind: (rows,) number of the set of columns a row has. where: (kinds, p) these columns of X; which: (p,) the local
    column that each of them is.
    """

    by_band: Array
    band: NDArray[np.int32]
    numbers: Array
    z: Array
    kind: NDArray[np.int32]
    where: Ints
    which: Ints
    shape: tuple[int, int]

    @classmethod
    def plain(cls, X: Array, z: Array) -> "Columns":
        """Any matrix: every row has every column. z: (rows,) scaled engine speed."""
        n, k = X.shape
        none, every = np.zeros(n, np.int32), np.arange(k)
        return cls(np.zeros((1, 0)), none, X, z, none, every[None, :], every, (n, k))

    @property
    def width(self) -> int:
        """Number of local columns."""
        return self.by_band.shape[1] + self.numbers.shape[1] + 3

    def local(self, rows: Ints) -> Array:
        """Local columns of the given rows. (..., width)"""
        parts = (self.by_band[self.band[rows]], self.numbers[rows], car_basis(self.z[rows]))
        return np.concatenate(parts, axis=-1)

    def local_coefficients(self, coefficients: Array) -> Array:
        """What the k coefficients come to in each kind's local columns. (kinds, width)"""
        return np.asarray(coefficients[self.where] @ np.eye(self.width)[self.which])

    def __getitem__(self, rows: slice | Ints) -> Array:
        chosen = np.arange(self.shape[0])[rows]
        out = np.zeros((len(chosen), self.shape[1]))
        out[np.arange(len(chosen))[:, None], self.where[self.kind[chosen]]] = self.local(chosen)[:, self.which]
        return out

    def __matmul__(self, coefficients: Array) -> Array:
        by_kind, n = self.local_coefficients(coefficients), self.shape[0]
        parts = [np.arange(start, min(start + 65536, n)) for start in range(0, n, 65536)]
        return np.concatenate([(self.local(part) * by_kind[self.kind[part]]).sum(axis=1) for part in parts])


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


def to_rows(
    observations: pl.DataFrame, quarter_start: object, names: list[str]
) -> tuple[Rows, CellArrays, pl.DataFrame]:
    """OBSERVATIONS with `saturated` -> rows, cells, and the frame of rows with its setup columns.

    quarter_start: first day of the quarter. names: of `families`.
    """
    family_number = {name: number for number, name in enumerate(names)}
    marked = observations.with_columns(
        family=_family().replace_strict(family_number, return_dtype=pl.Int64), ln_demand=pl.col("demand").log()
    ).sort(*ROW_KEYS, "pull")
    frame = _averaged(marked)
    row_of_cell = marked.select(ROW_KEYS).join(frame.select(*ROW_KEYS, "row"), on=ROW_KEYS, maintain_order="left")
    cells = CellArrays(
        row=row_of_cell["row"].to_numpy().astype(np.int64),
        duty_pct=marked["duty_pct"].to_numpy(),
        ln_demand=marked["ln_demand"].to_numpy(),
        family=marked["family"].to_numpy(),
    )
    return _row_arrays(frame, quarter_start), cells, frame


ROW_KEYS = ["spell", "log", "band_rpm", "saturated"]
BAROMETER_SD = 0.015  # 3 kPa of weather and height in 200 kPa


def _family() -> pl.Expr:
    return pl.col("pump") + " | " + pl.col("calibration")


def _averaged(marked: pl.DataFrame) -> pl.DataFrame:
    """Cells -> one row a key, numbered: its setup, means over its pulls, how many there are."""
    first = "label setup engine pump boost_hardware calibration port_injection date family"
    mean = "ln_demand ln_fuel_factor ln_intake rail_100bar ethanol_sd unlogged_sd ethanol_pct boost_kpa demand"
    pulls = marked.group_by("log").agg(pl.col("pull").n_unique().alias("pulls_of_log"))
    return (
        marked.group_by(ROW_KEYS, maintain_order=True)
        .agg(
            *(pl.col(name).first() for name in first.split()),
            *(pl.col(name).mean() for name in mean.split()),
            pl.len().alias("cells"),
            pl.col("barometer_assumed").any(),
        )
        .join(pulls, on="log", maintain_order="left")
        .with_row_index("row")
    )


def _row_arrays(frame: pl.DataFrame, quarter_start: object) -> Rows:
    spell = frame["spell"].to_numpy().astype(np.int64)
    starts = np.flatnonzero(np.r_[True, spell[1:] != spell[:-1], True]) if len(spell) else np.array([0])
    day = frame.select((pl.col("date") - pl.lit(quarter_start)).dt.total_days())["date"].to_numpy().astype(float)
    saturated = frame["saturated"].to_numpy()
    return Rows(
        spell=spell,
        log=frame["log"].rank("dense").to_numpy().astype(np.int64),
        z=scaled_speed(frame["band_rpm"].to_numpy() + 125.0),
        band=(frame["band_rpm"].to_numpy() // 250).astype(np.int64),
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
    """The frame of `to_rows` -> the expectation's columns. like: the frame whose setups and medians they refer to.

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
    sds = (priors.dilution, priors.demand, priors.fuel, priors.intake, priors.rail, priors.port_injection)
    for place, (name, sd) in enumerate(zip(numbers, sds, strict=True), priors.knots):
        blocks.append(_Block([name], sd, np.zeros(1, np.int64), np.array([place])))
    blocks.append(_one_of("pump", priors.pump, setups, like, ("pump",), level))
    blocks += [_one_of(name, priors.setup_start, setups, like, columns, level) for name, columns in POOLED.items()]
    for shape, place in (("tilt", level + 1), ("bow", level + 2)):
        blocks.append(_one_of(f"{shape} of setup", priors.setup_shape, setups, like, ("setup",), place))
    names = [name for block in blocks for name in block.names]
    band = (frame["band_rpm"].to_numpy() // 250).astype(np.int32)
    where, which = _placed(blocks, setups.height)
    X = Columns(
        by_band=speed_curve(250.0 * np.arange(band.max(initial=0) + 1) + 125.0, priors.knots),
        band=band,
        numbers=np.column_stack(list(numbers.values())),
        z=scaled_speed(frame["band_rpm"].to_numpy() + 125.0),
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
    keys = list(dict.fromkeys(column for columns in POOLED.values() for column in columns))
    setups = frame.select(keys).unique().sort(keys)
    numbered = frame.select(keys).join(setups.with_row_index("kind"), on=keys, maintain_order="left")
    return setups, numbered["kind"].to_numpy().astype(np.int32)


def _numbers(frame: pl.DataFrame, like: pl.DataFrame) -> dict[str, Array]:
    own = frame.select(pl.col("ln_demand") - pl.col("ln_demand").mean().over("spell", "band_rpm"))["ln_demand"]
    return {
        "demand within car": own.to_numpy(),
        "demand": _centred(frame["ln_demand"], like["ln_demand"]),
        "fuel": _centred(frame["ln_fuel_factor"], like["ln_fuel_factor"]),
        "intake": _centred(frame["ln_intake"], like["ln_intake"]),
        "rail": _centred(frame["rail_100bar"], like["rail_100bar"]),
        "port injection": frame["port_injection"].to_numpy().astype(float),
    }


def speed_curve(engine_speed_rpm: Array, knots: int = 10) -> Array:
    """Cubic B-spline basis of engine speed between 2,000 and 7,000 rpm; flat outside. (n, knots)

    >>> speed_curve(np.array([2000.0, 4400.0])).sum(axis=1).round(9).tolist()
    [1.0, 1.0]
    """
    low, high = 2000.0, 7000.0
    inner = np.linspace(low, high, knots - 2)
    ends = np.r_[[low] * 3, inner, [high] * 3]
    inside = np.clip(np.asarray(engine_speed_rpm, dtype=float), low, high - 1e-6)
    return np.asarray(BSpline.design_matrix(inside, ends, 3).toarray())


def scaled_speed(engine_speed_rpm: Array) -> Array:
    """Engine speed as z: -1 at 2,200 and 1 at 6,600 rpm. (n,)"""
    return np.asarray((engine_speed_rpm - CENTRE_RPM) / HALF_RANGE_RPM)


def car_basis(z: Array) -> Array:
    """Level, tilt and bow over scaled engine speed: what healthy cars, and setups, differ in. (..., 3)

    >>> car_basis(np.array([1.0])).round(2).tolist()
    [[1.0, 1.0, 0.67]]
    """
    return np.stack([np.ones_like(z), z, z**2 - 0.33], axis=-1)


def _joined(frame: pl.DataFrame, columns: tuple[str, ...]) -> pl.Series:
    return frame.select(pl.concat_str(columns, separator=" | ").alias("joined"))["joined"]


def _centred(values: pl.Series, like: pl.Series) -> Array:
    centre = like.median()
    return values.to_numpy() - (centre if isinstance(centre, float) else 0.0)
