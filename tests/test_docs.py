"""The documents against the program: commands, options, columns, codes, links."""

import importlib.util
import json
import re
import shlex
import textwrap
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import typer.main
from by_path import load

import pumpcensus
from ingest.mapping import read_mapping
from ingest.roster import read_roster

ROOT = Path(pumpcensus.__file__).parent
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md")])


def commands_of(group: Any, before: str = "") -> dict[str, Any]:
    """Command -> what it takes; one of a group by both its words."""
    return {
        name: command
        for word, held in group.commands.items()
        for name, command in (
            commands_of(held, f"{word} ").items() if hasattr(held, "commands") else [(before + word, held)]
        )
    }


COMMANDS = commands_of(typer.main.get_command(pumpcensus.app))
dictionary_script = load(ROOT / "docs/data_dictionary.py")
TOLD = tomllib.loads((ROOT / "docs/data-dictionary.toml").read_text(encoding="utf-8"))


def text_of(page: str) -> str:
    return (ROOT / page).read_text(encoding="utf-8")


def sh_blocks(text: str) -> list[str]:
    """Lines of the shell blocks of a page."""
    blocks = re.findall(r"^ *```sh\n(.*?)^ *```", text, flags=re.DOTALL | re.MULTILINE)
    return [line.strip() for block in blocks for line in block.splitlines() if line.strip()]


# ---- commands


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_is_in_the_readme(name: str) -> None:
    readme = text_of("README.md")
    assert f"pumpcensus {name}" in readme
    for option in COMMANDS[name].params:
        for spelling in option.opts:
            if spelling.startswith("--"):
                assert f"{spelling} " in readme or f"{spelling}`" in readme, f"{name} {spelling}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_command_shown_exists_with_its_options(page: Path) -> None:
    for line in sh_blocks(page.read_text(encoding="utf-8")):
        words = shlex.split(line)
        if words[0] == "pumpcensus":
            name = words[1] if words[1] in COMMANDS else " ".join(words[1:3])
            options = {spelling for option in COMMANDS[name].params for spelling in option.opts}
            assert {word for word in words if word.startswith("--")} <= options, line


def test_the_readmes_two_commands_stand_first() -> None:
    demo, tests = sh_blocks(text_of("README.md"))[:2]
    assert demo == "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/pumpcensus demo"
    assert tests == 'python3 -m venv .venv && .venv/bin/pip install ".[test]" && .venv/bin/python -m pytest'


def test_ci_runs_the_very_test_command_of_the_readme() -> None:
    tests = sh_blocks(text_of("README.md"))[1]
    lines = text_of(".ci/run").splitlines()
    assert f"{tests} || exit 1" in lines
    for tool in ("ruff check", "ruff format --check", "mypy", "lint-imports"):
        assert f".venv/bin/{tool}" in lines


def block_of(page: str, language: str) -> str:
    """The first block of a language on a page, its indent taken away."""
    (block,) = re.findall(rf"```{language}\n(.*?)```", text_of(page), flags=re.DOTALL)[:1]
    return textwrap.dedent(block)


def test_the_readmes_roster_can_be_read(tmp_path: Path) -> None:
    (tmp_path / "roster.csv").write_text(block_of("README.md", "csv"), encoding="utf-8")
    roster = read_roster(tmp_path / "roster.csv")
    assert [spell.pump for spell in roster.spells] == ["original", "larger"]
    assert roster.notes == ()


