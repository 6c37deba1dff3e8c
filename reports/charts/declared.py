"""How each kind of chart looks, declared with altair; `python -m reports.charts.declared` writes looks.json from it.

A report reads looks.json alone: to load altair and to have it check the marks takes a second. The looks are without
numbers, and all charts of a kind share one.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import altair as alt

from reports import wording
from reports.charts import bands, car_curve, caterpillar, funnel
from reports.charts.encodings import WHOLE_DUTY_PCT
from reports.theme import BAND_NARROW, BAND_WIDE, BLACK, BLUE, INK_SOFT, SIGNALS, VERMILION

FIT_WIDTH = alt.AutoSizeParams(type="fit-x", contains="padding")
DASHES = [[1, 0], [9, 3], [4, 3], [9, 3, 2, 3], [2, 2]]  # of the cars drawn in, in turn
CAR, PEERS, CEILING = "this car", "what peers need (band: 95 of 100 peers)", "at its ceiling"
THIS_QUARTER, EARLIER = "log of this quarter", "earlier log"
TITLE = ["Excess of fuel volume", "against peers (%)"]  # short lines: a phone leaves little room beside the labels
LOOKS = Path(__file__).with_name("looks.json")


def looks() -> str:
    """Kind of chart -> a Vega-Lite object, as the text of looks.json: checked, without its schema's network address."""
    names = wording.signal_words()
    kinds = {"bands": _bands, "car_curve": _car_curve, "caterpillar": _caterpillar, "funnel": _funnel, "trend": _trend}
    found: dict[str, dict[str, Any]] = {kind: declare(names).to_dict() for kind, declare in kinds.items()}
    for spec in found.values():
        del spec["$schema"], spec["config"]
    return json.dumps(found, indent=1, ensure_ascii=False) + "\n"


def _bands(names: Mapping[str, str]) -> alt.TopLevelMixin:
    rows = alt.Chart(alt.NamedData("rows")).encode(
        x=alt.X(
            "rpm:Q",
            title="Engine speed (1/min)",
            scale=alt.Scale(zero=False, nice=False),
            axis=alt.Axis(format="d", tickCount=8),
        )
    )
    duty = alt.Y("duty_p10_pct:Q", title="Pump duty (%)", scale=alt.Scale(zero=False))
    wide = rows.mark_area(color=BAND_WIDE).encode(y=duty, y2="duty_p90_pct:Q")
    lower = [
        rows.mark_line(color=BLUE, strokeWidth=1).encode(y=f"{name}:Q")
        for name in ("duty_p10_pct", "duty_p90_pct", "duty_p25_pct", "duty_p75_pct")
    ]
    narrow = rows.mark_area(color=BAND_NARROW).encode(y="duty_p25_pct:Q", y2="duty_p75_pct:Q")
    middle = rows.mark_line(color=BLUE, strokeWidth=2.5).encode(y="duty_p50_pct:Q")
    expected = rows.mark_line(color="black", strokeDash=[2, 3], strokeWidth=1.5).encode(y="expected_duty_pct:Q")
    full = (
        rows.transform_filter(f"datum.saturated_share > {car_curve.CEILING_SHARE}")
        .mark_point(shape="square", filled=True, size=60, color=VERMILION, opacity=1)
        .encode(y="duty_p50_pct:Q")
    )
    cars = alt.Chart(alt.NamedData("cars")).encode(
        x="rpm:Q",
        y="duty_pct:Q",
        detail="name:N",
        # only cars that need attention or watching are drawn in; each has a dash of its own beside its label
        color=_signal_colour(names, alt.Legend(columns=2, values=[names["action"], names["warning"]])),
        tooltip=[
            alt.Tooltip("name:N", title="car"),
            alt.Tooltip("rpm:Q", title="engine speed (1/min)"),
            alt.Tooltip("duty_pct:Q", title="duty (%)", format=".1f"),
        ],
    )
    ends = (
        alt.Chart(alt.NamedData("labels"))
        .mark_text(align="left", dx=8)
        .encode(x="rpm:Q", y="label_at:Q", text="name:N")
    )
    dash = alt.StrokeDash("name:N", scale=alt.Scale(range=DASHES), legend=None)
    lines = cars.mark_line(strokeWidth=2).encode(strokeDash=dash)
    points = cars.mark_point(filled=True, size=40, opacity=1).encode(shape=_signal_shape(names))
    return alt.layer(wide, narrow, *lower, *_ceiling_marks(), middle, expected, full, lines, points, ends).properties(
        width="container", autosize=FIT_WIDTH, height=bands.HEIGHT_PX
    )


