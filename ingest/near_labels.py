"""A label nobody has: the labels it may have been meant for, never a name."""

from collections.abc import Iterable

from ingest.findings import InputError

NEAR_EDITS = 3  # of eight characters; of 100,000 pairs made at random none were so near
NEAR_MOST = 3


def near_labels(label: str, known: Iterable[str]) -> list[str]:
    """Labels within NEAR_EDITS slips of the one typed, the nearest first, NEAR_MOST at most.

    >>> near_labels("7K3M-Q2WX", ["7K3M-Q2XW", "7K3M-Q2XX", "ABCD-EFGH"])
    ['7K3M-Q2XW', '7K3M-Q2XX']
    """
    slips = sorted((edits(label.replace("-", ""), one.replace("-", "")), one) for one in {*known})
    return [one for count, one in slips if count <= NEAR_EDITS][:NEAR_MOST]


def unknown_label(label: str, known: Iterable[str], place: str, remedy: str) -> InputError:
    """What to raise for a label that `place` does not hold: nearest ones, and what to do.

    place: as in "the study of 2026Q3". remedy: a sentence that says where labels are listed.

    >>> print(unknown_label("7K3M-Q2XX", ["7K3M-Q2XW"], "this store", "`pumpcensus study` prints its labels."))
    7K3M-Q2XX: no such car in this store. Nearest label: 7K3M-Q2XW. `pumpcensus study` prints its labels.
    """
    near = near_labels(label, known)
    nearest = f"Nearest label{'s' if len(near) > 1 else ''}: {', '.join(near)}. " if near else ""
    return InputError([f"{label}: no such car in {place}. {nearest}{remedy}"])


def edits(one: str, other: str) -> int:
    """Slips of a typist between two words: a sign wrong, left out, too many, or two neighbours swapped.

    Damerau (1964), doi 10.1145/363958.363994, each part of a word edited once.

    >>> edits("7K3M", "7K3M"), edits("7K3M", "7KM3"), edits("7K3M", "7K"), edits("", "7K")
    (0, 1, 2, 2)
    """
    rows = [list(range(len(other) + 1))]
    for i, sign in enumerate(one, 1):
        row = [i]
        for j, mark in enumerate(other, 1):
            cost = min(rows[i - 1][j] + 1, row[j - 1] + 1, rows[i - 1][j - 1] + (sign != mark))
            if i > 1 and j > 1 and sign == other[j - 2] and one[i - 2] == mark:
                cost = min(cost, rows[i - 2][j - 2] + 1)
            row.append(cost)
        rows.append(row)
    return rows[-1][-1]
