-- Version 1 to 2: the visit, how a capture came about, and the zeros of clamps.
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
