-- Schema 1 of halfclean.db. docs/schema.md explains every table and column in words.
-- Text is UTF-8; times are ISO 8601 in UTC; px are pixels of the frame unless said otherwise.
-- polygon is JSON [[x,y],...]; fit_json, inputs, json and detail are JSON documents.

CREATE TABLE about (            -- facts about this database
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

CREATE TABLE original (         -- one file in originals/, named <sha256>.<ext>
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    ext TEXT NOT NULL CHECK (length(ext) > 0),
    bytes INTEGER NOT NULL CHECK (bytes >= 0),
    added_at TEXT NOT NULL,
    PRIMARY KEY (sha256, ext)
) STRICT;

CREATE TABLE view (             -- one image of the painting
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    label TEXT NOT NULL UNIQUE CHECK (length(label) > 0),
    technique TEXT NOT NULL CHECK (length(technique) > 0),
    state TEXT NOT NULL CHECK (length(state) > 0),
    face TEXT NOT NULL CHECK (face IN ('front', 'back')),
    file_name TEXT NOT NULL,    -- as the user named it
    sha256 TEXT NOT NULL,
    ext TEXT NOT NULL,
    w INTEGER NOT NULL CHECK (w > 0),
    h INTEGER NOT NULL CHECK (h > 0),
    bands INTEGER NOT NULL CHECK (bands > 0),
    bits INTEGER NOT NULL CHECK (bits > 0),
    profile TEXT NOT NULL,
    is_profile_assumed INTEGER NOT NULL CHECK (is_profile_assumed IN (0, 1)),
    note TEXT NOT NULL,
    clipped_share REAL NOT NULL CHECK (clipped_share BETWEEN 0 AND 1),
    azimuth_deg REAL,           -- light direction; both NULL when not known
    elevation_deg REAL,
    added_at TEXT NOT NULL,
    is_placed INTEGER NOT NULL CHECK (is_placed IN (0, 1)),
    verdict TEXT NOT NULL CHECK (verdict IN ('reference', 'good', 'usable', 'refused', 'none')),
    fit_why TEXT NOT NULL,
    m0 REAL NOT NULL, m1 REAL NOT NULL, m2 REAL NOT NULL, -- frame to view, 3x3 row by row
    m3 REAL NOT NULL, m4 REAL NOT NULL, m5 REAL NOT NULL,
    m6 REAL NOT NULL, m7 REAL NOT NULL, m8 REAL NOT NULL,
    held_out_median_px REAL NOT NULL,
    held_out_p95_px REAL NOT NULL,
    area_supported REAL NOT NULL,
    exposure_factor REAL NOT NULL,
    exposure_spread REAL NOT NULL,
    fit_json TEXT,
    UNIQUE (sha256, ext, technique, state),
    CHECK ((azimuth_deg IS NULL) = (elevation_deg IS NULL)),
    FOREIGN KEY (sha256, ext) REFERENCES original (sha256, ext)
) STRICT;

CREATE TABLE painting (         -- exactly one row
    id INTEGER PRIMARY KEY CHECK (id = 1),
    title TEXT NOT NULL CHECK (length(title) > 0),
    maker TEXT,
    date TEXT,
    support TEXT,
    inventory TEXT,
    owner TEXT,
    height_mm REAL NOT NULL CHECK (height_mm > 0),
    width_mm REAL NOT NULL CHECK (width_mm > 0),
    frame_view INTEGER REFERENCES view (id), -- NULL until the first normal view before treatment
    frame_w INTEGER NOT NULL DEFAULT 0,
    frame_h INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE TABLE window (           -- a small test-cleaned area
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    label TEXT NOT NULL UNIQUE CHECK (length(label) > 0),
    polygon TEXT NOT NULL,
    before_view INTEGER NOT NULL REFERENCES view (id),
    test_view INTEGER NOT NULL REFERENCES view (id),
    surface TEXT NOT NULL CHECK (surface IN ('bare', 'saturated', 'varnished')),
    system TEXT NOT NULL,
    area_px REAL NOT NULL CHECK (area_px >= 0),
    added_at TEXT NOT NULL
) STRICT;
CREATE INDEX window_before ON window (before_view);
CREATE INDEX window_test ON window (test_view);

CREATE TABLE zone (             -- an area the forecast must leave out
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL CHECK (length(kind) > 0),
    label TEXT NOT NULL,
    polygon TEXT NOT NULL,
    added_at TEXT NOT NULL
) STRICT;

CREATE TABLE derived (          -- a file in derived/ that can be made again
    name TEXT PRIMARY KEY,
    kind TEXT NOT NULL,
    inputs TEXT NOT NULL,
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    bytes INTEGER NOT NULL CHECK (bytes >= 0),
    mtime_ns INTEGER NOT NULL,  -- with bytes and inode: is it still the file that was hashed?
    inode INTEGER NOT NULL,
    made_at TEXT NOT NULL
) STRICT;

CREATE TABLE result (           -- a computed document; the newest of a kind is the valid one
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL CHECK (length(kind) > 0),
    json TEXT NOT NULL,
    program TEXT NOT NULL,
    added_at TEXT NOT NULL
) STRICT;
CREATE INDEX result_kind ON result (kind, id);

CREATE TABLE log (              -- every change to the record, in order; never altered
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at TEXT NOT NULL,
    author TEXT NOT NULL,       -- '' when not known
    program TEXT NOT NULL,      -- version of Halfclean that wrote the line
    what TEXT NOT NULL CHECK (length(what) > 0),
    detail TEXT                 -- what was removed or replaced
) STRICT;
CREATE TRIGGER log_stays_on_update BEFORE UPDATE ON log
BEGIN
    SELECT RAISE(ABORT, 'the log is never altered');
END;
CREATE TRIGGER log_stays_on_delete BEFORE DELETE ON log
BEGIN
    SELECT RAISE(ABORT, 'the log is never altered');
END;