def _car_curve(names: Mapping[str, str]) -> alt.TopLevelMixin:
    rows = alt.Chart(alt.NamedData("rows")).encode(
        x=alt.X(
            "rpm:Q",
            title="Engine speed (1/min)",
            scale=alt.Scale(zero=False, nice=False, padding=6),
            axis=alt.Axis(format="d", tickCount=8),
        )
    )
    duty = alt.Y("peers_low_duty_pct:Q", title="Pump duty (%)", scale=alt.Scale(zero=False))
    styles = {
        CAR: (BLACK, [1, 0], "circle"),
        PEERS: (BLUE, [6, 3], "stroke"),
        CEILING: (VERMILION, [1, 0], "square"),
    }
    colour, dash, shape = zip(*styles.values(), strict=True)
    as_colour = alt.Color(
        "kind:N", scale=alt.Scale(domain=list(styles), range=list(colour)), legend=alt.Legend(columns=1)
    )
    as_dash = alt.StrokeDash("kind:N", scale=alt.Scale(domain=list(styles), range=list(dash)))
    as_shape = alt.Shape("kind:N", scale=alt.Scale(domain=list(styles), range=list(shape)))
    tips = [
        alt.Tooltip("rpm:Q", title="engine speed (1/min)"),
        alt.Tooltip("duty_pct:Q", title="duty (%)", format=".1f"),
        alt.Tooltip("expected_duty_pct:Q", title="peers need (%)", format=".1f"),
        alt.Tooltip("excess_pct:Q", title="excess (% of volume)", format="+.1f"),
    ]
    band = rows.mark_area(color=BAND_WIDE).encode(y=duty, y2="peers_high_duty_pct:Q")
    edges = [rows.mark_line(color=BLUE, strokeWidth=1).encode(y=f"peers_{side}_duty_pct:Q") for side in ("low", "high")]
    peers = rows.transform_calculate(kind=f"'{PEERS}'")
    expected = peers.mark_line(strokeWidth=2).encode(y="expected_duty_pct:Q", color=as_colour, strokeDash=as_dash)
    car = rows.transform_calculate(kind=f"'{CAR}'").encode(y="duty_pct:Q", color=as_colour)
    top = rows.transform_filter(f"datum.saturated_share > {car_curve.CEILING_SHARE}").transform_calculate(
        kind=f"'{CEILING}'"
    )
    line = car.mark_line(strokeWidth=2.5).encode(strokeDash=as_dash)
    points = car.mark_point(filled=True, size=45, opacity=1).encode(shape=as_shape, tooltip=tips)
    ceiling = top.mark_point(filled=True, size=90, opacity=1).encode(
        y="duty_pct:Q", color=as_colour, shape=as_shape, tooltip=tips
    )
    return alt.layer(band, *edges, *_ceiling_marks(), expected, line, points, ceiling).properties(
        width="container", autosize=FIT_WIDTH, height=260
    )


def _caterpillar(names: Mapping[str, str]) -> alt.TopLevelMixin:
    rows = alt.Chart(alt.NamedData("rows")).encode(
        y=alt.Y("name:N", sort=None, title=None, axis=alt.Axis(labelOverlap=False, ticks=False, domain=False)),
        tooltip=[
            alt.Tooltip("name:N", title="car"),
            alt.Tooltip("setup:N", title="setup"),
            alt.Tooltip("signal:N", title="signal"),
            alt.Tooltip("excess_pct:Q", title="excess (%)", format="+.1f"),
            alt.Tooltip("excess_low_pct:Q", title="at least (%)", format="+.1f"),
            alt.Tooltip("excess_high_pct:Q", title="at most (%)", format="+.1f"),
        ],
    )
    colour = _signal_colour(names, alt.Legend(columns=1))
    span = rows.mark_rule(strokeWidth=2).encode(
        x=alt.X("excess_low_pct:Q", title=TITLE, axis=alt.Axis(orient="bottom")),
        x2="excess_high_pct:Q",
        color=colour,
    )
    point = rows.mark_point(size=70, filled=True, opacity=1).encode(
        x=alt.X("excess_pct:Q"), color=colour, shape=_signal_shape(names)
    )
    edges = alt.Chart(alt.NamedData("scale")).mark_point(opacity=0).encode(x="edge:Q")
    zero = alt.Chart(alt.NamedData("scale")).mark_rule(strokeWidth=1.5).encode(x=alt.XDatum(0))
    return alt.layer(edges, zero, span, point).properties(
        width="container", autosize=FIT_WIDTH, height=caterpillar.ROW_PX
    )


