"""``anviltrace board check``: the proof of a rig before it is calibrated."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from anviltrace.cli.checkwords import describe_check, failed_words, show_check
from anviltrace.cli.options import (
    archive_option,
    bench_option,
    finite,
    gain_option,
    inventory_option,
    json_option,
    plan_settings_option,
    print_json,
    rate_option,
    units_option,
    user_file,
)
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from anviltrace.archive.archive import Archive
    from anviltrace.capture.benchfile import Bench
    from anviltrace.capture.recorder import Progress, Recorder
    from anviltrace.link.session import Session as Link
    from anviltrace.proof.limits import CheckLimits
    from anviltrace.proof.lines import CheckLine
    from anviltrace.proof.session import Checked
    from anviltrace.proof.sizes import Nominal
    from anviltrace.records import Fitting, Run, Session, Settings

USUAL_S = 60.0
TAPS = 5

CAUTIONS = """Pack out of the tool, tool off the rig. Eye protection. No weight on the arm, nobody near it.
Joint slack, nothing on the rig. Hands off while it records."""
_NO_HANDS = "it needs a hand: leave out --yes, at a terminal"
_TOO_SLOW = "no rate of this converter shows how a rig rings, and none measures single blows"


def _nominal(ctx: click.Context, param: click.Parameter, value: str | None) -> Nominal | None:  # noqa: ARG001
    from anviltrace.proof.sizes import Nominal

    if value is None:
        return None
    try:
        output, torque = (float(part) for part in value.split("@"))
        if not (0.0 < output < 1e3 and 0.0 < torque < 1e6):
            raise ValueError
    except ValueError:
        raise click.BadParameter(f"{value!r}: write mV/V@N·m, as in 2.0@500") from None
    return Nominal(output, torque)


@click.command()
@click.option(
    "--port", "port_url", envvar="ANVILTRACE_PORT", show_envvar=True,
    help="Serial port of the board (/dev/ttyACM0), any pyserial URL, or virtual://SCENARIO.",
)  # fmt: skip
@click.option(
    "--seconds", "still_s", type=click.FloatRange(1.0, 3600.0), default=USUAL_S, show_default=True,
    callback=finite, help="How long the rig is recorded at rest; a minute shows the drift.",
)  # fmt: skip
@click.option("--without", type=click.Choice(("polarity", "shunt", "ring")), multiple=True,
              help="Leave this act out: a push, the shunt, the taps. Repeat it for more.")  # fmt: skip
@click.option("--yes", is_flag=True, help="Ask for nothing: what needs a hand is not done.")
@click.option(
    "--shunt", "shunt_name", metavar="NAME", help="Shunt in the weights file, where it has several."
)
@click.option("--fitting", "fitting_name", help="What is fitted for the taps, by its name in the bench file.")
@click.option("--nominal", callback=_nominal, metavar="MV_PER_V@NM",
              help="Sensitivity for torque where no calibration holds yet, as in 2.0@500.")  # fmt: skip
@click.option("--limits", "limits_file", type=user_file, help="TOML file with limits of your own.")
@click.option("--pictures", "folder", type=click.Path(file_okay=False, path_type=Path),
              help="Write spectrum.png and ring-down.png into this folder.")  # fmt: skip
@click.option("--run", "run_id", metavar="ID",
              help="Work out a check in the archive again, without a board; `last`: the newest.")  # fmt: skip
@click.option("--operator", default="", help="Who checks.")
@plan_settings_option
@rate_option
@gain_option
@bench_option
@inventory_option
@archive_option
@units_option
@json_option
def check(
    port_url: str | None,
    still_s: float,
    without: tuple[str, ...],
    yes: bool,
    shunt_name: str | None,
    fitting_name: str | None,
    nominal: Nominal | None,
    limits_file: Path | None,
    folder: Path | None,
    run_id: str | None,
    operator: str,
    plan_file: Path | None,
    rate_hz: float | None,
    gain: int | None,
    bench_file: Path,
    inventory_file: Path,
    archive_path: Path,
    unit: TorqueUnit,
    as_json: bool,
) -> None:
    """Prove that the rig is sound, before you calibrate it.

    Is it quiet, whole, the right way round, and how does it ring? It records the rig at rest for a minute,
    then asks for a push, the shunt and some taps. Each line passes, wants a look, fails, or is not done; what
    cannot be told never passes. Lines: saturation, zero, noise, mains hum, missing or stale codes, rate,
    jitter, lost samples, drift, polarity, shunt, ring-down. All recordings stay in the archive, and --run
    works them out again; the ring-down goes on record with the rig.

    Use the rate and gain of your plan. The rig is described in the bench file ([rig], name and kind are
    enough), the shunt in the weights file. Exit code 12 when a line fails, else 0, looks or not.

    \b
    Limits of your own (--limits FILE; what is left out stays as it is, --json tells them all):
      [limits]
      zero_look_share = 0.10     of full scale; fails at zero_fail_share
      noise_look_bits = 9        noise-free bits of ±2 mV/V; fails below noise_fail_bits
      hum_fail_uv_per_v = 2      drift_look_uv_per_v = 1     (in a minute)

    \b
    Example, on the virtual rig, in the folder that `anviltrace demo` leaves:
      anviltrace board check --port virtual://fishplate-fast --pictures check/
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.plan import settings_wanted
    from anviltrace.proof.limits import CheckLimits, read_limits
    from anviltrace.proof.session import check_runs, find_check, work_out_check

    limits = CheckLimits() if limits_file is None else read_limits(limits_file)
    if run_id is not None:
        with Archive.open(archive_path, read_only=True) as archive:
            runs = check_runs(archive, find_check(archive, "" if run_id == "last" else run_id))
            checked = work_out_check(archive, runs, limits, nominal, unit=unit)
    elif port_url is None:
        raise click.UsageError("--port says which board is to be checked, or --run which check")
    else:
        acts = _Acts(yes, without, shunt_name, inventory_file, fitting_name)
        settings = settings_wanted(plan_file, rate_hz, gain)
        checked = _check(
            port_url, archive_path, bench_file, settings, still_s, acts, limits, nominal, unit, operator
        )
    _tell(checked, limits, folder, as_json)


