"""An answer of `headroom` as plain lines for the terminal, none wider than 80 columns."""

import textwrap
from collections.abc import Iterator
from typing import Any

from ingest.schemas import BAND_WIDTH_RPM
from models.headroom import Headroom
from reports import wording
from reports.tables import UNKNOWN, counted, figure, signed
from reports.terminal import WIDTH, plain

CAUTIONS = ("Running out of fuel at full load", "Stronger blends", "Where to log, and the law")
PREDICTION = (
    "A prediction from logs of what the pump would be asked for, not a test of it, and no leave to drive: a qualified "
    "technician decides, with the car at hand. It knows the high-pressure pump alone: injectors, feed side, knock and "
    "heat may set a lower limit."
)
WHY_NONE = {
    "rail_short": (
        "No figure. In this car's logs the fuel ran short: the rail fell under its target or the mixture went lean at "
        "full load. It has no headroom to speak of until a qualified technician has looked for the cause; please drive "
        "no full load until then. Once the roster says what was found and on which day (found, found_on), later "
        "logs count anew."
    ),
    "ethanol_not_driven": (
        "No figure. The blend lies too far outside what this fleet has driven: more than {ethanol_margin_points:g} "
        "points of ethanol."
    ),
    "demand_not_driven": (
        "No figure. No car with this engine and pump was driven near this demand: in some band it lies more than "
        "{demand_margin_pct:g} % outside what was."
    ),
}
LIMITED_BY = {
    "reserve": "",
    "driven": "; above that no figure can be told, since nobody has driven it",
}
NO_LIMIT = {
    "none_keeps": "none; the least that this fleet's logs can tell of, {least}, does not keep it",
    "outside": "not to be told from this fleet's logs",
    "no_boost": "this engine was never logged with boost",
}


def headroom_text(answer: Headroom) -> str:
    """What would be asked of the pump at a blend and boost; the limit; what it rests on; cautions."""
    told = answer.told
    lines = [*_wrapped(f"Headroom of {_whose(told)}, quarter {told['quarter']}.")]
    if told.get("demo"):
        lines.append("All cars of this store are invented.")
    if told["why_none"] == "rail_short":
        return plain([*lines, "", *_wrapped(WHY_NONE["rail_short"]), "", *_cautions()])
    lines += _wrapped(f"Asked: {_asked(told)}.")
    lines += ["", *_wrapped(_verdict(told)), *_wrapped(_limits(told)), "", *_bands(answer), ""]
    for text in _rests_on(told):
        lines += textwrap.wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ")
    return plain([*lines, "", *_wrapped(PREDICTION), "", *_cautions()])


def _whose(told: dict[str, Any]) -> str:
    return f"{told['label']} ({told['setup']})" if told["label"] else f"a new, sound car of {told['setup']}"


def _asked(told: dict[str, Any]) -> str:
    boost = "the usual" if told["boost_usual"] else "a highest"
    return (
        f"{figure(told['ethanol_pct'], 0)} % ethanol in the tank, {boost} boost of {figure(told['boost_kpa'], 0)} kPa "
        f"above ambient (usual: {figure(told['usual_ethanol_pct'], 0)} %, {figure(told['usual_boost_kpa'], 0)} kPa), "
        f"{figure(told['reserve_pct'], 0)} % of volume kept in reserve"
    )


def _verdict(told: dict[str, Any]) -> str:
    if told["why_none"]:
        return WHY_NONE[told["why_none"]].format(**told)
    upper, bites = told["share_upper_pct"], told["bites_rpm"]
    kept = "keeps" if told["keeps_reserve"] else "does not keep"
    beyond = " More is asked for than the pump gives." if told["share_pct"] > 100 else ""
    return (
        f"Of ten such full-load pulls, nine ask in no band for more than {figure(upper)} % of what the pump gives at "
        f"its ceiling, and five for no more than {figure(told['share_pct'])} %.{beyond} That bound {kept} the reserve. "
        f"It is reached first from {bites} to {bites + BAND_WIDTH_RPM} 1/min, with {figure(told['duty_upper_pct'])} % "
        f"duty. Were the blend only what a label says, the bound would be {figure(told['share_upper_label_pct'])} %: "
        "measure it."
    )


def _limits(told: dict[str, Any]) -> str:
    ethanol, boost = (
        _limit(told[f"highest_{name}"], told[f"highest_{by}_by"], told[f"lowest_{by}_tried_{unit}"], sign)
        for name, by, unit, sign in (("ethanol_pct", "ethanol", "pct", "%"), ("boost_kpa", "boost", "kpa", "kPa"))
    )
    return (
        f"Highest ethanol content whose bound keeps the reserve at this boost: {ethanol}. Highest boost whose bound "
        f"keeps it at {figure(told['ethanol_pct'], 0)} % ethanol: {boost}."
    )


def _limit(value: float | None, by: str, least: float | None, sign: str) -> str:
    if value is None:
        return NO_LIMIT[by].format(least=f"{figure(least, 0)} {sign}")
    return f"{figure(value, 0)} {sign}{LIMITED_BY[by]}"


