"""What others get to see: a report in one file, charts, tables."""
