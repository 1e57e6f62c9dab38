PRAGMA foreign_keys=OFF;
BEGIN TRANSACTION;
CREATE TABLE meta (key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE names (
    kind INTEGER NOT NULL,
    id   INTEGER NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (kind, id)
) WITHOUT ROWID;
INSERT INTO names VALUES(0,1,'pA');
INSERT INTO names VALUES(0,2,'pB');
INSERT INTO names VALUES(0,3,'pC');
INSERT INTO names VALUES(0,4,'pD');
INSERT INTO names VALUES(1,1,'no-reply');
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
INSERT INTO events VALUES(1,'club/A1/leak//2026-07-01T12:00:00.000Z',7,'raised',1782907200000,'{"v":1,"id":"club/A1/leak//2026-07-01T12:00:00.000Z","seq":7,"time":"2026-07-01T12:00:00.000Z","since":"2026-07-01T12:00:00.000Z","site":"club","bay":"A1","kind":"leak","state":"raised","severity":"warning","because":"","first_action":"","revision":""}');
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
INSERT INTO records VALUES(1,12,1782907200000,'dip','A1','','greenkeeper',0.2000000000000000111,NULL,NULL,'');
CREATE TABLE snapshots (
    name    TEXT NOT NULL,
    seq     INTEGER NOT NULL,
    record  INTEGER NOT NULL,
    t       INTEGER NOT NULL,
    version INTEGER NOT NULL,
    data    BLOB NOT NULL,
    PRIMARY KEY (name, seq, record)
);
INSERT INTO snapshots VALUES('core',8,1,1782907200000,1,X'7374617465');
CREATE TABLE calibrations (
    id     INTEGER PRIMARY KEY,
    point  TEXT NOT NULL,
    since  INTEGER NOT NULL,
    gain   REAL NOT NULL,
    shift  REAL NOT NULL,
    origin TEXT NOT NULL
);
INSERT INTO calibrations VALUES(1,'pA',1782907200000,1.0180000000000000159,0.0040000000000000000832,'dip');
CREATE TABLE queues (
    name    TEXT NOT NULL,
    kind    INTEGER NOT NULL,
    pending TEXT NOT NULL,
    PRIMARY KEY (name, kind)
);
INSERT INTO queues VALUES('archive',0,'[[5,0]]');
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
CREATE TABLE losses (
    id    INTEGER PRIMARY KEY AUTOINCREMENT,
    first INTEGER NOT NULL,
    last  INTEGER NOT NULL,
    n     INTEGER NOT NULL,
    why   TEXT NOT NULL
);
CREATE TABLE places (
    point    TEXT PRIMARY KEY,
    quantity TEXT NOT NULL,
    court    TEXT NOT NULL,
    bay      TEXT NOT NULL
) WITHOUT ROWID;
DELETE FROM sqlite_sequence;
INSERT INTO sqlite_sequence VALUES('records',1);
INSERT INTO sqlite_sequence VALUES('events',1);
CREATE INDEX events_t ON events (t);
COMMIT;
PRAGMA application_id=1650555244;
PRAGMA user_version=2;
