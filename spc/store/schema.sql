-- Schema of the store of record, version 7. Every table is append-only (triggers are added for each by database.py):
-- a correction is a new row, and the old one stays. Times are microseconds since 1970, UTC.

-- One row per write transaction: its newest id is the store's revision, its rows say who did what and when.
CREATE TABLE change (
    change_id INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    what TEXT NOT NULL,
    last_face INTEGER,              -- newest rows of `face` and `event` after it: what the record held then;
    last_event INTEGER              -- NULL in a store from before version 4
);

CREATE TABLE intake (
    intake_id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('log', 'form', 'quarantine')),
    name TEXT NOT NULL,             -- the file's name as delivered
    source TEXT NOT NULL,           -- the log it is a delivery of
    sha256 TEXT NOT NULL,           -- of the bytes as delivered
    text_digest TEXT NOT NULL,      -- sha-256 of the text: the same for another encoding, line end or name
    text_bytes INTEGER NOT NULL,    -- length of that text, so that a grown file is known by its start
    reading_digest TEXT NOT NULL,   -- of the column map and the settings under which it was read
    bytes INTEGER NOT NULL,
    dialect TEXT NOT NULL,          -- JSON
    column_map TEXT NOT NULL,       -- JSON
    remarks TEXT NOT NULL,          -- JSON list of sentences
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    rows INTEGER NOT NULL,
    faces INTEGER NOT NULL,
    repeats INTEGER NOT NULL,
    events INTEGER NOT NULL,
    quarantined INTEGER NOT NULL,
    doubles INTEGER NOT NULL,
    new_versions INTEGER NOT NULL,
    first_face INTEGER NOT NULL,    -- the rows of `face` and `event` that this delivery wrote; nothing else wrote between
    last_face INTEGER NOT NULL,
    first_event INTEGER NOT NULL,
    last_event INTEGER NOT NULL
);
CREATE INDEX intake_by_source ON intake (source);
CREATE INDEX intake_by_text ON intake (text_digest);
CREATE INDEX intake_by_bytes ON intake (sha256);

-- Words that many faces share, kept once each.
CREATE TABLE lap_name (
    id INTEGER PRIMARY KEY,
    lap TEXT NOT NULL UNIQUE
);
CREATE TABLE hand (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('face', 'repeat')),
    operator TEXT NOT NULL,
    shift TEXT NOT NULL,
    stage TEXT NOT NULL,
    attempt INTEGER NOT NULL,
    outcome TEXT NOT NULL,
    scratch INTEGER NOT NULL,
    shape TEXT NOT NULL,
    has_utc INTEGER NOT NULL,       -- 1: sort_us is a known moment, 0: wall clock without a zone, or no time
    UNIQUE (operator, shift, stage, attempt, outcome, scratch, shape, kind, has_utc)
);
CREATE TABLE job (
    id INTEGER PRIMARY KEY,
    part TEXT NOT NULL,
    face TEXT NOT NULL,
    grit TEXT NOT NULL,
    grit_um REAL NOT NULL,          -- -1: unknown
    flatness_unit TEXT NOT NULL,
    lamp TEXT NOT NULL,
    method TEXT NOT NULL,
    cutoff_mm REAL NOT NULL,        -- -1: unknown
    coverage REAL NOT NULL,         -- -1: unknown
    remarks TEXT NOT NULL,
    UNIQUE (part, face, grit, grit_um, flatness_unit, lamp, method, cutoff_mm, coverage, remarks)
);
-- Every characteristic is read the same way: an interval in micrometres and the text as typed.
CREATE TABLE reading (
    id INTEGER PRIMARY KEY,
    low_um REAL NOT NULL,
    high_um REAL NOT NULL,          -- Inf: open above
    text TEXT NOT NULL,
    UNIQUE (text, low_um, high_um)
);
-- How hard, on how much and how fast a face was rubbed, each with the text as typed; -1: unknown.
CREATE TABLE rubbing (
    id INTEGER PRIMARY KEY,
    load_n REAL NOT NULL,
    load_text TEXT NOT NULL,
    area_mm2 REAL NOT NULL,
    area_text TEXT NOT NULL,
    speed_m_per_s REAL NOT NULL,
    speed_text TEXT NOT NULL,
    UNIQUE (load_text, load_n, area_text, area_mm2, speed_text, speed_m_per_s)
);

