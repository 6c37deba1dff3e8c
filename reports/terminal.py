"""A study as plain lines for the terminal."""

from models.schemas import Study


def signals_text(study: Study) -> str:
    return ""


def car_text(study: Study, label: str) -> str:
    return ""
