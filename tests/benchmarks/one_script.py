"""The rival of the whole job: what somebody at home in pandas and statsmodels would write in one file.

python tests/benchmarks/one_script.py LOGS ROSTER OUT [ols|mixed]

Reads every log with pandas by the column names it knows, finds full-load pulls, bins them by engine speed, fits one
formula over all cars, and writes each car's excess as CSV and four charts as one page, whose scripts a reader fetches
from the network. It leaves out what the study does besides: other spellings, units and clocks; findings; events; a duty
law (it fits the logarithm of the duty); censoring; weights; the car left out; tests, intervals and signals; cards,
changes, data quality. It keeps nothing: a new log means that all are read again.
"""

import sys
from pathlib import Path

import altair as alt
import numpy as np
import pandas as pd
import statsmodels.formula.api as smf

COLUMNS = {
    "Time [s]": "time_s",
    "Engine speed [rpm]": "rpm",
    "HP fuel pump duty [%]": "duty",
    "Manifold pressure absolute [kPa]": "map",
    "Ethanol content [%]": "ethanol",
    "Fuel rail pressure [bar]": "rail",
    "Lambda [-]": "lam",
    "Intake air temperature [°C]": "iat",
    "Accelerator pedal [%]": "pedal",
}
KEYS = ["car", "log", "pull", "band"]


def pulls_of(log: pd.DataFrame) -> pd.DataFrame:
    """Samples of full-load pulls, with the number of each."""
    load, share = ("pedal", 0.95) if log["pedal"].notna().any() else ("map", 0.8)
    full = log[load] >= share * log[load].max()
    log["pull"] = (full != full.shift()).cumsum()
    log = log[full]
    pulls = log.groupby("pull").agg(t0=("time_s", "first"), t1=("time_s", "last"), r0=("rpm", "min"), r1=("rpm", "max"))
    good = pulls[(pulls.t1 - pulls.t0 >= 2.0) & (pulls.r1 - pulls.r0 >= 1500.0)].index
    return log[log["pull"].isin(good) & (log["duty"] > 20.0)]


def cells_of(folder: Path) -> pd.DataFrame:
    """One row a pull and 250 rpm."""
    found = []
    for path in sorted(folder.glob("*/*.csv")):
        log = pd.read_csv(path, usecols=lambda name: name in COLUMNS).rename(columns=COLUMNS)
        log = log.reindex(columns=COLUMNS.values())  # not every car logs everything
        found.append(pulls_of(log).assign(car=path.parent.name, log=path.stem))
    samples = pd.concat(found, ignore_index=True)
    samples["band"] = samples["rpm"] // 250 * 250
    return samples.groupby(KEYS)[["duty", "map", "ethanol", "rail", "lam", "iat"]].mean().reset_index()


def with_demand(cells: pd.DataFrame, roster: pd.DataFrame) -> pd.DataFrame:
    cells = cells.merge(roster.drop_duplicates("car"), on="car", suffixes=("", "_stated"))
    cells["ethanol"] = cells["ethanol"].fillna(cells["ethanol_pct"]).fillna(10.0)
    for name in ("lam", "iat", "rail"):
        cells[name] = cells[name].fillna(cells.groupby("band")[name].transform("median")).fillna(cells[name].median())
    share = cells["ethanol"] / 100.0
    fuel = (14.7 * 745.0) / (14.7 * 745.0 * (1 - share) + 9.0 * 789.0 * share)
    air = cells["map"] / 100.0 * (298.15 / (cells["iat"] + 273.15)) ** 0.5
    cells["log_demand"] = np.log(air / cells["lam"] * fuel)
    cells["log_duty"] = np.log(cells["duty"])
    cells["speed"] = (cells["band"] - 4500.0) / 1000.0
    cells["pump_on"] = cells["engine"] + " " + cells["pump"]
    return cells[cells["duty"] < 99.0]


def fitted(cells: pd.DataFrame, how: str) -> pd.DataFrame:
    """car, pump_on, excess_pct, low, high, logs."""
    by = cells.groupby(["car", "pump_on", "engine", "log", "speed"])
    cells = by[["log_duty", "log_demand", "rail"]].mean().dropna().reset_index()
    formula = "log_duty ~ log_demand + rail + C(pump_on) + C(engine):(speed + I(speed**2) + I(speed**3))"
    if how == "mixed":
        model = smf.mixedlm(formula, cells, groups="car").fit()
        residual = cells["log_duty"] - model.predict(cells)
    else:
        residual = smf.ols(formula, cells).fit().resid
    logs = cells.assign(residual=residual).groupby(["car", "pump_on", "log"])["residual"].mean().reset_index()
    cars = logs.groupby(["car", "pump_on"])["residual"].agg(["mean", "std", "count"]).reset_index()
    error = cars["std"].fillna(cars["std"].median()) / np.sqrt(cars["count"])
    return pd.DataFrame(
        {
            "car": cars["car"],
            "pump_on": cars["pump_on"],
            "excess_pct": 100.0 * (np.exp(cars["mean"]) - 1.0),
            "low": 100.0 * (np.exp(cars["mean"] - 1.96 * error) - 1.0),
            "high": 100.0 * (np.exp(cars["mean"] + 1.96 * error) - 1.0),
            "logs": cars["count"],
        }
    ).sort_values("excess_pct", ascending=False)


def page(cars: pd.DataFrame, cells: pd.DataFrame) -> str:
    """Four charts and the table."""
    base = alt.Chart(cars).encode(x=alt.X("car", sort=None))
    all_cars = base.mark_point().encode(y="excess_pct", tooltip=["car", "excess_pct"]) + base.mark_rule().encode(
        y="low", y2="high"
    )
    funnel = alt.Chart(cars).mark_circle().encode(x="logs", y="excess_pct", tooltip=["car"])
    medians = cells.groupby(["pump_on", "band"])["duty"].median().reset_index()
    bands = alt.Chart(medians).mark_line().encode(x="band", y="duty", color="pump_on")
    highest = cells[cells["car"].isin(cars["car"].head(5))].groupby(["car", "band"])["duty"].mean().reset_index()
    worst = alt.Chart(highest).mark_line().encode(x="band", y="duty", color="car")
    charts = alt.vconcat(
        all_cars.properties(title="Excess of all cars [%]"),
        funnel.properties(title="Excess against logs"),
        bands.properties(title="Median duty by engine and pump"),
        worst.properties(title="The five highest"),
    )
    return charts.to_html().replace("</body>", cars.to_html(index=False) + "</body>")


def main() -> None:
    logs, roster, out, *how = sys.argv[1:]
    cells = with_demand(cells_of(Path(logs)), pd.read_csv(roster))
    cars = fitted(cells, how[0] if how else "ols")
    Path(out).mkdir(parents=True, exist_ok=True)
    cars.to_csv(Path(out) / "cars.csv", index=False)
    (Path(out) / "report.html").write_text(page(cars, cells), encoding="utf-8")
    print(f"{len(cars)} cars, {len(cells)} cells")


if __name__ == "__main__":
    main()