def test_the_mapping_file_shown_can_be_read(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(block_of("docs/channels.md", "toml"), encoding="utf-8")
    assert read_mapping(tmp_path / "mine.toml").of("pump_duty_pct").column == "Valve 7"


# ---- the data dictionary


def dictionary() -> dict[str, tuple[str, str, set[str]]]:
    """Column -> unit, meaning, tables, as docs/data-dictionary.md tells."""
    row = re.compile(r"^\| `(\w+)` \| ([^|]*) \| ((?:[^|]|\\\|)*) \| ([a-z_, ]+) \|$", re.MULTILINE)
    rows = row.findall(text_of("docs/data-dictionary.md"))
    columns = {name: (unit.strip(), meaning, set(tables.split(", "))) for name, unit, meaning, tables in rows}
    assert len(columns) == len(rows), "a column stands there twice"
    return columns


def test_the_dictionary_is_what_the_declared_schemas_and_meanings_give() -> None:
    page = text_of("docs/data-dictionary.md")
    emptied = dictionary_script.TABLE.sub(r"\1", page)
    assert "label" not in emptied.split("## Columns")[1].split("## Codes")[0]
    assert dictionary_script.page(emptied, TOLD) == page, "run `python docs/data_dictionary.py`"


def test_every_column_of_every_table_is_in_the_dictionary_and_no_other() -> None:
    told = {(table, name) for name, (_, _, tables) in dictionary().items() for table in tables}
    assert told == {(table, name) for table, schema in dictionary_script.TABLES.items() for name in schema}


def test_units_come_from_names_and_from_types() -> None:
    shown = {name: unit for name, (unit, _, _) in dictionary().items()}
    assert shown["air_mass_g_s"] == "g/s"
    assert shown["rail_deficit_s"] == "s"
    assert (shown["found_on"], shown["saturated"], shown["rows_in"], shown["row"]) == ("day", "yes/no", "count", "")


def test_what_is_declared_and_not_told_is_named_and_so_is_the_other_way_round() -> None:
    meanings = {name: dict(group) for name, group in TOLD["columns"].items()}
    del meanings["Baselines"]["duty_p10_pct"]
    meanings["Drill"]["luck_pct"] = "how lucky"
    meanings["Elsewhere"] = {}
    codes = TOLD["codes"] | {"wish": {**TOLD["codes"]["wish"], "rest": "nothing"}}
    with pytest.raises(SystemExit) as stopped:
        dictionary_script.page(text_of("docs/data-dictionary.md"), TOLD | {"columns": meanings, "codes": codes})
    assert [line.split(":")[0] for line in str(stopped.value).splitlines()] == [
        "data-dictionary.md has no heading '### Elsewhere' with a table.",
        "column duty_p10_pct",
        "column luck_pct",
        "wish rest",
        "4 problems; data-dictionary.md is as it was.",
    ]


def test_every_word_for_a_signal_is_explained_to_the_reader() -> None:
    words = tomllib.loads(text_of("reports/advice.toml"))["signals"]
    page = text_of("docs/reading-the-report.md")
    for code, entry in words.items():
        assert entry["word"] in page, code
        assert f"`{code}`" in page


# ---- the rest


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_between_files_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        path, _, anchor = target.partition("#")
        assert ":" not in path, f"{target}: pages must not need the network"
        file = (page.parent / path).resolve() if path else page
        assert file.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.*)$", file.read_text(encoding="utf-8"), flags=re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", title).lower().replace(" ", "-") for title in headings}


def test_every_page_is_linked_from_the_readme_or_its_neighbours() -> None:
    linked = {
        (page.parent / target.partition("#")[0]).resolve()
        for page in PAGES
        for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8"))
    }
    assert {page for page in PAGES if page.name != "README.md"} <= linked


def test_every_dependency_has_a_reason() -> None:
    project = tomllib.loads(text_of("pyproject.toml"))["project"]
    extras = project["optional-dependencies"].values()
    reasons = text_of("DEVELOPERS.md").split("## Why each dependency")[1]
    for requirement in [*project["dependencies"], *(one for extra in extras for one in extra)]:
        assert re.split(r"[<>=\[]", requirement)[0] in reasons


def test_every_dependency_of_the_program_is_used_by_it() -> None:
    imported = {
        line.split()[1].split(".")[0]
        for folder in ("door", "ingest", "models", "reports", "synthetic_fleet")
        for path in (ROOT / folder).rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if line.lstrip().startswith(("import ", "from "))
    }
    module_of = {"scikit-learn": "sklearn", "vl-convert-python": "vl_convert"}
    for requirement in tomllib.loads(text_of("pyproject.toml"))["project"]["dependencies"]:
        name = re.split(r"[<>=\[]", requirement)[0]
        assert module_of.get(name, name) in imported


def test_the_licence_is_the_one_declared() -> None:
    project = tomllib.loads(text_of("pyproject.toml"))["project"]
    assert project["license"] == "Apache-2.0"
    assert "Version 2.0, January 2004" in text_of("LICENSE")
    assert "END OF TERMS AND CONDITIONS" in text_of("LICENSE")


def test_the_pictures_are_small_carry_their_own_font_and_ask_nothing_of_the_network() -> None:
    pictures = sorted((ROOT / "docs/pictures").glob("*.svg"))
    assert pictures
    for picture in pictures:
        svg = picture.read_text(encoding="utf-8")
        assert len(svg) < 60_000
        assert "<style>text{font:" in svg
        assert "href" not in svg
        assert f"docs/pictures/{picture.name}" in text_of("README.md")


def test_the_costs_told_are_those_measured() -> None:
    page, results = text_of("docs/performance.md"), ROOT / "tests/benchmarks/results"
    for job in json.loads((results / "whole_job.json").read_text(encoding="utf-8"))["jobs"]:
        assert f"| {' | '.join(map(str, job.values()))} |" in page
    speed = json.loads((results / "ingest_speed.json").read_text(encoding="utf-8"))
    assert f"costs {speed['whole_ms']} ms on one thread, {speed['reading_ms']} of them" in page
    assert f"{speed['read_csv_ms']} ms for the same file" in page
    assert f"{speed['speed_of_read_csv']} of its speed" in page


def benchmark(name: str) -> tuple[ModuleType, dict[str, Any]]:
    """A script of tests/benchmarks, and the figures it saved."""
    folder = ROOT / "tests/benchmarks"
    result = json.loads((folder / f"results/{name}.json").read_text(encoding="utf-8"))
    return load(folder / f"{name}.py"), result


