"""Before and after of one car as plain lines for the terminal, none wider than 80 columns."""

import textwrap
from collections.abc import Iterator
from typing import Any

from models.compare import Comparison
from reports.charts.car_curve import CEILING_SHARE
from reports.tables import UNKNOWN, cell, figure, interval, signed
from reports.terminal import WIDTH, plain
from reports.terminal_chart import Series, chart_lines

BEFORE, AFTER, AT_CEILING = "b", "a", "#"
PARTS = {"low": "low", "mid": "middle", "high": "high"}
VERDICTS = {
    "better": "For the same demand the pump is asked for less volume, against its peers, than before.",
    "worse": "For the same demand the pump is asked for more volume, against its peers, than before.",
    "no difference shown": "A change of {telling} points would have been shown, and was not. That is no proof of none.",
    "too little to say": "",
}
WHY_TOO_LITTLE = {
    "interval_too_wide": (
        "Even a change of {telling} points could be chance. Logs of more days, and the ethanol measured, narrow it."
    ),
    "peers_mostly_high": (
        "The two setups differ, and too few of the other cars of one of them look healthy to tell what it should need. "
        "The figures stand as they are, and so may be off."
    ),
    "no_usable_cells": "One side's pulls have no band of engine speed that can be used.",
}
JUDGED = (
    "A sound pump in another sound one's place changes it by up to {sound} % in 95 of 100 cases, either way. So the "
    "word is read from the wider interval {judged}."
)
PUMP_KEPT = "By the roster the pump stayed, so the word is read from this interval."
BENT = (
    "Few of the other cars of its setup look healthy: their normal, and with it both excesses, may lie too high. The "
    "difference does not depend on it."
)
WHAT_IT_IS = (
    "Logs were compared. They do not say why something changed, that a pump is sound, or that a setup may be driven."
)
SHORT_AFTER = (
    "After the change, too, the rail fell short or collapsed. A pump that runs out leans the mixture within a second: "
    "no more full load until a qualified technician has looked."
)
ROWS = (
    ("full-load logs", "logs", 0),
    ("pulls", "pulls", 0),
    ("ethanol (% by volume)", "ethanol_pct", 1),
    ("share of bands at the ceiling (%)", "saturated_share", 1),
    ("dropouts", "dropouts", 0),
    ("of these, with the rail collapsing", "dropouts_collapsing", 0),
    ("rail deficits", "rail_deficits", 0),
)


def compare_text(answer: Comparison) -> str:
    """The verdict and why, what was seen on both sides, what the duty's drop is in volume, and both curves."""
    told = answer.told
    lines = [f"{told['label']}: {told['verdict']}"]
    if told.get("demo"):
        lines.append("All cars of this store are invented.")
    lines += _wrapped(_when(told))
    for name in ("before", "after"):
        lines += _wrapped(f"{name.capitalize()}: {told[name]['setup']}")
    lines += ["", *_wrapped(_verdict(told)), ""]
    lines += _table(told)
    top = _top(told)
    if top:
        lines += ["", *_wrapped(top)]
    lines += ["", *_chart(answer)]
    if (told["after"]["rail_deficits"] or 0) + told["after"]["dropouts_collapsing"] > 0:
        lines += ["", *_wrapped(SHORT_AFTER)]
    return plain([*lines, "", *_wrapped(WHAT_IT_IS)])


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)


def _when(told: dict[str, Any]) -> str:
    changed = f"Changed on {told['changed_on']}. " if told["changed_on"] else ""
    spans = [
        f"{name} {told[name]['first']}"
        + (f" to {told[name]['last']}" if told[name]["last"] != told[name]["first"] else "")
        for name in ("before", "after")
    ]
    return f"{changed}Logs {spans[0]}; {spans[1]}."


