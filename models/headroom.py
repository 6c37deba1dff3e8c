"""What a blend and a boost would ask of the pump of a setup or of one car, told from logs alone."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.findings import InputError
from ingest.near_labels import unknown_label
from models.distributions import t_quantile
from models.experience import Experience, experience
from models.fleet import Material, NothingToStudyError, gather, window
from models.headroom_question import Question, find_setup, unknown_setup
from models.judgement import freedom
from models.later_pull import LaterPull, LaterRule, Whose, later_pull, typical_bands, with_mixture
from models.learning import Learned, learn
from models.one_car import LABELS_SHOWN
from models.pump_limit import counted_events, pump_limit
from models.schemas import Schema
from models.study import judge_taught

Array = NDArray[np.float64]

# one row a band that the car, or the setup's cars, have driven; shares are of what the pump gives at its ceiling
HEADROOM: Schema = {
    "band_rpm": pl.Int32,
    "boost_kpa": pl.Float64,
    "demand": pl.Float64,
    "share_pct": pl.Float64,  # median of the simulated pulls; may exceed 100
    "share_low_pct": pl.Float64,  # 80 % prediction interval
    "share_high_pct": pl.Float64,
    "duty_pct": pl.Float64,
    "duty_low_pct": pl.Float64,
    "duty_high_pct": pl.Float64,
    "cars_driven": pl.Int32,  # cars with this engine and pump that were driven at this demand or more
    "beyond_pct": pl.Float64,  # how far the demand lies outside all of them
}


@dataclass(frozen=True)
class HeadroomRule:
    """upper: probability with which one later pull stays below the bound. interval: of the bands' figures.

    ethanol_margin_points: no figure further than this outside the blends that the fleet has driven.
    demand_margin_pct: nor further than this outside the demand that cars with the engine and pump were driven at.
    """

    upper: float = 0.90
    interval: float = 0.80
    ethanol_margin_points: float = 15.0
    demand_margin_pct: float = 15.0


@dataclass(frozen=True)
class Headroom:
    """told: figures and words, ready for JSON; `why_none` says why there is no figure, "" where there is one.

    bands: HEADROOM; without rows for a car that ran short of fuel.
    """

    told: dict[str, Any]
    bands: pl.DataFrame


def headroom(
    cells: pl.DataFrame,
    pulls: pl.DataFrame,
    ledger: pl.DataFrame,
    roster: pl.DataFrame,
    question: Question,
    quarter: str | None = None,
    today: date | None = None,
    rule: HeadroomRule = HeadroomRule(),
    pooled: pl.DataFrame | None = None,
) -> Headroom:
    """CELLS, PULLS, LEDGER, ROSTER of a store, a Question and other clubs' CONTRIBUTION -> Headroom.

    Raises InputError for a question that cannot be answered, NothingToStudyError for a quarter without logs.
    """
    today = today or date.today()
    when = window(quarter, ledger, today)
    material = gather(cells, pulls, ledger, roster, when, today, pooled)
    if material.fleet is None:
        raise NothingToStudyError(f"{when.quarter}: no full-load cell below the ceiling, so nothing can be learned.")
    every = with_mixture(material.observations, cells)
    rows = _rows_asked_for(every, when.quarter, question)
    if question.label and _short_since_inspection(material, int(rows["spell"][0])):
        return Headroom(_who(rows, question, when.quarter) | {"why_none": "rail_short"}, pl.DataFrame(schema=HEADROOM))
    learned = learn(material.fleet)
    return answer(material, learned, every, rows, question, rule)


def answer(
    material: Material,
    learned: Learned,
    every: pl.DataFrame,
    rows: pl.DataFrame,
    question: Question,
    rule: HeadroomRule = HeadroomRule(),
    later: LaterRule = LaterRule(),
) -> Headroom:
    """Headroom from what was learned. every: as of `with_mixture`. rows: those of the setup, or of the car's spell."""
    asker = asker_of(material, learned, every, rows, question, rule, later)
    boost = question.boost_kpa or asker.pull.usual_boost_kpa
    bands, none = asker.bands(question.ethanol_pct, boost)
    told = _who(rows, question, material.window.quarter) | {
        "why_none": none,
        "ethanol_pct": question.ethanol_pct,
        "boost_kpa": round(boost, 1),
        "boost_usual": question.boost_kpa is None,
        "reserve_pct": question.reserve_pct,
        **(dict.fromkeys(BOUND) if none else asker.bound(question.ethanol_pct, boost)),
        **asker.highest_ethanol(boost),
        **asker.highest_boost(question.ethanol_pct),
        **_rests_on(asker, rows),
        **_standing(material, learned, rows, question),
    }
    return Headroom(told, bands)


