"""Draw the pictures of the README from a demo: `python docs/pictures.py demo/store`, into docs/pictures."""

import sys
from pathlib import Path

from models.study_files import read_study
from reports.sections import report

WIDTH_PX = 680
FONT = "<style>text{font:12px sans-serif}</style>"  # on the page it comes from the page's own style
# picture -> how the name of its chart on the page starts
PICTURES = {"all-cars": "cars0", "setup": "setup0", "car": "curve"}


def draw(store: Path, out: Path) -> None:
    """Write one SVG a picture, of the first such chart on the page; refuses a store that is not a demo's."""
    study = read_study(store)
    if not study.summary.get("demo"):
        raise SystemExit(f"{store}: not made by `pumpcensus demo`. Pictures of the documents show invented cars only.")
    out.mkdir(exist_ok=True)
    figures = list(report(study).figures())
    for picture, start in PICTURES.items():
        figure = next(figure for figure in figures if figure.name.startswith(start))
        svg = figure.chart.svg(WIDTH_PX)
        (out / f"{picture}.svg").write_text(svg.replace(">", ">" + FONT, 1) + "\n", encoding="utf-8")
        print(f"{picture}.svg: {figure.chart.alternative}")


if __name__ == "__main__":
    draw(Path(sys.argv[1]), Path(__file__).with_name("pictures"))
