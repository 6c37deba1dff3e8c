"""The best that could be said of each car if everything but its health were known: a Bayes factor in the raw rows."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

from many_fleets import LAWS, TODAY, Job

from models.design_matrix import POOLED, Design, Rows
from models.engine_speed import car_basis
from models.expected_duty import block, fit, leave_out
from models.fleet import Material, gather, window
from models.learning import Fleet, at_least, judge
from models.variances import Noise, unmeasured, within
from synthetic_fleet.direct_cells import LABEL_SD_PCT, SIZES_PCT, DirectFleet, fault_curve

Array = NDArray[np.float64]

DROPOUT_SCORE = 1e3  # a sound pump of these fleets never drops out: one is proof
CURVE_FAULTS = ("worn", "starved", "leak", "drift")
SIZES_TRIED = 9


def scores(fleet: DirectFleet, job: Job, kinds: tuple[str, ...], *, alike: bool) -> pl.DataFrame:
    """label, score: ln of the Bayes factor of 'one of `kinds`, as often as listed' against 'sound'.

    Known: duty law, standard deviations of logs, pulls, cells, healthy curves and labels, shapes and sizes of faults,
    who is sick (nobody sick teaches). The expectation is still estimated from sound cars, each car's own left out, with
    the study's columns and priors; alike: it is also known that setups differ in nothing but engine and pump.
    """
    when = window("2026Q3", fleet.ledger, TODAY)
    material = gather(fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, when, TODAY)
    assert material.fleet is not None
    known = _with_true_labels(material)
    labels = material.spells["label"].gather(known.rows.spells)
    truth = pl.DataFrame({"label": labels}).join(fleet.truth, on="label", maintain_order="left")
    sound = (truth["fault"] == "").to_numpy().astype(float)
    s = fleet.spread
    noise = Noise(log=s.log, pull=s.pull, cell=s.cell, neighbour=0.0)
    spread = np.diag(np.array([s.level, s.tilt, s.bow, 1e-4]) ** 2)
    plan = _alike(known.design) if alike else known.design
    rows, residuals = _residuals(replace(known, design=plan), LAWS[job.law], noise, spread, sound)
    drops = fleet.pulls.group_by("label").agg(pl.col("dropouts").sum(), pl.len().alias("pulls"))
    events = pl.DataFrame({"label": labels}).join(drops, on="label", maintain_order="left")
    curve = [
        _ln_bayes_factor(rows, rows.of(unit), residual, V, kinds, pulls)
        for unit, ((residual, V), pulls) in enumerate(zip(residuals, events["pulls"], strict=True))
    ]
    found = np.where(events["dropouts"].to_numpy() > 0, DROPOUT_SCORE, np.array(curve))
    return pl.DataFrame({"label": labels, "score": found})


def true_levels(fleet: DirectFleet, job: Job) -> pl.DataFrame:
    """label, level [ln volume], variance: each car against sound cars, everybody by a roster that is true.

    variance: of a sound car's level, its own healthy spread and the expectation's variance in it.
    """
    when = window("2026Q3", fleet.ledger, TODAY)
    material = gather(fleet.cells, fleet.pulls, fleet.ledger, fleet.roster, when, TODAY)
    assert material.fleet is not None
    known = replace(material.fleet, rows=replace(material.fleet.rows, ethanol_sd=0 * material.fleet.rows.ethanol_sd))
    labels = material.spells["label"].gather(known.rows.spells)
    truth = pl.DataFrame({"label": labels}).join(fleet.truth, on="label", maintain_order="left")
    sound = truth["fault"].is_in(["", "wrong_roster"]).to_numpy().astype(float)
    s = fleet.spread
    noise = Noise(log=s.log, pull=s.pull, cell=s.cell, neighbour=0.0)
    spread = np.diag(np.array([s.level, s.tilt, s.bow, 1e-4]) ** 2)
    _, residuals = _residuals(known, LAWS[job.law], noise, spread, sound)
    levels = []
    for residual, V in residuals:
        white = np.linalg.solve(V, np.ones(len(residual)))
        levels.append((float(white @ residual / white.sum()), float(1 / white.sum())))
    level, variance = zip(*levels, strict=True)
    return pl.DataFrame({"label": labels, "level": level, "variance": variance})


def _with_true_labels(material: Material) -> Fleet:
    """The fleet's arrays, with the true standard deviation of a blend that is only stated."""
    fleet = material.fleet
    assert fleet is not None
    stated = material.spells["ethanol_pct"].gather(fleet.rows.spells).to_numpy()
    assumed = np.select([stated <= 10.0, stated <= 30.0], [3.0, 5.0], 10.0)
    factor = np.repeat(LABEL_SD_PCT / assumed, np.diff(fleet.rows.starts))
    return replace(fleet, rows=replace(fleet.rows, ethanol_sd=fleet.rows.ethanol_sd * factor))


