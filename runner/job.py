"""The job: which very unit, for whom, at what stage of the repair."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field

from runner.profile import StrictModel
from runner.toml_source import load_model

__all__ = ["Job", "load_job"]


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


def load_job(file: str | None, *, serial: str, stage: str) -> Job:
    """Read a job sheet; serial and stage given on the command line win.

    :raises InputError: with file, line, key, expected and found
    """
    job = load_model(Job, Path(file)) if file else Job()
    given = {"stage": stage} | ({"serial": serial} if serial != "not given" else {})
    return job.model_copy(update=given)
