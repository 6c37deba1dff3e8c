"""What would decide about a car of whom too little is known: so many logs, where in the rev range, what to measure."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.schemas import BAND_WIDTH_RPM
from models.distributions import normal_quantile
from models.engine_speed import car_basis
from models.evidence import combine_p, directions, one_sided_p, template_z, templates
from models.excess import FourNumbers
from models.judgement import VARIANCES, freedom
from models.learning import Learned
from models.left_out import LeftOut, four_numbers
from models.log_sums import sums_of
from models.power import POWER
from models.schemas import NEXT_LOGS
from models.signals import TELLING_EXCESS_PCT, WARNING_P, SignalRule

Array = NDArray[np.float64]
CARS_AT_ONCE = 5000


@dataclass(frozen=True)
class NextLogsRule:
    """logs_most, cars_most: more than so many are no advice. part_min: a measurement is asked for where it would take
    away this share of what must go. gap_rpm: a part of the rev range at least so wide, with under half of the car's
    usual pulls, is asked for by itself; bands_share: bands that so many of the fleet's cars have driven count.
    """

    logs_most: int = 12
    cars_most: int = 20
    part_min: float = 0.25
    gap_rpm: int = 750
    bands_share: float = 0.5


@dataclass(frozen=True)
class Close:
    """A spell that stands out, if not surely: its four numbers, and the part of their covariance that more logs shrink.

    numbers: of one spell. own: (4, 4).
    """

    numbers: FourNumbers
    own: Array


def close_ones(learned: Learned, shown: pl.DataFrame) -> dict[int, Close]:
    """Of the spells in SHOWN, in the order of `learned`, those that the curve makes a car to watch at least."""
    numbers = learned.judged.numbers
    units = np.flatnonzero((shown["p_curve"] <= WARNING_P).fill_null(False).to_numpy() & numbers.judged)
    return {
        int(learned.rows.spells[unit]): Close(numbers.of(slice(unit, unit + 1)), own)
        for unit, own in zip(units.tolist(), sampling_covariances(learned, units), strict=True)
    }


@dataclass(frozen=True)
class Wish:
    """One row of NEXT_LOGS without its car."""

    wish: str
    count: int | None = None
    low_rpm: int | None = None
    high_rpm: int | None = None
    would_find_pct: float | None = None


def next_logs(
    judged: pl.DataFrame,
    bands: pl.DataFrame,
    close: dict[int, Close],
    learned: Learned | None,
    rule: NextLogsRule = NextLogsRule(),
) -> pl.DataFrame:
    """spell and NEXT_LOGS: what each car that is neither like its peers nor surely apart should log next.

    judged: of `judge_cars`. bands: spell, band_rpm, pulls. close: of `close_ones`, every such spell.
    A car that runs short of fuel is asked to wait, and for nothing else. What is asked of an
    undecided car would bring the smallest excess found in four of five cases down to 10 %; of a car to watch, would
    make its evidence `action` if its excess stays what it is.
    """
    asking = _Asking(learned, judged, close, rule) if learned else None
    usual = _usual_bands(bands, rule)
    wanting = judged.filter((pl.col("signal") != "clear") | (pl.col("pump_limit") == "rail_short"))
    schema = {"spell": pl.Int32} | NEXT_LOGS
    tables = [pl.DataFrame(schema=schema)]
    for some in wanting.iter_slices(CARS_AT_ONCE):
        gaps = _gaps(bands.join(some, on="spell", how="semi"), usual, rule)
        rows = [
            {name: row[name] for name in ("spell", "label", "setup", "spell_since")} | asdict(wish)
            for row in some.iter_rows(named=True)
            for wish in _wishes(row, asking if row["judged"] else None, gaps.get(row["spell"]))
        ]
        tables.append(pl.DataFrame(rows, schema=schema))
    return pl.concat(tables).with_columns(pl.col("would_find_pct").round(3))


# checks that a further log answers, most telling first; the rest are questions to people
BY_LOGGING = {
    "rail_not_logged": "log_rail",
    "ethanol_not_measured": "measure_ethanol",
    "lambda_not_logged": "log_lambda",
    "intake_air_not_logged": "log_intake_air",
    "barometer_not_logged": "log_barometer",
    "sensor_at_its_end": "check_sensor",
    "one_log_only": "second_day",
    "one_day_only": "second_day",
}


def _wishes(row: dict[str, Any], asking: "_Asking | None", gap: tuple[int, int] | None) -> Iterator[Wish]:
    if row["pump_limit"] == "rail_short":
        yield Wish("wait")
        return
    asked: set[str] = set()
    unsure = row["signal"] == "undecided" or (row["signal"] == "warning" and row["high"])
    if not row["logs"] or asking is None:
        yield Wish("first_log")
    elif unsure:
        for wish in asking.to_clear(row) if row["signal"] == "undecided" else asking.to_act(row):
            asked.add(wish.wish)
            yield wish
        if gap:
            yield Wish("rev_range", None, *gap)
    for check, code in BY_LOGGING.items():
        known = {"second_day", "more_logs"} if code == "second_day" else {code}
        if check in (row["check_first"] or "").split(";") and not asked & known:
            asked.add(code)
            yield Wish(code)


class _Asking:
    """What would decide, from the parts of each car's variance."""

    def __init__(self, learned: Learned, judged: pl.DataFrame, close: dict[int, Close], rule: NextLogsRule) -> None:
        self.rule, self.spread, self.close = rule, learned.spread, close
        self.degrees = freedom(learned.healthy_cars)
        # Benjamini and Hochberg's limit for one more car than those that pass it now
        limit, passing = SignalRule().q_max, int((judged["q_value"] <= SignalRule().q_max).sum())
        self.acting_p = limit * (passing + 1) / max(int(judged["judged"].sum()), 1)

    def to_clear(self, row: dict[str, Any]) -> list[Wish]:
        """What brings the smallest excess found down to 10 %, the cheapest first."""
        part = {name.removesuffix("_variance"): row[name] for name in VARIANCES}
        total = sum(part[name] for name in ("logs", "ethanol", "unlogged", "peers", "healthy"))
        z = row["needed_level"] / np.sqrt(total)
        allowed = (np.log1p(TELLING_EXCESS_PCT / 100) / z) ** 2
        must = total - allowed
        if row["peers_mostly_high"]:
            return [Wish("more_peers")]
        if part["healthy"] >= allowed:
            return [Wish("more_cars")]
        wishes, gone = [], 0.0

        def ask(wish: str, variance: float, count: int | None = None) -> None:
            nonlocal gone
            gone += variance
            wishes.append(Wish(wish, count, would_find_pct=100 * np.expm1(z * np.sqrt(total - gone))))

        telling = self.rule.part_min * must
        if part["ethanol"] >= telling:
            ask("measure_ethanol", part["ethanol"])
        if part["unlogged"] >= telling:
            missing = [name for name in ("lambda", "intake_air") if not row[f"{name.split('_')[0]}_logged"]]
            for name in missing:
                ask(f"log_{name}", part["unlogged"] / len(missing))
        logs = part["logs"]
        if part["barometer"] >= telling:
            ask("log_barometer", part["barometer"])
            logs -= part["barometer"]
        by_size = [("more_peers", part["peers"]), ("more_logs", logs)]
        for wish, shrinking in sorted(by_size, key=lambda one: -one[1]):
            if gone < must and shrinking > 0:
                # each new peer says what the setup needs as well as this car does without its expectation's doubt
                so_far = float(row["logs"]) if wish == "more_logs" else (total - part["peers"]) / shrinking
                count, variance = self._count(wish, shrinking, must - gone, so_far)
                ask(wish, variance, count)
        if gone < must * (1 - 1e-9):
            wishes.append(Wish("more_cars"))
        return wishes

    def _count(self, wish: str, part: float, left: float, so_far: float) -> tuple[int, float]:
        """How many logs or peers take `left` away from `part`, as far as the rule lets; and what they take."""
        most = self.rule.logs_most if wish == "more_logs" else self.rule.cars_most
        wanted = so_far * part / max(part - left, 1e-12) - so_far
        count = int(min(max(np.ceil(wanted - 1e-9), 1), most))
        return count, part * count / (so_far + count)

    def to_act(self, row: dict[str, Any]) -> list[Wish]:
        """How many more logs make `action` of a car to watch, if its excess stays what it is."""
        if row["spell"] not in self.close:
            return []  # events spoke, and only time tells whether they return
        numbers, own = self.close[row["spell"]].numbers, self.close[row["spell"]].own
        counts = np.arange(1, self.rule.logs_most + 1)
        shrunk = numbers.covariance - own * (counts / (float(row["logs"]) + counts))[:, None, None]
        many = np.zeros(len(counts), np.int64)
        then = FourNumbers(
            numbers.values[many], _positive(shrunk), numbers.judged[many], numbers.dated[many], numbers.passed[many]
        )
        enough = counts[self._p_with_margin(then) <= self.acting_p]
        if len(enough):
            return [Wish("more_logs", int(enough[0]))]
        measured = max(row["ethanol_variance"], row["unlogged_variance"])
        return [Wish("more_peers")] if row["peers_variance"] > measured else []

    def _p_with_margin(self, numbers: FourNumbers) -> Array:
        """Combined p of a car whose next logs show somewhat less, as one in five does. (units,)"""
        shapes = templates()
        z = np.column_stack([template_z(numbers, self.spread, directions(shape, numbers)) for shape in shapes])
        weights = np.array([shape.weight for shape in shapes])
        return combine_p(one_sided_p(z - float(normal_quantile(POWER)), self.degrees), weights)


