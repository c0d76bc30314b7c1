-- Version 1 to 2: the visit, how a capture came about, the zeros of clamps, and findings.
ALTER TABLE session ADD COLUMN vin TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN counter TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN complaint TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN ambient_c REAL;
ALTER TABLE session ADD COLUMN part_c REAL;
ALTER TABLE capture ADD COLUMN measured REAL;
ALTER TABLE capture ADD COLUMN deviation REAL;
ALTER TABLE capture ADD COLUMN readings INTEGER;
ALTER TABLE capture ADD COLUMN peak REAL;
ALTER TABLE capture ADD COLUMN conformity REAL;
CREATE TABLE zero (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_us INTEGER NOT NULL,
    channel TEXT,
    quantity TEXT NOT NULL,
    unit TEXT NOT NULL,
    value REAL NOT NULL,
    drift REAL,
    u REAL NOT NULL
) STRICT;
CREATE TABLE finding (
    session INTEGER NOT NULL REFERENCES session (id),
    rank INTEGER NOT NULL,
    kind TEXT NOT NULL,
    circuits TEXT NOT NULL,
    sentence TEXT NOT NULL,
    sure TEXT NOT NULL,
    weight REAL NOT NULL,
    z REAL NOT NULL,
    evidence TEXT NOT NULL,
    alternatives TEXT NOT NULL,
    next TEXT NOT NULL,
    PRIMARY KEY (session, rank)
) STRICT, WITHOUT ROWID;