def asker_of(
    material: Material,
    learned: Learned,
    every: pl.DataFrame,
    rows: pl.DataFrame,
    question: Question,
    rule: HeadroomRule = HeadroomRule(),
    later: LaterRule = LaterRule(),
) -> "Asker":
    """What answers for these rows at any blend and boost; parameters as of `answer`."""
    assert material.fleet is not None
    unit = None if question.label is None else int(np.flatnonzero(learned.rows.spells == rows["spell"][0])[0])
    degrees = freedom(learned.healthy_cars)
    pull = later_pull(material.fleet, learned, every, Whose(rows, unit), material.ceilings, degrees, later)
    seen = experience(every, rows["engine"][0], rows["pump"][0], pull.bands["band_rpm"].to_list())
    return Asker(pull, seen, question, rule)


BOUND = ("share_pct", "share_upper_pct", "share_upper_label_pct", "duty_upper_pct", "bites_rpm", "keeps_reserve")


@dataclass(frozen=True)
class Asker:
    """Answers at any blend [% by volume] and highest boost [kPa gauge]. question: for its reserve."""

    pull: LaterPull
    seen: Experience
    question: Question
    rule: HeadroomRule

    def bands(self, ethanol_pct: float, boost_kpa: float) -> tuple[pl.DataFrame, str]:
        """HEADROOM and why there is no figure, if so: the bands then stand without one."""
        none, demand = self.why_none(ethanol_pct, boost_kpa), np.exp(self.pull.ln_demand(ethanol_pct, boost_kpa))
        shares = self.pull.shares(ethanol_pct, boost_kpa)
        tail = (1 - self.rule.interval) / 2
        low, middle, high = np.quantile(shares, [tail, 0.5, 1 - tail], axis=0)
        figures = {"share_pct": middle, "share_low_pct": low, "share_high_pct": high}
        columns = {name: 100 * value for name, value in figures.items()}
        columns |= {name.replace("share", "duty"): self.pull.duty_pct(value) for name, value in figures.items()}
        made = self.pull.bands.select("band_rpm").with_columns(
            pl.Series("boost_kpa", self.pull.boost_kpa(boost_kpa)),
            pl.Series("demand", demand),
            *(pl.lit(None).alias(name) if none else pl.Series(name, value) for name, value in columns.items()),
            pl.Series("cars_driven", self.seen.cars_at_demand(demand)),
            pl.Series("beyond_pct", self.seen.demand_beyond(demand)),
        )
        cast = made.select(pl.col(name).cast(dtype) for name, dtype in HEADROOM.items())
        return cast.with_columns(pl.selectors.float().round(3)), none

    def bound(self, ethanol_pct: float, boost_kpa: float) -> dict[str, Any]:
        """BOUND: the highest share of one later pull, over all bands at once."""
        shares = self.pull.shares(ethanol_pct, boost_kpa)
        bands = np.quantile(shares, self.rule.upper, axis=0)
        upper = self._upper(shares)
        label = self._upper(self.pull.shares(ethanol_pct, boost_kpa, label_only=True))
        return {
            "share_pct": round(100 * float(np.median(shares.max(axis=1))), 1),
            "share_upper_pct": _up(100 * upper),
            "share_upper_label_pct": _up(100 * label),
            "duty_upper_pct": round(float(self.pull.duty_pct(np.array(upper))), 1),
            "bites_rpm": int(self.pull.bands["band_rpm"][int(np.argmax(bands))]),
            "keeps_reserve": self._keeps(upper),
        }

    def highest_ethanol(self, boost_kpa: float) -> dict[str, Any]:
        """highest_ethanol_pct, whole per cent at this boost; what stands in the way, and the least that was tried."""
        top, by, least = self._highest(lambda ethanol: (ethanol, boost_kpa), np.arange(0.0, 101.0))
        return {"highest_ethanol_pct": top, "highest_ethanol_by": by, "lowest_ethanol_tried_pct": least}

    def highest_boost(self, ethanol_pct: float) -> dict[str, Any]:
        """highest_boost_kpa, whole kPa gauge at this blend; what stands in the way, and the least that was tried."""
        usual = self.pull.usual_boost_kpa
        if usual <= 0:
            return {"highest_boost_kpa": None, "highest_boost_by": "no_boost", "lowest_boost_tried_kpa": None}
        top, by, least = self._highest(lambda boost: (ethanol_pct, boost), np.arange(1.0, np.ceil(3 * usual)))
        return {"highest_boost_kpa": top, "highest_boost_by": by, "lowest_boost_tried_kpa": least}

    def why_none(self, ethanol_pct: float, boost_kpa: float) -> str:
        """Why there is no figure at this blend and boost; "" where there is one."""
        if abs(self.seen.ethanol_beyond(ethanol_pct)) > self.rule.ethanol_margin_points:
            return "ethanol_not_driven"
        demand = np.exp(self.pull.ln_demand(ethanol_pct, boost_kpa))
        far = np.abs(self.seen.demand_beyond(demand)).max() > self.rule.demand_margin_pct
        return "demand_not_driven" if far else ""

    def _highest(
        self, at: Callable[[float], tuple[float, float]], values: Array
    ) -> tuple[float | None, str, float | None]:
        """The highest value whose bound keeps the reserve, what stands in the way of the next, and the least tried.

        at: from a value to blend and boost, asking for more as it rises. reserve: the pump. driven: what the fleet has
        driven, margin included. none_keeps: not even the least does. outside: none lies within what was driven.
        """
        inside = [value for value in values.tolist() if not self.why_none(*at(value))]
        if not inside:
            return None, "outside", None
        kept, lost = -1, len(inside)
        while lost - kept > 1:
            middle = (kept + lost) // 2
            if self._keeps(self._upper(self.pull.shares(*at(inside[middle])))):
                kept = middle
            else:
                lost = middle
        if kept < 0:
            return None, "none_keeps", inside[0]
        return inside[kept], "reserve" if lost < len(inside) else "driven", inside[0]

    def _upper(self, shares: Array) -> float:
        return float(np.quantile(shares.max(axis=1), self.rule.upper))

    def _keeps(self, upper: float) -> bool:
        return upper <= 1 - self.question.reserve_pct / 100


