"""What each part of the method is worth: the same fleets studied with one part switched off at a time.

python tests/benchmarks/ablations.py [--fleets SHARE] [--workers 2] [--out FILE] [--rows FILE] [--keep FOLDER]

Fleets of round lobes, invented as cells, with seeds of their own: 24 of 80 cars and 48 of 24, 15 % of the cars with a
fault as in `pooled.py`. What is switched off is replaced by what a simpler study would do; nothing else is retuned.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).parent))

from many_fleets import Job, cell, in_parallel, made, parser, save, share, studied, table
from pooled import FAULTS

from models import ceilings, evidence, excess, learning, left_out
from models.duty_law import RoundShares

FLEETS = {80: (51_000, 24), 24: (52_000, 48)}  # cars: first seed, fleets
KEPT = (
    *("set", "cars", "seed", "label", "fault", "severity_pct", "true_excess_pct", "excess_low_pct", "excess_high_pct"),
    *("p_value", "signal", "pump_limit"),
)
CURVES = ("worn", "starved", "leak", "drift")
CEILING_FOR_ALL_PCT = 99.0


def straight_duty(fleet: learning.Fleet, law: RoundShares, *_: Any) -> RoundShares:
    """Duty taken for volume."""
    return replace(law, values=np.zeros_like(law.values))


def one_shape(*given: Any, **named: Any) -> np.ndarray:
    """Healthy cars differ in level alone."""
    spread = excess.healthy_spread(*given, **named)
    return np.diag([spread[0, 0], 1e-8, 1e-8, spread[3, 3]])


def level_test() -> tuple[evidence.Template, ...]:
    return evidence.templates()[:1]


def sure_expectation(*given: Any) -> Iterator[left_out.LeftOut]:
    """The expectation taken for exact."""
    for one in left_out.left_out(*given):
        yield replace(one, covariance=1e-6 * one.covariance)


def taught_by_all(rows: Any, X: Any, cars: Any, sums: Any, spread: Any, weights: Any, A: Any, b: Any) -> Any:
    """Each car judged by an expectation it has taught as well."""
    return left_out.left_out(rows, X, cars, sums, spread, 0.0 * weights, A, b)


def equal_weights(frame: pl.DataFrame, rows: Any, healthy: np.ndarray, *_: Any) -> np.ndarray:
    return np.ones_like(healthy)


def one_ceiling(*given: Any, **named: Any) -> pl.DataFrame:
    return ceilings.ceilings(*given, **named).with_columns(ceiling_pct=pl.lit(CEILING_FOR_ALL_PCT))


# what is switched off: the names that are replaced, and by what
PARTS: dict[str, dict[str, Callable[..., Any]]] = {
    "nothing": {},
    "duty law: duty taken for volume": {"models.learning.learn_law": straight_duty},
    "spread of healthy shapes": {"models.learning.healthy_spread": one_shape},
    "tests of shape and drift": {"models.judgement.templates": level_test},
    "the expectation's own variance": {"models.learning.left_out": sure_expectation},
    "leaving the car out": {"models.learning.left_out": taught_by_all},
    "weighing down cars that do not fit": {"models.learning.teaching_weights": equal_weights},
    "learned ceilings: 99 % for all": {"models.fleet.ceilings": one_ceiling},
}


@contextmanager
def without(part: str) -> Iterator[None]:
    with ExitStack() as stack:
        for name, instead in PARTS[part].items():
            stack.enter_context(patch(name, instead))
        yield


def one_fleet(job: Job) -> pl.DataFrame:
    fleet = job.fleet()
    every = []
    for part in PARTS:
        with without(part):
            rows = studied(fleet, job)
        every.append(rows.select(*KEPT, part=pl.lit(part)))
    return pl.concat(every)


def figures(rows: pl.DataFrame) -> dict[str, Any]:
    sound = rows.filter(pl.col("fault") == "")
    held = pl.col("true_excess_pct").is_between(pl.col("excess_low_pct"), pl.col("excess_high_pct"))
    return {
        "found": share(rows.filter(pl.col("fault").is_in(CURVES)), pl.col("signal") == "action"),
        "sound_action": share(sound, pl.col("signal") == "action"),
        "sound_coverage_95": share(sound, held),
        "sound_p_05": share(sound, pl.col("p_value") <= 0.05),
    }


def markdown(result: dict[str, Any]) -> str:
    """The result as tables of docs/performance.md, one a size of fleet."""
    heads = [
        "worn, starved, leaking, drifting: `action`",
        "sound cars: `action`",
        "coverage of 95 %",
        "sound, p <= .05",
    ]
    return "\n\n".join(
        table(
            [f"switched off ({size} cars, {f['fleets']} fleets)", *heads],
            [[part, *(cell(one) for one in told.values())] for part, told in f["parts"].items()],
        )
        for size, f in result["fleets"].items()
    )


def main() -> None:
    given = parser(__doc__).parse_args()
    jobs = [
        Job("ablations", cars, first + k, "lobe", 0.15, FAULTS)
        for cars, (first, count) in FLEETS.items()
        for k in range(max(1, round(given.fleets * count)))
    ]
    rows = in_parallel(one_fleet, jobs, given.workers, given.keep)
    if given.rows:
        rows.write_parquet(given.rows)
    result: dict[str, Any] = made() | {"fleets": {}}
    for (cars,), own in rows.group_by("cars", maintain_order=True):
        parts = {part: figures(own.filter(pl.col("part") == part)) for part in PARTS}
        result["fleets"][str(cars)] = {"fleets": own["seed"].n_unique(), "parts": parts}
    save("ablations", result, given.out)
    print(markdown(result))


if __name__ == "__main__":
    main()
