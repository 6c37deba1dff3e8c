"""The rounds in which expectation, duty law, noise, healthy spread and weights settle together."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from models.borrowing import Sources, believed
from models.design_matrix import LEFT_OUT, SOURCED_NAMES, CellArrays, Design, Rows
from models.duty_law import RoundShares, choose_round_share
from models.engine_speed import car_basis
from models.evidence import probability_healthy
from models.excess import FourNumbers, SpreadPrior, healthy_spread, shrink
from models.expected_duty import Expectation, fit, profile_round_share
from models.learned_noise import learn_noise
from models.left_out import foretold, four_numbers, left_out
from models.log_sums import LogSums, log_sums, refresh
from models.variances import Noise
from models.working_response import working_response

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LearningRule:
    """rounds: in all. noise_rounds, law_rounds: in which noise and duty law are learned anew.

    weight_min: the least a car teaches. group_weight_min: where a setup or engine keeps less than half of its
    cars' weight its cars get at least this, so that it is still described, if badly.
    noise_cars: at most so many teach the noise. calm_ln_sd: duty law from cells whose pressure moved less than this.
    lender_cars: how many healthy cars other clubs' count for at most, all clubs together, where the spread of healthy
    cars is told: many clubs tell well how cars differ elsewhere, and no better how far this club is like them.
    own_effect: standard deviation of the club's own effect, next to nothing: it is what other clubs differ from.
    """

    rounds: int = 10
    noise_rounds: tuple[int, ...] = (1, 5)
    law_rounds: tuple[int, ...] = (0, 3, 6)
    weight_min: float = 0.02
    group_weight_min: float = 0.5
    noise_cars: int = 200
    calm_ln_sd: float = 0.03
    lender_cars: float = 8.0
    own_effect: float = 1e-4
    grid: tuple[float, ...] = tuple(np.linspace(0.0, 1.0, 11).tolist())


@dataclass(frozen=True)
class Fleet:
    """What the rounds work on. cars: (units,) number of the car behind each spell. frame: of `joined`.

    unit_family: (units,) the duty law's family. calm: rows, cells and design of the cells whose demand hardly moved.
    sources: (units,) number of the club behind each spell; 0 the own one, whose spells stand first. whole: the fleet
    that is learned from, with other clubs' cars, where this is its own part. elders: the frame of the cars that taught,
    where these did not.
    """

    rows: Rows
    cells: CellArrays
    design: Design
    frame: pl.DataFrame
    cars: NDArray[np.int64]
    unit_family: NDArray[np.int64]
    calm: tuple[Rows, CellArrays, Design] | None
    families: tuple[str, ...]
    sources: NDArray[np.int64]
    whole: "Fleet | None" = None
    elders: pl.DataFrame | None = None

    @property
    def like(self) -> pl.DataFrame:
        """The frame whose setups and medians the design's columns refer to."""
        return self.elders if self.elders is not None else (self.whole or self).frame


@dataclass(frozen=True)
class Judged:
    """Each car against the expectation it has not taught.

    expected: (rows,) ln(volume / demand). residual: (rows,). own_variance: (rows,) of the expectation itself.
    sampling: (units,) the part of the level's variance that more logs would shrink.
    """

    numbers: FourNumbers
    expected: Array
    residual: Array
    own_variance: Array
    sampling: Array


@dataclass(frozen=True)
class Learned:
    """Everything the rounds end with. spread: (4, 4) of healthy cars. weights, healthy: (units,).

    y: (rows,) ln(volume / demand), saturated rows as their equivalent plain observations. healthy_cars: how many
    told the spread, other clubs' as far as they count. A, b: the expectation's normal equations.
    """

    law: RoundShares
    noise: Noise
    spread: Array
    weights: Array
    healthy: Array
    expectation: Expectation
    judged: Judged
    y: Array
    rows: Rows
    healthy_cars: float
    A: Array
    b: Array


