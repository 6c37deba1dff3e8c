"""What a later full-load pull would ask of a pump: a car's own pull, or that of a new car of a setup.

All of one pull's bands together, since the question is whether any of them comes too near to the ceiling.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.schemas import BAND_WIDTH_RPM
from models.borrowing import OWN
from models.demand import REFERENCE_PRESSURE_KPA, fuel_factor, fuel_factor_slope
from models.design_matrix import BAROMETER_SD, SLOPES, design
from models.distributions import chi2_quantile, normal_quantile
from models.duty_law import delivered_share, duty_for_share
from models.engine_speed import car_basis, middle_rpm, scaled_speed
from models.evidence import FaultPrior, templates
from models.excess import QUARTER_DAYS
from models.learning import Fleet, Learned
from models.observations import NotMeasured
from models.variances import unmeasured, within

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LaterRule:
    """ahead_quarters: from the middle of the quarter to the later pull, for a car that drifts. [quarters]

    ceiling_low_pct: a ceiling that nobody was seen at lies anywhere from here, or from the highest duty seen, to 100.
    conditions_sd: scatter of ln(demand) between pulls before the fleet has spoken, worth `conditions_logs` logs.
    draws, seed: of the simulated pulls, a power of two; fixed, so that the same store gives the same figures.
    """

    ahead_quarters: float = 1.0
    ceiling_low_pct: float = 95.0
    conditions_sd: float = 0.02
    conditions_logs: float = 4.0
    draws: int = 8192
    seed: int = 1


@dataclass(frozen=True)
class Whose:
    """Whose pull. rows: its part of the observations with `manifold_kpa` and `ln_mix`, as of `with_mixture`.

    unit: the car's number in the fleet's rows; None for a new car of the setup.
    """

    rows: pl.DataFrame
    unit: int | None


@dataclass(frozen=True)
class Belief:
    """How a car may stray from the expectation, and how sure that is. weight: of this belief. 0..1

    gain: (bands, rows) from the car's residuals to its later bands. shift: (bands,) gain times residuals. [ln volume]
    taught: (bands, columns) gain times the rows of its design. rest: (bands, bands) what the residuals leave open.
    """

    weight: float
    shift: Array
    taught: Array | float
    rest: Array


@dataclass(frozen=True)
class Draws:
    """Chance of the simulated pulls, the same for every blend and boost: a limit is then where the bound bends.

    normal: (draws, bands). law, label: (draws,) normal. heavy: (draws,) from normal to Student's t. pick: (draws,)
    which belief holds, 0..1. top: (draws,) where an unseen ceiling lies, 0..1.
    """

    normal: Array
    law: Array
    label: Array
    heavy: Array
    pick: Array
    top: Array


def drawn(bands: int, degrees: float, rule: LaterRule) -> Draws:
    """degrees: of freedom of the variances. Points spread evenly (Sobol 1967, USSR Comput Math Math Phys 7:86, from
    memory), so that the bound is as steady as with seven times as many drawn by chance.
    """
    from scipy.stats.qmc import Sobol  # takes a second to load, which no study needs

    even = np.clip(Sobol(bands + 5, rng=rule.seed).random(rule.draws), 1e-9, 1 - 1e-9)
    normal = normal_quantile(even[:, : bands + 2])
    heavy = np.sqrt(degrees / chi2_quantile(even[:, bands + 2], degrees))
    return Draws(normal[:, :bands], normal[:, bands], normal[:, bands + 1], heavy, even[:, -2], even[:, -1])


@dataclass(frozen=True)
class LaterPull:
    """Everything that does not depend on blend and boost. bands: one row a band, typical conditions and setup.

    X: (bands, columns) of the expectation at the usual blend and boost, columns as in names. law_lean: (bands,) one
    standard deviation of the duty law. [ln share]  ceiling_low_pct: equal to ceiling_pct where the ceiling was seen.
    noise: (bands, bands) of logs, pulls, cells and of weather and mixture from pull to pull.
    """

    learned: Learned
    bands: pl.DataFrame
    X: Array
    names: tuple[str, ...]
    beliefs: tuple[Belief, ...]
    noise: Array
    law_lean: Array
    round_share: float
    ceiling_low_pct: float
    ceiling_pct: float
    degrees: float
    draws: Draws

    @property
    def usual_boost_kpa(self) -> float:
        """The highest over the rev range. [kPa gauge]"""
        return float(self.bands["boost_kpa"].to_numpy().max())

    @property
    def usual_ethanol_pct(self) -> float:
        return float(self.bands["ethanol_pct"].to_numpy().mean())

    def boost_kpa(self, highest_kpa: float) -> Array:
        """The boost of a pull over the bands: the usual curve's shape at another height. (bands,) [kPa gauge]"""
        scale = highest_kpa / self.usual_boost_kpa if self.usual_boost_kpa > 0 else 1.0
        return np.asarray(self.bands["boost_kpa"].to_numpy() * scale)

    def ln_demand(self, ethanol_pct: float, boost_kpa: float) -> Array:
        """ln of fuel volume a cycle at a blend and a pull's highest boost. (bands,)"""
        pressure = (self.bands["ambient_kpa"].to_numpy() + self.boost_kpa(boost_kpa)) / REFERENCE_PRESSURE_KPA
        return np.asarray(np.log(pressure) + self.bands["ln_mix"].to_numpy() + np.log(fuel_factor(ethanol_pct)))

    def shares(self, ethanol_pct: float, boost_kpa: float, *, label_only: bool = False) -> Array:
        """Simulated pulls: share of what the pump gives at its ceiling that each band asks for. (draws, bands)

        May exceed 1: what is asked for, not what is delivered. label_only: the blend is what a label says.
        """
        draws, ln_demand = self.draws, self.ln_demand(ethanol_pct, boost_kpa)
        X = self.asked(ethanol_pct, ln_demand)
        ln_share = np.empty(draws.normal.shape)
        edges = np.cumsum([0.0, *(belief.weight for belief in self.beliefs)])
        for belief, low, high in zip(self.beliefs, edges[:-1], edges[1:], strict=True):
            mean, covariance = self._of(belief, X)
            held = (draws.pick >= low) & (draws.pick < high)
            root = np.linalg.cholesky(covariance + 1e-12 * np.eye(len(mean)))
            ln_share[held] = mean + (draws.normal[held] @ root.T) * draws.heavy[held, None]
        ln_share += ln_demand + np.outer(draws.law, self.law_lean)
        if label_only:
            points = label_sd_points(ethanol_pct)
            ln_share += (draws.label * points * float(fuel_factor_slope(ethanol_pct)))[:, None]
        top = self.ceiling_low_pct + draws.top * (self.ceiling_pct - self.ceiling_low_pct)
        return np.asarray(np.exp(ln_share) / delivered_share(top, self.round_share)[:, None])

    def duty_pct(self, share: Array) -> Array:
        """The duty that gives a share of what the pump gives at its ceiling; at most the ceiling. [%]"""
        middle = (self.ceiling_low_pct + self.ceiling_pct) / 2.0
        full = delivered_share(middle, self.round_share)
        return np.minimum(duty_for_share(np.asarray(share) * full, self.round_share), self.ceiling_pct)

    def asked(self, ethanol_pct: float, ln_demand: Array) -> Array:
        """X at another blend and its ln_demand: only the columns of demand and fuel move. (bands, columns)"""
        X = self.X.copy()
        X[:, self.names.index("demand")] += ln_demand - self.ln_demand(self.usual_ethanol_pct, self.usual_boost_kpa)
        X[:, self.names.index("fuel")] += np.log(fuel_factor(ethanol_pct) / fuel_factor(self.usual_ethanol_pct))
        return X

    def _of(self, belief: Belief, X: Array) -> tuple[Array, Array]:
        """Mean and covariance over the bands of ln(volume / demand) of one later pull."""
        expectation = self.learned.expectation
        mean = X @ expectation.coefficients + belief.shift
        open_part = X - belief.taught
        return mean, open_part @ expectation.covariance @ open_part.T + belief.rest + self.noise