def _alike(plan: Design) -> Design:
    """The design of a fleet whose setups are known to differ in nothing but engine and pump."""
    held = [
        name in POOLED or name.endswith("of setup") or (name.startswith("curve of") and not name.endswith("setup"))
        for name in plan.names
    ]
    return replace(plan, prior_sd=np.where(held, 1e-3, plan.prior_sd), learned=np.zeros(len(held), bool))


def _residuals(
    fleet: Fleet, round_share: float, noise: Noise, spread: Array, sound: Array
) -> tuple[Rows, list[tuple[Array, Array]]]:
    """Rows, and each car's residual [ln(volume / demand)] with its whole covariance."""
    law = np.full(len(fleet.families), round_share)
    first = fleet.cells.volume(law, len(fleet.rows.z))
    y, rows, prior_sd = first, fleet.rows, fleet.design.prior_sd
    for number in range(3):  # saturated rows settle with the expectation
        expectation, A, b = fit(rows, fleet.design, y, noise, spread[:3, :3], sound, prior_sd)
        prior_sd = expectation.prior_sd
        if number < 2:
            judged = judge(replace(fleet, rows=rows), y, noise, spread, sound, A, b)
            y, rows = at_least(first, fleet.rows, judged, spread, noise)
    every = []
    for unit in range(rows.units):
        own = block(rows, fleet.design, unit, y, noise, spread[:3, :3])
        coefficients, uncertainty = leave_out(A, b, [own], [sound[unit]])
        part = rows.of(unit)
        X, basis = fleet.design.X[part], car_basis(rows.z[part])
        V = basis @ spread[:3, :3] @ basis.T + within(rows, part, noise) + unmeasured(rows, part)
        every.append((y[part] - X @ coefficients, V + X @ uncertainty @ X.T))
    return rows, every


def _ln_bayes_factor(rows: Rows, part: slice, residual: Array, V: Array, kinds: tuple[str, ...], pulls: int) -> float:
    """Of a car without a dropout. A shift u has u'V^-1 r - u'V^-1 u / 2; sizes are spread evenly over their range."""
    rpm, day = 4400.0 + 2200.0 * rows.z[part], rows.day[part]
    total = 0.0
    for kind in CURVE_FAULTS:
        sizes = np.linspace(*SIZES_PCT[kind], SIZES_TRIED) / 100
        shifts = np.column_stack([_shift(kind, size, rpm, day) for size in sizes])
        white = np.linalg.solve(V, shifts)
        exponent = white.T @ residual - 0.5 * (white * shifts).sum(axis=0)
        total += kinds.count(kind) * float(np.exp(np.clip(exponent, -700, 600)).mean())
    total += kinds.count("sticking") * 0.5**pulls
    return float(np.log(total / sum(kinds.count(kind) for kind in (*CURVE_FAULTS, "sticking"))))


def _shift(kind: str, size: float, rpm: Array, day: Array) -> Array:
    if kind == "drift":
        return np.asarray(np.log1p(size * day / 90))
    return fault_curve(kind, size, rpm, 0.0)