# matrices of some hundred rows gain nothing from a second thread, and one keeps sums in one order
@threadpool_limits.wrap(limits=1, user_api="blas")
def learn(fleet: Fleet, rule: LearningRule = LearningRule(), prior: SpreadPrior = SpreadPrior()) -> Learned:
    """Run the rounds. Deterministic: the same fleet gives the same result.

    Other clubs' cars teach the expectation, the duty law and, as so many cars at most, how far healthy cars differ; how
    far logs, pulls and cells stray is the club's own.
    """
    if fleet.whole is not None:
        return _own_learned(learn(fleet.whole, rule, prior), fleet)
    own = slice(0, int((fleet.sources == 0).sum()))
    sources = sources_of(fleet, rule)
    trust = np.ones(len(sources.effects))
    units, n = fleet.rows.units, len(fleet.rows.z)
    start = np.full(len(fleet.families), 0.5)
    law = RoundShares(fleet.families, start, np.zeros_like(start), np.ones_like(start))
    noise, spread, weights, healthy = Noise(), prior.covariance, np.ones(units), np.ones(units)
    prior_sd, rows, taught = sources.start_sd, fleet.rows, weights
    judged: Judged | None = None
    last: tuple[LogSums, Rows, Array, Noise] | None = None
    for number in range(rule.rounds):
        if number in rule.law_rounds:
            law = learn_law(fleet, law, noise, spread, taught, prior_sd, rule)
        y = fleet.cells.volume(law.values, n)
        if judged is not None:
            y, rows = at_least(y, fleet.rows, judged, spread, noise)
        sums = sums_again(fleet.design, last, (rows, y, noise))
        last = (sums, rows, y, noise)
        expectation, A, b = fit(rows, fleet.design, y, noise, spread[:3, :3], taught, prior_sd, sums)
        prior_sd = expectation.prior_sd
        judged = judge(replace(fleet, rows=rows), y, noise, spread, taught, A, b, sums)
        if sources.lent:
            trust = believed(rows, fleet.design.X, sums, spread[:3, :3], A, b, prior_sd, weights, trust, sources)
            prior_sd = np.where(fleet.design.learned, prior_sd, sources.widened(trust))
        healthy = probability_healthy(judged.numbers, spread)
        told = healthy * say(healthy, fleet.sources, rule.lender_cars) * trust[fleet.sources]
        spread = healthy_spread(judged.numbers, spread, told, prior)
        weights = teaching_weights(fleet.frame, rows, healthy, rule)
        taught = weights * trust[fleet.sources] ** 2
        if number in rule.noise_rounds:
            chosen = np.flatnonzero(judged.numbers.judged[own])[: rule.noise_cars].tolist()
            noise = learn_noise(rows, judged.residual, spread[:3, :3], healthy, noise, chosen)
    assert judged is not None  # a rule without rounds is no rule
    cars = float(healthy[own][judged.numbers.judged[own]].sum()) + float(told[own.stop :].sum())
    return Learned(law, noise, spread, taught, healthy, expectation, judged, y, rows, cars, A, b)


@threadpool_limits.wrap(limits=1, user_api="blas")
def judge_others(learned: Learned, fleet: Fleet, rule: LearningRule = LearningRule()) -> Learned:
    """Cars that taught nothing, as those are judged that did: the same law, noise and spread, and their own figures.

    What a saturated row would have shown settles in as many rounds as learning takes.
    """
    nothing, n = np.zeros(fleet.rows.units), len(fleet.rows.z)
    plain, rows = fleet.cells.volume(learned.law.values, n), fleet.rows
    y, last, judged = plain, None, None
    for _ in range(rule.rounds if fleet.rows.saturated.any() else 1):
        if judged is not None:
            y, rows = at_least(plain, fleet.rows, judged, learned.spread, learned.noise)
        sums = sums_again(fleet.design, last, (rows, y, learned.noise))
        last = (sums, rows, y, learned.noise)
        judged = judge(replace(fleet, rows=rows), y, learned.noise, learned.spread, nothing, learned.A, learned.b, sums)
    assert judged is not None  # a rule without rounds is no rule
    healthy = probability_healthy(judged.numbers, learned.spread)
    return replace(learned, weights=nothing, healthy=healthy, judged=judged, y=y, rows=rows)


