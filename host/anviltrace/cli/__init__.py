"""The command line: one file per command group, loaded when it is asked for."""
