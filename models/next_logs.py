"""What would decide about a car of whom too little is known: so many logs, where in the rev range, what to measure."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from models.evidence import combine_p, directions, one_sided_p, template_z, templates
from models.excess import LEVEL, FourNumbers, estimate
from models.fleet import Material
from models.judgement import freedom
from models.learning import Learned
from models.power import POWER, TELLING_EXCESS_PCT, needed_level
from models.schemas import NEXT_LOGS
from models.signals import WARNING_P, SignalRule
from models.variances import within

Array = NDArray[np.float64]
BAND_RPM = 250


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
class Parts:
    """Where the variance of one car's level comes from. [ln volume, squared]

    logs: what more logs shrink, of it `barometer` for want of one. ethanol, unlogged (lambda, intake air): for want of
    a measurement. peers: of the expectation itself. healthy: between healthy cars; nothing that is logged shrinks it.
    """

    logs: float
    barometer: float
    ethanol: float
    unlogged: float
    peers: float
    healthy: float

    @property
    def total(self) -> float:
        return self.logs + self.ethanol + self.unlogged + self.peers + self.healthy


@dataclass(frozen=True)
class Wish:
    """One row of NEXT_LOGS without its car."""

    wish: str
    count: int | None = None
    low_rpm: int | None = None
    high_rpm: int | None = None
    would_find_pct: float | None = None


def next_logs(
    judged: pl.DataFrame, material: Material, learned: Learned | None, rule: NextLogsRule = NextLogsRule()
) -> pl.DataFrame:
    """spell and NEXT_LOGS: what each car that is neither like its peers nor surely apart should log next.

    judged: of `judge_cars`. A car that runs short of fuel is asked to wait, and for nothing else. What is asked of an
    undecided car would bring the smallest excess found in four of five cases down to 10 %; of a car to watch, would
    make its evidence `action` if its excess stays what it is.
    """
    units = {} if learned is None else {int(spell): unit for unit, spell in enumerate(learned.rows.spells)}
    asking = _Asking(learned, judged, rule) if learned else None
    gaps = _gaps(material.driven.bands, rule)
    rows = []
    for row in judged.iter_rows(named=True):
        unit = units.get(row["spell"])
        for wish in _wishes(row, asking if unit is not None else None, unit or 0, gaps.get(row["spell"])):
            place = {name: row[name] for name in ("spell", "label", "setup", "spell_since")}
            rows.append(place | {name: getattr(wish, name) for name in ("wish", "count", "low_rpm", "high_rpm")}
                        | {"would_find_pct": wish.would_find_pct})  # fmt: skip
    return pl.DataFrame(rows, schema={"spell": pl.Int32} | NEXT_LOGS).with_columns(pl.col("would_find_pct").round(3))


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


def _wishes(row: dict[str, Any], asking: "_Asking | None", unit: int, gap: tuple[int, int] | None) -> Iterator[Wish]:
    if row["pump_limit"] == "rail_short":
        yield Wish("wait")
        return
    if row["signal"] == "clear":
        return
    asked: set[str] = set()
    unsure = row["signal"] == "undecided" or (row["signal"] == "warning" and row["high"])
    if not row["logs"] or asking is None:
        yield Wish("first_log")
    elif unsure:
        for wish in asking.to_clear(unit, row) if row["signal"] == "undecided" else asking.to_act(unit, row):
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

    def __init__(self, learned: Learned, judged: pl.DataFrame, rule: NextLogsRule) -> None:
        self.learned, self.rule = learned, rule
        self.numbers, self.spread = learned.judged.numbers, learned.spread
        self.degrees = freedom(learned.healthy_cars)
        self.needed = needed_level(self.numbers, self.spread, WARNING_P, self.degrees)
        # Benjamini and Hochberg's limit for one more car than those that pass it now
        limit, passing = SignalRule().q_max, int((judged["q_value"] <= SignalRule().q_max).sum())
        self.acting_p = limit * (passing + 1) / max(int(self.numbers.judged.sum()), 1)

    def to_clear(self, unit: int, row: dict[str, Any]) -> list[Wish]:
        """What brings the smallest excess found down to 10 %, the cheapest first."""
        parts = parts_of(self.learned, unit)
        z = self.needed[unit] / np.sqrt(parts.total)
        allowed = (np.log1p(TELLING_EXCESS_PCT / 100) / z) ** 2
        must = parts.total - allowed
        if row["peers_mostly_high"]:
            return [Wish("more_peers")]
        if parts.healthy >= allowed:
            return [Wish("more_cars")]
        wishes, gone = [], 0.0

        def ask(wish: str, variance: float, count: int | None = None) -> None:
            nonlocal gone
            gone += variance
            wishes.append(Wish(wish, count, would_find_pct=100 * np.expm1(z * np.sqrt(parts.total - gone))))

        telling = self.rule.part_min * must
        if parts.ethanol >= telling:
            ask("measure_ethanol", parts.ethanol)
        if parts.unlogged >= telling:
            missing = [name for name in ("lambda", "intake_air") if not row[f"{name.split('_')[0]}_logged"]]
            for name in missing:
                ask(f"log_{name}", parts.unlogged / len(missing))
        if parts.barometer >= telling:
            ask("log_barometer", parts.barometer)
        logs = parts.logs - (parts.barometer if parts.barometer >= telling else 0.0)
        by_size = [("more_peers", parts.peers), ("more_logs", logs)]
        for wish, part in sorted(by_size, key=lambda one: -one[1]):
            if gone < must and part > 0:
                count, variance = self._count(wish, part, must - gone, parts, row)
                ask(wish, variance, count)
        if gone < must * (1 - 1e-9):
            wishes.append(Wish("more_cars"))
        return wishes

    def _count(self, wish: str, part: float, left: float, parts: Parts, row: dict[str, Any]) -> tuple[int, float]:
        """How many logs or peers take `left` away from `part`, as far as the rule lets; and what they take."""
        goal = max(part - left, 1e-12)
        if wish == "more_logs":
            so_far, most = float(row["logs"]), self.rule.logs_most
            wanted = so_far * part / goal - so_far
        else:  # each new peer says what the setup needs as well as this car does without its expectation's doubt
            so_far, most = (parts.total - parts.peers) / part, self.rule.cars_most
            wanted = so_far * part / goal - so_far
        count = int(min(max(np.ceil(wanted - 1e-9), 1), most))
        return count, part * count / (so_far + count)

    def to_act(self, unit: int, row: dict[str, Any]) -> list[Wish]:
        """How many more logs make `action` of a car to watch, if its excess stays what it is."""
        if row["p_curve"] is None or row["p_curve"] > WARNING_P:
            return []  # events spoke, and only time tells whether they return
        one = slice(unit, unit + 1)
        numbers, logs = self.numbers, float(row["logs"])
        own = sampling_covariance(self.learned, unit)
        for count in range(1, self.rule.logs_most + 1):
            covariance = _positive(numbers.covariance[unit] - own * count / (logs + count))
            then = FourNumbers(
                numbers.values[one], covariance[None], numbers.judged[one], numbers.dated[one], numbers.passed[one]
            )
            if self._p_with_margin(then) <= self.acting_p:
                return [Wish("more_logs", count)]
        parts = parts_of(self.learned, unit)
        return [Wish("more_peers")] if parts.peers > max(parts.ethanol, parts.unlogged) else []

    def _p_with_margin(self, numbers: FourNumbers) -> float:
        """Combined p of a car whose next logs show somewhat less, as one in five does."""
        shapes = templates()
        z = np.column_stack([template_z(numbers, self.spread, directions(shape, numbers)) for shape in shapes])
        weights = np.array([shape.weight for shape in shapes])
        return float(combine_p(one_sided_p(z - float(norm.isf(1 - POWER)), self.degrees), weights)[0])


def parts_of(learned: Learned, unit: int) -> Parts:
    """Where the variance of a spell's level comes from; the parts add up to it."""
    rows, part = learned.rows, learned.rows.of(unit)
    now = rows.in_quarter[part]
    mean = {name: float((getattr(rows, name)[part][now] ** 2).mean()) for name in ("ethanol_sd", "unlogged_sd")}
    sampling = float(learned.judged.sampling[unit])
    logs = max(len(np.unique(rows.log[part][now])), 1)
    barometer = min(float((rows.barometer_sd[part][now] ** 2).mean()) / logs, sampling)
    whole = float(learned.judged.numbers.covariance[unit, LEVEL, LEVEL])
    peers = max(whole - sampling - mean["ethanol_sd"] - mean["unlogged_sd"], 0.0)
    return Parts(
        sampling, barometer, mean["ethanol_sd"], mean["unlogged_sd"], peers, float(learned.spread[LEVEL, LEVEL])
    )


