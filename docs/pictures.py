"""Draw the pictures of the README from a demo: `python docs/pictures.py demo/store`, into docs/pictures."""

import sys
from pathlib import Path

from models.study_files import read_study
from reports.cards import spells
from reports.sections import report

WIDTH_PX = 680
FONT = "<style>text{font:12px sans-serif}</style>"  # on the page it comes from the page's own style


def draw(store: Path, out: Path) -> None:
    """Write one SVG a picture: all cars, the first setup, the car with the largest excess. Only of a demo's store."""
    study = read_study(store)
    if not study.summary.get("demo"):
        raise SystemExit(f"{store}: not made by `pumpcensus demo`. Pictures of the documents show invented cars only.")
    out.mkdir(exist_ok=True)
    figures = {figure.name: figure for figure in report(study).figures()}
    worst = study.cars.sort("excess_pct", descending=True, nulls_last=True)["label"][0]
    curve = next(spell.curve for spell in spells(study) if spell.label == worst and spell.curve)
    for picture, figure in {"all-cars": figures["cars0"], "setup": figures["setup0"], "car": curve}.items():
        svg = figure.chart.svg(WIDTH_PX)
        (out / f"{picture}.svg").write_text(svg.replace(">", ">" + FONT, 1) + "\n", encoding="utf-8")
        print(f"{picture}.svg: {figure.chart.alternative}")


if __name__ == "__main__":
    draw(Path(sys.argv[1]), Path(__file__).with_name("pictures"))
