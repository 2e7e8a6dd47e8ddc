-- From schema version 1 to 2: what calibrations and checks need, and what is claimed of a tool. See records.py.
-- _kg kilograms, _m metres, _nm newton metres, _deg degrees; u_ columns are standard uncertainties.

CREATE TABLE claim (
    id        TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    tool_id   TEXT NOT NULL REFERENCES tool (id),
    quantity  TEXT NOT NULL CHECK (quantity <> ''),
    value     REAL NOT NULL CHECK (value > 0),
    unit      TEXT NOT NULL CHECK (unit IN ('N·m', '1/s')),
    duty      TEXT NOT NULL CHECK (duty IN ('', 'tightening', 'loosening', 'locked')),
    source    TEXT NOT NULL
) STRICT;

CREATE INDEX claim_by_tool ON claim (tool_id);

CREATE TABLE mass (
    id                   TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    name                 TEXT NOT NULL CHECK (name <> ''),
    mass_kg              REAL NOT NULL CHECK (mass_kg > 0),
    u_kg                 REAL NOT NULL CHECK (u_kg >= 0),
    spread               TEXT NOT NULL CHECK (spread IN ('normal', 'rectangular')),
    conventional         INTEGER NOT NULL CHECK (conventional IN (0, 1)),
    density_kg_per_m3    REAL NOT NULL CHECK (density_kg_per_m3 > 0),
    density_u_kg_per_m3  REAL NOT NULL CHECK (density_u_kg_per_m3 >= 0),
    note                 TEXT NOT NULL
) STRICT;

CREATE TABLE arm (
    id                TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    name              TEXT NOT NULL CHECK (name <> ''),
    length_m          REAL NOT NULL CHECK (length_m > 0),
    u_m               REAL NOT NULL CHECK (u_m >= 0),
    spread            TEXT NOT NULL CHECK (spread IN ('normal', 'rectangular')),
    angle_deg         REAL NOT NULL CHECK (angle_deg BETWEEN -90 AND 90),
    angle_within_deg  REAL NOT NULL CHECK (angle_within_deg >= 0),
    note              TEXT NOT NULL
) STRICT;

CREATE TABLE calibration (
    id                      TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    session_id              TEXT NOT NULL REFERENCES session (id),
    settings_id             TEXT NOT NULL REFERENCES settings (id),
    arm_id                  TEXT NOT NULL REFERENCES arm (id),
    sign                    INTEGER NOT NULL CHECK (sign IN (-1, 1)),
    taken_at                TEXT NOT NULL CHECK (taken_at GLOB '????-??-??T*Z'),
    gravity_m_per_s2        REAL NOT NULL CHECK (gravity_m_per_s2 > 0),
    gravity_u_m_per_s2      REAL NOT NULL CHECK (gravity_u_m_per_s2 >= 0),
    gravity_source          TEXT NOT NULL,
    air_density_kg_per_m3   REAL NOT NULL CHECK (air_density_kg_per_m3 >= 0),
    air_density_u_kg_per_m3 REAL NOT NULL CHECK (air_density_u_kg_per_m3 >= 0),
    linear_to_nm            REAL CHECK (linear_to_nm > 0),
    software_version        TEXT NOT NULL,
    note                    TEXT NOT NULL,
    valid_days              REAL CHECK (valid_days > 0),
    course                  TEXT NOT NULL CHECK (course = '' OR json_valid(course))  -- see calibration/course.py
) STRICT;

CREATE INDEX calibration_by_session ON calibration (session_id);

CREATE TABLE load_step (
    id              TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    calibration_id  TEXT NOT NULL REFERENCES calibration (id),
    number          INTEGER NOT NULL CHECK (number > 0),
    series          INTEGER NOT NULL CHECK (series > 0),
    mounting        INTEGER NOT NULL CHECK (mounting > 0),
    branch          TEXT NOT NULL CHECK (branch IN ('zero', 'up', 'down')),
    run_id          TEXT NOT NULL REFERENCES run (id),
    mass_ids        TEXT NOT NULL CHECK (json_valid(mass_ids)),  -- a JSON array of ids of mass
    angle_deg       REAL NOT NULL CHECK (angle_deg BETWEEN -90 AND 90),
    mean_counts     REAL NOT NULL,
    sd_counts       REAL NOT NULL CHECK (sd_counts >= 0),
    drift_counts    REAL NOT NULL,
    samples         INTEGER NOT NULL CHECK (samples > 0),
    taken_at        TEXT NOT NULL CHECK (taken_at GLOB '????-??-??T*Z'),
    UNIQUE (calibration_id, number),
    CHECK ((branch = 'zero') = (mass_ids = '[]'))
) STRICT;

CREATE INDEX load_step_by_run ON load_step (run_id);

CREATE TRIGGER load_step_is_never_changed BEFORE UPDATE ON load_step
BEGIN SELECT RAISE(ABORT, 'readings of a calibration are never changed'); END;

CREATE TRIGGER load_step_is_never_deleted BEFORE DELETE ON load_step
BEGIN SELECT RAISE(ABORT, 'readings of a calibration are never deleted'); END;

CREATE TABLE check_reading (
    id                      TEXT PRIMARY KEY NOT NULL CHECK (length(id) = 36),
    session_id              TEXT NOT NULL REFERENCES session (id),
    settings_id             TEXT NOT NULL REFERENCES settings (id),
    arm_id                  TEXT NOT NULL REFERENCES arm (id),
    mass_ids                TEXT NOT NULL CHECK (json_valid(mass_ids) AND mass_ids <> '[]'),
    angle_deg               REAL NOT NULL CHECK (angle_deg BETWEEN -90 AND 90),
    sign                    INTEGER NOT NULL CHECK (sign IN (-1, 1)),
    taken_at                TEXT NOT NULL CHECK (taken_at GLOB '????-??-??T*Z'),
    gravity_m_per_s2        REAL NOT NULL CHECK (gravity_m_per_s2 > 0),
    gravity_u_m_per_s2      REAL NOT NULL CHECK (gravity_u_m_per_s2 >= 0),
    gravity_source          TEXT NOT NULL,
    air_density_kg_per_m3   REAL NOT NULL CHECK (air_density_kg_per_m3 >= 0),
    air_density_u_kg_per_m3 REAL NOT NULL CHECK (air_density_u_kg_per_m3 >= 0),
    before_run_id           TEXT NOT NULL REFERENCES run (id),
    load_run_id             TEXT NOT NULL REFERENCES run (id),
    after_run_id            TEXT NOT NULL REFERENCES run (id),
    before_counts           REAL NOT NULL,
    load_counts             REAL NOT NULL,
    after_counts            REAL NOT NULL,
    sd_counts               REAL NOT NULL CHECK (sd_counts >= 0),
    samples                 INTEGER NOT NULL CHECK (samples > 0),
    software_version        TEXT NOT NULL,
    note                    TEXT NOT NULL
) STRICT;

CREATE INDEX check_reading_by_session ON check_reading (session_id);

CREATE TRIGGER check_reading_is_never_changed BEFORE UPDATE ON check_reading
BEGIN SELECT RAISE(ABORT, 'readings of a check are never changed'); END;

CREATE TRIGGER check_reading_is_never_deleted BEFORE DELETE ON check_reading
BEGIN SELECT RAISE(ABORT, 'readings of a check are never deleted'); END;
