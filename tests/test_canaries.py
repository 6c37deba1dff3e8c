"""Canaries: names, plates, VINs, positions, addresses and times of day planted wherever a log or roster can carry them.

None may be found in what a club would hand on: store, study, report, contribution and its copy in another club's store,
what these print, errors to be reported. What the organiser's own commands print may name files and cars, and nothing
that stands inside a log.
"""

import gzip
import hashlib
import hmac
import io
import json
import re
import shutil
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest

import pumpcensus
from ingest.findings import meanings
from ingest.labels import ALPHABET
from ingest.schemas import CHANNELS

asammdf = pytest.importorskip("asammdf")
xlsxwriter = pytest.importorskip("xlsxwriter")

Run = Callable[..., Any]
PLACES = ("header", "comment", "cell", "summary", "mdf4", "xlsx", "parquet", "archive", "roster")
# one of each kind for each place, all different, so that one found tells where it came from
NAMED = {"car": "Annegret", "file": "Bartholomea", "folder": "Cunigund"}
OTHERS = ("Berthildis", *(f"Dorothea-Eleonore{number}" for number in range(9)))
INSIDE = {
    place: {
        "name": f"Zacharias{number}",
        "plate": f"M-QX {7310 + number}",
        "vin": f"WVWZZZ1JZXW7713{number:02d}",
        "latitude": f"48.137{number}154",
        "longitude": f"11.575{number}382",
        "address": f"driver{number}@example.org",
        "time": f"23:4{number}:17",
        "phone": f"+49 170 55512{number:02d}",
    }
    for number, place in enumerate(PLACES)
}
BEGIN = datetime(2026, 7, 4, 21, 48, 39, tzinfo=UTC)


def planted(place: str) -> str:
    return " ".join(INSIDE[place].values())


def table(seed: int) -> dict[str, np.ndarray]:
    """A pull in third gear, sampled at 10 Hz."""
    rng = np.random.default_rng(seed)
    speed = np.concatenate([np.full(40, 2200.0), np.linspace(2200, 6300, 70), np.full(40, 2500.0)])
    load = np.concatenate([np.full(40, 0.2), np.full(70, 1.0), np.full(40, 0.1)])
    return {
        "Time [s]": np.arange(150) / 10,
        "Engine speed [1/min]": speed + rng.normal(0, 8, 150),
        "HPFP duty [%]": 25 + 50 * load + speed / 800 + rng.normal(0, 0.3, 150),
        "Manifold absolute pressure [kPa]": 40 + 180 * load + rng.normal(0, 1, 150),
        "Accelerator pedal [%]": 100 * load,
    }


def plant(folder: Path) -> None:
    """Logs of every form that can carry them, and a roster."""
    logs = folder / "logs"
    car = logs / NAMED["car"]
    (car / NAMED["folder"]).mkdir(parents=True)
    text = pl.DataFrame(table(1)).with_columns(pl.lit(planted("cell")).alias("Remark"))
    head = f"# {planted('comment')}\nDriver: {planted('header')}\n"
    told = head + text.write_csv() + f"\nSummary;{planted('summary')}\n"
    (car / NAMED["folder"] / f"{NAMED['file']} 2026-07-01.csv").write_text(told, encoding="utf-8")
    odd = text.rename({"Remark": planted("header")})  # as the name of a channel
    with zipfile.ZipFile(car / f"{NAMED['file']} 2026-07-02.zip", "w") as archive:
        archive.writestr(f"{planted('archive').replace(':', '.')}.csv", odd.write_csv())
        archive.comment = planted("archive").encode()
    content = io.BytesIO()
    with gzip.GzipFile(f"{planted('archive')}", "wb", fileobj=content) as packed:
        packed.write(pl.DataFrame(table(2)).write_csv().encode())
    (car / "2026-07-03.csv.gz").write_bytes(content.getvalue())
    text.with_columns(pl.lit(planted("parquet")).alias("Remark"), pl.lit(BEGIN).alias("Started")).write_parquet(
        car / "2026-07-05.parquet", metadata={"driver": planted("parquet")}
    )
    workbook(car / "2026-07-06.xlsx")
    measurement(car / "2026-07-07.mf4")
    (car / "broken 2026-07-08.csv").write_text(f"{planted('comment')}\n" * 40, encoding="utf-8")
    (car / "ragged 2026-07-09.csv").write_text(told.replace("\n1", f"\n{planted('cell')},1"), encoding="utf-8")
    extra = ",".join(f'"{value}"' for value in INSIDE["roster"].values())
    names = ",".join(INSIDE["roster"])
    rows = [f"{name},2.0 four,original,{extra}\n" for name in (NAMED["car"], *OTHERS)]
    (folder / "roster.csv").write_text(f"car,engine,pump,{names}\n{''.join(rows)}", encoding="utf-8")
    for number, name in enumerate(OTHERS):  # as many as a contribution needs
        (logs / name).mkdir()
        for day in (1, 2):
            own = pl.DataFrame(table(10 * number + day)).with_columns(pl.lit(planted("cell")).alias("Remark"))
            (logs / name / f"2026-07-0{day}.csv").write_text(head + own.write_csv(), encoding="utf-8")


