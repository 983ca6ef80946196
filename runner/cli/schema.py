"""``asleft schema``."""

from __future__ import annotations

import json

import click

__all__ = ["schema"]


@click.command()
@click.argument("kind", type=click.Choice(["profile", "bench", "job", "dialect"]))
def schema(kind: str) -> int:
    """Print the JSON Schema of a file, so that an editor completes and checks it."""
    if kind == "dialect":
        from runner.instruments.dialect import Dialect as Model
    elif kind == "bench":
        from runner.bench import Bench as Model  # type: ignore[assignment]
    elif kind == "job":
        from runner.job import Job as Model  # type: ignore[assignment]
    else:
        from runner.profile import Profile as Model  # type: ignore[assignment]
    click.echo(json.dumps(Model.model_json_schema(), indent=2, ensure_ascii=False))
    return 0
