"""How small an excess could be found: against the tests themselves, and against the normal's known figures."""

import numpy as np
import pytest
from scipy.stats import norm

from models.evidence import combine_p, directions, one_sided_p, template_z, templates
from models.excess import FourNumbers, SpreadPrior
from models.power import logs_needed, needed_level

SPREAD = SpreadPrior().covariance


def cars(values: np.ndarray, sd: float = 0.01) -> FourNumbers:
    known = np.ones(len(values), bool)
    covariance = np.tile(sd**2 * np.eye(4), (len(values), 1, 1))
    return FourNumbers(values, covariance, known, known, np.full(len(values), 0.5))


def combined(numbers: FourNumbers, freedom: float) -> np.ndarray:
    z = np.column_stack([template_z(numbers, SPREAD, directions(shape, numbers)) for shape in templates()])
    return combine_p(one_sided_p(z, freedom), np.array([shape.weight for shape in templates()]))


@pytest.mark.parametrize("limit", [0.023, 0.002])
def test_the_detectable_excess_is_found_in_four_cases_of_five(limit: float) -> None:
    # by simulation of 4,000 cars with just that excess: nothing here is taken from the function's own reckoning.
    # The reckoning fixes the level's error alone, so it may be off by a few points beside the binomial 4 x .0063.
    needed = float(needed_level(cars(np.zeros((1, 4))), SPREAD, limit, 30.0)[0])
    rng, n = np.random.default_rng(11), 4000
    drawn = rng.multivariate_normal([needed, 0, 0, 0], SPREAD + 0.01**2 * np.eye(4), size=n)
    assert float((combined(cars(drawn), 30.0) <= limit).mean()) == pytest.approx(0.80, abs=0.07)


@pytest.mark.parametrize(("limit", "errors"), [(0.05, 2.4865), (0.025, 2.8016)])
def test_it_cannot_beat_the_most_powerful_single_test(limit: float, errors: float) -> None:
    # the normal's: norm.isf(limit) + norm.isf(.2) standard errors; 2.8016 is that of a two-sided test at 5 %
    assert norm.isf(limit) + norm.isf(0.2) == pytest.approx(errors, abs=5e-5)
    sd = np.hypot(0.03, 0.01)
    needed = float(needed_level(cars(np.zeros((1, 4))), SPREAD, limit, 1e6)[0])
    assert errors * sd * 0.98 <= needed < 1.6 * errors * sd


def test_less_is_found_with_worse_logs_stricter_limits_and_fewer_cars() -> None:
    def needed(sd: float = 0.01, limit: float = 0.023, freedom: float = 30.0) -> float:
        return float(needed_level(cars(np.zeros((1, 4)), sd), SPREAD, limit, freedom)[0])

    assert needed(sd=0.03) > needed()
    assert needed(limit=0.002) > needed()
    assert needed(freedom=6.0) > needed()


# ---- logs needed


def test_enough_more_logs_make_an_excess_of_ten_per_cent_detectable() -> None:
    # the level's variance is sampling / logs + the rest; the needed excess is a fixed multiple of its root
    logs, sampling, rest, multiple = 2.0, 0.03**2, 0.02**2, 3.0
    needed = multiple * np.sqrt(sampling + rest)
    more = float(
        logs_needed(np.array([logs]), np.array([sampling]), np.array([sampling + rest]), np.array([needed]))[0]
    )
    assert more > 0

    def detectable(extra: float) -> float:
        return float(np.expm1(multiple * np.sqrt(sampling * logs / (logs + extra) + rest)))

    assert detectable(more) <= 0.10 + 1e-9
    assert detectable(more - 1) > 0.10


def test_where_the_peers_are_the_limit_no_number_of_logs_is_named() -> None:
    variance = np.array([0.01**2 + 0.05**2])
    assert np.isnan(logs_needed(np.array([3.0]), np.array([0.01**2]), variance, 3.0 * np.sqrt(variance))[0])


def test_who_can_be_judged_needs_none() -> None:
    variance = np.array([0.01**2])
    assert logs_needed(np.array([3.0]), 0.5 * variance, variance, 3.0 * np.sqrt(variance)).tolist() == [0.0]
