"""Schema: the survey's tables, one migration a version, and how a file is brought up to date.

The file says what it is by SQLite's `application_id` and how old its tables are by `user_version`
(https://www.sqlite.org/fileformat.html, header offsets 68 and 60). A version once released is never
edited: whoever changes the tables appends a migration.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

APPLICATION_ID = 0x43565359
"""ASCII "CVSY"."""

_VERSION_1 = """
CREATE TABLE fields (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    boundary TEXT               -- GeoJSON geometry (RFC 7946), when the user gave one
);

CREATE TABLE visits (
    id INTEGER PRIMARY KEY,
    field_id INTEGER NOT NULL REFERENCES fields (id),
    date TEXT                   -- YYYY-MM-DD; null where neither folder nor photo tells
);
CREATE UNIQUE INDEX visits_once ON visits (field_id, ifnull(date, ''));

CREATE TABLE stops (
    id INTEGER PRIMARY KEY,
    visit_id INTEGER NOT NULL REFERENCES visits (id),
    name TEXT NOT NULL,
    latitude REAL,              -- degrees WGS 84, of the first photo there that says
    longitude REAL,
    UNIQUE (visit_id, name)
);

CREATE TABLE models (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE, -- of the network's file: versions may be named alike
    name TEXT
);

CREATE TABLE photos (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL,
    view TEXT NOT NULL DEFAULT 'side' CHECK (view IN ('side', 'above')),
    visit_id INTEGER REFERENCES visits (id),
    stop_id INTEGER REFERENCES stops (id),
    filed_by TEXT,              -- what told the field: code, folder, gps, option or source
    taken_at TEXT,
    latitude REAL,
    longitude REAL,
    focal_eq_mm REAL,
    width INTEGER,
    height INTEGER,
    latest_id INTEGER REFERENCES readings (id),
    CHECK (stop_id IS NULL OR visit_id IS NOT NULL)
);
-- With the latest reading in it, counting a visit needs no look at the photos themselves.
CREATE INDEX photos_by_visit ON photos (visit_id, latest_id);
CREATE INDEX photos_by_stop ON photos (stop_id);

CREATE TABLE photo_files (      -- every place that a photo's content was seen at
    path TEXT PRIMARY KEY,
    photo_id INTEGER NOT NULL REFERENCES photos (id),
    size INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    seen_ns INTEGER NOT NULL
) WITHOUT ROWID;
CREATE INDEX photo_files_by_photo ON photo_files (photo_id);

CREATE TABLE readings (
    id INTEGER PRIMARY KEY,
    photo_id INTEGER NOT NULL REFERENCES photos (id),
    model_id INTEGER NOT NULL REFERENCES models (id),
    attempt INTEGER NOT NULL,   -- 1, and one more each time the user asks for it again
    calibration TEXT NOT NULL,
    read_at TEXT NOT NULL,      -- UTC, ISO 8601
    outcome TEXT NOT NULL CHECK (outcome IN ('staged', 'hand-count', 'rejected')),
    stage INTEGER CHECK (stage BETWEEN 0 AND 12),
    confidence REAL,
    height_mm REAL,
    UNIQUE (photo_id, model_id, attempt)
);
CREATE INDEX readings_to_count ON readings (photo_id) WHERE outcome = 'hand-count';

-- Apart from the columns, as a record is some 3 KB: counting a field must not read through it.
CREATE TABLE records (
    reading_id INTEGER PRIMARY KEY REFERENCES readings (id),
    record TEXT NOT NULL
);

CREATE TABLE hand_counts (
    id INTEGER PRIMARY KEY,
    photo_id INTEGER REFERENCES photos (id),
    stop_id INTEGER REFERENCES stops (id),
    who TEXT NOT NULL,
    counted_at TEXT NOT NULL,
    stage INTEGER CHECK (stage BETWEEN 0 AND 25),   -- collars, lost leaves included
    nodes INTEGER CHECK (nodes BETWEEN 0 AND 25),   -- counted in the split stalk
    height_mm REAL CHECK (height_mm > 0),
    note TEXT,
    CHECK (photo_id IS NOT NULL OR stop_id IS NOT NULL),
    CHECK (stage IS NOT NULL OR nodes IS NOT NULL OR height_mm IS NOT NULL)
);
CREATE INDEX hand_counts_by_photo ON hand_counts (photo_id);
CREATE INDEX hand_counts_by_stop ON hand_counts (stop_id);

CREATE TABLE limits (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    terms TEXT NOT NULL,        -- JSON, as the user typed them from the label
    who TEXT NOT NULL,
    entered_at TEXT NOT NULL
);

CREATE TABLE decisions (
    id INTEGER PRIMARY KEY,
    visit_id INTEGER NOT NULL REFERENCES visits (id),
    limit_id INTEGER REFERENCES limits (id),
    who TEXT NOT NULL,
    decided_at TEXT NOT NULL,
    verdict TEXT NOT NULL,
    basis TEXT NOT NULL         -- JSON: what it rested on at that hour
);
CREATE INDEX decisions_by_visit ON decisions (visit_id);

CREATE TRIGGER latest_reading AFTER INSERT ON readings BEGIN
    UPDATE photos SET latest_id = NEW.id WHERE id = NEW.photo_id;
END;
CREATE TRIGGER readings_stay BEFORE UPDATE ON readings BEGIN
    SELECT RAISE(ABORT, 'a reading is never changed');
END;
CREATE TRIGGER readings_are_kept BEFORE DELETE ON readings BEGIN
    SELECT RAISE(ABORT, 'a reading is never deleted');
END;
CREATE TRIGGER records_stay BEFORE UPDATE ON records BEGIN
    SELECT RAISE(ABORT, 'a record is never changed');
