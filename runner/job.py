"""The job: which very unit, for whom, at what stage of the repair."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from runner.profile import StrictModel

__all__ = ["Job"]


class Job(StrictModel):
    """What stands on the job sheet."""

    serial: str = "not given"
    stage: Literal["as-found", "as-left"] = "as-left"
    customer: str = ""
    complaint: str = ""
    fuse: str = ""
    line_selector: str = ""
    parts_replaced: tuple[str, ...] = ()
    photos: tuple[str, ...] = ()
    notes: tuple[str, ...] = Field(default=())
