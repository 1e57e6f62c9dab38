-- What each point ever was, so that the samples of a point that has left the site file can
-- still be sent and exported.
CREATE TABLE places (
    point    TEXT PRIMARY KEY,
    quantity TEXT NOT NULL,
    court    TEXT NOT NULL,
    bay      TEXT NOT NULL
) WITHOUT ROWID;
