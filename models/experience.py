"""What a fleet has driven: blends, and the demand that cars with one engine and pump put to it in each band."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Experience:
    """blends_pct: (fleet's cars,) each car's median ethanol content. [%]

    lowest, highest: (bands, cars) demand of the cars with the engine and pump in question; NaN where never there.
    """

    blends_pct: Array
    lowest: Array
    highest: Array

    @property
    def cars(self) -> int:
        """Cars with the engine and pump in question."""
        return int(self.highest.shape[1])

    def ethanol_beyond(self, ethanol_pct: float) -> float:
        """How far a blend lies outside what was driven, below it negative; 0 within. [points]"""
        over = max(ethanol_pct - float(self.blends_pct.max()), 0.0)
        return over or min(ethanol_pct - float(self.blends_pct.min()), 0.0)

    def cars_at_blend(self, ethanol_pct: float) -> int:
        """Cars of the fleet that have driven at least this blend."""
        return int((self.blends_pct >= ethanol_pct).sum())

    def cars_at_demand(self, demand: Array) -> NDArray[np.int64]:
        """Cars that put at least this demand to such a pump. (bands,)"""
        return np.asarray((self.highest >= demand[:, None]).sum(axis=1))

    def demand_beyond(self, demand: Array) -> Array:
        """How far a demand lies outside that of all of them, below it negative; 0 within. (bands,) [%]"""
        over = np.maximum(demand / np.nanmax(self.highest, axis=1) - 1.0, 0.0)
        under = np.minimum(demand / np.nanmin(self.lowest, axis=1) - 1.0, 0.0)
        return np.asarray(100 * (over + under))


def experience(observations: pl.DataFrame, engine: str, pump: str, bands_rpm: list[int]) -> Experience:
    """OBSERVATIONS -> what was driven. bands_rpm: those asked about, each driven by a car with this engine and pump."""
    blends = observations.group_by("label").agg(pl.col("ethanol_pct").median())["ethanol_pct"].to_numpy()
    alike = observations.filter(pl.col("engine") == engine, pl.col("pump") == pump)
    held = pl.DataFrame({"band_rpm": bands_rpm}, schema={"band_rpm": pl.Int32})
    lowest, highest = (
        alike.group_by("label", "band_rpm")
        .agg(value)
        .sort("label")
        .pivot("label", index="band_rpm", values="demand")
        .join(held, on="band_rpm", how="right", maintain_order="right")
        .drop("band_rpm")
        .fill_null(float("nan"))
        .to_numpy()
        for value in (pl.col("demand").min(), pl.col("demand").max())
    )
    return Experience(blends, lowest, highest)
