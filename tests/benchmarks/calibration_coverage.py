"""How often a calibration's intervals hold the truth in simulated workshops, and drawn intervals beside them.

Every calibration goes through the virtual rig's transducer and the real course of instructions; what
weights, arm, angle, gravity, air and mountings truly are is drawn from the stated distributions. Each line
says whether the torque judged was in the mounting of the calibration or in one made anew. A limit (rectangle,
U-shape) of more than half the variance is marked: there the GUM's intervals hold more than they say.

Run: python tests/benchmarks/calibration_coverage.py [TIMES] [NAME ...]    (1000 times each unless told)
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from coverage_study import (
    DRAWN,
    LEVELS,
    STATEMENTS,
    THREE_MOUNTINGS,
    WORKSHOPS,
    Expected,
    Workshop,
    coverage,
    draw,
    limit_leads,
    study_on_two,
)

DRAWS = 1_000_000


def show_coverage(workshops: Sequence[Workshop], times: int) -> None:
    sampling = 100.0 * (0.95 * 0.05 / times) ** 0.5
    print(f"Held of {times} each, in %; ± {sampling:.1f} by chance. L: a limit has over half the variance.\n")
    levels = "".join(f"{f'{name} {100.0 * share:.0f} %':>15}" for name, share in LEVELS.items())
    print(f"{'workshop':<25}{'what leads':<33}{'truth in':<16}{'stated by':<17}{levels}")
    for workshop in workshops:
        print(f"{workshop.name} ...", file=sys.stderr, flush=True)
        judged = study_on_two(workshop, times)
        for statement, held, leads in zip(STATEMENTS, coverage(judged), limit_leads(judged), strict=True):
            cells = "".join(
                f"{100.0 * share:>13.1f}{' L' if led else '  '}"
                for share, led in zip(held, leads, strict=True)
            )
            print(
                f"{workshop.name:<25}{workshop.leads:<33}{workshop.truth:<16}{statement:<17}{cells}",
                flush=True,
            )


def show_drawn(expected: Sequence[Expected]) -> None:
    print(f"\nThe line's 95 % interval beside one of {DRAWS:,} draws (JCGM 101:2008, clause 8), N·m:\n")
    print(f"{'calibration':<31}{'torque':>8}{'u':>9}{'stated ±':>10}{'drawn':>19}{'δ':>9}  ends agree")
    for one in expected:
        for beside in draw(one, DRAWS).values():
            torque_nm = 0.5 * sum(beside.stated_nm)
            low, high = (end - torque_nm for end in beside.drawn_nm)
            print(
                f"{one.workshop.name:<31}{torque_nm:>8.0f}{beside.u_nm:>9.4f}"
                f"{beside.stated_nm[1] - torque_nm:>10.4f}{low:>+10.4f}{high:>+9.4f}"
                f"{beside.tolerance_nm:>9.4f}  {'yes' if beside.agrees else 'no'}"
            )
        print(f"  expected: {one.difference or 'they agree'}")


def main() -> None:
    times, names = int(sys.argv[1]) if len(sys.argv) > 1 else 1000, sys.argv[2:]
    chosen = [one for one in (*WORKSHOPS, THREE_MOUNTINGS) if not names or one.name in names]
    show_coverage(chosen, times)
    if not names:
        show_drawn(DRAWN)


if __name__ == "__main__":
    main()
