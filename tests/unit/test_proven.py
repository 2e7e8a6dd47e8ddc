"""The page that says what has run where knows what the board can have, and nothing else."""

from __future__ import annotations

from pathlib import Path

from anviltrace import firmware


def rows(page: str, heading: str) -> dict[str, list[str]]:
    """The rows of the table under a heading: first cell, and the others."""
    part = page.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    lines = [line.strip("|").split("|") for line in part.splitlines() if line.startswith("|")]
    cells = [[cell.strip() for cell in line] for line in lines]
    return {name: rest for name, *rest in cells[2:]}


def test_the_page_lists_the_converters_that_firmware_offers(root: Path) -> None:
    page = (root / "device" / "PROVEN.md").read_text(encoding="utf-8")
    listed = rows(page, "Converters")
    assert set(listed) == set(firmware.PINS_NEEDED)
    assert {len(cells) for cells in listed.values()} == {3}
    assert all(all(cells) for cells in listed.values())


def test_the_page_lists_the_side_sensors_that_firmware_offers(root: Path) -> None:
    page = (root / "device" / "PROVEN.md").read_text(encoding="utf-8")
    listed = rows(page, "Side sensors")
    assert {name for names in listed for name in names.split(", ")} == set(firmware.SENSOR_PINS)


def test_a_converter_with_a_pio_pin_says_what_the_emulator_ran(root: Path) -> None:
    page = (root / "device" / "PROVEN.md").read_text(encoding="utf-8")
    for name, (_, emulator, _) in rows(page, "Converters").items():
        has_program = "pio" in firmware.PINS_POSSIBLE[name]
        assert (emulator != "has no PIO program") is has_program, name


def test_readme_and_wiring_lead_there(root: Path) -> None:
    assert "device/PROVEN.md" in (root / "README.md").read_text(encoding="utf-8")
    assert "PROVEN.md" in (root / "device" / "WIRING.md").read_text(encoding="utf-8")
