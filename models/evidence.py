"""What the four numbers and the events say against 'healthy': one p-value a car and test, joined to one a car."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from models.distributions import poisson_tail, t_tail
from models.engine_speed import CENTRE_RPM, HALF_RANGE_RPM, car_basis
from models.excess import LEVEL, SLOPE, FourNumbers

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Template:
    """A fault's shape. direction: (4,) in level, tilt, bow, slope, for a fault of size 1. weight: in the sum."""

    name: str
    direction: Array
    weight: float


def _projected(shape: Array, z: Array) -> Array:
    """A curve over engine speed as the nearest level, tilt and bow. (4,)

    A step or ramp must be brought into the space of the four numbers before it is tested: whitened on raw rows
    the part of it that no healthy car shows would count as if it were evidence.
    """
    return np.r_[np.linalg.lstsq(car_basis(z), shape, rcond=None)[0], 0.0]


@cache
def templates() -> tuple[Template, ...]:
    """Level, low, middle and high third, drift: the shapes that worn, leaking and starved pumps leave in a log.

    Healthy cars differ in level by far more than in shape or slope, so an excess at all speeds is the hardest to
    tell: its test gets most of the weight, and the others, which see their faults many standard deviations away,
    can spare it.
    """
    z = np.linspace(-1.0, 1.0, 81)
    rpm = CENTRE_RPM + HALF_RANGE_RPM * z
    low = np.clip((5500 - rpm) / 3000, 0, 1)
    high = np.clip((rpm - 4500) / 2000, 0, 1)
    middle = np.exp(-((z / 0.45) ** 2))
    return (
        Template("level", np.array([1.0, 0.0, 0.0, 0.0]), 8.0),
        Template("low", _projected(low, z), 1.5),
        Template("middle", _projected(middle, z), 0.3),
        Template("high", _projected(high, z), 1.5),
        Template("drift", np.array([0.5, 0.0, 0.0, 1.0]), 1.5),
    )


def directions(template: Template, numbers: FourNumbers) -> Array:
    """The template's direction for each spell, (units, 4): a drift's level is what had built up at its logs."""
    every = np.tile(template.direction, (len(numbers.values), 1))
    if template.direction[SLOPE]:
        every[:, LEVEL] = numbers.passed
    return every


def template_z(numbers: FourNumbers, spread: Array, direction: Array) -> Array:
    """Standard normal for a healthy car, large along `direction`: u'M^-1 v / sqrt(u'M^-1 u), M = G + S. (units,)

    The most powerful test of a shift along u in a normal vector (Neyman-Pearson). direction: (units, 4).
    """
    M = numbers.covariance + spread
    whitened = np.linalg.solve(M, direction[:, :, None])[:, :, 0]
    return np.asarray((whitened * numbers.values).sum(axis=1) / np.sqrt((whitened * direction).sum(axis=1)))


def contrast_z(numbers: FourNumbers, spread: Array, contrast: Array) -> Array:
    """v'a / sqrt(a'(G + S)a): one number of the car against the healthy spread. contrast: (4,). (units,)"""
    variance = np.einsum("i,uij,j->u", contrast, numbers.covariance + spread, contrast)
    return np.asarray(numbers.values @ contrast / np.sqrt(variance))


def third_contrasts() -> dict[str, Array]:
    """Low, middle and high third of the rev range against the car's own level, as contrasts of the four numbers."""
    edges = {"low": (-1.0, -1 / 3), "mid": (-1 / 3, 1 / 3), "high": (1 / 3, 1.0)}
    return {
        name: np.r_[0.0, car_basis(np.linspace(low, high, 41)).mean(axis=0)[1:], 0.0]
        for name, (low, high) in edges.items()
    }


def one_sided_p(z: Array, freedom: float) -> Array:
    """Probability of a healthy car's z at least as high. The spread is estimated, hence Student's t. (units,)"""
    return np.asarray(t_tail(z, freedom))


