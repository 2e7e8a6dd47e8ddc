"""Starts the simulated board.

power_up.py ASK ANSWER STEP_PS PACE FIRST_TICK UNIQUE_ID SENSE_ASK SENSE_ANSWER

ASK and ANSWER are the file descriptors of the bench feed, STEP_PS the time between two first-stage
values, PACE "jump" or "wall", FIRST_TICK what the microsecond counter shows at power-up, UNIQUE_ID the
board's number in hex; over SENSE_ASK and SENSE_ANSWER the side sensors ask what they sense. The board's
files, ``main.py`` among them, lie in folders on the path.
"""

import gc
import sys
from binascii import unhexlify

import clock
import front
import sense


def power_up(ask, answer, step_ps, pace, first_tick, unique_id, sense_ask, sense_answer):
    """Switch everything on and run the board's script."""
    clock.pace = clock.WALL if pace == "wall" else clock.JUMP
    clock.first_tick = int(first_tick)
    clock.begin()
    front.connect(int(ask), int(answer), int(step_ps))
    sense.connect(int(sense_ask), int(sense_answer))
    import machine

    machine.power_up(unhexlify(unique_id))
    import settings

    if "pio" in settings.PINS or settings.CONVERTER == "ownadc":
        import rp2  # noqa: F401
    import streams

    gc.collect()  # a board's hardware is not compiled: nothing of that is left when its script starts
    import main

    gc.collect()  # what compiling left behind
    front.announce()
    if settings.LINK == "usb":
        main.run(streams.Reader(), streams.Writer())
    else:
        main.run(*main._streams())


if __name__ == "__main__":
    try:
        power_up(*sys.argv[1:])
    except Exception as error:  # a board prints it on its serial line
        sys.print_exception(error)
        sys.exit(1)
