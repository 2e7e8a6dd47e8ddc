"""What all pages have in common: escaping templates, colours, and a policy that lets nothing in."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from anviltrace.publish import ink


def fill(template: str, scripts: Sequence[str] = (), **parts: Any) -> str:
    """A whole page from a template. Everything that came from a person or a board is escaped."""
    return (
        _environment()
        .get_template(template)
        .render(
            css=Markup(_environment().get_template("report.css").render(light=ink.LIGHT, dark=ink.DARK)),
            scripts=[Markup(script) for script in scripts],
            policy=policy(scripts),
            **parts,
        )
    )


def policy(scripts: Sequence[str]) -> str:
    """Content security policy: these scripts and no others, no eval, no requests."""
    digests = [base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in scripts]
    allowed = " ".join(f"'sha256-{digest}'" for digest in digests) or "'none'"
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


def css_string(text: str) -> str:
    """Text between quotes of a style sheet: what could end the quotes or the sheet stands as its number."""
    return "".join(
        f"\\{ord(sign):x} " if sign in '"\\<>&' or not sign.isprintable() else sign for sign in text
    )


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("anviltrace.publish"), autoescape=True, undefined=StrictUndefined
    )
    environment.filters["css_string"] = css_string
    environment.trim_blocks = environment.lstrip_blocks = True
    return environment
