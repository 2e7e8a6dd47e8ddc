"""From hung weights to a line between counts and torque. Sees arrays and records only."""
