-- From schema version 2 to 3: shunt readings, temperatures, who authorised a calibration, degrees of freedom
-- of stated masses and lengths, the empty arm, the cable, ring-downs of the rig, thresholds of plans,
-- side channels, ratings. See records.py.
-- _kg kilograms, _m metres, _ohm ohms, _c degrees Celsius, _hz hertz; u_ columns are standard uncertainties.

ALTER TABLE mass ADD COLUMN dof REAL CHECK (dof >= 1);

ALTER TABLE arm ADD COLUMN dof REAL CHECK (dof >= 1);
ALTER TABLE arm ADD COLUMN own_mass_kg REAL CHECK (own_mass_kg > 0);
ALTER TABLE arm ADD COLUMN own_mass_u_kg REAL NOT NULL DEFAULT 0.0 CHECK (own_mass_u_kg >= 0);
ALTER TABLE arm ADD COLUMN own_centre_m REAL NOT NULL DEFAULT 0.0;
ALTER TABLE arm ADD COLUMN own_centre_u_m REAL NOT NULL DEFAULT 0.0 CHECK (own_centre_u_m >= 0);

ALTER TABLE plan ADD COLUMN thresholds_nm TEXT NOT NULL DEFAULT '[]' CHECK (json_valid(thresholds_nm));

ALTER TABLE session ADD COLUMN cable TEXT NOT NULL DEFAULT '';

CREATE TABLE shunt (
    id              TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    name            TEXT NOT NULL CHECK (name <> ''),
    resistor_ohm    REAL NOT NULL CHECK (resistor_ohm > 0),
    resistor_u_ohm  REAL NOT NULL CHECK (resistor_u_ohm >= 0),
    bridge_ohm      REAL NOT NULL CHECK (bridge_ohm > 0),
    bridge_u_ohm    REAL NOT NULL CHECK (bridge_u_ohm >= 0),
    spread          TEXT NOT NULL CHECK (spread IN ('normal', 'rectangular')),
    note            TEXT NOT NULL
) STRICT;

CREATE TABLE shunt_reading (
    id                TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    session_id        TEXT NOT NULL REFERENCES session (id),
    settings_id       TEXT NOT NULL REFERENCES settings (id),
    shunt_id          TEXT NOT NULL REFERENCES shunt (id),
    calibration_id    TEXT REFERENCES calibration (id),
    taken_at          TEXT NOT NULL CHECK (taken_at GLOB '????-??-??T*Z'),
    before_run_id     TEXT NOT NULL REFERENCES run (id),
    shunt_run_id      TEXT NOT NULL REFERENCES run (id),
    after_run_id      TEXT NOT NULL REFERENCES run (id),
    before_counts     REAL NOT NULL,
    shunt_counts      REAL NOT NULL,
    after_counts      REAL NOT NULL,
    sd_counts         REAL NOT NULL CHECK (sd_counts >= 0),
    samples           INTEGER NOT NULL CHECK (samples > 0),
    software_version  TEXT NOT NULL,
    note              TEXT NOT NULL
) STRICT;

CREATE INDEX shunt_reading_by_session ON shunt_reading (session_id);

CREATE TRIGGER shunt_reading_is_never_changed BEFORE UPDATE ON shunt_reading
BEGIN SELECT RAISE(ABORT, 'readings of a shunt are never changed'); END;

CREATE TRIGGER shunt_reading_is_never_deleted BEFORE DELETE ON shunt_reading
BEGIN SELECT RAISE(ABORT, 'readings of a shunt are never deleted'); END;

CREATE TABLE temperature (
    id              TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    session_id      TEXT NOT NULL REFERENCES session (id),
    calibration_id  TEXT REFERENCES calibration (id),
    taken_at        TEXT NOT NULL CHECK (taken_at GLOB '????-??-??T*Z'),
    place           TEXT NOT NULL CHECK (place <> ''),
    temperature_c   REAL NOT NULL CHECK (temperature_c > -273.15),
    u_c             REAL NOT NULL CHECK (u_c >= 0)
) STRICT;

CREATE TABLE authorisation (
    id              TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    calibration_id  TEXT NOT NULL REFERENCES calibration (id),
    at              TEXT NOT NULL CHECK (at GLOB '????-??-??T*Z'),
    by              TEXT NOT NULL CHECK (by <> ''),
    data_hash       TEXT NOT NULL CHECK (length(data_hash) = 64),
    note            TEXT NOT NULL
) STRICT;