def _bands(answer: Headroom) -> Iterator[str]:
    yield "share: of what the pump gives at its ceiling (%), and where 8 of 10 pulls lie;"
    yield "driven: cars with this engine and pump seen at this demand or more, and how far"
    yield "it lies outside all of them"
    yield ""
    yield f"{'1/min':>6}{'boost':>6}{'demand':>7}{'share':>7}{'8 of 10':>15}{'duty':>7}{'8 of 10':>15}{'driven':>8}"
    for row in answer.bands.iter_rows(named=True):
        share, duty = (_span(row[f"{name}_low_pct"], row[f"{name}_high_pct"]) for name in ("share", "duty"))
        beyond = f" ({signed(row['beyond_pct'], 0)} %)" if abs(row["beyond_pct"]) >= 0.5 else ""
        yield (
            f"{row['band_rpm']:>6}{figure(row['boost_kpa'], 0):>6}{figure(row['demand'], 2):>7}"
            f"{figure(row['share_pct']):>7}{share:>15}{figure(row['duty_pct']):>7}{duty:>15}{row['cars_driven']:>8}{beyond}"
        )


def _span(low: float | None, high: float | None) -> str:
    return UNKNOWN if low is None else f"{figure(low)} to {figure(high)}"


def _rests_on(told: dict[str, Any]) -> Iterator[str]:
    yield (
        f"Rests on {counted(told['pulls'], 'pull')} in {counted(told['logs'], 'log')} of "
        f"{counted(told['cars'], 'car')}, {told['first_log']} to {told['last_log']}, and on what the fleet teaches."
    )
    low, high = (figure(told[f"driven_ethanol_{end}_pct"], 0) for end in ("low", "high"))
    beyond = told["ethanol_beyond_points"]
    outside = (
        f" What is asked lies {figure(abs(beyond), 0)} points {'above' if beyond > 0 else 'below'} that."
        if beyond
        else ""
    )
    yield (
        f"This fleet has driven {low} to {high} % ethanol, {counted(told['cars_at_blend'], 'car')} what is asked or "
        f"more.{outside} Of this engine and pump there {'is' if told['cars_engine_and_pump'] == 1 else 'are'} "
        f"{counted(told['cars_engine_and_pump'], 'car')}."
    )
    if told["ethanol_logged_share"] < 1:
        yield "Ethanol was not measured in all of these logs: the roster's figure is a label, and intervals are wider."
    yield _ceiling(told)
    yield _rail(told)
    yield from _standing(told)


def _ceiling(told: dict[str, Any]) -> str:
    if told["ceiling_low_pct"] < told["ceiling_pct"]:
        top = (
            "no car of this calibration was seen at its highest duty, which is taken to lie from "
            f"{figure(told['ceiling_low_pct'])} to {figure(told['ceiling_pct'])} %"
        )
    else:
        top = f"this calibration was seen to stop at {figure(told['ceiling_pct'])} %"
    return (
        f"Ceiling: {top}. Duty law: round share {figure(told['round_share'], 2)} "
        f"({figure(told['round_share_low'], 2)} to {figure(told['round_share_high'], 2)})."
    )


def _rail(told: dict[str, Any]) -> str:
    span = f"{signed(told['rail_100bar_low_pct'])} to {signed(told['rail_100bar_high_pct'])}"
    fitted = f"in this fleet 100 bar more go with {signed(told['rail_100bar_pct'])} % of volume ({span})"
    if not told["rail_logged_share"]:
        return (
            "Rail pressure is not logged here, so whether it holds its target cannot be seen, and the fleet's usual "
            f"one is assumed; {fitted}."
        )
    partly = "" if told["rail_logged_share"] == 1 else " where it is logged, which is not in all of these logs"
    return (
        f"Rail pressure: {figure(told['rail_bar'], 0)} bar{partly}. That goes with {signed(told['rail_part_pct'])} % "
        f"of volume against the fleet's usual; {fitted}. A target that rises with the blend is not in these figures."
    )


def _standing(told: dict[str, Any]) -> Iterator[str]:
    if told["signal"] in ("action", "warning"):
        yield (
            f"The study says \u201c{wording.signal(told['signal']).word}\u201d of this car. Its excess is carried into "
            "the figures as it stands; its cause comes first."
        )
    if told["pump_limit"] == "reached":
        yield "This car's pump stands at its ceiling in some band already; there is nothing left there."
    if told["port_injection"]:
        yield "Port injectors carry a share of the fuel here, which is taken to stay what it is."
    if told["peers_mostly_high"]:
        yield (
            "Most cars of this setup seem to ask for more volume than their engine and pump should need; what is told "
            "from them is doubtful."
        )
    if told["label"] is None and told["setup_cars_at_ceiling"] + told["setup_cars_short"]:
        yield (
            f"Of {counted(told['setup_cars'], 'car')} of this setup, {told['setup_cars_at_ceiling'] or 'none'} stood "
            f"at the ceiling in some band and {told['setup_cars_short'] or 'none'} ran short of fuel."
        )


def _cautions() -> Iterator[str]:
    for caution in wording.cautions():
        if caution.title in CAUTIONS:
            yield from _wrapped(f"{caution.title}: {caution.text}")


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)
