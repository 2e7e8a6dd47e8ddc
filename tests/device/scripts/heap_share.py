# The virtual board's power-up; before the script starts, the serial line says how much of the heap the
# simulated hardware takes. Arguments as of power_up.py.
import gc
import sys

import power_up


class MeasuredMain:
    @staticmethod
    def run(reader, writer):
        import rp2  # noqa: F401  (hardware, too, though only imported when the script asks for it)

        gc.collect()
        print("simulated hardware: %d bytes\r" % gc.mem_alloc())
        del sys.modules["main"]
        import main

        gc.collect()  # what compiling left behind, as in power_up.py
        main.run(reader, writer)


sys.modules["main"] = MeasuredMain
power_up.power_up(*sys.argv[1:])