def sums_again(
    design: Design, last: tuple[LogSums, Rows, Array, Noise] | None, now: tuple[Rows, Array, Noise]
) -> LogSums:
    """The sums of a round; those of the round before with what changed made anew, where the noise stayed."""
    rows, y, noise = now
    if last is None or last[3] != noise:
        return log_sums(rows, design.X, y, noise)
    sums, old_rows, old_y, _ = last
    changed = (y != old_y) | (rows.extra_variance != old_rows.extra_variance)
    refresh(sums, rows, design.X, y, noise, np.flatnonzero(np.logical_or.reduceat(changed, rows.starts[:-1])))
    return sums


def sources_of(fleet: Fleet, rule: LearningRule) -> Sources:
    """Who gave the fleet's spells. The club's own are what others differ from."""
    named = np.isin(fleet.design.names, SOURCED_NAMES)
    X, count = fleet.design.X, int(fleet.sources.max()) + 1
    kind = X.kind[fleet.rows.starts[:-1]]
    used = [np.unique(X.where[np.unique(kind[fleet.sources == source])]) for source in range(count)]
    effects = [columns[named[columns]] for columns in used]
    start_sd = fleet.design.prior_sd.copy()
    start_sd[effects[0]] = rule.own_effect
    return Sources(fleet.sources, effects, start_sd)


def say(healthy: Array, sources: NDArray[np.int64], cars: float) -> Array:
    """How far each spell tells how healthy cars differ: other clubs' as at most so many healthy cars in all, each club
    as many. (units,)
    """
    of_club = np.bincount(sources, healthy)
    each = cars / max(len(of_club) - 1, 1)
    return np.where(sources == 0, 1.0, np.minimum(1.0, each / np.maximum(of_club, 1e-9))[sources])


def own_part(whole: Fleet) -> Fleet:
    """The club's own spells of a fleet, in the whole's columns."""
    units = int((whole.sources == 0).sum())
    n = int(whole.rows.starts[units])
    mine = whole.cells.row < n
    cells = replace(whole.cells, **{name: getattr(whole.cells, name)[mine] for name in CELL_FIELDS})
    X = whole.design.X
    shorter = replace(X, band=X.band[:n], numbers=X.numbers[:n], z=X.z[:n], kind=X.kind[:n], shape=(n, X.shape[1]))
    return Fleet(
        rows=_own_rows(whole.rows, units),
        cells=cells,
        design=replace(whole.design, X=shorter),
        frame=whole.frame[:n],
        cars=whole.cars[:units],
        unit_family=whole.unit_family[:units],
        calm=whole.calm,
        families=whole.families,
        sources=whole.sources[:units],
        whole=whole,
    )


CELL_FIELDS = ("row", "duty_pct", "ln_demand", "family")


def _own_rows(rows: Rows, units: int) -> Rows:
    n = int(rows.starts[units])
    by_row = {name: getattr(rows, name)[:n] for name in rows.__dataclass_fields__ if name not in ("starts", "spells")}
    return Rows(**by_row, starts=rows.starts[: units + 1], spells=rows.spells[:units])


def _own_learned(learned: Learned, fleet: Fleet) -> Learned:
    units = fleet.rows.units
    n = int(fleet.rows.starts[-1])
    judged = learned.judged
    return replace(
        learned,
        weights=learned.weights[:units],
        healthy=learned.healthy[:units],
        judged=Judged(
            judged.numbers.of(slice(0, units)),
            judged.expected[:n],
            judged.residual[:n],
            judged.own_variance[:n],
            judged.sampling[:units],
        ),
        y=learned.y[:n],
        rows=_own_rows(learned.rows, units),
    )