def sampling_covariances(learned: Learned, units: NDArray[np.int64]) -> Array:
    """The part of each spell's covariance that more logs shrink: as if all was measured, and the expectation known.

    (units, 4, 4)
    """
    nought = np.zeros_like(learned.rows.ethanol_sd)
    rows = replace(learned.rows, ethanol_sd=nought, unlogged_sd=nought)
    own = LeftOut(units, np.zeros((len(units), 3)), np.zeros((len(units), 3, 3)))

    def columns(index: NDArray[np.int64]) -> tuple[Array, Array]:
        return car_basis(rows.z[index]), np.zeros((*index.shape, 1))

    return four_numbers(rows, sums_of(rows, 3, 1, columns, learned.noise, units), own)[0].covariance


def _positive(matrices: Array, least: float = 1e-8) -> Array:
    """The nearest matrices without a negative variance in any direction: differences of estimates can have one."""
    values, vectors = np.linalg.eigh((matrices + matrices.swapaxes(-1, -2)) / 2)
    return np.asarray((vectors * np.maximum(values, least)[..., None, :]) @ vectors.swapaxes(-1, -2))


def _usual_bands(counted: pl.DataFrame, rule: NextLogsRule) -> pl.DataFrame:
    """band_rpm: the bands that most spells have driven. counted: spell, band_rpm."""
    share = pl.col("spell").n_unique() / max(counted["spell"].n_unique(), 1)
    return counted.group_by("band_rpm").agg(share=share).filter(pl.col("share") >= rule.bands_share).select("band_rpm")


