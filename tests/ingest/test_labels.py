"""Labels and the private folder. The digest itself is checked in tests/outside/test_labels.py (RFC 4231)."""

import os
import stat
from pathlib import Path

import pytest

from ingest.findings import InputError
from ingest.labels import Key, open_key, private_folder, read_labels, typed_label, write_labels, write_private

KEY = Key(b"k" * 32)


@pytest.mark.parametrize("name", ["Zoë's  GTI", " zoë's gti ", "ZOE\u0308'S GTI"])
def test_spellings_of_one_name_give_one_label(name: str) -> None:
    assert KEY.label(name) == KEY.label("Zoë's GTI")


def test_other_names_give_other_labels() -> None:
    assert len({KEY.label(f"car {number}") for number in range(5000)}) == 5000


def test_the_same_bytes_have_another_digest_for_another_car() -> None:
    assert KEY.log("AAAA-AAAA", b"log") != KEY.log("BBBB-BBBB", b"log")
    assert KEY.log("AAAA-AAAA", b"log") == KEY.log("AAAA-AAAA", b"log")
    assert KEY.source("a") != KEY.log("", b"a")
    assert len(KEY.source("logs/\udce9.csv")) == 32  # a file name that is no UTF-8


@pytest.mark.parametrize(
    ("typed", "label"),
    [
        ("7K3M-Q2XW", "7K3M-Q2XW"),
        (" 7k3mq2xw ", "7K3M-Q2XW"),
        ("7K3MQ2X", "7K3MQ2X"),
        ("LOLLIPOP", "LOLLIPOP"),
        ("Anna", "Anna"),
    ],
)
def test_labels_as_people_type_them(typed: str, label: str) -> None:
    assert typed_label(typed) == label


def test_a_key_is_made_once_and_is_random(tmp_path: Path) -> None:
    one = open_key(tmp_path / "store")
    assert open_key(tmp_path / "store") == one
    assert len(one.secret) == 32
    assert open_key(tmp_path / "other") != one
    assert not (tmp_path / "store").exists()


@pytest.mark.skipif(os.name != "posix", reason="file modes are of POSIX systems")
def test_a_private_file_is_never_open_to_others_not_even_for_a_moment(tmp_path: Path) -> None:
    path = private_folder(tmp_path / "store") / "labels.csv"
    modes = []
    replace = os.replace

    def watched(part: Path, target: Path) -> None:
        modes.append(stat.S_IMODE(part.stat().st_mode))
        replace(part, target)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "replace", watched)
        write_private(path, "one")
        path.chmod(0o644)
        write_private(path, "two")
    assert modes == [0o600, 0o600]
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.read_text() == "two"
    assert [each.name for each in path.parent.iterdir()] == ["labels.csv"]


def test_no_list_of_labels(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"store\.private/labels\.csv: missing"):
        read_labels(tmp_path / "store")


def test_two_cars_never_share_a_label(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Key, "label", lambda self, car: "AAAA-AAAA")
    with pytest.raises(InputError, match="bert: gets the label AAAA-AAAA of another car"):
        write_labels(tmp_path / "store", ["anna", "bert"], KEY)
    assert not private_folder(tmp_path / "store").exists()
