"""The line to the board: open a port, speak the wire protocol, keep the time base."""