def _tell(checked: Checked, limits: CheckLimits, folder: Path | None, as_json: bool) -> None:
    from anviltrace.errors import CheckFailedError

    written: list[Path] = []
    if folder is not None:
        from anviltrace.publish.proofpictures import write_pictures

        written = write_pictures(folder, checked)
    facts = describe_check(checked, limits, written)
    print_json(facts) if as_json else show_check(facts)
    if words := failed_words(checked.lines):
        raise CheckFailedError(words)


def _check(
    port_url: str,
    archive_path: Path,
    bench_file: Path,
    wanted: tuple[float | None, int | None],
    still_s: float,
    acts: _Acts,
    limits: CheckLimits,
    nominal: Nominal | None,
    unit: TorqueUnit,
    operator: str,
) -> Checked:
    """Make a check: record everything, then work it out from the archive as --run does."""
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.cli.capture import open_session
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link
    from anviltrace.proof.session import check_runs, work_out_check

    bench = read_bench(bench_file)
    with Archive.open(archive_path, create=True) as archive, Link(open_port(port_url)) as link:
        settings = link.configure(*wanted)
        session = open_session(archive, link, bench, settings, operator)
        try:
            still, jitter_s = _rest(archive, link, settings, session, still_s, acts)
            acts.do_all(archive, link, settings, session, bench)
        finally:
            archive.end_session(session.id)
        runs = check_runs(archive, still)
        return work_out_check(archive, runs, limits, nominal, jitter_s, acts.left_out, unit)


def _rest(
    archive: Archive, link: Link, settings: Settings, session: Session, still_s: float, acts: _Acts
) -> tuple[Run, float | None]:
    from anviltrace.proof.session import record_still

    click.echo(f"{link.identity.converter}, {settings.rate_hz:g} S/s, gain {settings.gain}", err=True)
    if acts.by_person(link):
        click.echo(CAUTIONS, err=True)
        acts.ask("Rig at rest, hands off, then press Enter")
    click.echo(f"hands off: recording {still_s:g} s at rest", err=True)
    with _recorder(archive, link, settings, session, still_s) as recorder:
        return record_still(recorder, still_s)


@contextmanager
def _recorder(
    archive: Archive, link: Link, settings: Settings, session: Session, still_s: float
) -> Iterator[Recorder]:
    """A recorder with a bar on stderr."""
    from anviltrace.capture.recorder import Recorder
    from anviltrace.cli.progress import progress

    with progress("recording") as advance:
        total = round(still_s * settings.rate_hz)

        def watch(how: Progress) -> None:
            advance(min(total, how.samples), total)

        yield Recorder(link, archive, settings, session.id, watch)