def _gaps(counted: pl.DataFrame, bands: pl.DataFrame, rule: NextLogsRule) -> dict[int, tuple[int, int]]:
    """spell, band_rpm, pulls -> for a spell the widest part of the rev range, of the one that most cars drive, in which
    it has few pulls. [1/min]
    """
    few = counted.group_by("spell").agg(few=pl.col("pulls").max() / 2)
    runs = (
        few.join(bands, how="cross")
        .join(counted, on=["spell", "band_rpm"], how="left")
        .filter(pl.col("pulls").fill_null(0) < pl.col("few"))
        .sort("spell", "band_rpm")
        # neighbours share what their band leaves over its place among those that lack pulls
        .with_columns(run=pl.col("band_rpm") - BAND_WIDTH_RPM * pl.int_range(pl.len()).over("spell"))
        .group_by("spell", "run")
        .agg(low=pl.col("band_rpm").min(), high=pl.col("band_rpm").max() + BAND_WIDTH_RPM)
        .with_columns(width=pl.col("high") - pl.col("low"))
        .filter(pl.col("width") >= rule.gap_rpm)
        .sort("spell", "width", "low", descending=[False, True, False])
        .unique("spell", keep="first", maintain_order=True)
    )
    return {spell: (low, high) for spell, low, high in runs.select("spell", "low", "high").iter_rows()}
