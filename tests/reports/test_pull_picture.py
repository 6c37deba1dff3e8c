"""The text picture of a pull: duty and rail where they belong, no wider than a terminal."""

import polars as pl

from reports.pull_picture import DUTY, HEIGHT, RAIL, pull_picture

N = 60
PULL = pl.DataFrame(
    {
        "engine_speed_rpm": [2000.0 + 4500.0 * i / (N - 1) for i in range(N)],
        "pump_duty_pct": [100.0 * i / (N - 1) for i in range(N)],
        "rail_pressure_bar": [200.0 - 100.0 * i / (N - 1) for i in range(N)],
        "rail_target_bar": [200.0] * N,
    }
)


def drawing(pull: pl.DataFrame) -> list[str]:
    return [line.split("|")[1] for line in pull_picture(pull) if line.count("|") == 2]


def test_no_line_is_wider_than_80_and_all_is_ascii() -> None:
    for line in pull_picture(PULL):
        assert len(line) <= 80
        assert line.isascii()


def test_duty_rises_to_the_top_and_rail_falls_to_half() -> None:
    rows = drawing(PULL)
    assert len(rows) == HEIGHT
    assert rows[-1][0] == DUTY
    assert rows[0][-1] == DUTY
    assert rows[0][0] == RAIL
    assert rows[HEIGHT // 2][-1] == RAIL
    assert all(DUTY in row or "#" in row for row in rows)


def test_scales_say_their_units() -> None:
    text = "\n".join(pull_picture(PULL))
    assert "duty (%)" in text
    assert "rail (bar)" in text
    assert "| 200" in text
    assert "2000" in text
    assert "6500 1/min" in text


def test_without_rail_gaps_or_spread_it_is_drawn_all_the_same() -> None:
    bare = PULL.select("engine_speed_rpm", "pump_duty_pct")
    assert "rail" not in "\n".join(pull_picture(bare))
    holes = PULL.with_columns(pl.when(pl.col("pump_duty_pct") < 50).then("rail_pressure_bar"))
    assert RAIL in "".join(drawing(holes))
    one = PULL.head(1).with_columns(pump_duty_pct=pl.lit(130.0), rail_pressure_bar=pl.lit(float("nan")))
    assert DUTY in drawing(one)[0]
