"""The statistical room: cells in, a study out. What each setup should need, and whose pump needs more.

Frames in, frames out; no charts; the disk in `study_files` only.
"""

from models.schemas import Study

__all__ = ["Study"]
