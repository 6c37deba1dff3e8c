"""A full-load pull as a small text picture: duty and rail pressure over engine speed, no wider than 80 columns."""

import math
from collections.abc import Iterator

import polars as pl

from ingest.schemas import BAND_WIDTH_RPM

WIDTH = 60  # of the drawing; with its scales at both sides it stays within 80
HEIGHT = 13
DUTY, RAIL, TARGET, SEVERAL = "o", "r", "-", "#"
_BAR_STEP = 50.0


def pull_picture(pull: pl.DataFrame) -> Iterator[str]:
    """Lines of the picture.

    pull: engine_speed_rpm, pump_duty_pct and, if logged, rail_pressure_bar and rail_target_bar; a row a sample.
    """
    speed = pull["engine_speed_rpm"]
    low_rpm = BAND_WIDTH_RPM * math.floor(_least(speed) / BAND_WIDTH_RPM)
    high_rpm = max(BAND_WIDTH_RPM * math.ceil(_most(speed) / BAND_WIDTH_RPM), low_rpm + BAND_WIDTH_RPM)
    rails = [name for name in ("rail_target_bar", "rail_pressure_bar") if name in pull.columns]
    top_bar = _BAR_STEP * math.ceil(max((_most(pull[name]) for name in rails), default=_BAR_STEP) / _BAR_STEP)
    grid = [[" "] * WIDTH for _ in range(HEIGHT)]
    for name, mark, top in (
        ("rail_target_bar", TARGET, top_bar),
        ("rail_pressure_bar", RAIL, top_bar),
        ("pump_duty_pct", DUTY, 100.0),
    ):
        if name in pull.columns:
            _draw(grid, pull.select("engine_speed_rpm", name), (low_rpm, high_rpm), mark, top)
    yield f"    duty (%): {DUTY}" + (f"   rail (bar): {RAIL}, its target: {TARGET}" if rails else "")
    for row, cells in enumerate(grid):
        share = 1.0 - row / (HEIGHT - 1)
        is_marked = row % 3 == 0
        left = f"{100 * share:.0f}" if is_marked else ""
        right = f"{top_bar * share:.0f}" if is_marked and rails else ""
        yield f"    {left:>5} |{''.join(cells)}| {right}".rstrip()
    middle = round((low_rpm + high_rpm) / 2)
    yield f"    {'':>5}  {low_rpm:<{WIDTH // 2 - 2}.0f}{middle:<{WIDTH // 2 - 2}}{high_rpm:.0f} 1/min"


def _draw(grid: list[list[str]], curve: pl.DataFrame, ends: tuple[float, float], mark: str, top: float) -> None:
    low, high = ends
    for speed, value in curve.drop_nulls().iter_rows():
        if not (math.isfinite(speed) and math.isfinite(value)):
            continue
        column = min(WIDTH - 1, max(0, round((speed - low) / (high - low) * (WIDTH - 1))))
        row = min(HEIGHT - 1, max(0, round((1.0 - value / top) * (HEIGHT - 1))))
        here = grid[row][column]
        is_other = here not in (" ", mark) and TARGET not in (here, mark)
        grid[row][column] = SEVERAL if is_other else mark


def _least(values: pl.Series) -> float:
    return float(values.drop_nulls().drop_nans().min())  # type: ignore[arg-type]


def _most(values: pl.Series) -> float:
    known = values.drop_nulls().drop_nans()
    return float(known.max()) if len(known) else 0.0  # type: ignore[arg-type]