CREATE TABLE ring_down (
    id                TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    session_id        TEXT NOT NULL REFERENCES session (id),
    run_id            TEXT NOT NULL REFERENCES run (id),
    fitting_id        TEXT REFERENCES fitting (id),
    taken_at          TEXT NOT NULL CHECK (taken_at GLOB '????-??-??T*Z'),
    taps              INTEGER NOT NULL CHECK (taps > 0),
    natural_hz        REAL NOT NULL CHECK (natural_hz > 0),
    natural_u_hz      REAL NOT NULL CHECK (natural_u_hz >= 0),
    damping_ratio     REAL NOT NULL CHECK (damping_ratio > 0 AND damping_ratio < 1),
    damping_u         REAL NOT NULL CHECK (damping_u >= 0),
    decrement_ratio   REAL NOT NULL CHECK (decrement_ratio > 0 AND decrement_ratio < 1),
    software_version  TEXT NOT NULL,
    note              TEXT NOT NULL
) STRICT;

CREATE INDEX ring_down_by_session ON ring_down (session_id);

CREATE TRIGGER ring_down_is_never_changed BEFORE UPDATE ON ring_down
BEGIN SELECT RAISE(ABORT, 'ring-downs are never changed'); END;

CREATE TRIGGER ring_down_is_never_deleted BEFORE DELETE ON ring_down
BEGIN SELECT RAISE(ABORT, 'ring-downs are never deleted'); END;

-- Imported recordings may hold torque: settings learn a third kind of scale. SQLite cannot change a CHECK, so
-- the table is made anew; nothing in it changes.

CREATE TABLE settings_3 (
    id                 TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    wire_id            INTEGER NOT NULL,
    rate_hz            REAL NOT NULL CHECK (rate_hz > 0),
    gain               INTEGER NOT NULL CHECK (gain > 0),
    group_delay_s      REAL NOT NULL CHECK (group_delay_s >= 0),
    scale_kind         TEXT NOT NULL CHECK (scale_kind IN ('mV/V', 'V', 'N·m')),
    full_scale         REAL NOT NULL CHECK (full_scale > 0),
    full_scale_code    INTEGER NOT NULL CHECK (full_scale_code > 0),
    saturation_low     INTEGER NOT NULL,
    saturation_high    INTEGER NOT NULL,
    excitation_v       REAL CHECK (excitation_v > 0),
    excitation_source  TEXT NOT NULL CHECK (excitation_source IN ('ratiometric', 'nominal', 'measured')),
    registers          BLOB NOT NULL,
    CHECK (saturation_low < saturation_high)
) STRICT;

INSERT INTO settings_3 SELECT * FROM settings ORDER BY rowid;
DROP TABLE settings;
ALTER TABLE settings_3 RENAME TO settings;

CREATE TABLE origin (
    id             TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    run_id         TEXT NOT NULL UNIQUE REFERENCES run (id),
    file_name      TEXT NOT NULL CHECK (file_name <> ''),
    file_hash      TEXT NOT NULL CHECK (length(file_hash) = 64),
    channel        TEXT NOT NULL,
    unit           TEXT NOT NULL CHECK (unit <> ''),
    nm_per_unit    REAL CHECK (nm_per_unit <> 0),
    nm_u_relative  REAL NOT NULL CHECK (nm_u_relative >= 0),
    spread         TEXT NOT NULL CHECK (spread IN ('normal', 'rectangular')),
    imported_at    TEXT NOT NULL CHECK (imported_at GLOB '????-??-??T*Z'),
    note           TEXT NOT NULL
) STRICT;

-- What was worked out from runs. No part of what was recorded: it may be dropped any time, and is made again.
CREATE TABLE worked_out (
    run_id   TEXT NOT NULL REFERENCES run (id),
    what     TEXT NOT NULL CHECK (what <> ''),
    inputs   TEXT NOT NULL CHECK (length(inputs) = 64),
    code     TEXT NOT NULL,
    made_at  TEXT NOT NULL CHECK (made_at GLOB '????-??-??T*Z'),
    result   BLOB NOT NULL,
    PRIMARY KEY (run_id, what, inputs)
) STRICT;

-- Side channels: side_chunk is to them what chunk is to a run; a hole between chunks is a gap. The seal is
-- worked out as that of a run, with the holes as gaps of the converter, known exactly.

