"""The board before it speaks: its settings file, what goes on it, and how that gets there."""