def combine_p(p: Array, weights: Array, nothing_to_say: float = 0.9) -> Array:
    """Cauchy combination of dependent p-values, (units, tests) -> (units,).

    T = sum w tan((.5 - p) pi) / sum w is near a standard Cauchy in its upper tail whatever the dependence.
    Source: Liu & Xie 2020, J Am Stat Assoc 115:393. A p close to 1 would carry minus infinity into the sum and
    silence every other test, so p is held at `nothing_to_say`.

    >>> combine_p(np.array([[0.01, 0.01]]), np.ones(2)).round(6).tolist()
    [0.01]
    """
    held = np.clip(p, 1e-15, nothing_to_say)
    joined = (np.tan((0.5 - held) * np.pi) * weights).sum(axis=-1) / weights.sum()
    return np.asarray(0.5 - np.arctan(joined) / np.pi)


def event_p(events: Array, pulls: Array, background: float = 0.01, outlier_p: float = 0.01) -> Array:
    """Probability of at least so many events in so many pulls at the fleet's pooled rate. (units,)

    Each car is held against the others' rate (its own events left out), with `background` events in one pull's
    worth of prior, so that a fleet without any does not make the first one infinitely surprising. Poisson.
    Cars below `outlier_p` against everybody teach no rate: one sticking pump must not excuse the next.
    """
    usual = _event_p(events, pulls, np.ones(len(events), bool), background) > outlier_p
    return _event_p(events, pulls, usual, background)


def _event_p(events: Array, pulls: Array, usual: NDArray[np.bool_], background: float) -> Array:
    own = np.where(usual, events, 0.0), np.where(usual, pulls, 0.0)
    others = (events[usual].sum() - own[0] + background) / (pulls[usual].sum() - own[1] + 1.0)
    return np.where(events > 0, poisson_tail(events, others * pulls), 1.0)


def join_events(p: Array, p_events: Array) -> Array:
    """The curve's p and the events': twice the smaller; a car without events keeps the curve's alone. (units,)"""
    return np.where(p_events < 1.0, np.minimum(1.0, 2.0 * np.minimum(p, p_events)), p)


@dataclass(frozen=True)
class FaultPrior:
    """What a sick car may look like, for weighing who teaches the expectation.

    share: of cars. sizes: of ln(volume). low_share: of the sick that read low (wrong roster, scale).
    """

    share: float = 0.15
    sizes: tuple[float, ...] = (0.06, 0.10, 0.15, 0.22, 0.30)
    low_share: float = 0.2


def probability_healthy(numbers: FourNumbers, spread: Array, prior: FaultPrior = FaultPrior()) -> Array:
    """Probability that each spell is a healthy car's, from the Bayes factor of the fault templates. (units,)

    M = G + S; a shift s along u has log Bayes factor s u'M^-1 v - s^2 u'M^-1 u / 2.
    Source: Kass & Raftery 1995, J Am Stat Assoc 90:773.
    """
    M = numbers.covariance + spread
    odds = np.zeros(len(numbers.values))
    shapes = templates()
    total = sum(shape.weight for shape in shapes)
    for shape in shapes:
        u = directions(shape, numbers)
        white = np.linalg.solve(M, u[:, :, None])[:, :, 0]
        score, information = (white * numbers.values).sum(axis=1), (white * u).sum(axis=1)
        for size in prior.sizes:
            weight = shape.weight / total / len(prior.sizes)
            odds += (1 - prior.low_share) * weight * _bayes_factor(size, score, information)
            if shape.name == "level":
                odds += prior.low_share / len(prior.sizes) * _bayes_factor(-size, score, information)
    healthy = (1 - prior.share) / (1 - prior.share + prior.share * odds)
    return np.where(numbers.judged, healthy, 1.0)


def _bayes_factor(size: float, score: Array, information: Array) -> Array:
    return np.asarray(np.exp(np.clip(size * score - 0.5 * size**2 * information, -50, 50)))