IN_TABLES = (
    *("run", "many_logs", "beside_script", "report_page", "study_scale"),
    *("detection", "calibration", "pooled", "wrong_rows", "ablations", "swaps", "headroom"),
)


@pytest.mark.parametrize("name", IN_TABLES)
def test_the_table_of_a_benchmark_is_what_it_measured(name: str) -> None:
    script, result = benchmark(name)
    assert script.markdown(result) in text_of("docs/performance.md")


def test_the_saved_run_of_all_benchmarks_has_every_part() -> None:
    run, result = benchmark("run")
    assert {row["what"].partition(":")[0] for row in result["rows"]} == set(run.PARTS)


def test_the_calibration_told_beside_the_method_is_that_measured() -> None:
    calibration, result = benchmark("calibration")
    assert calibration.summary(result) in text_of("docs/method.md")


def test_what_becomes_of_odd_fleets_is_what_was_counted() -> None:
    pooled, result = benchmark("pooled")
    assert pooled.extremes(result) in text_of("docs/performance.md")


def test_what_a_store_costs_as_it_grows_is_told_as_measured() -> None:
    store_scale, result = benchmark("store_scale")
    page = text_of("docs/scale.md")
    assert store_scale.markdown(result) in page
    assert store_scale.tidy_markdown(result) in page
    assert store_scale.shared_markdown(result) in page
    assert store_scale.slopes_told(result) in page
    study_scale, result = benchmark("study_scale")
    assert study_scale.markdown(result) in page


def test_what_clubs_gain_and_what_a_liar_moves_is_that_measured() -> None:
    clubs, result = benchmark("clubs")
    page = text_of("docs/performance.md")
    for part in (result, result["wide"]):
        assert clubs.markdown(part["fleets"]) in page
    assert clubs.pairs(result) in page
    for rows in result["lies"].values():
        assert clubs.lies(rows) in page


def test_the_distance_from_the_best_possible_told_is_that_measured() -> None:
    ceiling, result = benchmark("ceiling")
    for size in result["fleets"]:
        assert ceiling.markdown(result, size) in text_of("docs/performance.md")


def test_what_else_was_measured_before_and_after_is_told() -> None:
    swaps, result = benchmark("swaps")
    for part in swaps.further(result).split("\n\n"):
        assert part in text_of("docs/performance.md")


# ---- for developers


def test_every_function_on_the_walk_of_a_log_exists() -> None:
    walk = text_of("DEVELOPERS.md").split("## One log, from file to report")[1].split("\n## ")[0]
    named = re.findall(r"`((?:ingest|models|reports)(?:\.\w+)+)`", walk)
    assert len(named) > 30
    for name in named:
        room, _, function = name.rpartition(".")
        assert (
            importlib.util.find_spec(name) if name.count(".") == 1 else hasattr(importlib.import_module(room), function)
        ), name


def test_every_file_named_for_developers_exists() -> None:
    for name in set(re.findall(r"`([\w./]+\.(?:py|toml|html|md))`", text_of("DEVELOPERS.md"))):
        assert (ROOT / name).exists() or list((ROOT / "reports/templates").glob(name)), name


def test_the_arrows_of_the_map_are_the_imports() -> None:
    drawn = set()
    for line in re.search(r"```mermaid\n(.*?)```", text_of("DEVELOPERS.md"), flags=re.DOTALL)[1].splitlines():  # type: ignore[index]
        nodes = re.findall(r"(?<![\w\"<>/])(pumpcensus|door|ingest|models|reports|synthetic_fleet)(?=[\[ \n]|$)", line)
        drawn |= {(nodes[0], target) for target in nodes[1:]}
    rooms = ("door", "ingest", "models", "reports", "synthetic_fleet")
    files = [
        ("pumpcensus", ROOT / "pumpcensus.py"),
        *((room, path) for room in rooms for path in (ROOT / room).rglob("*.py")),
    ]
    imports = {
        (room, target)
        for room, path in files
        for target in re.findall(r"^ *(?:from|import) (\w+)", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
        if target in rooms and target != room
    }
    assert drawn == imports


def test_the_endings_of_names_are_those_that_columns_have() -> None:
    table = text_of("DEVELOPERS.md").split("## Words and names")[1].split("\n## ")[0]
    shown = {
        name
        for row in re.findall(r"^\| .* \| .* \| (.*) \|$", table, flags=re.MULTILINE)
        for name in re.findall(r"`(\w+)`", row)
    }
    assert shown <= set(dictionary()) | {"duration_min_s"}
    assert [ending for ending in TOLD["endings"] if f"`_{ending}`" not in table] == []


def test_the_glossary_is_in_order_and_says_each_word_once() -> None:
    words = re.findall(r"^\| ([a-z][a-z -]+) \|", text_of("docs/glossary.md"), flags=re.MULTILINE)[1:]
    assert len(words) > 40
    assert words == sorted(set(words))