def _verdict(told: dict[str, Any]) -> str:
    if told["change_pct"] is None:
        return WHY_TOO_LITTLE[told["why_too_little"]]
    span = interval(told["change_low_pct"], told["change_high_pct"])
    parts = [f"Excess {signed(told['change_pct'])} points of fuel volume (95 % interval {span})."]
    if told["pump_kept"]:
        parts.append(PUMP_KEPT)
    else:
        judged = interval(told["judged_low_pct"], told["judged_high_pct"])
        parts.append(JUDGED.format(sound=figure(told["sound_pumps_differ_pct"]), judged=judged))
    parts.append(VERDICTS[told["verdict"]].format(telling=figure(told["telling_pct"], 0)))
    parts.append(WHY_TOO_LITTLE.get(told["why_too_little"], "").format(telling=figure(told["telling_pct"], 0)))
    if told["before"]["setup"] == told["after"]["setup"] and told["peers_mostly_high"]:
        parts.append(BENT)
    parts.append(_thirds(told["parts"]))
    return " ".join(part for part in parts if part)


def _thirds(parts: list[dict[str, Any]]) -> str:
    listed = [
        f"{PARTS[part['part']]} {signed(part['change_pct'])} ({interval(part['low_pct'], part['high_pct'])})"
        for part in parts
    ]
    return f"By thirds of the rev range: {', '.join(listed)}; all three hold at once in 95 of 100 cases."


def _table(told: dict[str, Any]) -> Iterator[str]:
    yield f"{'':<38}{'before':>20}{'after':>20}"
    for name, key in (("excess, as measured (% of volume)", "pct"), ("peak duty (%)", "peak_duty_pct")):
        digits = 2 if key == "peak_duty_pct" else 1
        show = figure if key == "peak_duty_pct" else signed
        yield f"{name:<38}" + "".join(f"{show(told[f'{side}_{key}'], digits):>20}" for side in ("before", "after"))
        if key == "pct":
            spans = [
                interval(told.get(f"{side}_low_pct"), told.get(f"{side}_high_pct")) for side in ("before", "after")
            ]
            yield f"{'  its 95 % interval':<38}" + "".join(f"{span:>20}" for span in spans)
    for name, key, digits in ROWS:
        values = []
        for side in ("before", "after"):
            value = told[side][key]
            value = 100 * value if key == "saturated_share" and value is not None else value
            text = figure(value, digits) if isinstance(value, float) else cell(value)
            values.append(text if key != "ethanol_pct" or told[side]["ethanol_measured"] else f"{text} stated")
        yield f"{name:<38}" + "".join(f"{value:>20}" for value in values)


def _top(told: dict[str, Any]) -> str:
    if told.get("top_drop_points") is None:
        return ""
    drop, least = told["top_drop_points"], "at least " if told["top_at_least"] else ""
    way = "fell" if drop >= 0 else "rose"
    text = (
        f"At the top, {figure(told['top_from_rpm'], 0)} to {figure(told['top_to_rpm'], 0)} 1/min, the duty {way} by "
        f"{figure(abs(drop))} points at the same demand, from {figure(told['top_before_duty_pct'])} to "
        f"{figure(told['top_after_duty_pct'])} %. "
    )
    if told["top_volume_change_pct"] is None:
        return text + "The pumps or calibrations differ, so this is no measure of fuel."
    change = told["top_volume_change_pct"]
    span = interval(told["top_volume_change_low_pct"], told["top_volume_change_high_pct"])
    more = "less" if change < 0 else "more"
    law = f" ({span} as far as the duty law is known)" if span != UNKNOWN else ""
    return f"{text}By the duty law that is {least}{figure(abs(change))} % {more} volume{law}."


def _chart(answer: Comparison) -> Iterator[str]:
    curves = answer.curves
    marks = {
        name: "".join(AT_CEILING if share > CEILING_SHARE else sign for share in curves[f"{name}_saturated_share"])
        for name, sign in (("before", BEFORE), ("after", AFTER))
    }
    series = [Series(name, marks[name], curves[f"{name}_duty_pct"].to_list()) for name in ("before", "after")]
    lines = list(chart_lines(curves["band_rpm"].to_list(), series))
    if lines:
        yield f"duty (%) at the demand of the pulls before: {BEFORE} before, {AFTER} after, {AT_CEILING} at its ceiling"
    yield from lines