def sampling_covariance(learned: Learned, unit: int) -> Array:
    """The part of a spell's covariance that more logs shrink. (4, 4)"""
    part = learned.rows.of(unit)
    W = within(learned.rows, part, learned.noise)
    own = estimate(learned.rows, part, learned.judged.residual[part], W, np.zeros_like(W))
    return own.covariance


def _positive(matrix: Array, least: float = 1e-8) -> Array:
    """The nearest matrix without a negative variance in any direction: differences of estimates can have one."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return np.asarray((vectors * np.maximum(values, least)) @ vectors.T)


def _gaps(counted: pl.DataFrame, rule: NextLogsRule) -> dict[int, tuple[int, int]]:
    """spell, band_rpm, pulls -> for a spell the widest part of the rev range, of the one that most cars drive, in which
    it has few pulls. [1/min]
    """
    share = pl.col("spell").n_unique() / max(counted["spell"].n_unique(), 1)
    usual = counted.group_by("band_rpm").agg(share=share).filter(pl.col("share") >= rule.bands_share)
    bands = usual["band_rpm"].sort().to_list()
    gaps = {}
    for (spell,), own in counted.sort("spell", "band_rpm").group_by("spell", maintain_order=True):
        pulls = dict(own.select("band_rpm", "pulls").iter_rows())
        few = float(own["pulls"].max() or 0) / 2  # type: ignore[arg-type]
        runs: list[list[int]] = []
        for band in bands:
            if pulls.get(band, 0) >= few:
                continue
            if runs and band == runs[-1][-1] + BAND_RPM:
                runs[-1].append(band)
            else:
                runs.append([band])
        widest = max(runs, key=len, default=[])
        if len(widest) * BAND_RPM >= rule.gap_rpm:
            gaps[int(str(spell))] = (widest[0], widest[-1] + BAND_RPM)
    return gaps
