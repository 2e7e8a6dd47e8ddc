# The virtual board's power-up, with the heap locked during every pass of the main loop while it streams:
# any allocation by the device script raises MemoryError there. Arguments as of power_up.py.
# ALLOCATION_PLANT in the environment makes the converter's fill allocate, which has to be caught.
import os
import sys

import micropython

import power_up


def lock_while_streaming(station):
    plain_turn = station.Station.turn

    def turn(self):
        if not self.is_streaming():
            return plain_turn(self)
        micropython.heap_lock()
        try:
            return plain_turn(self)
        finally:
            micropython.heap_unlock()

    station.Station.turn = turn


def plant(converter):
    plain_fill = converter.Converter.fill

    def fill(self, block):
        self.planted = [0] * 8
        return plain_fill(self, block)

    converter.Converter.fill = fill


class LockedMain:
    @staticmethod
    def run(reader, writer):
        del sys.modules["main"]
        import main
        import settings
        import station

        lock_while_streaming(station)
        if os.getenv("ALLOCATION_PLANT"):
            plant(__import__("converters." + settings.CONVERTER, None, None, ["Converter"]))
        main.run(reader, writer)


sys.modules["main"] = LockedMain
power_up.power_up(*sys.argv[1:])
