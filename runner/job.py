"""The job: which very unit, for whom, at what stage of the repair."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError

from runner.job_parts import Part
from runner.profile import StrictModel
from runner.toml_source import load_model

__all__ = ["Job", "job_parts", "load_job"]


class Job(StrictModel):
    """What stands on the job sheet."""

    serial: str = "not given"
    stage: Literal["as-found", "as-left"] = "as-left"
    customer: str = ""
    complaint: str = ""
    fuse: str = ""
    line_selector: str = ""
    parts_replaced: tuple[str, ...] = ()
    part: tuple[Part, ...] = ()
    """Replaced parts with their markings (tables ``[[part]]``), beside the plain list."""
    photos: tuple[str, ...] = ()
    notes: tuple[str, ...] = Field(default=())


def job_parts(job: Mapping[str, Any]) -> list[Part]:
    """Replaced parts of a job as a record's header holds it; what cannot be read is left out."""
    found = []
    for entry in job.get("part") or ():
        with suppress(ValidationError):
            found.append(Part.model_validate(entry))
    return found


def load_job(file: str | None, *, serial: str, stage: str) -> Job:
    """Read a job sheet; serial and stage given on the command line win.

    :raises InputError: with file, line, key, expected and found
    """
    job = load_model(Job, Path(file)) if file else Job()
    given = {"stage": stage} | ({"serial": serial} if serial != "not given" else {})
    return job.model_copy(update=given)
