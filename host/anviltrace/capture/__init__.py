"""Recording runs: plans, the tester's tools, the onset, and the recorder that joins link and archive."""