def _up(value: float) -> float:
    """To one digit, never downwards: a bound that is rounded down is none."""
    return float(np.ceil(10 * value - 1e-9) / 10)


def _rows_asked_for(every: pl.DataFrame, quarter: str, question: Question) -> pl.DataFrame:
    """Observations of the setup or of the car's latest spell: the quarter's, else the window's.

    Raises InputError with everything that is wrong with the question.
    """
    problems, own = question.problems(), every.clear()
    if question.label is not None:
        own = every.filter(pl.col("label") == question.label)
        if own.is_empty():
            place = f"the full-load pulls of the four quarters up to {quarter}"
            labels = every["label"].unique().to_list()
            problems += unknown_label(question.label, labels, place, LABELS_SHOWN).problems
        else:
            own = own.filter(pl.col("spell") == own.sort("date", "spell")["spell"][-1])
    elif question.setup is not None:
        known = every["setup"].unique().sort().to_list()
        setup = find_setup(question.setup, known)
        if setup is None:
            problems.append(unknown_setup(question.setup, known, quarter))
        else:
            own = every.filter(pl.col("setup") == setup)
    rows = own.filter("in_quarter") if own["in_quarter"].any() else own
    if not rows.is_empty():
        problems += question.boost_problems(float(typical_bands(rows)["boost_kpa"].to_numpy().max()))
    if problems:
        raise InputError(problems)
    return rows


def _who(rows: pl.DataFrame, question: Question, quarter: str) -> dict[str, Any]:
    return {"quarter": quarter, "label": question.label, "setup": rows["setup"][0]}


def _short_since_inspection(material: Material, spell: int) -> bool:
    """Whether the car's fuel ran short in the window, after the day somebody last looked, where somebody did."""
    inspected = material.spells.row(by_predicate=pl.col("spell") == spell, named=True)["found_on"]
    own = material.pulls.filter(pl.col("spell") == spell).with_columns(in_quarter=pl.lit(True))
    if inspected is not None:
        own = own.filter(pl.col("date") > inspected)
    if own.is_empty():
        return False
    nothing = pl.DataFrame(schema={"spell": pl.Int32, "saturated_pulls": pl.Int64})
    return bool((pump_limit(counted_events(own), nothing)["pump_limit"] == "rail_short").any())


