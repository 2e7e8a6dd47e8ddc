-- Version 4: a side channel's clock becomes better known with every sample, so while its run is being recorded
-- rate and start may be written again; nothing else ever is.

DROP TRIGGER side_channel_is_never_changed;

CREATE TRIGGER side_channel_is_never_changed
BEFORE UPDATE OF id, run_id, quantity, unit, per_count, zero_counts, u_relative, u_zero, spread,
    saturation_low, saturation_high, added_at, file_hash ON side_channel
BEGIN SELECT RAISE(ABORT, 'what is known about a side channel is never changed: add it anew'); END;

CREATE TRIGGER side_channel_clock_is_kept_with_its_run BEFORE UPDATE OF rate_hz, start_s, start_u_s ON side_channel
WHEN (SELECT state FROM run WHERE id = OLD.run_id) <> 'recording'
BEGIN SELECT RAISE(ABORT, 'the clock of a side channel is never changed once its run has ended'); END;
