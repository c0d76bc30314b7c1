-- Version 5 to 6: photos of the visit, and the shape of each signal in each step.
CREATE TABLE photo (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_us INTEGER NOT NULL,
    hash TEXT NOT NULL,
    width INTEGER NOT NULL,
    height INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    text TEXT NOT NULL,
    undone_us INTEGER
) STRICT;
CREATE TABLE waveform (
    session INTEGER NOT NULL REFERENCES session (id),
    judgement INTEGER NOT NULL DEFAULT 0,
    step INTEGER NOT NULL,
    channel TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit TEXT NOT NULL,
    shape TEXT NOT NULL,
    rate_hz REAL NOT NULL,
    samples INTEGER NOT NULL,
    least REAL NOT NULL,
    greatest REAL NOT NULL,
    mean REAL NOT NULL,
    rms REAL,
    low_level REAL,
    high_level REAL,
    frequency_hz REAL,
    frequency_u REAL,
    duty REAL,
    duty_u REAL,
    ripple_rms REAL,
    ripple_pp REAL,
    switch_ons INTEGER,
    peak REAL,
    hold REAL,
    time_constant_s REAL,
    time_constant_u REAL,
    PRIMARY KEY (session, judgement, step, channel, quantity)
) STRICT, WITHOUT ROWID;
ALTER TABLE finding ADD COLUMN calibration INTEGER;