def _rests_on(asker: Asker, rows: pl.DataFrame) -> dict[str, Any]:
    """What the figures rest on: logs, usual blend and boost, what was driven, ceiling, law, rail."""
    pull, seen, rule, blend = asker.pull, asker.seen, asker.rule, asker.question.ethanol_pct
    calibration, law = pull.bands["calibration"][0], pull.learned.law
    family = law.family.index(f"{pull.bands['pump'][0]} | {calibration}")
    return {
        "cars": rows["label"].n_unique(),
        "logs": rows["log"].n_unique(),
        "pulls": rows.select("log", "pull").n_unique(),
        "first_log": str(rows["date"].min()),
        "last_log": str(rows["date"].max()),
        "usual_ethanol_pct": round(pull.usual_ethanol_pct, 1),
        "usual_boost_kpa": round(pull.usual_boost_kpa, 1),
        "port_injection": bool(pull.bands["port_injection"][0]),
        "ethanol_logged_share": round(float(rows["ethanol_logged"].to_numpy().mean()), 3),
        "driven_ethanol_low_pct": round(float(seen.blends_pct.min()), 1),
        "driven_ethanol_high_pct": round(float(seen.blends_pct.max()), 1),
        "ethanol_beyond_points": round(seen.ethanol_beyond(blend), 1),
        "cars_at_blend": seen.cars_at_blend(blend),
        "cars_engine_and_pump": seen.cars,
        "ethanol_margin_points": rule.ethanol_margin_points,
        "demand_margin_pct": rule.demand_margin_pct,
        "ceiling_pct": pull.ceiling_pct,
        "ceiling_low_pct": pull.ceiling_low_pct,
        "round_share": round(pull.round_share, 3),
        "round_share_low": round(float(law.low[family]), 3),
        "round_share_high": round(float(law.high[family]), 3),
        **_rail(pull, rows),
    }


def _rail(pull: LaterPull, rows: pl.DataFrame) -> dict[str, Any]:
    """How often it is logged; what 100 bar more go with in volume, 95 % interval; the usual pressure's part."""
    at = pull.names.index("rail")
    slope = float(pull.learned.expectation.coefficients[at])
    half = float(t_quantile(0.975, pull.degrees)) * float(np.sqrt(pull.learned.expectation.covariance[at, at]))
    beside = float(pull.X[:, at].mean())  # the column is centred at the fleet's median
    logged = float(rows["rail_logged"].to_numpy().mean())
    return {
        "rail_logged_share": round(logged, 3),
        "rail_bar": round(100 * float(pull.bands["rail_100bar"].to_numpy().mean()), 1) if logged else None,
        "rail_100bar_pct": _pct(slope),
        "rail_100bar_low_pct": _pct(slope - half),
        "rail_100bar_high_pct": _pct(slope + half),
        "rail_part_pct": _pct(slope * beside) if logged else None,
    }


def _pct(ln_volume: float) -> float:
    return round(100 * float(np.expm1(ln_volume)), 2)


def _standing(material: Material, learned: Learned, rows: pl.DataFrame, question: Question) -> dict[str, Any]:
    """What the study says of the cars behind it: signal, pump limit, how many of the setup's are at theirs."""
    judged = judge_taught(material, learned)
    alike = judged.filter(pl.col("setup") == rows["setup"][0], pl.col("pulls") > 0)
    own = judged.filter(pl.col("spell") == rows["spell"][0]) if question.label else judged.clear()
    found = own.row(0, named=True) if own.height else {}
    return {
        "signal": found.get("signal"),
        "pump_limit": found.get("pump_limit"),
        "saturated_share": round(float(rows["saturated"].to_numpy().mean()), 3),
        "peers_mostly_high": bool(alike["peers_mostly_high"].any()),
        "setup_cars": alike["label"].n_unique(),
        "setup_cars_at_ceiling": alike.filter(pl.col("pump_limit") == "reached")["label"].n_unique(),
        "setup_cars_short": alike.filter(pl.col("pump_limit") == "rail_short")["label"].n_unique(),
    }
