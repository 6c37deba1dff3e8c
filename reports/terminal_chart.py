"""Curves over engine speed in the terminal: a grid of plain signs that any console can show, within 80 columns."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from reports.tables import figure

COLUMNS = 48  # of the grid; with engine speed and two figures it stays within 80
BAND = "-"
FIGURES_MOST = 2


@dataclass(frozen=True)
class Series:
    """One curve. name: heads its figures. marks: one sign a value, or one for all. values: None where unknown."""

    name: str
    marks: str
    values: Sequence[float | None]

    def mark(self, row: int) -> str:
        return self.marks[row] if len(self.marks) > 1 else self.marks


def chart_lines(
    rpm: Sequence[int],
    series: Sequence[Series],
    band: tuple[Sequence[float | None], Sequence[float | None]] | None = None,
) -> Iterator[str]:
    """A line a value of engine speed, below a line that names the columns and tells the scale's ends.

    series: the first lies on top; the first two are written out as figures too. band: lower and
    upper ends of a range, drawn below all curves. No line where nothing is known.

    >>> for line in chart_lines([3000, 3250], [Series("car", "o", [50.0, None])], ([40.0, 42.0], [60.0, 62.0])):
    ...     print(line)
     1/min    car  40                                            62
      3000   50.0  ---------------------o----------------------
      3250      \N{EN DASH}      --------------------------------------------
    """
    known = [
        value for values in [*(one.values for one in series), *(band or ())] for value in values if value is not None
    ]
    if not known:
        return
    low, high = min(known), max(known)
    scale = (COLUMNS - 1) / max(high - low, 1.0)
    written = series[:FIGURES_MOST]
    names = "".join(f" {one.name:>6}" for one in written)
    yield f"{'1/min':>6}{names}  {figure(low, 0):<{COLUMNS - 4}}{figure(high, 0):>4}"
    for row, speed in enumerate(rpm):
        cells = [" "] * COLUMNS
        ends = [values[row] for values in band] if band else []
        if ends and None not in ends:
            first, last = (round((end - low) * scale) for end in ends if end is not None)
            cells[first : last + 1] = BAND * (last - first + 1)
        for one in reversed(series):
            value = one.values[row]
            if value is not None:
                cells[round((value - low) * scale)] = one.mark(row)
        figures = "".join(f" {figure(one.values[row]):>6}" for one in written)
        yield f"{speed:>6}{figures}  {''.join(cells).rstrip()}".rstrip()