def workbook(path: Path) -> None:
    with xlsxwriter.Workbook(path) as book:
        book.set_properties({"author": planted("xlsx"), "comments": planted("xlsx"), "company": planted("xlsx")})
        book.set_custom_property("driver", planted("xlsx"))
        sheet = book.add_worksheet(INSIDE["xlsx"]["name"])
        sheet.set_header(planted("xlsx"))
        for column, (name, values) in enumerate(table(3).items()):
            sheet.write_column(0, column, [name, *values])
        sheet.write_column(0, 5, ["Remark", *[planted("xlsx")] * 150])
        sheet.write_comment(0, 0, planted("xlsx"))


def measurement(path: Path) -> None:
    mdf = asammdf.MDF(version="4.10")
    mdf.header.start_time = BEGIN
    mdf.header.author = mdf.header.comment = mdf.header.subject = planted("mdf4")
    columns = {re.sub(r" \[.*", "", name): (values, name) for name, values in table(4).items()}
    seconds = columns.pop("Time")[0]
    signals = [
        asammdf.Signal(values, seconds, name=name, unit=full.partition("[")[2].rstrip("]"), comment=planted("mdf4"))
        for name, (values, full) in columns.items()
    ]
    mdf.append(signals, common_timebase=True, comment=planted("mdf4"))
    mdf.attach(planted("mdf4").encode(), file_name=f"{INSIDE['mdf4']['name']}.txt", comment=planted("mdf4"))
    mdf.save(path)


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory, at_once: Run) -> tuple[Path, dict[str, str]]:
    """A folder whose logs have been through the whole job, the other club's store too; command -> what it printed."""
    folder = tmp_path_factory.mktemp("canaries")
    plant(folder)
    (folder / "given").mkdir()
    said = {}
    store, other = ("--store", "store"), ("--store", "other")
    for words in (
        ("roster", "logs", "--check", "roster.csv"),
        ("ingest", "logs", "--roster", "roster.csv", *store),
        ("labels", *store),
        ("study", *store),
        ("study", *store, "--json"),
        ("report", *store, "--out", "report"),
        ("headroom", *store, "--setup", "2.0 four | original | - | -", "--ethanol", "40"),
        ("contribute", *store, "--out", "given/ours.parquet", "--yes"),
        ("ingest", "logs", "--roster", "roster.csv", *other),
        ("pool", "given/ours.parquet", *other),
        ("study", *other),
        ("report", *other, "--out", "other report"),
        ("forget", "nobody", *store),
    ):
        ending = at_once(*words, cwd=folder)
        said[" ".join(words[:1] + words[3:])] = ending.stdout + ending.stderr
    for label in pl.read_parquet(folder / "store/roster.parquet")["label"]:
        said[f"car {label}"] = at_once("car", label, *store, cwd=folder).stdout
    return folder, said


def of(said: dict[str, str], *commands: str) -> str:
    return "\n".join(text for words, text in said.items() if words.split()[0] in commands)


