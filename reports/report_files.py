"""The page of a study and the tables beside it, into a folder."""

from pathlib import Path

from ingest.whole_files import write_whole
from models.schemas import Study
from reports.csv_files import csv_files
from reports.markdown import markdown_text
from reports.page import render


def write_report(study: Study, out: Path, *, with_markdown: bool = False) -> Path:
    """Write report.html, cars.csv, changes.csv and baselines.csv into folder `out`; gives the page's path.

    with_markdown: report.md too.

    The folder is made if need be. Every text is made before the first file is written.
    """
    texts = {"report.html": render(study), **csv_files(study)}
    if with_markdown:
        texts["report.md"] = markdown_text(study)
    out.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        write_whole(out / name, text.encode())
    return out / "report.html"