class _Acts:
    """The acts that need a hand: a person's, or the virtual operator's; ``left_out`` says why not."""

    def __init__(
        self,
        yes: bool,
        without: tuple[str, ...],
        shunt_name: str | None,
        inventory_file: Path,
        fitting_name: str | None,
    ) -> None:
        self._yes, self._shunt_name = yes, shunt_name
        self._inventory_file, self._fitting_name = inventory_file, fitting_name
        self._without = without
        self.left_out: dict[str, CheckLine] = {}

    def by_person(self, link: Link) -> bool:
        """Whether a person is at the rig, to be told things."""
        return getattr(link.port, "operator", None) is None

    def ask(self, text: str) -> None:
        """Ask a person, where one may be asked."""
        if self._may_ask:
            click.prompt(text, default="", show_default=False, prompt_suffix=". ", err=True)

    @property
    def _may_ask(self) -> bool:
        return not self._yes and sys.stdin.isatty()

    def do_all(
        self, archive: Archive, link: Link, settings: Settings, session: Session, bench: Bench
    ) -> None:
        """Do each act; one that cannot be done is left out with the reason, the others go on.

        Raises what ends the conversation with the board (TalkError), and Ctrl-C.
        """
        from anviltrace.proof.lines import not_done
        from anviltrace.proof.session import ACTS

        self.left_out = {name: not_done(name, "left out by --without") for name in self._without}
        if self.by_person(link) and not self._may_ask:
            self.left_out = {name: not_done(name, _NO_HANDS) for name in ACTS} | self.left_out
        fitting = None if self._fitting_name is None else bench.fitting(self._fitting_name)
        acts: dict[str, Callable[[], None]] = {
            "polarity": lambda: self._push(archive, link, settings, session),
            "shunt": lambda: self._shunt(archive, link, settings, session),
            "ring": lambda: self._taps(archive, link, session, fitting),
        }
        for name, act in acts.items():
            if name not in self.left_out:
                self._try(name, act)

    def _try(self, name: str, act: Callable[[], None]) -> None:
        from anviltrace.errors import CalibrationError, PlanError, RecordError
        from anviltrace.proof.lines import came_to_nothing, not_done

        try:
            act()
        except PlanError as error:
            self.left_out[name] = not_done(name, str(error))
        except (CalibrationError, RecordError) as error:
            click.echo(f"{name}: {error}", err=True)
            self.left_out[name] = came_to_nothing(name, str(error))

    def _push(self, archive: Archive, link: Link, settings: Settings, session: Session) -> None:
        from anviltrace.cli.hands import OperatorPush, PersonPush
        from anviltrace.proof.session import PUSH_S, PUSHED

        operator = getattr(link.port, "operator", None)
        hand: OperatorPush | PersonPush = PersonPush() if operator is None else OperatorPush(operator)
        hand.push()
        try:
            with _recorder(archive, link, settings, session, PUSH_S) as recorder:
                recorder.still(PUSH_S, PUSHED)
        finally:
            hand.let_go()

    def _shunt(self, archive: Archive, link: Link, settings: Settings, session: Session) -> None:
        from anviltrace.calibration.inventory import read_inventory
        from anviltrace.cli.shunttaker import ShuntTaker, choose_shunt
        from anviltrace.errors import PlanError

        if not self._inventory_file.exists() and self._shunt_name is None:
            raise PlanError(f"no weights file {self._inventory_file}, so no [[shunt]] is described")
        inventory = read_inventory(self._inventory_file)
        chosen = choose_shunt(inventory, self._shunt_name, "--shunt")
        if chosen is None:
            raise PlanError(f"{self._inventory_file} describes no [[shunt]]")
        ShuntTaker(archive, link, session, settings, chosen, inventory.gate).take("board check")

    def _taps(self, archive: Archive, link: Link, session: Session, fitting: Fitting | None) -> None:
        from anviltrace.cli.tap import record_one
        from anviltrace.errors import PlanError
        from anviltrace.trace.sampling import LEAST_RATE_HZ

        fastest_hz = link.identity.fastest_hz
        if fastest_hz < LEAST_RATE_HZ:
            raise PlanError(_TOO_SLOW)
        settings = link.configure(fastest_hz)
        archive.put(settings)
        record_one(archive, link, settings, session.id, fitting, TAPS, "board check")
