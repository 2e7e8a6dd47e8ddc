-- The archive, schema version 1. Columns bear the names of the fields in records.py, which documents them.
-- Units are in the names: _s seconds, _hz samples a second, _v volts, _counts codes of the converter.
-- Keys are UUIDs, so that archives of different benches can be merged. Times are UTC, ISO 8601 with a Z.

PRAGMA application_id = 0x414E5654;  -- "ANVT"
PRAGMA user_version = 1;

CREATE TABLE rig (
    id    TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    name  TEXT NOT NULL CHECK (name <> ''),
    kind  TEXT NOT NULL CHECK (kind IN ('fixed', 'through', 'held')),
    note  TEXT NOT NULL
) STRICT;

CREATE TABLE fitting (
    id    TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    name  TEXT NOT NULL CHECK (name <> ''),
    note  TEXT NOT NULL
) STRICT;

CREATE TABLE board (
    id                TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    unique_id         TEXT NOT NULL,
    name              TEXT NOT NULL,
    firmware_version  TEXT NOT NULL,
    protocol_version  INTEGER NOT NULL,
    converter         TEXT NOT NULL,
    code_bits         INTEGER NOT NULL CHECK (code_bits BETWEEN 1 AND 32)
) STRICT;

CREATE TABLE settings (
    id                 TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    wire_id            INTEGER NOT NULL,
    rate_hz            REAL NOT NULL CHECK (rate_hz > 0),
    gain               INTEGER NOT NULL CHECK (gain > 0),
    group_delay_s      REAL NOT NULL CHECK (group_delay_s >= 0),
    scale_kind         TEXT NOT NULL CHECK (scale_kind IN ('mV/V', 'V')),
    full_scale         REAL NOT NULL CHECK (full_scale > 0),
    full_scale_code    INTEGER NOT NULL CHECK (full_scale_code > 0),
    saturation_low     INTEGER NOT NULL,
    saturation_high    INTEGER NOT NULL,
    excitation_v       REAL CHECK (excitation_v > 0),
    excitation_source  TEXT NOT NULL CHECK (excitation_source IN ('ratiometric', 'nominal', 'measured')),
    registers          BLOB NOT NULL,
    CHECK (saturation_low < saturation_high)
) STRICT;

CREATE TABLE tool (
    id         TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    name       TEXT NOT NULL CHECK (name <> ''),
    maker      TEXT NOT NULL,
    model      TEXT NOT NULL,
    serial     TEXT NOT NULL,
    drive      TEXT NOT NULL,
    mass_kg    REAL CHECK (mass_kg > 0),
    length_mm  REAL CHECK (length_mm > 0),
    price      REAL CHECK (price >= 0),
    currency   TEXT NOT NULL,
    note       TEXT NOT NULL
) STRICT;

CREATE TABLE supply (
    id           TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    name         TEXT NOT NULL CHECK (name <> ''),
    kind         TEXT NOT NULL CHECK (kind IN ('pack', 'mains adapter', 'air')),
    nominal_v    REAL CHECK (nominal_v > 0),
    capacity_ah  REAL CHECK (capacity_ah > 0),
    note         TEXT NOT NULL
) STRICT;

CREATE TABLE plan (
    id             TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    name           TEXT NOT NULL CHECK (name <> ''),
    rotation       TEXT NOT NULL CHECK (rotation IN ('cw', 'ccw')),
    thread         TEXT NOT NULL CHECK (thread IN ('right', 'left', 'none')),
    duty           TEXT NOT NULL CHECK (duty IN ('tightening', 'loosening', 'locked')),
    start          TEXT NOT NULL CHECK (start IN ('slack', 'preset')),
    drive_s        REAL NOT NULL CHECK (drive_s > 0),
    before_s       REAL NOT NULL CHECK (before_s >= 0),
    after_s        REAL NOT NULL CHECK (after_s >= 0),
    onset_limit_s  REAL NOT NULL CHECK (onset_limit_s >= 0),
    repeats        INTEGER NOT NULL CHECK (repeats > 0),
    rest_s         REAL NOT NULL CHECK (rest_s >= 0),
    zero_s         REAL NOT NULL CHECK (zero_s >= 0),
    marks_s        TEXT NOT NULL CHECK (json_valid(marks_s)),  -- a JSON array of seconds after time zero
    rate_hz        REAL CHECK (rate_hz > 0),
    gain           INTEGER CHECK (gain > 0),
    text           TEXT NOT NULL
) STRICT;

CREATE TABLE session (
    id                TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    rig_id            TEXT NOT NULL REFERENCES rig (id),
    board_id          TEXT NOT NULL REFERENCES board (id),
    started_at        TEXT NOT NULL CHECK (started_at GLOB '????-??-??T*Z'),
    operator          TEXT NOT NULL,
    ended_at          TEXT CHECK (ended_at GLOB '????-??-??T*Z'),
    software_version  TEXT NOT NULL,
    note              TEXT NOT NULL
) STRICT;

