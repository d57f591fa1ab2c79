"""Pages of templates: every value is escaped, a name that is not given is a mistake."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

_HERE = Path(__file__).parent


def rendered(template: str, **values: Any) -> str:
    """The page of a template of this folder."""
    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, trim_blocks=True, undefined=StrictUndefined
    )
    return environment.get_template(template).render(**values)
