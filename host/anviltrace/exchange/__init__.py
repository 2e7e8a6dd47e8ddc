"""Recordings made elsewhere, brought in: a file for each format, and one that puts them into an archive."""