CREATE TABLE run (
    id             TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    session_id     TEXT NOT NULL REFERENCES session (id),
    settings_id    TEXT NOT NULL REFERENCES settings (id),
    kind           TEXT NOT NULL
                   CHECK (kind IN ('measurement', 'calibration', 'zero', 'check', 'tap', 'import')),
    state          TEXT NOT NULL CHECK (state IN ('recording', 'finished', 'interrupted')),
    started_at     TEXT NOT NULL CHECK (started_at GLOB '????-??-??T*Z'),
    wire_run_id    INTEGER NOT NULL,
    plan_id        TEXT REFERENCES plan (id),
    set_id         TEXT,
    repeat         INTEGER,
    tool_id        TEXT REFERENCES tool (id),
    supply_id      TEXT REFERENCES supply (id),
    supply_state   TEXT NOT NULL,
    fitting_id     TEXT REFERENCES fitting (id),
    ended_at       TEXT CHECK (ended_at GLOB '????-??-??T*Z'),
    end_reason     TEXT NOT NULL,
    samples        INTEGER NOT NULL CHECK (samples >= 0),
    samples_total  INTEGER CHECK (samples_total >= 0),
    first_index    INTEGER NOT NULL CHECK (first_index >= 0),
    rate_hz        REAL CHECK (rate_hz > 0),
    onset_index    INTEGER,
    release_index  INTEGER,
    saturated      INTEGER NOT NULL CHECK (saturated >= 0),
    seal           TEXT CHECK (length(seal) = 64),
    CHECK (state <> 'finished' OR seal IS NOT NULL),
    CHECK (state <> 'recording' OR seal IS NULL)
) STRICT;

CREATE INDEX run_by_session ON run (session_id);
CREATE INDEX run_by_state ON run (state);

CREATE TABLE zero (
    id           TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    session_id   TEXT NOT NULL REFERENCES session (id),
    run_id       TEXT NOT NULL REFERENCES run (id),
    taken_at     TEXT NOT NULL CHECK (taken_at GLOB '????-??-??T*Z'),
    mean_counts  REAL NOT NULL,
    sd_counts    REAL NOT NULL CHECK (sd_counts >= 0),
    samples      INTEGER NOT NULL CHECK (samples > 0),
    joint_state  TEXT NOT NULL
) STRICT;

CREATE INDEX zero_by_session ON zero (session_id);
CREATE INDEX zero_by_run ON zero (run_id);

-- About a quarter of a second of samples without a gap inside. codec.py tells how data is packed;
-- crc32 is CRC-32/ISO-HDLC over the bytes of data.
CREATE TABLE chunk (
    run_id       TEXT NOT NULL REFERENCES run (id),
    first_index  INTEGER NOT NULL CHECK (first_index >= 0),
    count        INTEGER NOT NULL CHECK (count > 0),
    codec        INTEGER NOT NULL,
    crc32        INTEGER NOT NULL CHECK (crc32 BETWEEN 0 AND 4294967295),
    data         BLOB NOT NULL,
    PRIMARY KEY (run_id, first_index)
) STRICT;

CREATE TABLE gap (
    run_id       TEXT NOT NULL REFERENCES run (id),
    first_index  INTEGER NOT NULL CHECK (first_index >= 0),
    count        INTEGER NOT NULL CHECK (count > 0),
    cause        TEXT NOT NULL CHECK (cause IN ('link', 'converter')),
    uncertainty  INTEGER NOT NULL CHECK (uncertainty >= 0),
    PRIMARY KEY (run_id, first_index)
) STRICT;

CREATE TABLE notice (
    number    INTEGER PRIMARY KEY,  -- order of arrival; means nothing outside this file
    run_id    TEXT NOT NULL REFERENCES run (id),
    at_index  INTEGER NOT NULL,
    kind      TEXT NOT NULL,
    text      TEXT NOT NULL,
    at        TEXT NOT NULL CHECK (at GLOB '????-??-??T*Z')
) STRICT;

CREATE INDEX notice_by_run ON notice (run_id);

CREATE TABLE decision (
    id       TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    run_id   TEXT NOT NULL REFERENCES run (id),
    verdict  TEXT NOT NULL CHECK (verdict <> ''),
    reason   TEXT NOT NULL,
    at       TEXT NOT NULL CHECK (at GLOB '????-??-??T*Z'),
    "by"     TEXT NOT NULL
) STRICT;

CREATE INDEX decision_by_run ON decision (run_id);

-- What was recorded stays as it was recorded, whichever program holds the pen.

CREATE TRIGGER chunk_is_never_changed BEFORE UPDATE ON chunk
BEGIN SELECT RAISE(ABORT, 'recorded samples are never changed'); END;

CREATE TRIGGER chunk_is_never_deleted BEFORE DELETE ON chunk
BEGIN SELECT RAISE(ABORT, 'recorded samples are never deleted'); END;

CREATE TRIGGER chunk_is_never_added_to_a_sealed_run BEFORE INSERT ON chunk
WHEN (SELECT seal FROM run WHERE id = NEW.run_id) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a sealed run takes no more samples'); END;

CREATE TRIGGER gap_is_never_changed BEFORE UPDATE ON gap
BEGIN SELECT RAISE(ABORT, 'recorded gaps are never changed'); END;

CREATE TRIGGER gap_is_never_deleted BEFORE DELETE ON gap
BEGIN SELECT RAISE(ABORT, 'recorded gaps are never deleted'); END;

CREATE TRIGGER gap_is_never_added_to_a_sealed_run BEFORE INSERT ON gap
WHEN (SELECT seal FROM run WHERE id = NEW.run_id) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a sealed run takes no more gaps'); END;

CREATE TRIGGER sealed_run_is_never_reopened
BEFORE UPDATE OF id, state, samples, first_index, seal ON run WHEN OLD.seal IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a sealed run is never changed'); END;

CREATE TRIGGER decision_is_never_changed BEFORE UPDATE ON decision
BEGIN SELECT RAISE(ABORT, 'decisions are added, never changed'); END;

CREATE TRIGGER decision_is_never_deleted BEFORE DELETE ON decision
BEGIN SELECT RAISE(ABORT, 'decisions are added, never deleted'); END;
