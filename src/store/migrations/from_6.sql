-- Version 6 to 7: hashes of the samples, block by block; an older session gets them with its first sheet or plot.
CREATE TABLE sample_hash (
    session INTEGER NOT NULL REFERENCES session (id),
    block INTEGER NOT NULL,
    last_row INTEGER NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (session, block)
) STRICT, WITHOUT ROWID;
