"""An invented fleet: cars, faults and recorders that do not exist, with the truth beside their logs.

It shares no formula with the study, so that the study can be tried on something it did not make. Start
reading at `write_fleet.py`.
"""

from synthetic_fleet.recorders import RECORDERS, write_log
from synthetic_fleet.write_fleet import synthesize, synthesize_frames

__all__ = ["RECORDERS", "synthesize", "synthesize_frames", "write_log"]
