CREATE TABLE meta (key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE names (
    kind INTEGER NOT NULL,
    id   INTEGER NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (kind, id)
) WITHOUT ROWID;
-- Spans of samples taken while the clock was not vouched for. base is the provisional time, in
-- ms, of the boot's monotonic zero. state: 0 not dated yet, 1 dated, 2 never will be. shift, in
-- ms, is added to a provisional time.
CREATE TABLE runs (
    id    INTEGER PRIMARY KEY,
    boot  TEXT NOT NULL,
    base  INTEGER NOT NULL,
    state INTEGER NOT NULL,
    shift INTEGER NOT NULL
);
CREATE TABLE events (
    pos   INTEGER PRIMARY KEY AUTOINCREMENT,
    id    TEXT NOT NULL,
    seq   INTEGER NOT NULL,
    state TEXT NOT NULL,
    t     INTEGER NOT NULL,
    json  TEXT NOT NULL,
    UNIQUE (id, seq, state)
);
CREATE INDEX events_t ON events (t);
CREATE TABLE records (
    id        INTEGER PRIMARY KEY AUTOINCREMENT,
    after_seq INTEGER NOT NULL,
    t         INTEGER NOT NULL,
    kind      TEXT NOT NULL,
    bay       TEXT NOT NULL,
    subject   TEXT NOT NULL,
    who       TEXT NOT NULL,
    value     REAL,
    value2    REAL,
    until     INTEGER,
    text      TEXT NOT NULL
);
CREATE TABLE snapshots (
    name    TEXT NOT NULL,
    seq     INTEGER NOT NULL,
    record  INTEGER NOT NULL,
    t       INTEGER NOT NULL,
    version INTEGER NOT NULL,
    data    BLOB NOT NULL,
    PRIMARY KEY (name, seq, record)
);
CREATE TABLE calibrations (
    id     INTEGER PRIMARY KEY,
    point  TEXT NOT NULL,
    since  INTEGER NOT NULL,
    gain   REAL NOT NULL,
    shift  REAL NOT NULL,
    origin TEXT NOT NULL
);
-- Consumers of samples (kind 0) and of events (kind 1). pending is a JSON list of [after, upto]
-- pairs in order; the last has upto 0, which means everything that will come.
CREATE TABLE queues (
    name    TEXT NOT NULL,
    kind    INTEGER NOT NULL,
    pending TEXT NOT NULL,
    PRIMARY KEY (name, kind)
);
-- Lines a server refused, with its words. state: 0 set aside, 1 to be sent again.
CREATE TABLE aside (
    id    INTEGER PRIMARY KEY AUTOINCREMENT,
    queue TEXT NOT NULL,
    seq   INTEGER NOT NULL,
    t     INTEGER NOT NULL,
    line  TEXT NOT NULL,
    said  TEXT NOT NULL,
    state INTEGER NOT NULL,
    UNIQUE (queue, seq)
);
-- Samples that were journaled and are no more, other than by age: first and last of the span
-- and how many of it are lost.
CREATE TABLE losses (
    id    INTEGER PRIMARY KEY AUTOINCREMENT,
    first INTEGER NOT NULL,
    last  INTEGER NOT NULL,
    n     INTEGER NOT NULL,
    why   TEXT NOT NULL
);