def label_sd_points(ethanol_pct: float, missing: NotMeasured = NotMeasured()) -> float:
    """Standard deviation of a stated blend that nobody measured. [points of ethanol]

    >>> label_sd_points(10.0), label_sd_points(40.0)
    (3.0, 10.0)
    """
    if ethanol_pct <= 10.0:
        return missing.ethanol_to_e10
    return missing.ethanol_to_e30 if ethanol_pct <= 30.0 else missing.ethanol_above


def with_mixture(observations: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    """OBSERVATIONS with manifold_kpa, ambient_kpa, and ln_mix: ln of what lambda and temperature do to the demand."""
    pressures = cells.select("log", "pull", "band_rpm", manifold_kpa="manifold_pressure_kpa")
    joined = observations.join(pressures, on=["log", "pull", "band_rpm"], how="left", maintain_order="left")
    return joined.with_columns(
        ambient_kpa=pl.col("manifold_kpa") - pl.col("boost_kpa"),
        ln_mix=pl.col("demand").log()
        - pl.col("ln_fuel_factor")
        - (pl.col("manifold_kpa") / REFERENCE_PRESSURE_KPA).log(),
    )


SETUP_COLUMNS = ("spell", "setup", "engine", "pump", "boost_hardware", "calibration", "port_injection")
ASKED = ("ln_demand", "ln_fuel_factor")  # follow from the blend and boost that are asked about
TYPICAL_COLUMNS = (
    "boost_kpa", "ambient_kpa", "ln_mix", "ethanol_pct", *(name for name in SLOPES.values() if name not in ASKED)
)  # fmt: skip


def typical_bands(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a band: setup, and median conditions over cars, each car's median first. Ordered by band."""
    medians = rows.group_by("label", "band_rpm").agg(pl.col(name).median() for name in TYPICAL_COLUMNS)
    bands = medians.group_by("band_rpm").agg(pl.col(name).median() for name in TYPICAL_COLUMNS).sort("band_rpm")
    first = rows.row(0, named=True)
    return bands.with_columns(pl.lit(first[name], rows.schema[name]).alias(name) for name in SETUP_COLUMNS)


def later_pull(
    fleet: Fleet,
    learned: Learned,
    every: pl.DataFrame,
    whose: Whose,
    ceilings: pl.DataFrame,
    degrees: float,
    rule: LaterRule = LaterRule(),
) -> LaterPull:
    """Prepare the prediction. every: all observations of the window, as of `with_mixture`. degrees: of freedom.

    For a car: best linear prediction of its later bands from its own rows, expectation and own curve at once
    (Henderson 1975, Biometrics 31:423), once as a healthy car's and once as a sick one's, each as likely as the car
    is to be so. For a setup: the expectation and the healthy spread.
    """
    bands = typical_bands(whose.rows)
    family = fleet.families.index(f"{bands['pump'][0]} | {bands['calibration'][0]}")
    calibration = ceilings.row(by_predicate=pl.col("calibration") == bands["calibration"][0], named=True)
    top = calibration["ceiling_pct"]
    seen = every.filter(pl.col("calibration") == bands["calibration"][0])["duty_max_pct"].to_numpy().max()
    low = top if calibration["learned"] else min(max(rule.ceiling_low_pct, float(seen)), top)
    z = scaled_speed(middle_rpm(bands["band_rpm"].to_numpy()))
    unit = whose.unit
    prepared = LaterPull(
        learned=learned, bands=bands, X=np.empty(0), names=fleet.design.names,
        beliefs=_new_car(learned, z) if unit is None else _own_car(fleet, learned, z, unit, rule),
        noise=_noise(learned, bands, every, whose, rule), law_lean=np.zeros(bands.height),
        round_share=float(learned.law.values[family]), ceiling_low_pct=low, ceiling_pct=top, degrees=degrees,
        draws=drawn(bands.height, degrees, rule),
    )  # fmt: skip
    usual = bands.with_columns(
        ln_demand=pl.Series(prepared.ln_demand(prepared.usual_ethanol_pct, prepared.usual_boost_kpa)),
        ln_fuel_factor=pl.lit(float(np.log(fuel_factor(prepared.usual_ethanol_pct)))),
        source=pl.lit(OWN),
    )
    return _with_law(replace(prepared, X=design(usual, like=fleet.like).X[:]), family)


def _new_car(learned: Learned, z: Array) -> tuple[Belief, ...]:
    basis = car_basis(z)
    return (Belief(1.0, np.zeros(len(z)), 0.0, basis @ learned.spread[:3, :3] @ basis.T),)


def _own_car(fleet: Fleet, learned: Learned, z: Array, unit: int, rule: LaterRule) -> tuple[Belief, ...]:
    rows, part = learned.rows, learned.rows.of(unit)
    X, residual = fleet.design.X[part], learned.y[part] - fleet.design.X[part] @ learned.expectation.coefficients
    time = rows.day[part] / QUARTER_DAYS - 0.5
    here = np.column_stack([car_basis(rows.z[part]), time])
    there = np.column_stack([car_basis(z), np.full(len(z), rule.ahead_quarters)])
    scatter = within(rows, part, learned.noise) + unmeasured(rows, part)
    # lambda and temperature that a car does not log stay as they are; the blend will be another
    lasting = rows.unlogged_sd[part]
    healthy = float(learned.healthy[unit])
    beliefs = []
    for weight, spread in ((healthy, learned.spread), (1.0 - healthy, learned.spread + sick_spread())):
        across = there @ spread @ here.T + lasting.mean() * lasting
        gain = np.linalg.solve(scatter + here @ spread @ here.T, across.T).T
        rest = there @ spread @ there.T + lasting.mean() ** 2 - gain @ across.T
        beliefs.append(Belief(weight, gain @ residual, gain @ X, (rest + rest.T) / 2))
    return tuple(beliefs)


def sick_spread(prior: FaultPrior = FaultPrior()) -> Array:
    """How much further than healthy cars' the four numbers of sick cars spread. (4, 4)"""
    total = sum(shape.weight for shape in templates())
    square = float(np.mean(np.square(prior.sizes)))
    return np.asarray(
        sum(shape.weight / total * square * np.outer(shape.direction, shape.direction) for shape in templates())
    )


def _noise(learned: Learned, bands: pl.DataFrame, every: pl.DataFrame, whose: Whose, rule: LaterRule) -> Array:
    """Covariance of one later pull around its car's curve, weather and mixture included. (bands, bands)"""
    noise, number = learned.noise, bands["band_rpm"].to_numpy() // BAND_WIDTH_RPM
    own = noise.cell**2 * noise.neighbour ** np.abs(number[:, None] - number[None, :])
    common = noise.log**2 + noise.pull**2
    mix_of = "setup" if whose.unit is None else "spell"
    logs = whose.rows["log"].n_unique()
    mixture = scatter_variance(every, "ln_mix", mix_of, rule) * (1 + 1 / logs)
    pressure = scatter_variance(every.with_columns(ln_kpa=pl.col("manifold_kpa").log()), "ln_kpa", "spell", rule)
    ambient = BAROMETER_SD**2 if whose.rows["barometer_assumed"].any() else 0.0
    return np.asarray(own + common + mixture + pressure + ambient)


def scatter_variance(rows: pl.DataFrame, column: str, group: str, rule: LaterRule = LaterRule()) -> float:
    """Variance of a column between the pulls of a car or setup, band by band, each log counting once. [1]"""
    apart = rows.with_columns(apart=pl.col(column) - pl.col(column).mean().over(group, "band_rpm"))
    pulls = apart.group_by(group, "log", "pull").agg(pl.col("apart").mean() ** 2)
    logs = pulls.group_by(group, "log").agg(pl.col("apart").mean())
    free = max(logs.height - logs[group].n_unique(), 0)
    held = rule.conditions_logs
    return (float(logs["apart"].sum()) + held * rule.conditions_sd**2) / (free + held)


def _with_law(pull: LaterPull, family: int) -> LaterPull:
    """With what the duty law's interval leaves open: the bands are anchored at the duty that is usual now."""
    law = pull.learned.law
    usual = np.median(pull.shares(pull.usual_ethanol_pct, pull.usual_boost_kpa), axis=0)
    duty = np.maximum(pull.duty_pct(np.minimum(usual, 1.0)), 1.0)
    low, high = (
        np.log(delivered_share(duty, w) / delivered_share(pull.ceiling_pct, w))
        for w in (law.low[family], law.high[family])
    )
    return replace(pull, law_lean=(high - low) / (2 * 1.95996))
