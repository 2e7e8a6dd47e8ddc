# Under MicroPython in a laid-out board: leaving with a watchdog leaves a mark and restarts; the restart
# stays at the prompt, once. Prints what happens.
import machine
import main


class RestartedError(Exception):
    pass


def reset():
    raise RestartedError


machine.reset = reset
try:
    main._go_to_prompt()
except RestartedError:
    print("restarted")
main.power_up()
main.sleep_ms = lambda duration_ms: print("starts the script after", duration_ms, "ms")
main._streams = lambda: ["streams"]
main.run = print
main.power_up()