END;
CREATE TRIGGER records_are_kept BEFORE DELETE ON records BEGIN
    SELECT RAISE(ABORT, 'a record is never deleted');
END;
"""

# What people mark on a photo, and what they were shown when they did.
_VERSION_2 = """
ALTER TABLE hand_counts ADD COLUMN way TEXT
    CHECK (way IN ('agreed', 'marked', 'on-plant', 'split-stalk', 'imported'));
ALTER TABLE hand_counts ADD COLUMN reading_id INTEGER REFERENCES readings (id); -- that was shown
-- Chosen by whoever saves: a save that is sent twice, as its answer got lost, is stored once.
ALTER TABLE hand_counts ADD COLUMN save_key TEXT;
CREATE UNIQUE INDEX hand_counts_once ON hand_counts (save_key);

CREATE TABLE labels (           -- the points a count rests on; px of the upright photo
    id INTEGER PRIMARY KEY,
    hand_count_id INTEGER NOT NULL REFERENCES hand_counts (id),
    part TEXT NOT NULL CHECK (part IN ('collar', 'tip', 'soil', 'arch', 'leaf')),
    rank INTEGER CHECK (rank BETWEEN 1 AND 25),     -- from the first leaf, lost ones counted
    x REAL,
    y REAL,
    occluded INTEGER NOT NULL CHECK (occluded IN (0, 1)),
    lost INTEGER NOT NULL CHECK (lost IN (0, 1)),
    rounded INTEGER NOT NULL CHECK (rounded IN (0, 1)),
    CHECK ((part = 'leaf') = lost),                 -- a leaf without a point is a lost one
    CHECK ((x IS NULL) = lost AND (y IS NULL) = lost)
);
CREATE INDEX labels_by_count ON labels (hand_count_id);

CREATE TABLE set_asides (       -- photos on which a person found nothing that can be counted
    id INTEGER PRIMARY KEY,
    photo_id INTEGER NOT NULL REFERENCES photos (id),
    who TEXT NOT NULL,
    said_at TEXT NOT NULL,
    reason TEXT NOT NULL CHECK (reason IN ('no-plant', 'several', 'not-corn', 'cannot-tell')),
    save_key TEXT UNIQUE
);
CREATE INDEX set_asides_by_photo ON set_asides (photo_id);
CREATE INDEX photos_by_name ON photos (name);

CREATE TRIGGER hand_counts_stay BEFORE UPDATE ON hand_counts BEGIN
    SELECT RAISE(ABORT, 'a hand count is never changed');
END;
CREATE TRIGGER hand_counts_are_kept BEFORE DELETE ON hand_counts BEGIN
    SELECT RAISE(ABORT, 'a hand count is never deleted');
END;
CREATE TRIGGER labels_stay BEFORE UPDATE ON labels BEGIN
    SELECT RAISE(ABORT, 'a label is never changed');
END;
CREATE TRIGGER labels_are_kept BEFORE DELETE ON labels BEGIN
    SELECT RAISE(ABORT, 'a label is never deleted');
END;
"""

# Several photos may show one plant, from its sides.
_VERSION_3 = """
ALTER TABLE photos ADD COLUMN plant TEXT;   -- a name within its visit and stop: one name, one plant
CREATE INDEX photos_of_plants ON photos (visit_id) WHERE plant IS NOT NULL;
"""

# A plant without a photo may be counted again. A program that knows no such counts would take each
# for one more plant, so the tie is a column, and such a program refuses the survey.
_VERSION_4 = """
ALTER TABLE hand_counts ADD COLUMN again_of INTEGER REFERENCES hand_counts (id); -- the first one
CREATE INDEX hand_counts_again ON hand_counts (again_of) WHERE again_of IS NOT NULL;
"""

# A count of a plant without a photo may be taken back. It stays, and a program that knows no
# withdrawals would go on counting it, so such a program refuses the survey.
_VERSION_5 = """
CREATE TABLE withdrawals (
    id INTEGER PRIMARY KEY,
    hand_count_id INTEGER NOT NULL UNIQUE REFERENCES hand_counts (id), -- taken back once, for good
    who TEXT NOT NULL,
    said_at TEXT NOT NULL,      -- UTC, ISO 8601
    reason TEXT NOT NULL
);

CREATE TRIGGER withdrawals_stay BEFORE UPDATE ON withdrawals BEGIN
    SELECT RAISE(ABORT, 'a withdrawal is never changed');
END;
CREATE TRIGGER withdrawals_are_kept BEFORE DELETE ON withdrawals BEGIN
    SELECT RAISE(ABORT, 'a withdrawal is never deleted');
END;
"""

# A picture is looked for by its pixels, in records that may be spoilt. A program that doesn't know
# a picture as it was sent would take it for one more look at its plant, and refuses the survey.
_VERSION_6 = """
CREATE INDEX records_by_pixels ON records (
    CASE WHEN json_valid(record) THEN json_extract(record, '$.pixels_sha256') END
);
CREATE INDEX records_by_sent_pixels ON records (
    CASE WHEN json_valid(record) THEN json_extract(record, '$.sent_pixels_sha256') END
);
"""

MIGRATIONS: tuple[str, ...] = (
    _VERSION_1,
    _VERSION_2,
    _VERSION_3,
    _VERSION_4,
    _VERSION_5,
    _VERSION_6,
)
"""The statements that take a survey from version n to n + 1, n = 0 being an empty file."""


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a survey, or an empty file, to the newest version: all of the way or not at all."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Asked inside the transaction: another process may just have done the work.
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        for script in MIGRATIONS[version:]:
            for statement in statements(script):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def statements(script: str) -> Iterator[str]:
    """Split a script; `executescript` would commit before the first statement."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
