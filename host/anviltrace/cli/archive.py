"""``anviltrace archive``: look into an archive, prove that it is whole, hand it over."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import add_words, columns_that_fit, more_columns, print_table
from anviltrace.cli.options import archive_option, json_option, note_option, print_json
from anviltrace.cli.progress import Advance, progress
from anviltrace.errors import DamageError
from anviltrace.records import RunKind, RunState, readable_time

if TYPE_CHECKING:
    from rich.table import Table

    from anviltrace.archive import Archive, Finding
    from anviltrace.archive.verify import Progress
    from anviltrace.records import Run

SHORT_ID = 8
"""Digits of an id shown in tables, more if that many do not tell all runs apart."""


@click.group()
def archive() -> None:
    """Look into an archive, prove that it is whole, hand it over.

    An archive is one file that keeps the raw counts of every run for ever, with the rig, tool, plan and
    settings they belong to. While it is in use there are files named -wal, -shm and -lock beside it; they
    belong to it, so never copy or move the file by hand: use `anviltrace archive copy`.

    None of these commands but upgrade and rate changes the archive, and all of them work while a run is being
    recorded, except copy.
    """


@archive.command("list")
@archive_option
@click.option("--tool", metavar="NAME", help="Only runs of the tool with this name.")
@click.option("--plan", metavar="NAME", help="Only runs of the plan with this name.")
@click.option("--kind", type=click.Choice([kind.value for kind in RunKind]), help="Only runs of this kind.")
@click.option("--state", type=click.Choice([state.value for state in RunState]), help="Only in this state.")
@json_option
def list_runs(
    archive_path: Path, tool: str | None, plan: str | None, kind: str | None, state: str | None, as_json: bool
) -> None:
    """List the runs, oldest first.

    The first column is enough of a run's id to name it in other commands. Verdict is the last decision
    about the run; a discarded run keeps its data. Lost counts samples that lie in recorded gaps.

    \b
    Example:
      anviltrace archive list --archive demo/bench.anviltrace --kind measurement --tool Ostrelby
    """
    from anviltrace.archive import Archive

    wanted = {"tool": tool, "plan": plan, "kind": kind, "state": state}
    with Archive.open(archive_path, read_only=True) as opened:
        every_line = _run_lines(opened)
    lines = [line for line in every_line if _is_wanted(line, wanted)]
    if as_json:
        print_json(lines)
    elif lines:
        _print_runs(lines, _digits_needed([line["id"] for line in every_line]))
    else:
        click.echo("No such run: leave out a filter, or record one with `anviltrace capture`.", err=True)


@archive.command()
@archive_option
@click.argument("run")
@json_option
def show(archive_path: Path, run: str, as_json: bool) -> None:
    """Show everything that is known about RUN.

    RUN is the id of a run, or its beginning as far as it is the only one to begin so. Indices count the
    samples of the converter from the start of the run, lost ones included. The zeros shown are those taken
    in the run and the nearest ones of its session before and after it. The counts themselves are not
    printed.

    \b
    Example:
      anviltrace archive show 3f21
    """
    from anviltrace.archive import Archive

    with Archive.open(archive_path, read_only=True) as opened:
        facts = _everything_about(opened, opened.find_run(run))
    if as_json:
        print_json(facts)
    else:
        _print_facts(facts)


@archive.command()
@archive_option
@click.argument("runs", metavar="[RUN]...", nargs=-1)
@json_option
def verify(archive_path: Path, runs: tuple[str, ...], as_json: bool) -> None:
    """Prove that RUNs are as they were recorded.

    All of them if none is named. Checks every chunk of samples against its checksum and its count, the sample
    indices for overlaps and for holes that no recorded gap explains, the totals the board stated, the seal of
    each run (a sha256 over all counts and gaps), its side channels likewise, and the file itself. Ends with
    exit code 7 when something is damaged.

    \b
    Example:
      anviltrace archive verify --archive demo/bench.anviltrace
    """
    from anviltrace.archive import Archive

    with Archive.open(archive_path, read_only=True) as opened, progress("verifying") as advance:
        run_ids = [opened.find_run(run).id for run in runs] or [run.id for run in _all_runs(opened)]
        findings = opened.verify(run_ids, _per_run(advance))
    _report(archive_path, len(run_ids), findings, as_json, {})


@archive.command()
@archive_option
@click.argument("target", type=click.Path(dir_okay=False, path_type=Path))
@json_option
def copy(archive_path: Path, target: Path, as_json: bool) -> None:
    """Copy the archive to TARGET, one clean file to give away.

    The copy is verified. TARGET must not exist yet. Copying waits for no run: while one is being recorded it
    is refused. Ends with exit code 7 when the copy shows damage; it was then in the archive already, and the
    copy is kept.

    \b
    Example:
      anviltrace archive copy handover.anviltrace --archive demo/bench.anviltrace
    """
    from anviltrace.archive import Archive

    with Archive.open(archive_path, read_only=True) as opened, progress("verifying the copy") as advance:
        findings = opened.hand_over(target, _per_run(advance))
        runs = len(_all_runs(opened))
    size = {"target": str(target), "size_bytes": target.stat().st_size}
    _report(target, runs, findings, as_json, size)


@archive.command()
@archive_option
@click.argument("run")
@click.argument("score", type=click.IntRange(1, 10))
@click.option("--by", required=True, help="Who held the tool.")
@note_option
@json_option
def rate(archive_path: Path, run: str, score: int, by: str, note: str, as_json: bool) -> None:
    """Note how hard RUN was to hold: SCORE from 1 to 10.

    As the one who held the tool felt it: 1 is not at all, 10 is as much as one can hold. It is an opinion and
    is shown as such, apart from all that was measured: the acceleration and the turning of the handle stand
    among the metrics where they were recorded. Ratings are added, never changed; any number of people may
    rate a run.

    \b
    Example:
      anviltrace archive rate 3f21 6 --by "N. Vale"
    """
    from anviltrace.archive import Archive
    from anviltrace.records import Rating, new_id

    with Archive.open(archive_path) as opened:
        rating = Rating(new_id(), opened.find_run(run).id, score, by, note=note)
        opened.put(rating)
    if as_json:
        print_json(asdict(rating))
    else:
        click.echo(f"Run {rating.run_id[:SHORT_ID]}: {by} felt {score} of 10.")


@archive.command()
@archive_option
@json_option
def upgrade(archive_path: Path, as_json: bool) -> None:
    """Bring an archive of an older version up to date.

    The raw counts stay as they are. It is done without asking whenever such an archive is opened for
    recording; to be safe, take a copy of the file first, while nothing uses it.

    \b
    Example:
      anviltrace archive upgrade --archive bench.anviltrace
    """
    from anviltrace.archive import Archive, migrations

    with Archive.open(archive_path) as opened:
        runs = len(_all_runs(opened))
    done = {"archive": str(archive_path), "schema": migrations.current_version(), "runs": runs}
    print_json(done) if as_json else click.echo(f"{archive_path} is up to date (schema {done['schema']}).")


def _all_runs(opened: Archive) -> list[Run]:
    from anviltrace.records import Run

    return opened.all(Run)


def _run_lines(opened: Archive) -> list[dict[str, Any]]:
    """One line of the list per run, as plain data with units in the names."""
    from anviltrace.records import Decision, Gap, Plan, Settings, Tool

    tools = {tool.id: tool.name for tool in opened.all(Tool)}
    plans = {plan.id: plan.name for plan in opened.all(Plan)}
    rates = {settings.id: settings.rate_hz for settings in opened.all(Settings)}
    verdicts = {decision.run_id: decision.verdict for decision in opened.all(Decision)}
    lost: dict[str, int] = {}
    for gap in opened.all(Gap):
        lost[gap.run_id] = lost.get(gap.run_id, 0) + gap.count
    return [
        {
            "id": run.id,
            "started_at": run.started_at,
            "kind": run.kind,
            "tool": tools.get(run.tool_id or ""),
            "plan": plans.get(run.plan_id or ""),
            "repeat": run.repeat,
            "state": run.state,
            "verdict": verdicts.get(run.id),
            "length_s": (run.samples + lost.get(run.id, 0)) / (run.rate_hz or rates[run.settings_id]),
            "rate_hz": run.rate_hz or rates[run.settings_id],
            "samples": run.samples,
            "lost_samples": lost.get(run.id, 0),
        }
        for run in _all_runs(opened)
    ]


def _is_wanted(line: dict[str, Any], wanted: dict[str, str | None]) -> bool:
    return all(
        value is None or (line[name] or "").casefold() == value.casefold() for name, value in wanted.items()
    )


def _digits_needed(ids: list[str]) -> int:
    """How many digits of the ids are enough to tell them apart, at least ``SHORT_ID``."""
    digits = SHORT_ID
    while len({run_id[:digits] for run_id in ids}) < len(ids):
        digits += 1
    return digits


def _print_runs(lines: list[dict[str, Any]], digits: int) -> None:
    """The runs in a table, with as many of the less important columns as the terminal has room for."""
    extra = columns_that_fit(_EXTRA, lambda names: _table(lines, digits, names), folded=True)
    print_table(_table(lines, digits, extra))
    if len(extra) < len(_EXTRA):
        click.echo(more_columns(len(_EXTRA) - len(extra)), err=True)


_EXTRA = ("lost\nsamples", "repeat", "length\ns", "rate\nsamples/s")
"""Columns that may be left out, the last ones first."""


def _table(lines: list[dict[str, Any]], digits: int, extra: Sequence[str]) -> Table:
    """Names of tools and plans may take several lines, nothing else is broken or cut."""
    from rich.table import Table

    table = Table(box=None, header_style="bold", padding=(0, 2, 0, 0))
    for heading in ("run", "started (UTC)", "kind"):
        table.add_column(heading, no_wrap=True)
    for name in ("tool", "plan"):
        add_words(table, name, [line[name] for line in lines])
    for heading in ("state", "verdict"):
        table.add_column(heading, no_wrap=True)
    for heading in extra:
        table.add_column(heading, justify="right", no_wrap=True)
    for line in lines:
        cells = _extra_cells(line)
        table.add_row(line["id"][:digits], *_cells(line), *(cells[heading] for heading in extra))
    return table


def _cells(line: dict[str, Any]) -> list[str]:
    names = ("kind", "tool", "plan", "state", "verdict")
    return [readable_time(line["started_at"]), *(line[name] or "" for name in names)]


def _extra_cells(line: dict[str, Any]) -> dict[str, str]:
    repeat = "" if line["repeat"] is None else str(line["repeat"])
    shown = (str(line["lost_samples"]), repeat, f"{line['length_s']:.2f}", f"{line['rate_hz']:.1f}")
    return dict(zip(_EXTRA, shown, strict=True))


def _everything_about(opened: Archive, run: Run) -> dict[str, Any]:
    """Every record that has to do with a run, as plain data."""
    from anviltrace import records

    session = opened.get(records.Session, run.session_id)
    one: dict[str, Any] = {
        "run": run,
        "tool": opened.get(records.Tool, run.tool_id) if run.tool_id else None,
        "supply": opened.get(records.Supply, run.supply_id) if run.supply_id else None,
        "fitting": opened.get(records.Fitting, run.fitting_id) if run.fitting_id else None,
        "plan": opened.get(records.Plan, run.plan_id) if run.plan_id else None,
        "settings": opened.get(records.Settings, run.settings_id),
        "session": session,
        "rig": opened.get(records.Rig, session.rig_id),
        "board": opened.get(records.Board, session.board_id),
    }
    many: dict[str, list[Any]] = {
        "zeros": _zeros_around(opened, run),
        "gaps": opened.gaps(run.id),
        "notices": opened.notices(run.id),
        "decisions": opened.decisions(run.id),
        "ring-downs": opened.all(records.RingDown, run_id=run.id),
        "side channels": opened.sides(run.id),
        "ratings": opened.all(records.Rating, run_id=run.id),
    }
    return {name: record and _plain(record) for name, record in one.items()} | {
        name: [_plain(record) for record in found] for name, found in many.items()
    }


def _zeros_around(opened: Archive, run: Run) -> list[Any]:
    """Zeros taken in a run, and the nearest of its session before and after it, in order of time."""
    from anviltrace.records import Zero

    zeros = opened.all(Zero, session_id=run.session_id)
    before = [zero for zero in zeros if zero.run_id != run.id and zero.taken_at <= run.started_at]
    after = [zero for zero in zeros if zero.run_id != run.id and zero.taken_at > run.started_at]
    return before[-1:] + [zero for zero in zeros if zero.run_id == run.id] + after[:1]


def _plain(record: Any) -> dict[str, Any]:
    return {
        name: value.hex() if isinstance(value, bytes) else value for name, value in asdict(record).items()
    }


UNITS = {
    "s": "s",
    "hz": "samples/s",
    "kg": "kg",
    "mm": "mm",
    "v": "V",
    "ah": "Ah",
    "counts": "counts",
    "nm": "N·m",
}
"""Unit of a field by the end of its name."""


def _label(name: str) -> str:
    """The name of a field in words, with its unit: ``mass_kg`` becomes ``mass, kg``."""
    stem, _, end = name.rpartition("_")
    return f"{stem.replace('_', ' ')}, {UNITS[end]}" if stem and end in UNITS else name.replace("_", " ")


def _print_facts(facts: dict[str, Any]) -> None:
    """One block per record, one line per field that says something, one line per zero, gap and so on."""
    for name, found in facts.items():
        if isinstance(found, list):
            click.secho(f"{name}: {len(found) or 'none'}", bold=True)
            for record in found:
                click.echo(f"  {_printable(_SENTENCES[name](record))}")
        elif found:
            click.secho(f"{name} {found['id']}", bold=True)
            _print_fields({key: value for key, value in found.items() if key not in _LEFT_OUT})
        click.echo()


_LEFT_OUT = (
    *(
        "id",
        "session_id",
        "settings_id",
        "plan_id",
        "tool_id",
        "supply_id",
        "fitting_id",
        "rig_id",
        "board_id",
    ),
    "text",
)
"""Fields shown only with --json: ids of records that have a block of their own, and the text of a plan."""


def _print_fields(fields: dict[str, Any]) -> None:
    said = {name: value for name, value in fields.items() if value not in (None, "")}
    labels = {name: _label(name) for name in said}
    if "scale_kind" in said:
        labels["full_scale"] = f"full scale, {said['scale_kind']}"
    width = max(map(len, labels.values()))
    for name, value in said.items():
        click.echo(f"  {labels[name]:<{width}}  {_printable(_readable(name, value))}")


def _readable(name: str, value: Any) -> str:
    if name.endswith("_at"):
        return f"{readable_time(value)} UTC"
    if isinstance(value, tuple):
        return ", ".join(str(item) for item in value) or "none"
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def _zero_sentence(zero: dict[str, Any]) -> str:
    return (
        f"{readable_time(zero['taken_at'])} UTC, joint {zero['joint_state']}: mean "
        f"{zero['mean_counts']:.2f} counts, standard deviation {zero['sd_counts']:.2f} counts of "
        f"{zero['samples']} samples, run {zero['run_id']}"
    )


def _gap_sentence(gap: dict[str, Any]) -> str:
    last = gap["first_index"] + gap["count"] - 1
    exactness = f"±{gap['uncertainty']}" if gap["uncertainty"] else "exactly"
    return f"samples {gap['first_index']} to {last}: {gap['count']} ({exactness}) lost by the {gap['cause']}"


def _notice_sentence(notice: dict[str, Any]) -> str:
    when = f"{readable_time(notice['at'])} UTC, sample {notice['at_index']}"
    return f"{when}, {notice['kind']}: {notice['text'].strip()}"


def _decision_sentence(decision: dict[str, Any]) -> str:
    by = f" ({decision['by']})" if decision["by"] else ""
    why = f": {decision['reason']}" if decision["reason"] else ""
    return f"{readable_time(decision['at'])} UTC, {decision['verdict']}{why}{by}"


def _side_sentence(side: dict[str, Any]) -> str:
    source = f" from {side['file_name']}" if side["file_name"] else ""
    sensor = f", {side['sensor']}" if side["sensor"] else ""
    return (
        f"{side['quantity']} in {side['unit']}{source}{sensor}: {side['samples']} samples at "
        f"{side['rate_hz']:.6g} samples/s, from {side['start_s']:.4f} s on; added "
        f"{readable_time(side['added_at'])} UTC"
    )


def _rating_sentence(rating: dict[str, Any]) -> str:
    note = f": {rating['note']}" if rating["note"] else ""
    return (
        f"{readable_time(rating['at'])} UTC, {rating['by']} felt {rating['score']} of 10 (an opinion){note}"
    )


def _ring_sentence(made: dict[str, Any]) -> str:
    return (
        f"natural frequency {made['natural_hz']:.1f} Hz (standard uncertainty "
        f"{made['natural_u_hz']:.2g} Hz), damping {100.0 * made['damping_ratio']:.3g} % of critical "
        f"({100.0 * made['damping_u']:.2g} %), from {made['taps']} taps"
    )


_SENTENCES: dict[str, Callable[[dict[str, Any]], str]] = {
    "zeros": _zero_sentence,
    "gaps": _gap_sentence,
    "notices": _notice_sentence,
    "decisions": _decision_sentence,
    "ring-downs": _ring_sentence,
    "side channels": _side_sentence,
    "ratings": _rating_sentence,
}


def _printable(text: str) -> str:
    """Text as it can be sent to a terminal: what a board sent may hold anything."""
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in text)


def _report(path: Path, runs: int, findings: list[Finding], as_json: bool, more: dict[str, Any]) -> None:
    """Print what a verification found; damage becomes the error that ends the command with its exit code."""
    if as_json:
        print_json(
            {"archive": str(path), "runs": runs, "findings": [asdict(found) for found in findings]} | more
        )
    for found in [] if as_json else findings:
        subject = f"run {found.run_id}" if found.run_id else "file"
        click.echo(f"{subject}, {found.where}: {found.what}; {found.advice}")
    if findings:
        raise DamageError(f"{path}: {len(findings)} finding(s) in {runs} run(s): nothing was changed")
    if not as_json:
        click.echo(f"{path}: {runs} run(s) verified, everything is as it was recorded")


def _per_run(advance: Advance) -> Progress:
    """The archive also says which run it is at; the bar does not show it."""
    return lambda done, total, run: advance(done, total)  # noqa: ARG005
