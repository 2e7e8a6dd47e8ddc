"""What is to be calibrated, with what, in which course."""

from __future__ import annotations

from dataclasses import dataclass

from anviltrace.calibration.course import Outline
from anviltrace.calibration.inventory import Inventory, site_fields
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.procedure import Setup, outline_of
from anviltrace.records import Arm, Calibration, Settings, new_id, now_utc


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is to be calibrated, with what. ``sign`` is +1 for clockwise torque.

    The course is the short one unless ``outline`` says otherwise; its loads are those of the inventory.
    """

    session_id: str
    settings: Settings
    inventory: Inventory
    arm: Arm
    sign: int
    linear_to_nm: float | None = None
    software_version: str = ""
    note: str = ""
    outline: Outline | None = None

    @property
    def lever(self) -> Lever:
        """The arm at its site."""
        return Lever(self.arm, self.inventory.site)

    @property
    def setup(self) -> Setup:
        """What the procedure needs to know."""
        inventory = self.inventory
        return Setup(
            lever=self.lever,
            arm=self.arm,
            sign=self.sign,
            ladder=inventory.ladder,
            outline=self.outline or outline_of(inventory.ladder),
            preload=inventory.preload,
            manner=inventory.manner,
        )

    def record(self) -> Calibration:
        """A new calibration record of this task, taken now."""
        return Calibration(
            id=new_id(),
            session_id=self.session_id,
            settings_id=self.settings.id,
            arm_id=self.arm.id,
            sign=self.sign,
            taken_at=now_utc(),
            **site_fields(self.inventory.site),
            linear_to_nm=self.linear_to_nm,
            software_version=self.software_version,
            note=self.note,
            valid_days=self.inventory.valid_days,
            course=self.setup.outline.text,
        )
