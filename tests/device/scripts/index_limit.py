# The virtual board's power-up with the sample index near its limit after 5000 samples.
import sys

import power_up


class LimitedMain:
    @staticmethod
    def run(reader, writer):
        del sys.modules["main"]
        import main
        import runs

        runs._LAST_INDEX = 5000
        main.run(reader, writer)


sys.modules["main"] = LimitedMain
power_up.power_up(*sys.argv[1:])
