-- One row per committed batch of readings. first is the sequence number of its first sample, n
-- how many there are; t is the earliest time in ms and span how far the latest is after it; run
-- is 0, or the row of the ledger's runs whose shift dates the batch. data is described in
-- batch.go. There is no second index: each would double what is written to the card.
CREATE TABLE batches (
    first INTEGER PRIMARY KEY,
    n     INTEGER NOT NULL,
    t     INTEGER NOT NULL,
    span  INTEGER NOT NULL,
    run   INTEGER NOT NULL,
    data  BLOB NOT NULL
);
-- Buckets of one minute and of one hour over all points, by the bucket's start in ms.
CREATE TABLE minutes (t INTEGER PRIMARY KEY, data BLOB NOT NULL);
CREATE TABLE hours   (t INTEGER PRIMARY KEY, data BLOB NOT NULL);
-- Short numbers for point ids (kind 0) and reasons (kind 1). The ledger holds them too, so that
-- either file can be read without the other.
CREATE TABLE names (
    kind INTEGER NOT NULL,
    id   INTEGER NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (kind, id)
) WITHOUT ROWID;
CREATE TABLE meta (key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
