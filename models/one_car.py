"""A study narrowed to one car."""

from dataclasses import replace

import polars as pl

from ingest.near_labels import unknown_label
from models.schemas import Study

LABELS_SHOWN = "`pumpcensus study` prints its labels."


def one_car(study: Study, label: str) -> Study:
    """What a study holds of one car: its rows of every table; the summary is the whole fleet's.

    label: as in the study, "XXXX-XXXX". Raises InputError, nearest labels named, where the study has no such car.
    """
    if label not in study.cars["label"]:
        raise unknown_label(label, study.cars["label"], f"the study of {study.quarter}", LABELS_SHOWN)
    own = pl.col("label") == label
    return replace(
        study,
        cars=study.cars.filter(own),
        changes=study.changes.filter(own),
        curves=study.curves.filter(own),
        car_logs=study.car_logs.filter(own),
        quality=study.quality.filter(own),
        next_logs=study.next_logs.filter(own),
    )
