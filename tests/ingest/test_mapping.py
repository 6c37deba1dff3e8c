"""A club's own mapping file: what it may say, and every problem at once."""

from pathlib import Path

import pytest

from ingest.findings import InputError
from ingest.mapping import ChannelMap, MappedChannel, read_mapping
from ingest.read_log import read_log

REFUSED = Path(__file__).parent / "refused"
SPELLINGS = Path(__file__).parent / "dialects"


def written(folder: Path, text: str) -> Path:
    path = folder / "channels.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_whole_file(tmp_path: Path) -> None:
    text = '[pump_duty_pct]\ncolumn = "Valve 7"\nunit = "%"\ninverted = true\n[boost_kpa]\nreference = "gauge"\n'
    assert read_mapping(written(tmp_path, text)) == ChannelMap(
        (
            MappedChannel("pump_duty_pct", column="Valve 7", unit="%", inverted=True),
            MappedChannel("boost_kpa", reference="gauge"),
        )
    )


def test_all_problems_at_once(tmp_path: Path) -> None:
    text = """
    pedal_pct = "Pedal"
    [pump_duty]
    column = "x"
    [rail_pressure_bar]
    column = "P"
    unit = "furlong"
    reference = "gauge"
    [rail_target_bar]
    column = "P"
    colum = "Q"
    [boost_kpa]
    reference = "relative"
    inverted = true
    column = 7
    [lambda_ratio]
    stoichiometric_ratio = 147
    """
    with pytest.raises(InputError) as caught:
        read_mapping(written(tmp_path, text))
    starts = [problem.split(":")[0] for problem in caught.value.problems]
    assert starts == [
        "channels.toml, [pedal_pct]",
        "channels.toml, [pump_duty]",
        "channels.toml, [rail_pressure_bar], unit",
        "channels.toml, [rail_pressure_bar], reference",
        "channels.toml, [rail_target_bar], colum",
        "channels.toml, [rail_target_bar], column",
        "channels.toml, [boost_kpa], column",
        "channels.toml, [boost_kpa], reference",
        "channels.toml, [boost_kpa], inverted",
        "channels.toml, [lambda_ratio], stoichiometric_ratio",
    ]
    assert all(problem.endswith(".") for problem in caught.value.problems)


@pytest.mark.parametrize("text", ["[pump_duty_pct", "column = ", "[a]\n[a]\n"])
def test_what_is_no_toml(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError, match="is not TOML"):
        read_mapping(written(tmp_path, text))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_mapping(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("duty_upside_down__falls_with_load.csv", MappedChannel("pump_duty_pct", inverted=True)),
        (
            "needed_channel_ambiguous__fuel_pump_duty.csv",
            MappedChannel("pump_duty_pct", column="Fuel pump duty"),
        ),
        (
            "needed_channel_ambiguous__fuel_pump_duty.csv",
            MappedChannel("pump_duty_pct", column="Fuel pump duty [%]"),
        ),
        (
            "needed_channel_ambiguous__two_pumps.csv",
            MappedChannel("pump_duty_pct", column="HP pump duty bank 1"),
        ),
    ],
)
def test_what_was_refused_is_read_once_the_club_says_what_is_meant(name: str, said: MappedChannel) -> None:
    content = (REFUSED / name).read_bytes()
    assert read_log(name, content).refused == name.split("__")[0]
    reading = read_log(name, content, mapping=ChannelMap((said,)))
    truth = read_log("truth.csv", (SPELLINGS / "brackets_comma.csv").read_bytes())
    assert reading.refused == ""
    off = (reading.frame["pump_duty_pct"] - truth.frame["pump_duty_pct"]).abs().max()
    assert off == pytest.approx(0, abs=1e-9)


def test_a_gauge_with_another_scale() -> None:
    header = "Time [s],RPM,HPFP duty [%],MAP [kPa],AFR\n"
    text = header + "".join(f"{i / 10},{2000 + i},{50 + i / 10},200,9.0\n" for i in range(30))
    ethanol_scale = ChannelMap((MappedChannel("lambda_ratio", stoichiometric_ratio=9.0),))
    assert read_log("a.csv", text.encode(), mapping=ethanol_scale).frame["lambda_ratio"][0] == pytest.approx(1.0)
