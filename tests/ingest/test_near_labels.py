"""Labels near one that nobody has. Distances: checked against a recursion written from the definition."""

import random
from functools import cache

import pytest

from ingest.findings import InputError
from ingest.labels import ALPHABET
from ingest.near_labels import NEAR_EDITS, edits, near_labels, unknown_label

KNOWN = ["7K3M-Q2XW", "7K3M-Q2XX", "24C9-W6M4", "DY9E-B7XS"]


@pytest.mark.parametrize(
    ("one", "other", "count"),
    [("kitten", "sitting", 3), ("ca", "abc", 3), ("a cat", "an act", 2), ("", "abc", 3), ("same", "same", 0)],
)
def test_distances_known_from_textbooks(one: str, other: str, count: int) -> None:
    # kitten/sitting: the usual example of Levenshtein's distance; ca/abc and "a cat"/"an act": those of the
    # restricted Damerau distance (from memory)
    assert edits(one, other) == edits(other, one) == count


def test_distances_are_those_of_the_definition() -> None:
    rng = random.Random(3)
    for _ in range(300):
        one, other = ("".join(rng.choices("AB3", k=rng.randrange(6))) for _ in range(2))

        @cache
        def least(i: int, j: int, one: str = one, other: str = other) -> int:
            if not i or not j:
                return i + j
            ways = [least(i - 1, j) + 1, least(i, j - 1) + 1, least(i - 1, j - 1) + (one[i - 1] != other[j - 1])]
            if i > 1 and j > 1 and one[i - 2 : i] == other[j - 2 : j][::-1]:
                ways.append(least(i - 2, j - 2) + 1)
            return min(ways)

        assert edits(one, other) == least(len(one), len(other))


@pytest.mark.parametrize("typed", ["7K3M-Q2WX", "7K3N-Q2XW", "K73M-Q2XW", "7K3M-Q2X"])
def test_a_slip_of_the_fingers_names_the_label_meant(typed: str) -> None:
    assert "7K3M-Q2XW" in near_labels(typed, KNOWN)[:2]


def test_labels_made_at_random_are_not_near() -> None:
    rng = random.Random(4)
    made = ["".join(rng.choices(ALPHABET, k=8)) for _ in range(2000)]
    assert not any(near_labels(one, [other]) for one, other in zip(made[::2], made[1::2], strict=True))


def test_no_more_than_three_and_the_nearest_first() -> None:
    known = [f"7K3M-Q2X{sign}" for sign in ALPHABET]
    assert near_labels("7K3M-Q2XW", known) == ["7K3M-Q2XW", "7K3M-Q2X0", "7K3M-Q2X1"]
    assert NEAR_EDITS < 8


def test_an_unknown_label_says_where_what_and_what_to_do() -> None:
    problem = unknown_label("0000-0000", KNOWN, "this store", "Look there.")
    assert isinstance(problem, InputError)
    assert problem.problems == ["0000-0000: no such car in this store. Look there."]
    assert "Nearest labels: 7K3M-Q2XW, 7K3M-Q2XX." in str(unknown_label("7K3M-Q2XN", KNOWN, "a store", "."))
