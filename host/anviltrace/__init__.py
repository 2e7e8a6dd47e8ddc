"""anviltrace: from a home-built torque rig to figures for impact wrenches that hold up in public."""

__version__ = "0.1.0"
