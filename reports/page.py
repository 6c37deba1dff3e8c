"""A study as one self-contained page: no network request; drawing library and looks of charts once."""

import json
from collections.abc import Mapping
from contextlib import nullcontext
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from models.schemas import Study
from reports import wording
from reports.charts.chart import look
from reports.charts.drawing import draw_each, drawing_in_two
from reports.engine import engine
from reports.figures import Figure, stills
from reports.sections import Report, report

WORTH_TWO_PROCESSES = 40  # cars; fewer have few pictures


def render(study: Study) -> str:
    """The page of a study, as text of an HTML file in UTF-8."""
    with drawing_in_two() if study.cars.height >= WORTH_TWO_PROCESSES else nullcontext(draw_each) as draw_all:
        whole = report(study)
        drawn = stills(whole.figures(), draw_all)
    return fill(
        "page.html",
        drawn,
        report=whole,
        script=_asset("page.js"),
        engine=engine(),
        numbers=as_json(_numbers(whole)),
        signal_rank={code: rank for rank, code in enumerate(wording.SIGNAL_CODES)},
        limit_rank={code: rank for rank, code in enumerate(wording.LIMIT_CODES)},
        limit_words={code: wording.limit(code).word for code in wording.LIMIT_CODES},
    )


def fill(template: str, drawn: Mapping[str, str], **values: Any) -> str:
    """A template with its values, the house's style, and still pictures where it asks for them. drawn: of `stills`."""

    def still(figure: Figure) -> Markup:
        return Markup(drawn.get(figure.name, ""))  # SVG of the drawing library, which escapes the labels in it

    return str(_template(template).render(still=still, style=_asset("page.css"), **values))


def as_json(value: Any) -> Markup:
    """JSON that may stand inside a script element: nothing in it can close the element.

    >>> as_json({"a": "</script>"})
    Markup('{"a":"\\\\u003c/script\\\\u003e"}')
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def _numbers(whole: Report) -> dict[str, Any]:
    """Each look once, and every chart's numbers column by column."""
    looks: dict[str, Any] = {}
    charts: dict[str, Any] = {}
    for figure in whole.figures():
        chart = figure.chart
        if chart.kind not in looks:
            looks[chart.kind] = {
                "spec": look(chart.kind),
                "fields": chart.fields(),
                "headings": list(chart.headings.items()),
            }
        charts[figure.name] = [chart.kind, chart.columns(), *([chart.height_px] if chart.height_px else [])]
    return {"looks": looks, "charts": charts}


@cache
def _template(name: str) -> Any:
    environment = Environment(
        loader=PackageLoader("reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def _asset(name: str) -> Markup:
    return Markup(files("reports.templates").joinpath(name).read_text(encoding="utf-8"))
