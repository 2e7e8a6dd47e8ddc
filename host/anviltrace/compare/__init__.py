"""Runs of one condition taken together: their spread, their mean, and what is claimed of the tool."""
