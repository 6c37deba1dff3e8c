"""The combination of tests against its known cases and by simulation; events, templates, weights."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, norm, poisson
from statsmodels.stats.multitest import multipletests

from models.evidence import (
    combine_p,
    contrast_z,
    directions,
    event_p,
    join_events,
    one_sided_p,
    probability_healthy,
    template_z,
    templates,
    third_contrasts,
)
from models.excess import FourNumbers, SpreadPrior
from models.judgement import false_discovery

WEIGHTS = np.array([shape.weight for shape in templates()])
SPREAD = SpreadPrior().covariance


def numbers(values: np.ndarray, sd: float = 0.01) -> FourNumbers:
    units = len(values)
    known = np.ones(units, bool)
    return FourNumbers(values, np.tile(sd**2 * np.eye(4), (units, 1, 1)), known, known, np.full(units, 0.5))


# ---- Cauchy combination


@pytest.mark.parametrize("p", [0.001, 0.01, 0.05, 0.3, 0.5])
def test_equal_p_values_combine_to_themselves(p: float) -> None:
    assert float(combine_p(np.full((1, 4), p), np.array([4.0, 1, 1.5, 0.3]))[0]) == pytest.approx(p)


def test_two_p_values_by_hand() -> None:
    # Liu & Xie 2020: T = mean of tan((.5 - p) pi); cot(.01 pi) = 31.8205, cot(.4 pi) = .32492; p = 1/2 - atan(T)/pi
    expected = 0.5 - np.arctan((31.8205 + 0.32492) / 2) / np.pi
    assert float(combine_p(np.array([[0.01, 0.4]]), np.ones(2))[0]) == pytest.approx(expected, rel=1e-5)


def test_a_very_small_p_counts_as_much_as_its_weight() -> None:
    # in the tail tan((.5 - p) pi) is 1 / (p pi), so p combined is near p sum(w) / w
    joined = combine_p(np.array([[1e-8, 0.5, 0.5]]), np.array([1.0, 2.0, 1.0]))
    assert float(joined[0]) == pytest.approx(4e-8, rel=1e-4)


def test_a_p_of_exactly_one_does_not_silence_the_others() -> None:
    joined = combine_p(np.array([[1e-5, 1.0, 1.0, 1.0, 1.0]]), WEIGHTS)
    assert float(joined[0]) < 5e-5


def test_p_values_of_zero_and_one_stay_finite() -> None:
    joined = combine_p(np.array([[0.0, 1.0], [1.0, 1.0], [0.0, 0.0]]), np.ones(2))
    assert np.isfinite(joined).all()
    assert (joined > 0).all()
    assert (joined <= 1).all()


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
@pytest.mark.parametrize("level", [0.01, 0.001])
def test_the_tail_is_nominal_whatever_the_dependence(correlation: float, level: float) -> None:
    # Liu & Xie's claim, by simulation of the templates' number of equally correlated normals. Allowed: four binomial
    # standard errors either side, and a fifth of the level for what is only asymptotic, which they show too.
    count, tests = 200_000, len(WEIGHTS)
    rng = np.random.default_rng(7)
    common = rng.normal(size=(count, 1))
    z = np.sqrt(correlation) * common + np.sqrt(1 - correlation) * rng.normal(size=(count, tests))
    share = float((combine_p(norm.sf(z), WEIGHTS) <= level).mean())
    allowed = 4 * binom.std(count, level) / count + 0.2 * level
    assert share == pytest.approx(level, abs=allowed)


# ---- events


def test_a_car_is_held_against_the_others_rate() -> None:
    events, pulls = np.array([3.0, 0.0, 1.0]), np.array([10.0, 100.0, 90.0])
    rate = (1.0 + 0.01) / (190.0 + 1.0)  # the docstring's: the others' events, .01 in one pull's worth of prior
    assert float(event_p(events, pulls)[0]) == pytest.approx(poisson.sf(2, rate * 10))
    assert float(event_p(events, pulls)[1]) == 1.0


def test_a_fleet_without_events_is_surprised_by_the_first_but_not_infinitely() -> None:
    p = event_p(np.array([1.0, 0.0]), np.array([4.0, 200.0]))
    assert 1e-4 < float(p[0]) < 0.01


def test_one_sticking_pump_does_not_excuse_the_next() -> None:
    quiet, pulls = np.zeros(40), np.full(42, 8.0)
    alone = event_p(np.r_[quiet, 3.0, 0.0], pulls)[40]
    beside = event_p(np.r_[quiet, 3.0, 6.0], pulls)[40]
    assert float(beside) == pytest.approx(float(alone), rel=0.2)
    everybody = event_p(np.tile([0.0, 1.0, 2.0], 14), pulls)  # events that all cars have are nothing to act on
    assert float(everybody.min()) > 0.01


def test_more_events_are_less_likely() -> None:
    p = [float(event_p(np.array([n, 2.0]), np.array([10.0, 500.0]))[0]) for n in (1.0, 2.0, 3.0, 8.0)]
    assert p == sorted(p, reverse=True)


def test_no_events_leave_the_curves_p_alone_and_events_double_the_smaller() -> None:
    joined = join_events(np.array([0.03, 0.03, 0.004, 0.9]), np.array([1.0, 0.001, 0.2, 0.7]))
    assert joined == pytest.approx([0.03, 0.002, 0.008, 1.0])  # Bonferroni over two


# ---- templates


@pytest.mark.parametrize("shape", templates(), ids=lambda shape: shape.name)
def test_a_healthy_cars_z_is_standard_normal(shape: object) -> None:
    # 20,000 draws: mean within 4/sqrt(n), variance within 4 sqrt(2/n)
    rng, n = np.random.default_rng(3), 20_000
    drawn = rng.multivariate_normal(np.zeros(4), SPREAD + 0.01**2 * np.eye(4), size=n)
    healthy = numbers(drawn)
    z = template_z(healthy, SPREAD, directions(shape, healthy))  # type: ignore[arg-type]
    assert float(z.mean()) == pytest.approx(0.0, abs=4 / np.sqrt(n))
    assert float(z.var()) == pytest.approx(1.0, abs=4 * np.sqrt(2 / n))


@pytest.mark.parametrize("shape", templates(), ids=lambda shape: shape.name)
def test_no_test_is_more_powerful_than_its_own_for_a_faults_shape(shape: object) -> None:
    # Neyman and Pearson: among all linear tests the one along M^-1 u has the largest mean for a shift along u
    sick = numbers(np.zeros((1, 4)))
    own = directions(shape, sick)  # type: ignore[arg-type]
    sick = replace(sick, values=0.1 * own)
    best = float(template_z(sick, SPREAD, own)[0])
    others = np.random.default_rng(5).normal(size=(300, 4))
    assert all(float(contrast_z(sick, SPREAD, a)[0]) <= best + 1e-12 for a in others)


def test_each_template_is_answered_best_by_itself() -> None:
    for shape in templates():
        sick = numbers(np.zeros((1, 4)), sd=0.003)
        sick = replace(sick, values=0.15 * directions(shape, sick))
        z = {other.name: float(template_z(sick, SPREAD, directions(other, sick))[0]) for other in templates()}
        assert max(z, key=z.__getitem__) == shape.name


def test_the_thirds_are_contrasts_against_the_cars_own_level() -> None:
    flat = numbers(np.array([[0.2, 0.0, 0.0, 0.0]]))
    for contrast in third_contrasts().values():
        assert float(contrast_z(flat, SPREAD, contrast)[0]) == pytest.approx(0.0)
    rising = numbers(np.array([[0.0, 0.05, 0.0, 0.0]]))
    low, middle, high = (float(contrast_z(rising, SPREAD, a)[0]) for a in third_contrasts().values())
    assert low == pytest.approx(-high)
    assert middle == pytest.approx(0.0, abs=1e-9)
    assert high > 2


@pytest.mark.parametrize(("reference_sd", "z"), [(0.0, 0.955), (0.001, 0.943)])
def test_a_level_is_scored_as_iso_13528_scores_a_laboratory(reference_sd: float, z: float) -> None:
    # (x - X) / sqrt(sigma^2 + u_ref^2), worked on NIST Dataplot's reference pages on ISO 13528: x 1.006, sigma .00628
    one = FourNumbers(
        np.array([[1.006 - 1, 0, 0, 0]]), reference_sd**2 * np.eye(4)[None], np.ones(1, bool), np.ones(1, bool),
        np.full(1, 0.5),
    )  # fmt: skip
    found = contrast_z(one, 0.00628**2 * np.eye(4), np.array([1.0, 0, 0, 0]))
    assert float(found[0]) == pytest.approx(z, abs=1e-3)


def test_few_cars_make_the_same_z_less_surprising() -> None:
    z = np.array([3.0])
    assert float(one_sided_p(z, 1e7)[0]) == pytest.approx(float(norm.sf(3.0)), rel=1e-4)
    assert one_sided_p(z, 6.0) > 5 * one_sided_p(z, 1e7)


# ---- who is healthy


def test_a_worn_pumps_car_is_not_taken_for_healthy_and_its_peers_are() -> None:
    values = np.zeros((4, 4))
    values[1, 0], values[2, 0], values[3, 0] = 0.03, 0.20, -0.30
    healthy = probability_healthy(numbers(values), SPREAD)
    assert healthy[0] > 0.9
    assert healthy[1] > 0.7
    assert healthy[2] < 0.01
    assert healthy[3] < 0.01  # low ones too: roster or scale


def test_a_car_that_was_not_judged_is_not_suspected() -> None:
    unknown = replace(numbers(np.full((1, 4), 0.5)), judged=np.zeros(1, bool))
    assert probability_healthy(unknown, SPREAD).tolist() == [1.0]


# ---- over the fleet

# Benjamini & Hochberg 1995, J R Stat Soc B 57:289, their example of 15; q-values as scipy's manual prints them
P_1995 = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1,
]  # fmt: skip
Q_1995 = [
    0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486, 0.58118, 0.714875, 0.75323,
    0.81321, 1,
]  # fmt: skip


def test_four_of_benjamini_and_hochbergs_fifteen_are_rejected() -> None:
    q = false_discovery(np.array(P_1995), np.ones(15, bool))
    assert q == pytest.approx(np.array(Q_1995), abs=6e-6)
    assert int((q <= 0.05).sum()) == 4
    assert q == pytest.approx(multipletests(P_1995, 0.05, "fdr_bh")[1])


def test_cars_that_could_not_be_judged_count_in_no_fleet() -> None:
    p = np.array([*P_1995, 1e-9])
    q = false_discovery(p, np.r_[np.ones(15, bool), False])
    assert q[:15] == pytest.approx(np.array(Q_1995), abs=6e-6)
    assert np.isnan(q[15])
