"""The proof of a rig before it is calibrated: what its readings at rest, and a few simple acts, say of it."""