CREATE TABLE side_channel (
    id               TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    run_id           TEXT NOT NULL REFERENCES run (id),
    quantity         TEXT NOT NULL CHECK (quantity <> ''),
    unit             TEXT NOT NULL CHECK (unit <> ''),
    rate_hz          REAL NOT NULL CHECK (rate_hz > 0),
    start_s          REAL NOT NULL,
    start_u_s        REAL NOT NULL CHECK (start_u_s >= 0),
    per_count        REAL NOT NULL CHECK (per_count <> 0),
    zero_counts      REAL NOT NULL,
    u_relative       REAL NOT NULL CHECK (u_relative >= 0),
    u_zero           REAL NOT NULL CHECK (u_zero >= 0),
    spread           TEXT NOT NULL CHECK (spread IN ('normal', 'rectangular')),
    saturation_low   INTEGER NOT NULL,
    saturation_high  INTEGER NOT NULL,
    added_at         TEXT NOT NULL CHECK (added_at GLOB '????-??-??T*Z'),
    sensor           TEXT NOT NULL,
    file_name        TEXT NOT NULL,
    file_hash        TEXT NOT NULL CHECK (length(file_hash) IN (0, 64)),
    "column"         TEXT NOT NULL,
    note             TEXT NOT NULL,
    samples          INTEGER NOT NULL CHECK (samples >= 0),
    seal             TEXT CHECK (length(seal) = 64),
    CHECK (saturation_low < saturation_high)
) STRICT;

CREATE INDEX side_channel_by_run ON side_channel (run_id);

CREATE TABLE side_chunk (
    channel_id   TEXT NOT NULL REFERENCES side_channel (id),
    first_index  INTEGER NOT NULL CHECK (first_index >= 0),
    count        INTEGER NOT NULL CHECK (count > 0),
    codec        INTEGER NOT NULL,
    crc32        INTEGER NOT NULL CHECK (crc32 BETWEEN 0 AND 4294967295),
    data         BLOB NOT NULL,
    PRIMARY KEY (channel_id, first_index)
) STRICT;

CREATE TRIGGER side_chunk_is_never_changed BEFORE UPDATE ON side_chunk
BEGIN SELECT RAISE(ABORT, 'recorded samples are never changed'); END;

CREATE TRIGGER side_chunk_is_never_deleted BEFORE DELETE ON side_chunk
BEGIN SELECT RAISE(ABORT, 'recorded samples are never deleted'); END;

CREATE TRIGGER side_chunk_is_never_added_to_a_sealed_channel BEFORE INSERT ON side_chunk
WHEN (SELECT seal FROM side_channel WHERE id = NEW.channel_id) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a sealed side channel takes no more samples'); END;

CREATE TRIGGER side_channel_is_never_changed
BEFORE UPDATE OF id, run_id, quantity, unit, rate_hz, start_s, start_u_s, per_count, zero_counts, u_relative,
    u_zero, saturation_low, saturation_high, file_hash ON side_channel
BEGIN SELECT RAISE(ABORT, 'what is known about a side channel is never changed: add it anew'); END;

CREATE TRIGGER sealed_side_channel_is_never_reopened BEFORE UPDATE ON side_channel
WHEN OLD.seal IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a sealed side channel is never changed'); END;

CREATE TRIGGER side_channel_is_never_deleted BEFORE DELETE ON side_channel
BEGIN SELECT RAISE(ABORT, 'side channels are never deleted'); END;

CREATE TABLE rating (
    id      TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    run_id  TEXT NOT NULL REFERENCES run (id),
    score   INTEGER NOT NULL CHECK (score BETWEEN 1 AND 10),
    "by"    TEXT NOT NULL CHECK ("by" <> ''),
    at      TEXT NOT NULL CHECK (at GLOB '????-??-??T*Z'),
    note    TEXT NOT NULL
) STRICT;

CREATE INDEX rating_by_run ON rating (run_id);

CREATE TRIGGER rating_is_never_changed BEFORE UPDATE ON rating
BEGIN SELECT RAISE(ABORT, 'ratings are added, never changed'); END;

CREATE TRIGGER rating_is_never_deleted BEFORE DELETE ON rating
BEGIN SELECT RAISE(ABORT, 'ratings are added, never deleted'); END;

CREATE TABLE remark (
    id              TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    calibration_id  TEXT NOT NULL REFERENCES calibration (id),
    at              TEXT NOT NULL CHECK (at GLOB '????-??-??T*Z'),
    about           TEXT NOT NULL CHECK (about <> ''),
    text            TEXT NOT NULL CHECK (text <> ''),
    "by"            TEXT NOT NULL
) STRICT;

CREATE TRIGGER remark_is_never_changed BEFORE UPDATE ON remark
BEGIN SELECT RAISE(ABORT, 'remarks are added, never changed'); END;

CREATE TRIGGER remark_is_never_deleted BEFORE DELETE ON remark
BEGIN SELECT RAISE(ABORT, 'remarks are added, never deleted'); END;
