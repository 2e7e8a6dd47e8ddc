"""The person at the virtual bench. Nothing here is known to the board or the recording.

Every action is checked at once against what has been ordered so far, raises VirtualRigError when it
cannot be done, and takes effect at the next rendered value; while the board idles its time follows the
wall, and an action happens in the world as long before the next value as it was on the wall. Any thread
may act.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, TypeVar

from anviltrace.errors import VirtualRigError
from anviltrace.records import RigKind, Rotation
from anviltrace.virtual.lever import hanging_force_n, hanging_torque_nm
from anviltrace.virtual.supply import SupplyState

if TYPE_CHECKING:
    from anviltrace.virtual.bench import Bench

Thing = TypeVar("Thing")

_LONGEST_WAIT_S = 3600.0
_PUSH_NM = 12.0
"""What a hand on a short bar makes."""


class Operator:
    """Hands for a bench. ``on_unplug`` is set by whoever owns the board's process."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._arm: str | None = None
        self._side = Rotation.CW
        self._hanging: list[str] = []
        self._tool: str | None = None
        self._supply: str | None = None
        self._driving = False
        self._shunt: str | None = None
        self._push_nm = 0.0
        self._supplies: dict[str, SupplyState] = {}
        self.on_unplug: Callable[[], None] | None = None

    @property
    def hanging(self) -> tuple[str, ...]:
        """Names of the weights that hang, in the order they were hung."""
        return tuple(self._hanging)

    def fit_arm(self, arm_name: str, rotation: Rotation = Rotation.CW) -> None:
        """Put a lever arm on the transducer so that weights on it turn it by ``rotation``."""
        with self._bench.lock:
            self._refuse_tool("fit an arm")
            self._refuse_weights("fit another arm")
            self._refuse_tight_joint("fit an arm")
            _find("arm", arm_name, self._bench.scenario.arms)
            self._arm, self._side = arm_name, Rotation(rotation)
            self._mount("fit arm", arm=arm_name, rotation=self._side.value)

    def hang(self, mass_name: str, arm_name: str | None = None, rotation: Rotation | None = None) -> None:
        """Lower a weight onto the arm; an arm that is not on yet is fitted first.

        ``arm_name`` may be left out when the bench has one arm or one is on; ``rotation`` defaults to the
        side the arm is on, or clockwise.
        """
        with self._bench.lock:
            self._refuse_tool(f"hang {mass_name!r}")
            _find("mass", mass_name, self._bench.scenario.masses)
            if mass_name in self._hanging:
                raise VirtualRigError(f"{mass_name!r} hangs already; each mass is there once: use another")
            arm, side = self._arm_for(arm_name), self._side if rotation is None else Rotation(rotation)
            if (arm, side) != (self._arm, self._side):
                self.fit_arm(arm, side)
            self._refuse_tight_joint(f"hang {mass_name!r}")
            before_nm, _ = self._load()
            self._hanging.append(mass_name)
            torque_nm, force_n = self._load()
            self._bench.order(
                "hang",
                lambda at_s: self._bench.load(torque_nm, force_n, torque_nm - before_nm, at_s),
                mass=mass_name, arm=arm, torque_nm=torque_nm,
            )  # fmt: skip

    def unhang(self, mass_name: str) -> None:
        """Take one weight off; the others and the arm stay on."""
        with self._bench.lock:
            if mass_name not in self._hanging:
                raise VirtualRigError(f"{mass_name!r} does not hang, so it cannot be taken off; hang it")
            self._hanging.remove(mass_name)
            torque_nm, force_n = self._load()
            self._bench.order(
                "unhang",
                lambda at_s: self._bench.load(torque_nm, force_n, 0.0, at_s),
                mass=mass_name, torque_nm=torque_nm,
            )  # fmt: skip

    def unhang_all(self) -> None:
        """Take all weights off; the arm stays on. Nothing happens when none hangs."""
        with self._bench.lock:
            if not self._hanging:
                return
            self._hanging.clear()
            torque_nm, force_n = self._load()
            self._bench.order(
                "unhang all",
                lambda at_s: self._bench.load(torque_nm, force_n, 0.0, at_s),
                torque_nm=torque_nm,
            )

    def lay_shunt(self, shunt_name: str) -> None:
        """Lay a resistor across one arm of the bridge, whatever else is on the rig."""
        with self._bench.lock:
            self._refuse_driving("lay on a shunt")
            if self._shunt is not None:
                raise VirtualRigError(f"{self._shunt!r} lies on the bridge already; take it off first")
            scenario = self._bench.scenario
            _find("shunt", shunt_name, scenario.shunts)
            self._shunt = shunt_name
            mv_per_v = scenario.shunts[shunt_name].mv_per_v(scenario.transducer.bridge_ohm)
            self._bench.order("lay shunt", lambda _: self._bench.shunt(mv_per_v), shunt=shunt_name)

    def take_off_shunt(self) -> None:
        """Take the resistor off the bridge."""
        with self._bench.lock:
            if self._shunt is None:
                raise VirtualRigError(
                    "no shunt lies on the bridge, so none can be taken off; lay one on first"
                )
            shunt, self._shunt = self._shunt, None
            self._bench.order("take off shunt", lambda _: self._bench.shunt(0.0), shunt=shunt)

    def remount(self) -> None:
        """Take the arm or tool off and put it back turned to another position."""
        with self._bench.lock:
            self._refuse_driving("remount")
            self._refuse_weights("remount")
            if self._arm is None and self._tool is None:
                raise VirtualRigError("nothing is mounted; fit an arm or seat a tool first")
            self._mount("remount")

    def seat(self, tool_name: str, supply_name: str) -> None:
        """Put a tool with its supply onto the joint; an arm is taken off first."""
        with self._bench.lock:
            if self._tool is not None:
                raise VirtualRigError(f"{self._tool!r} is seated; unseat it before seating {tool_name!r}")
            self._refuse_weights(f"seat {tool_name!r}")
            _find("tool", tool_name, self._bench.scenario.tools)
            _find("supply", supply_name, self._bench.scenario.supplies)
            self._arm, self._tool, self._supply = None, tool_name, supply_name
            torque_nm, force_n = self._load()
            state = self._supply_state(supply_name)
            self._bench.order(
                "seat", lambda at_s: self._bench.seat(force_n, torque_nm, state, at_s),
                tool=tool_name, supply=supply_name,
            )  # fmt: skip

    def drive(self, rotation: Rotation) -> None:
        """Pull the trigger and hold it."""
        with self._bench.lock:
            if self._tool is None or self._supply is None:
                raise VirtualRigError("no tool is seated, so none can be driven; seat one first")
            self._refuse_driving("drive again")
            self._driving = True
            tool, supply = self._bench.scenario.tools[self._tool], self._supply_state(self._supply)
            turn = Rotation(rotation)
            self._bench.order(
                "drive",
                lambda at_s: self._bench.pull_trigger(tool, supply, turn, at_s),
                tool=self._tool, supply=self._supply, rotation=turn.value,
            )  # fmt: skip

    def tap(self) -> None:
        """Tap the socket end with a light hammer, so that the transducer rings."""
        with self._bench.lock:
            self._refuse_tool("tap the socket end")
            self._refuse_weights("tap the socket end")
            self._bench.order("tap", self._bench.tap)

    def push(self, rotation: Rotation) -> None:
        """Push the socket end by hand, as far as a hand goes, and hold it."""
        self._push(Rotation(rotation).sign * _PUSH_NM, "push")

    def stop_pushing(self) -> None:
        """Take the hand off."""
        self._push(0.0, "stop pushing")

    def _push(self, push_nm: float, kind: str) -> None:
        with self._bench.lock:
            self._refuse_tool("push the socket end by hand")
            self._push_nm = push_nm
            torque_nm, force_n = self._load()
            self._bench.order(kind, lambda at_s: self._bench.load(torque_nm, force_n, 0.0, at_s))

    def let_pass(self, wait_s: float) -> None:
        """Wait, without anyone's time being lost: the world gains ``wait_s`` on the wall.

        Only while the board idles: between two values of a recording it would be a leap.
        """
        if not 0.0 <= wait_s <= _LONGEST_WAIT_S:
            raise VirtualRigError(f"cannot wait {wait_s:g} s; wait 0 to {_LONGEST_WAIT_S:g} s at a time")
        with self._bench.lock:
            self._bench.run_ahead(wait_s)

    def release(self) -> None:
        """Let the trigger go."""
        with self._bench.lock:
            if not self._driving:
                raise VirtualRigError("the tool is not driving, so it cannot be released; drive it first")
            self._driving = False
            self._bench.order("release", self._bench.let_go)

    def change_supply(self, supply_name: str) -> None:
        """Give the seated tool another supply."""
        with self._bench.lock:
            if self._tool is None:
                raise VirtualRigError(f"no tool is seated to take {supply_name!r}; seat one first")
            self._refuse_driving("change the supply")
            _find("supply", supply_name, self._bench.scenario.supplies)
            self._supply = supply_name
            state = self._supply_state(supply_name)
            self._bench.order(
                "change supply", lambda at_s: self._bench.surroundings.connect(state, 0.0, at_s),
                supply=supply_name,
            )  # fmt: skip

    def slacken(self) -> None:
        """Loosen the joint by hand until it is slack; nothing to do on a fixed rig."""
        with self._bench.lock:
            self._refuse_driving("slacken the joint")
            if self._bench.scenario.joint.kind is RigKind.FIXED:
                return
            self._refuse_weights("slacken the joint")
            self._bench.order_slack()
            self._bench.order("slacken", self._bench.slacken)

    def unseat(self) -> None:
        """Take the tool off."""
        with self._bench.lock:
            if self._tool is None:
                raise VirtualRigError("no tool is seated, so none can be taken off")
            self._refuse_driving("take the tool off")
            tool, self._tool, self._supply = self._tool, None, None
            self._bench.order("unseat", self._bench.bare, tool=tool)

    def unplug(self) -> None:
        """Pull the board's cable."""
        if self.on_unplug is None:
            raise VirtualRigError("this bench has no board whose cable could be pulled; open it as a port")
        self.on_unplug()

    def _mount(self, kind: str, **details: str | float) -> None:
        torque_nm, force_n = self._load()
        self._bench.order(kind, lambda at_s: self._bench.remount(force_n, torque_nm, at_s), **details)

    def _load(self) -> tuple[float, float]:
        """Torque of arm and weights, clockwise positive, and side force of weights or tool."""
        scenario = self._bench.scenario
        if self._tool is not None:
            return 0.0, scenario.tools[self._tool].side_force_n
        if self._arm is None:
            return self._push_nm, 0.0
        masses = [scenario.masses[name] for name in self._hanging]
        torque_nm = hanging_torque_nm(masses, scenario.arms[self._arm], scenario.site)
        return self._side.sign * torque_nm + self._push_nm, hanging_force_n(masses, scenario.site)

    def _arm_for(self, arm_name: str | None) -> str:
        arms = self._bench.scenario.arms
        if arm_name is None and self._arm is not None:
            return self._arm
        if arm_name is None and len(arms) == 1:
            return next(iter(arms))
        if arm_name is None:
            raise VirtualRigError(f"no arm is on; name one of: {', '.join(sorted(arms)) or 'none there'}")
        _find("arm", arm_name, arms)
        return arm_name

    def _supply_state(self, supply_name: str) -> SupplyState:
        """A supply keeps what was drawn from it, whichever tool it feeds."""
        if supply_name not in self._supplies:
            self._supplies[supply_name] = SupplyState(self._bench.scenario.supplies[supply_name])
        return self._supplies[supply_name]

    def _refuse_tool(self, action: str) -> None:
        if self._tool is not None:
            raise VirtualRigError(f"cannot {action} while {self._tool!r} is seated; unseat it first")

    def _refuse_driving(self, action: str) -> None:
        if self._driving:
            raise VirtualRigError(f"cannot {action} while {self._tool!r} is driving; release it first")

    def _refuse_weights(self, action: str) -> None:
        if self._hanging:
            hanging = ", ".join(self._hanging)
            raise VirtualRigError(f"cannot {action} while weights hang ({hanging}); take them off first")

    def _refuse_tight_joint(self, action: str) -> None:
        """On a held rig the weights would act on a stud that already carries torque."""
        retained_nm = self._bench.retained_nm
        if self._bench.scenario.joint.kind is RigKind.HELD and retained_nm > 0.0:
            raise VirtualRigError(
                f"cannot {action} while the joint holds {retained_nm:.0f} N·m; slacken it first"
            )


def _find(sort: str, name: str, things: Mapping[str, Thing]) -> Thing:
    if name not in things:
        there = ", ".join(sorted(things)) or "none"
        raise VirtualRigError(f"unknown {sort} {name!r}; this bench has: {there}")
    return things[name]