CREATE TABLE face (
    row_id INTEGER PRIMARY KEY,
    face_id INTEGER,                -- NULL: the same as row_id (first version)
    version INTEGER NOT NULL DEFAULT 1,
    intake_id INTEGER NOT NULL,
    row_number INTEGER NOT NULL,
    lap_id INTEGER NOT NULL REFERENCES lap_name (id),
    hand_id INTEGER NOT NULL REFERENCES hand (id),
    job_id INTEGER NOT NULL REFERENCES job (id),
    sort_us INTEGER NOT NULL,
    time_text TEXT NOT NULL DEFAULT '',
    shift_date TEXT NOT NULL DEFAULT '',
    serial TEXT NOT NULL DEFAULT '',
    minutes REAL,
    flatness_id INTEGER REFERENCES reading (id),
    finish_id INTEGER REFERENCES reading (id),
    parallelism_id INTEGER REFERENCES reading (id),
    squareness_id INTEGER REFERENCES reading (id),
    thickness_id INTEGER REFERENCES reading (id),
    thickness_before_id INTEGER REFERENCES reading (id),
    temperature_c REAL,
    note TEXT NOT NULL DEFAULT '',
    identity INTEGER NOT NULL,      -- hash of what makes it this face
    content INTEGER NOT NULL,       -- hash of everything the row said
    rubbing_id INTEGER REFERENCES rubbing (id)  -- NULL: no load, contact area or speed
);
CREATE INDEX face_by_lap ON face (lap_id, sort_us);
CREATE INDEX face_by_identity ON face (identity);
CREATE INDEX face_by_first_version ON face (face_id) WHERE face_id IS NOT NULL;

CREATE TABLE event (
    row_id INTEGER PRIMARY KEY,
    event_id INTEGER,               -- NULL: the same as row_id (first version)
    version INTEGER NOT NULL DEFAULT 1,
    intake_id INTEGER NOT NULL,
    row_number INTEGER NOT NULL,
    lap TEXT NOT NULL,
    event TEXT NOT NULL,
    sort_us INTEGER NOT NULL,
    has_utc INTEGER NOT NULL,
    time_text TEXT NOT NULL,
    operator TEXT NOT NULL,
    grit TEXT NOT NULL,
    grit_um REAL,
    grit_from TEXT NOT NULL,
    grit_from_um REAL,
    abrasive TEXT NOT NULL,
    lot TEXT NOT NULL,
    reason TEXT NOT NULL,
    planned INTEGER,
    found_late INTEGER NOT NULL,
    minutes REAL,
    method TEXT NOT NULL,
    shape TEXT NOT NULL,
    before_um REAL,
    after_um REAL,
    removed_um REAL,
    from_mm REAL,
    to_mm REAL,
    note TEXT NOT NULL,
    identity INTEGER NOT NULL,
    content INTEGER NOT NULL
);
CREATE INDEX event_by_lap ON event (lap, sort_us);
CREATE INDEX event_by_identity ON event (identity);
CREATE INDEX event_by_first_version ON event (event_id) WHERE event_id IS NOT NULL;

-- A changed row: the old row, the row in its place (NULL: withdrawn), who, when, what differs, why.
CREATE TABLE replaced (
    kind TEXT NOT NULL CHECK (kind IN ('face', 'event')),
    old_row_id INTEGER NOT NULL,
    new_row_id INTEGER,
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL,
    differences TEXT NOT NULL,      -- JSON: column -> [old, new]
    edited_after TEXT NOT NULL,     -- '' or a sentence: the edit came after an over-limit face or a stored signal
    PRIMARY KEY (kind, old_row_id)
) WITHOUT ROWID;

CREATE TABLE lap_revision (
    revision INTEGER PRIMARY KEY,
    lap TEXT NOT NULL,
    material TEXT NOT NULL,
    kind TEXT NOT NULL,
    size_text TEXT NOT NULL,
    home_grit TEXT NOT NULL,
    lap_group TEXT NOT NULL,
    state TEXT NOT NULL,
    note TEXT NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    at_us INTEGER NOT NULL
);
CREATE INDEX lap_revision_by_lap ON lap_revision (lap);

CREATE TABLE limit_revision (
    revision INTEGER PRIMARY KEY,
    part TEXT NOT NULL,
    characteristic TEXT NOT NULL,
    upper_um REAL,
    lower_um REAL,
    upper_text TEXT NOT NULL,
    lower_text TEXT NOT NULL,
    valid_from TEXT NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    at_us INTEGER NOT NULL
);
CREATE INDEX limit_revision_by_part ON limit_revision (part, characteristic);

