# The virtual board's power-up; when the script has left it waits like a prompt, and says what Ctrl-C does.
# Arguments as of power_up.py.
import sys

import utime

import power_up

try:
    power_up.power_up(*sys.argv[1:])
finally:
    print("left\r")
    try:
        for _ in range(100):
            utime.sleep_ms(100)
        print("nobody interrupted\r")
    except KeyboardInterrupt:
        print("interrupted\r")
