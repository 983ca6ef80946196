"""``asleft schema``."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from pydantic import BaseModel

__all__ = ["schema"]


@click.command()
@click.argument("kind", type=click.Choice(["profile", "bench", "job", "dialect"]))
def schema(kind: str) -> int:
    """Print the JSON Schema of a file, so that an editor completes and checks it."""
    click.echo(json.dumps(_model(kind).model_json_schema(), indent=2, ensure_ascii=False))
    return 0


def _model(kind: str) -> type[BaseModel]:
    from runner.bench import Bench
    from runner.job import Job
    from runner.profile import Profile

    if kind == "dialect":
        from runner.instruments.dialect import Dialect

        return Dialect
    models: dict[str, type[BaseModel]] = {"profile": Profile, "bench": Bench, "job": Job}
    return models[kind]
