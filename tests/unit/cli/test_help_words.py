"""What help says: a whole line for every command of a group, and an example that can be typed."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator

import click
import pytest
from click.testing import CliRunner

from anviltrace.cli.main import cli

PLAIN_TERMINAL = 80


def commands(
    group: click.Group, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Every command with the words that call it."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        assert found is not None
        yield (*path, name), found
        if isinstance(found, click.Group):
            yield from commands(found, (*path, name))


EVERY = dict(commands(cli))
SINGLE = {path: command for path, command in EVERY.items() if not isinstance(command, click.Group)}


def examples(command: click.Command) -> list[list[str]]:
    """The words of each example in the help of a command."""
    _, _, text = (command.help or "").partition("Example")
    lines = re.sub(r"\\\n\s*", "", text).splitlines()
    return [shlex.split(line)[1:] for line in lines if line.strip().startswith("anviltrace ")]


@pytest.mark.parametrize("path", [path for path, found in EVERY.items() if isinstance(found, click.Group)])
def test_no_line_of_a_groups_help_is_cut(path: tuple[str, ...]) -> None:
    shown = CliRunner().invoke(cli, [*path, "--help"], terminal_width=PLAIN_TERMINAL, catch_exceptions=False)
    assert "..." not in shown.output.partition("Commands:")[2]


@pytest.mark.parametrize("path", list(SINGLE))
def test_every_command_has_an_example_that_can_be_typed(
    path: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ANVILTRACE_PORT", "virtual://fishplate-held")
    found = examples(SINGLE[path])
    assert found
    for words in found:
        assert tuple(words[: len(path)]) == path
        SINGLE[path].make_context(path[-1], words[len(path) :]).close()
