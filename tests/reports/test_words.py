"""All words of the page, line by line, as they were last read by a person.

Where words change on purpose: run this file as a program, read the difference, and commit it.
"""

import html
import importlib.util
import re
from pathlib import Path

from reports import render

HERE = Path(__file__).parent
KEPT = HERE / "words_of_report.txt"
OWN_LINE = re.compile(r"<(?:/?(?:p|h\d|li|tr|dt|dd|section|summary|figcaption|div|article|option|label)\b[^>]*)>")
UNSEEN = re.compile(r"<(script|style|svg|noscript|details(?= class=.numbers))\b.*?</\1>", re.DOTALL)


def words(page: str) -> str:
    """What readers see, a line a paragraph, entry or row; tables behind charts left out."""
    page = UNSEEN.sub("", page.partition("</head>")[2])
    page = OWN_LINE.sub("\n", re.sub(r"(</t[dh]>)\s*(<t[dh])", r"\1 | \2", page))
    text = html.unescape(re.sub(r"<[^>]+>", "", page)).replace("\u00a0", " ")
    lines = (" ".join(line.split()) for line in text.splitlines())
    return "\n".join(line for line in lines if line) + "\n"


def _page() -> str:
    spec = importlib.util.spec_from_file_location("made_up_study", HERE / "made_up_study.py")
    assert spec is not None
    assert spec.loader is not None
    made_up = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made_up)
    return render(made_up.make_study(cars=8, seed=7))


def test_page_says_what_a_person_has_read() -> None:
    assert words(_page()).splitlines() == KEPT.read_text(encoding="utf-8").splitlines()


if __name__ == "__main__":
    KEPT.write_text(words(_page()), encoding="utf-8")