def _funnel(names: Mapping[str, str]) -> alt.TopLevelMixin:
    limits = alt.Chart(alt.NamedData("limits")).encode(
        x=alt.X(
            "evidence:Q",
            title=["Evidence: precision,", "1 / standard error (1/%)"],
            scale=alt.Scale(zero=False, nice=False),
        )
    )
    styles = {"inner": ("95 % limit", [6, 4]), "outer": ("99.8 % limit", [1, 0])}
    lines = [
        limits.mark_line(strokeWidth=1.5, color="black", strokeDash=styles[name][1]).encode(
            y=alt.Y(f"{name}_{side}:Q", title="Excess as measured (% of fuel volume)")
        )
        for name in styles
        for side in ("low", "high")
    ]
    tags = [
        limits.transform_window(place="row_number()")
        .transform_filter("datum.place == 6")
        .mark_text(align="left", dy=-8, text=styles[name][0])
        .encode(y=f"{name}_high:Q")
        for name in styles
    ]
    labels = alt.Chart(alt.NamedData("labels"))
    leaders = labels.mark_rule(strokeWidth=0.8, color="#595959").encode(
        x="evidence:Q", x2="edge:Q", y="excess_pct:Q", y2="label_at:Q"
    )
    names_at = labels.mark_text(align="left", dx=4).encode(x="edge:Q", y="label_at:Q", text="name:N")
    points = (
        alt.Chart(alt.NamedData("rows"))
        .mark_point(size=70, filled=True, opacity=1)
        .encode(
            x="evidence:Q",
            y="excess_pct:Q",
            color=_signal_colour(names, alt.Legend(columns=2)),
            shape=_signal_shape(names),
            tooltip=[
                alt.Tooltip("name:N", title="car"),
                alt.Tooltip("signal:N", title="signal"),
                alt.Tooltip("excess_pct:Q", title="excess (%)", format="+.1f"),
                alt.Tooltip("error_pct:Q", title="standard error (%)", format=".1f"),
            ],
        )
    )
    return alt.layer(*lines, *tags, leaders, names_at, points).properties(
        width="container", autosize=FIT_WIDTH, height=funnel.HEIGHT_PX
    )


def _trend(names: Mapping[str, str]) -> alt.TopLevelMixin:
    kinds = [THIS_QUARTER, EARLIER]
    kind = f"datum.in_quarter ? '{THIS_QUARTER}' : '{EARLIER}'"
    rows = (
        alt.Chart(alt.NamedData("rows"))
        .transform_calculate(kind=kind)
        .encode(
            x=alt.X(
                "date:T",
                title="Date of the log (day)",
                axis=alt.Axis(format="%-d %b %Y", tickCount=4, labelFlush=30, labelBound=True),
                scale=alt.Scale(type="utc", padding=14),  # a day is a day wherever the page is read
            ),
            color=alt.Color(
                "kind:N",
                scale=alt.Scale(domain=kinds, range=[BLACK, BLUE]),
                legend=alt.Legend(columns=2),
            ),
        )
    )
    zero = alt.Chart(alt.NamedData("rows")).mark_rule(color=INK_SOFT, strokeWidth=1.5).encode(y=alt.YDatum(0))
    span = rows.mark_rule(strokeWidth=1.5).encode(
        y=alt.Y("excess_low_pct:Q", title="Excess (% of fuel volume)"), y2="excess_high_pct:Q"
    )
    points = rows.mark_point(filled=True, size=80, opacity=1).encode(
        y="excess_pct:Q",
        shape=alt.Shape("kind:N", scale=alt.Scale(domain=kinds, range=["circle", "square"])),
        tooltip=[
            alt.Tooltip("utcyearmonthdate(date):T", title="date", format="%-d %b %Y"),
            alt.Tooltip("excess_pct:Q", title="excess (%)", format="+.1f"),
        ],
    )
    return alt.layer(zero, span, points).properties(width="container", autosize=FIT_WIDTH, height=220)


def _ceiling_marks() -> list[alt.Chart]:
    """A dashed line at the ceiling with its name, from the data `ceiling`.

    Every duty axis ends at 100 % or above, so that the room over a curve is seen.
    """
    rows = alt.Chart(alt.NamedData("ceiling"))
    end = rows.mark_point(opacity=0).encode(y=alt.YDatum(WHOLE_DUTY_PCT))
    known = rows.transform_filter("isValid(datum.ceiling_pct)").transform_calculate(
        says="(datum.learned ? 'ceiling: ' : 'ceiling, assumed: ') + datum.ceiling_pct + ' %'"
    )
    line = known.mark_rule(color=VERMILION, strokeDash=[2, 4], strokeWidth=1.5).encode(y="ceiling_pct:Q")
    name = known.mark_text(align="left", baseline="top", dy=3).encode(x=alt.value(6), y="ceiling_pct:Q", text="says:N")
    return [end, line, name]


def _signal_colour(words: Mapping[str, str], legend: alt.Legend | None = None) -> alt.Color:
    """Colour by the column `signal`, its words in the legend."""
    return alt.Color(
        "signal:N",
        scale=alt.Scale(domain=list(words.values()), range=[SIGNALS[code].colour for code in words]),
        legend=legend or alt.Legend(),
    )


def _signal_shape(words: Mapping[str, str]) -> alt.Shape:
    """Shape by the column `signal`, its words in the legend."""
    return alt.Shape(
        "signal:N",
        scale=alt.Scale(domain=list(words.values()), range=[SIGNALS[code].shape for code in words]),
    )


if __name__ == "__main__":
    LOOKS.write_text(looks(), encoding="utf-8")