def bytes_of(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Every byte, and every text inside of Parquet's compression, with its file metadata."""
    for path in (path for path in folder.rglob("*") if path.is_file()):
        yield path.name, path.name.encode() + path.read_bytes()
        if path.suffix == ".parquet":
            file = pq.ParquetFile(path)
            yield f"{path.name} inside", f"{file.metadata.metadata} {file.schema}".encode()
            yield f"{path.name} inside", json.dumps(file.read().to_pylist(), default=str).encode()


def found_in(content: bytes, canaries: dict[str, str]) -> list[str]:
    """Which canaries stand in it, in UTF-8 or UTF-16, as they are, without signs between, or with other case."""
    lower = content.lower()
    bare = re.sub(rb"[^a-z0-9@]", b"", lower)
    return [
        name
        for name, canary in canaries.items()
        if (plain := canary.lower()).encode() in lower
        or plain.encode("utf-16-le") in lower
        or (len(alone := re.sub(r"[^a-z0-9@]", "", plain)) > 6 and alone.encode() in bare)
    ]


INSIDE_ALL = {f"{place} {kind}": text for place, kinds in INSIDE.items() for kind, text in kinds.items()}
ALL = INSIDE_ALL | {f"named {kind}": text for kind, text in NAMED.items()} | {name: name for name in OTHERS}
ALL |= {"begin": "21:48:39"}
CLOCK = re.compile(rb"\b([01]\d|2[0-3]):[0-5]\d:[0-5]\d\b")


def test_the_search_finds_what_it_looks_for(club: tuple[Path, dict[str, str]], tmp_path: Path) -> None:
    folder, _ = club
    own = b"".join(content for _, content in bytes_of(folder / "logs"))
    assert len(found_in(own, ALL)) > 40
    pl.DataFrame({"a": ["x" * 99, INSIDE["cell"]["vin"]] * 99}).write_parquet(
        tmp_path / "a.parquet", compression="zstd"
    )
    assert {name for _, content in bytes_of(tmp_path) for name in found_in(content, ALL)} == {"cell vin"}


def test_every_log_that_can_be_read_was(club: tuple[Path, dict[str, str]]) -> None:
    _, said = club
    ingested = of(said, "ingest")
    assert len(re.findall(r"Logs: 2[67] kept, [12] refused", ingested)) == 2, ingested


@pytest.mark.parametrize("what", ["store", "report", "given", "other", "other report"])
def test_no_canary_is_in_any_byte_of_what_a_club_hands_on(club: tuple[Path, dict[str, str]], what: str) -> None:
    folder, _ = club
    assert len(list(bytes_of(folder / what))) >= 3
    for name, content in bytes_of(folder / what):
        assert found_in(content, ALL) == [], name
        if name != "report.html" and not name.endswith("parquet"):
            assert not CLOCK.search(content), name


def test_no_canary_is_in_what_is_said_of_studies(club: tuple[Path, dict[str, str]]) -> None:
    _, said = club
    text = of(said, "study", "report", "car", "headroom", "contribute", "pool")
    assert len(text) > 1000
    assert found_in(text.replace("canaries", "").encode(), ALL) == []


def test_the_organisers_commands_name_files_and_cars_and_nothing_inside_a_log(
    club: tuple[Path, dict[str, str]],
) -> None:
    _, said = club
    canaries = {name: text for name, text in INSIDE_ALL.items() if not name.startswith("archive")}  # a file's name
    assert found_in(of(said, "ingest", "labels", "forget", "roster").encode(), canaries) == []
    assert NAMED["car"] in of(said, "labels")


def test_every_text_of_the_store_is_of_a_known_kind(club: tuple[Path, dict[str, str]]) -> None:
    folder, _ = club
    kinds = re.compile(
        rf"[0-9a-f]{{32}}|[{ALPHABET}]{{4}}-[{ALPHABET}]{{4}}|kept|refused|{'|'.join(meanings())}|"
        rf"{'|'.join(['time_s', *CHANNELS])}"
    )
    dialects, setups = set(), {"2.0 four", "original", ""}
    for path in folder.glob("store/segments/*/*.parquet"):
        for name, column in texts(pl.read_parquet(path)):
            if name == "dialect":
                dialects |= set(column)
            else:
                assert not [text for text in column if not kinds.fullmatch(text)], (path.name, name)
    assert all(re.fullmatch(r"[a-z0-9 ,;|:+-]*", dialect) for dialect in dialects), dialects
    roster = pl.read_parquet(folder / "store/roster.parquet")
    assert {text for name, column in texts(roster) if name != "label" for text in column} <= setups


@pytest.mark.parametrize("where", ["given", "other/pooled"])
def test_every_text_of_a_contribution_is_a_word_of_the_setup_or_a_label_of_that_file(
    club: tuple[Path, dict[str, str]], where: str
) -> None:
    folder, _ = club
    (file,) = (folder / where).glob("*.parquet")
    held = pl.read_parquet(file)
    assert held["car"].n_unique() == len(OTHERS) + 1
    label = re.compile(rf"[{ALPHABET}]{{4}}-[{ALPHABET}]{{4}}")
    assert all(label.fullmatch(text) for name in ("club", "car") for text in held[name])
    assert held["club"].n_unique() == 1
    rest = {text for name, column in texts(held) if name not in ("club", "car") for text in column}
    assert rest <= {"2.0 four", "original", "2026Q3", ""}
    assert not [name for name, dtype in held.schema.items() if dtype in (pl.Date, pl.Datetime, pl.Time)]
    shown = {
        label for store in ("store", "other") for label in pl.read_parquet(folder / store / "roster.parquet")["label"]
    }
    content = b"".join(content for _, content in bytes_of(file.parent))
    assert not [own for own in shown if own.encode() in content]


def test_what_was_shown_before_is_what_left(club: tuple[Path, dict[str, str]]) -> None:
    folder, said = club
    held = pl.read_parquet(folder / "given/ours.parquet")
    pulls = held.select("car", "log", "pull").n_unique()
    told = of(said, "contribute")
    assert f"{held.height} rows of {pulls} pulls of {held['car'].n_unique()} cars, nothing else" in told
    assert all(re.search(rf"^ +{name}\b", told, re.M) for name in held.columns)


def test_who_has_the_store_alone_learns_no_name(
    club: tuple[Path, dict[str, str]], tmp_path: Path, at_once: Run
) -> None:
    folder, _ = club
    shutil.copytree(folder / "store", tmp_path / "store")
    refused = at_once("labels", "--store", "store", cwd=tmp_path)
    assert refused.returncode == 1
    assert "missing" in refused.stderr
    for words in (("study",), ("report", "--out", "report"), ("contribute", "--out", "x.parquet", "--yes")):
        ending = at_once(words[0], "--store", "store", *words[1:], cwd=tmp_path)
        assert ending.returncode == (words[0] == "contribute"), ending.stderr  # that needs the club's key
        assert found_in((ending.stdout + ending.stderr).encode(), ALL) == []
    assert not list(tmp_path.glob("*.private"))


def test_two_clubs_labels_for_one_car_differ(club: tuple[Path, dict[str, str]]) -> None:
    folder, _ = club
    ours, theirs = (set(pl.read_parquet(folder / store / "roster.parquet")["label"]) for store in ("store", "other"))
    assert len(ours) == len(theirs) == len(OTHERS) + 1
    assert not ours & theirs
    logs = [
        set(pl.read_parquet(folder.glob(f"{store}/segments/*/ledger.parquet").__next__())["log"])
        for store in ("store", "other")
    ]
    assert not logs[0] & logs[1]


def texts(frame: pl.DataFrame) -> Iterator[tuple[str, list[str]]]:
    """Column -> its texts, those inside of lists and structs too."""
    for name, dtype in frame.schema.items():
        if dtype == pl.String:
            yield name, frame[name].drop_nulls().unique().to_list()
        elif isinstance(dtype, pl.List):
            yield from texts(frame[name].explode().drop_nulls().struct.unnest())


def test_no_label_follows_from_a_name_without_the_key(club: tuple[Path, dict[str, str]]) -> None:
    folder, _ = club
    labels = set(pl.read_parquet(folder / "store/roster.parquet")["label"])
    guesses = set()
    for name in (NAMED["car"], NAMED["car"].lower(), "Berthildis", "BERTHILDIS"):
        for told in (name, f"car\0{name.lower()}", f"{name}\n"):
            for kind in ("md5", "sha1", "sha256", "blake2b"):
                guesses.add(hashlib.new(kind, told.encode()).digest())
            for key in (b"", b"\0" * 32, b"pumpcensus", (folder / "store/version.json").read_bytes()):
                guesses.add(hmac.digest(key, told.encode(), "sha256"))
    spelled = {
        "".join(ALPHABET[int.from_bytes(one[:5], "big") >> 5 * i & 31] for i in range(7, -1, -1)) for one in guesses
    }
    assert len(spelled) == len(guesses)
    assert not {label.replace("-", "") for label in labels} & spelled


@pytest.mark.parametrize("kind", ["header", "cell", "mdf4"])
def test_an_error_to_be_reported_holds_nothing_of_a_log(
    kind: str, tmp_path: Path, at_once: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest import many_logs

    def failing(*_: object) -> None:
        pl.Series([planted(kind)]).cast(pl.Float64)

    plant(tmp_path)
    monkeypatch.setattr(many_logs, "make_segments", failing)
    ending = at_once("ingest", "logs", "--roster", "roster.csv", "--store", "store", cwd=tmp_path)
    assert ending.returncode == 1
    assert "Please report this line" in ending.stderr
    assert found_in((ending.stdout + ending.stderr).encode(), ALL) == []


def test_the_front_door_is_the_one_tested() -> None:
    assert Path(pumpcensus.__file__).parent == Path(__file__).parents[1]