CREATE TABLE alias (
    alias_id INTEGER PRIMARY KEY,
    typed TEXT NOT NULL,
    lap TEXT NOT NULL,              -- '': the alias is withdrawn
    approved_by TEXT NOT NULL,
    why TEXT NOT NULL,
    at_us INTEGER NOT NULL
);

CREATE TABLE quarantine (
    quarantine_id INTEGER PRIMARY KEY,
    intake_id INTEGER NOT NULL,
    row_number INTEGER NOT NULL,
    raw TEXT NOT NULL,
    reasons TEXT NOT NULL,
    lap TEXT NOT NULL,              -- as far as it could be read, so that an alias can re-try it
    content INTEGER NOT NULL
);
CREATE INDEX quarantine_by_content ON quarantine (content);
CREATE INDEX quarantine_by_intake ON quarantine (intake_id, row_number);
CREATE TABLE resolution (
    resolution_id INTEGER PRIMARY KEY,
    quarantine_id INTEGER NOT NULL,
    how TEXT NOT NULL CHECK (how IN ('fixed', 'alias', 'discarded')),
    new_text TEXT NOT NULL,
    row_kind TEXT NOT NULL,         -- 'face', 'repeat', 'event' or '' (discarded)
    row_id INTEGER,
    reason TEXT NOT NULL,
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL
);
CREATE INDEX resolution_by_row ON resolution (quarantine_id);
CREATE TABLE resolution_withdrawn (  -- a discarded row that waits again
    resolution_id INTEGER PRIMARY KEY REFERENCES resolution (resolution_id),
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL
);

CREATE TABLE signal (
    signal_id INTEGER PRIMARY KEY,
    lap TEXT NOT NULL,
    sign TEXT NOT NULL,
    rule TEXT NOT NULL,
    severity TEXT NOT NULL,
    face_id INTEGER,
    sentence TEXT NOT NULL,
    detail TEXT NOT NULL,           -- JSON
    at_us INTEGER NOT NULL
);
CREATE UNIQUE INDEX signal_once ON signal (lap, sign, rule, face_id);
CREATE TABLE reaction (
    reaction_id INTEGER PRIMARY KEY,
    signal_id INTEGER NOT NULL REFERENCES signal (signal_id),
    check_done TEXT NOT NULL,
    cause TEXT NOT NULL,            -- 'not found' is an honest answer
    action TEXT NOT NULL,
    result TEXT NOT NULL,
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    event_id INTEGER                -- the event that this answer logged too; NULL: none, or from before version 5
);
CREATE INDEX reaction_by_signal ON reaction (signal_id);
-- An answer taken back: it stays, and counts no more.
CREATE TABLE reaction_withdrawn (
    reaction_id INTEGER PRIMARY KEY REFERENCES reaction (reaction_id),
    at_us INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL
);

-- Frozen chart limits: what the model holds is the charts' business, that nothing is lost is the store's.
CREATE TABLE baseline (
    baseline_id INTEGER PRIMARY KEY,
    lap TEXT NOT NULL,
    sign TEXT NOT NULL,
    revision INTEGER NOT NULL,      -- 1, 2, ... within lap and sign
    model TEXT NOT NULL,            -- JSON
    fingerprint TEXT NOT NULL,      -- of the data it was frozen from
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    frozen_at TEXT NOT NULL,        -- ISO
    valid_from TEXT NOT NULL,       -- ISO
    UNIQUE (lap, sign, revision)
);

CREATE TABLE study (
    study_id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    version INTEGER NOT NULL,
    content TEXT NOT NULL,          -- JSON
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    UNIQUE (name, version)
);

-- What a watched folder could not give: of each folder and name the newest row counts.
CREATE TABLE watch_report (
    report_id INTEGER PRIMARY KEY,
    folder TEXT NOT NULL,           -- its whole path
    name TEXT NOT NULL,             -- of the file within the folder; '' = the folder itself
    problem TEXT NOT NULL,          -- a sentence; '' = put right, or taken away
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL
);
CREATE INDEX watch_report_by_file ON watch_report (folder, name);

-- Files dropped into a watched folder of which the store held every row already.
CREATE TABLE watch_known (
    known_id INTEGER PRIMARY KEY,
    folder TEXT NOT NULL,           -- its whole path
    name TEXT NOT NULL,             -- of the file within the folder
    sentence TEXT NOT NULL,         -- why nothing was taken in
    who TEXT NOT NULL,
    at_us INTEGER NOT NULL
);
CREATE INDEX watch_known_by_file ON watch_known (folder, name);
