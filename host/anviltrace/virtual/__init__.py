"""The virtual rig: a bench without hardware, for learning, for demonstrations and for tests."""