def at_least(y: Array, rows: Rows, judged: Judged, spread: Array, noise: Noise) -> tuple[Array, Rows]:
    """Saturated rows as plain ones that say as much: y and rows with their extra variance.

    What a saturated row would have shown is told from the expectation and the car's own curve so far.
    """
    s = np.flatnonzero(rows.saturated)
    unit = np.searchsorted(rows.starts, s, side="right") - 1
    own, variance = shrink(judged.numbers.values, judged.numbers.covariance, spread)
    basis = car_basis(rows.z[s])
    mean = judged.expected[s] + (basis * own[unit, :3]).sum(axis=1)
    curve_variance = ((basis[:, None] @ variance[unit, :3, :3])[:, 0] * basis).sum(axis=1)
    plain = noise.log**2 + noise.pull**2 / rows.pulls_of_log[s] + noise.cell**2 / rows.pulls[s]
    sd = np.sqrt(plain + judged.own_variance[s] + curve_variance)
    value, precision = working_response(mean, sd, y[s])
    y, extra = y.copy(), rows.extra_variance.copy()
    y[s], extra[s] = value, np.clip(1.0 / precision - plain, 0.0, LEFT_OUT)
    return y, replace(rows, extra_variance=extra)


def learn_law(
    fleet: Fleet,
    law: RoundShares,
    noise: Noise,
    spread: Array,
    weights: Array,
    prior_sd: Array,
    rule: LearningRule,
) -> RoundShares:
    """The duty law of each family from the calm cells; as it was where there are none."""
    if fleet.calm is None:
        return law
    rows, cells, design = fleet.calm
    n, grid = len(rows.z), np.array(rule.grid)
    responses, jacobians = cells.profiles(grid, n)
    chosen = np.array([int(np.argmin(np.abs(grid - value))) for value in law.values])
    unit_of = {spell: unit for unit, spell in enumerate(fleet.rows.spells.tolist())}
    back = np.array([unit_of[spell] for spell in rows.spells.tolist()])
    family, weight = fleet.unit_family[back], weights[back]
    curves = profile_round_share(
        rows, design, responses, jacobians, noise, spread[:3, :3], weight, prior_sd, family, chosen
    )
    values, low, high = choose_round_share(curves, grid)
    return RoundShares(law.family, values, low, high)


def judge(
    fleet: Fleet,
    y: Array,
    noise: Noise,
    spread: Array,
    weights: Array,
    A: Array,
    b: Array,
    sums: LogSums | None = None,
) -> Judged:
    """Each car by the expectation that its own rows, under any setup, have not taught.

    A, b, sums: as `fit` gave and took them.
    """
    rows, X, units, n = fleet.rows, fleet.design.X, fleet.rows.units, len(fleet.rows.z)
    sums = sums or log_sums(rows, X, y, noise)
    values, covariance = np.zeros((units, 4)), np.zeros((units, 4, 4))
    known, dated, passed = np.zeros(units, bool), np.zeros(units, bool), np.full(units, 0.5)
    expected, own_variance, sampling = np.zeros(n), np.zeros(n), np.zeros(units)
    for own in left_out(rows, X, fleet.cars, sums, spread[:3, :3], weights, A, b):
        part = own.units
        one, sampling[part] = four_numbers(rows, sums, own)
        values[part], covariance[part] = one.values, one.covariance
        known[part], dated[part], passed[part] = one.judged, one.dated, one.passed
        foretold(rows, X, own, expected, own_variance)
    numbers = FourNumbers(values, covariance, known, dated, passed)
    return Judged(numbers, expected, y - expected, own_variance, sampling)


def teaching_weights(frame: pl.DataFrame, rows: Rows, healthy: Array, rule: LearningRule) -> Array:
    """How much each spell teaches: its probability of being healthy, within the rule's limits. (units,)"""
    weights = np.clip(healthy, rule.weight_min, 1.0)
    first = frame[rows.starts[:-1].tolist()]
    for column in ("setup", "engine"):
        for name in first[column].unique().to_list():
            members = (first[column] == name).to_numpy()
            if weights[members].mean() < 0.5:
                weights[members] = np.maximum(weights[members], rule.group_weight_min)
    return np.asarray(weights)
